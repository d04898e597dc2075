//! Each finding against what the lexicon says its age expects.
//!
//! The engine compares; every limit stands in the lexicon. A finding that cannot be compared
//! honestly is ungraded, with the reason.

use serde::Serialize;

use crate::exam::{Exam, Standing};
use crate::lexicon::model::{Basis, Expect, Item, ItemId, Lexicon, STATED_ABNORMAL, STATED_NORMAL};
use crate::reading::types::{Finding, FindingId, Side, Status};

use super::ages::{Ages, ages};

/// How a finding stands to what its age expects.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// As expected.
    Expected,
    /// Neither clearly expected nor clearly outside.
    Borderline,
    /// Outside what is expected.
    Outside,
    /// Not compared, and why.
    Ungraded(Ungraded),
}

/// Why a finding is not compared with what is expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ungraded {
    /// Skipped, or tried and not elicited.
    NotObserved,
    /// A person still has to decide what the finding is.
    Unsettled,
    /// Made in a state in which the item cannot be judged.
    WrongState,
    /// Said to be normal or abnormal, no more.
    StatedOnly,
    /// Examined, and no value said.
    NoValue,
    /// The exam starts before the birth time given.
    BeforeBirth,
    /// No gestational age was told.
    NoGestation,
    /// Born outside the weeks of gestation the expectations are for.
    NotTerm,
    /// No time of birth was told.
    NoBirthTime,
    /// Older than the expectations hold for.
    TooOld,
    /// The lexicon says nothing of how this value or number stands.
    NoExpectation,
    /// The lexicon names no source for how it stands, so it is not used.
    NoSource,
}

impl Ungraded {
    /// The reason in words.
    pub fn text(self) -> &'static str {
        match self {
            Ungraded::NotObserved => "nothing was observed",
            Ungraded::Unsettled => "not settled",
            Ungraded::WrongState => "not valid in this state",
            Ungraded::StatedOnly => "only said to be normal or abnormal",
            Ungraded::NoValue => "no value was said",
            Ungraded::BeforeBirth => "the exam starts before the birth time given",
            Ungraded::NoGestation => "gestational age not given",
            Ungraded::NotTerm => "gestational age outside the weeks the expectations are for",
            Ungraded::NoBirthTime => "birth time not given",
            Ungraded::TooOld => "older than the expectations are for",
            Ungraded::NoExpectation => "no expectation on file",
            Ungraded::NoSource => "the expectation on file names no source",
        }
    }
}

impl From<Expect> for Grade {
    fn from(e: Expect) -> Self {
        match e {
            Expect::Expected => Grade::Expected,
            Expect::Borderline => Grade::Borderline,
            Expect::Outside => Grade::Outside,
        }
    }
}

/// An exam's ages, and its findings' grades.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Graded {
    /// Ages at the start of the exam.
    pub ages: Ages,
    /// One for each of [`Exam::findings`], in their order.
    pub grades: Vec<Grade>,
}

/// Grades every finding that stands.
pub fn grade(exam: &Exam, lex: &Lexicon) -> Graded {
    let ages = ages(&exam.header);
    let by_age = beyond(&ages, lex);
    let grades = exam
        .findings
        .iter()
        .map(|s| match one(s, by_age, lex) {
            Ok(e) => e.into(),
            Err(why) => Grade::Ungraded(why),
        })
        .collect();
    Graded { ages, grades }
}

fn one(s: &Standing, by_age: Option<Ungraded>, lex: &Lexicon) -> Result<Expect, Ungraded> {
    let f = &s.finding;
    if f.status != Status::Observed {
        return Err(Ungraded::NotObserved);
    }
    if !f.is_sure() {
        return Err(Ungraded::Unsettled);
    }
    if s.in_wrong_state(lex) {
        return Err(Ungraded::WrongState);
    }
    let weighed = expectation(f, lex);
    // What the finding itself lacks is said before what the header lacks.
    match (weighed, by_age) {
        (Err(why @ (Ungraded::StatedOnly | Ungraded::NoValue)), _) => Err(why),
        (_, Some(why)) => Err(why),
        (w, None) => w.map(|(e, _)| e),
    }
}

/// Why the lexicon's expectations do not apply at these ages; `None` when they do.
pub fn beyond(ages: &Ages, lex: &Lexicon) -> Option<Ungraded> {
    if (lex.term_weeks.is_some() || lex.term_days.is_some()) && ages.before_birth.is_some() {
        return Some(Ungraded::BeforeBirth);
    }
    if let Some([from, to]) = lex.term_weeks {
        match ages.gestational {
            None => return Some(Ungraded::NoGestation),
            Some(ga) if !(from..to).contains(&u32::from(ga.weeks())) => {
                return Some(Ungraded::NotTerm);
            }
            Some(_) => {}
        }
    }
    if let Some(most) = lex.term_days {
        match ages.days {
            None => return Some(Ungraded::NoBirthTime),
            Some(days) if days > i64::from(most) => return Some(Ungraded::TooOld),
            Some(_) => {}
        }
    }
    None
}

/// How an observed finding stands within the lexicon's window of age, and the row that decides.
///
/// Value and number are weighed apart and the worse counts; of a range, both ends are weighed. A
/// part the lexicon says nothing of leaves the whole ungraded, unless another part is already
/// outside: nothing unknown can make that better.
///
/// # Errors
/// Why it cannot be weighed.
pub fn expectation<'l>(f: &Finding, lex: &'l Lexicon) -> Result<(Expect, &'l Basis), Ungraded> {
    let item = &lex.items[f.item];
    let numbers: Vec<f64> =
        f.number.into_iter().chain(f.range.into_iter().flat_map(|(a, b)| [a, b])).collect();
    let mut parts: Vec<Result<(Expect, &Basis), Ungraded>> = Vec::new();
    match f.value.as_deref() {
        None => {}
        // With a number beside it, "normal" adds nothing and takes nothing away.
        Some(STATED_NORMAL) if !numbers.is_empty() => {}
        Some(STATED_NORMAL | STATED_ABNORMAL) => parts.push(Err(Ungraded::StatedOnly)),
        Some(code) => {
            let row = item.value(code).map(|v| &item.values[v]);
            let judges_values = item.values.iter().any(|v| v.expect.is_some());
            if numbers.is_empty() || judges_values {
                parts.push(match row.and_then(|v| Some((v.expect?, &v.basis))) {
                    Some(row) => sourced(row),
                    None => Err(Ungraded::NoExpectation),
                });
            }
        }
    }
    if parts.is_empty() || !item.bands.is_empty() {
        parts.extend(numbers.iter().map(|&n| band(item, n)));
    }
    if parts.is_empty() {
        return Err(Ungraded::NoValue);
    }
    let known = parts.iter().filter_map(|p| p.as_ref().ok());
    let worst = known.max_by_key(|(e, _)| rank(*e)).copied();
    match (worst, parts.iter().find_map(|p| p.as_ref().err())) {
        (Some(w @ (Expect::Outside, _)), _) | (Some(w), None) => Ok(w),
        (_, Some(why)) => Err(*why),
        (None, None) => Err(Ungraded::NoValue),
    }
}

/// The band a number stands in. Where two bands meet in it, the worse counts. A number between two
/// bands (written to fewer decimals than it was said with) stands in none, and is not pushed into
/// either.
fn band(item: &Item, n: f64) -> Result<(Expect, &Basis), Ungraded> {
    item.bands
        .iter()
        .filter(|b| b.from <= n && n <= b.to)
        .max_by_key(|b| rank(b.is))
        .map_or(Err(Ungraded::NoExpectation), |b| sourced((b.is, &b.basis)))
}

fn sourced(row: (Expect, &Basis)) -> Result<(Expect, &Basis), Ungraded> {
    if row.1.source.is_some() { Ok(row) } else { Err(Ungraded::NoSource) }
}

fn rank(e: Expect) -> u8 {
    match e {
        Expect::Expected => 0,
        Expect::Borderline => 1,
        Expect::Outside => 2,
    }
}

/// Left and right of one item said differently. A fact, not a judgement.
#[derive(Debug, Clone, PartialEq)]
pub struct Asymmetry {
    /// Item.
    pub item: ItemId,
    /// Finding of the left.
    pub left: FindingId,
    /// Finding of the right.
    pub right: FindingId,
    /// How far apart.
    pub size: Apart,
    /// Whether both findings are settled.
    pub settled: bool,
}

/// How far two sides are apart. Both fields empty: they differ and cannot be measured against each
/// other (a word on one side and a number on the other; one side not elicited).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Apart {
    /// Steps between the two values in the item's ordered list; absent when they are equal or not
    /// both in it.
    pub steps: Option<usize>,
    /// Least and most the numbers can be apart, in the item's unit. The same for two plain numbers;
    /// different when a range was said. Absent when equal or not both said.
    pub number: Option<(f64, f64)>,
}

/// All items whose left and right were said differently, in examination order.
///
/// A side of which only one of word and number was said is compared by what both sides have; a side
/// tried and not elicited differs from one observed. Skipped sides are no finding.
pub fn asymmetries(exam: &Exam, lex: &Lexicon) -> Vec<Asymmetry> {
    let side = |item: ItemId, side: Side| {
        exam.of(item)
            .map(|s| &s.finding)
            .find(|f| f.side == Some(side) && f.status != Status::Skipped)
    };
    (0..lex.items.len())
        .filter(|&i| lex.items[i].sided)
        .filter_map(|i| {
            let (l, r) = (side(i, Side::Left)?, side(i, Side::Right)?);
            Some(Asymmetry {
                item: i,
                left: l.id,
                right: r.id,
                size: apart(l, r, &lex.items[i])?,
                settled: l.is_sure() && r.is_sure(),
            })
        })
        .collect()
}

fn apart(l: &Finding, r: &Finding, item: &Item) -> Option<Apart> {
    let not_measured = Apart { steps: None, number: None };
    if l.status != r.status {
        return Some(not_measured);
    }
    if l.status != Status::Observed {
        return None;
    }
    let ends = |f: &Finding| f.number.map(|n| (n, n)).or(f.range);
    let values = l.value.as_deref().zip(r.value.as_deref());
    let numbers = ends(l).zip(ends(r));
    if values.is_none() && numbers.is_none() {
        let said = |f: &Finding| f.value.is_some() || ends(f).is_some();
        return (said(l) && said(r)).then_some(not_measured);
    }
    let values_differ = values.is_some_and(|(a, b)| a != b);
    let numbers_differ = numbers.is_some_and(|(a, b)| a != b);
    if !values_differ && !numbers_differ {
        return None;
    }
    let steps = values
        .filter(|_| values_differ)
        .and_then(|(a, b)| Some(item.value(a)?.abs_diff(item.value(b)?)));
    let number = numbers.filter(|_| numbers_differ).map(|((a, b), (c, d))| {
        let least = (c - b).max(a - d).max(0.0);
        (least, (d - a).max(b - c))
    });
    Some(Apart { steps, number })
}
