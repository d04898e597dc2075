//! Each finding against what the lexicon says its age expects.
//!
//! The engine compares; every limit stands in the lexicon. A finding that cannot be compared
//! honestly is ungraded, with the reason.

use serde::Serialize;

use crate::exam::{Exam, Standing};
use crate::lexicon::model::{
    AgeBand, Band, Basis, Expect, Item, ItemId, Lexicon, STATED_ABNORMAL, STATED_NORMAL,
};
use crate::reading::types::{Finding, FindingId, Side, Status};

use super::ages::{Ages, ages};
use super::growth::{Growth, Lack, Outcome, growth};
use super::patterns::{Pattern, patterns};

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
    /// Born before the weeks of gestation the expectations are for, and no band of the item holds.
    BeforeTerm,
    /// Born after those weeks.
    NotTerm,
    /// No time of birth was told.
    NoBirthTime,
    /// Older than the expectations hold for.
    TooOld,
    /// The lexicon says nothing of how this value or number stands.
    NoExpectation,
    /// The lexicon names no source for how it stands, so it is not used.
    NoSource,
    /// The sex, by which the growth reference differs, was not told.
    NoSex,
    /// No growth reference at hand holds for this infant at this age.
    NoReference,
    /// The measurement lies too far out to be one.
    Implausible,
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
            Ungraded::BeforeTerm => "no source before term for this item at this age",
            Ungraded::NotTerm => "gestational age beyond the weeks the expectations are for",
            Ungraded::NoBirthTime => "birth time not given",
            Ungraded::TooOld => "older than the expectations are for",
            Ungraded::NoExpectation => "no expectation on file",
            Ungraded::NoSource => "the expectation on file names no source",
            Ungraded::NoSex => "sex not given",
            Ungraded::NoReference => "no growth reference at hand for this age",
            Ungraded::Implausible => "implausible measurement, to be repeated",
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
#[derive(Debug, Clone, PartialEq)]
pub struct Graded {
    /// Ages at the start of the exam.
    pub ages: Ages,
    /// One for each of [`Exam::findings`], in their order.
    pub grades: Vec<Grade>,
    /// Measurements against growth references.
    pub growth: Vec<Growth>,
    /// Groups of findings held against each other.
    pub patterns: Vec<Pattern>,
}

impl Graded {
    /// The growth score of a finding, when it is one that is judged so.
    pub fn growth_of(&self, id: FindingId) -> Option<&Growth> {
        self.growth.iter().find(|g| g.finding == id)
    }
}

/// Grades every finding that stands.
pub fn grade(exam: &Exam, lex: &Lexicon) -> Graded {
    let ages = ages(&exam.header);
    let growth = growth(exam, lex, &ages);
    let grades = exam
        .findings
        .iter()
        .map(|s| {
            let by_reference = growth.iter().find(|g| g.finding == s.finding.id);
            let graded = match by_reference {
                Some(g) => by_growth(s, &g.outcome),
                None => one(s, &ages, lex),
            };
            graded.map_or_else(Grade::Ungraded, Grade::from)
        })
        .collect();
    Graded { ages, grades, growth, patterns: patterns(exam, lex) }
}

fn by_growth(s: &Standing, outcome: &Outcome) -> Result<Expect, Ungraded> {
    match outcome {
        Outcome::Scored(score) => match score.stands.ok_or(Ungraded::Implausible)? {
            Expect::Outside => Ok(Expect::Outside),
            // Called abnormal beside a number that is not: what was meant is not known.
            _ if s.finding.value.as_deref() == Some(STATED_ABNORMAL) => Err(Ungraded::StatedOnly),
            e => Ok(e),
        },
        Outcome::Lacks(list) => Err(match list.first() {
            Some(Lack::Gestation) => Ungraded::NoGestation,
            Some(Lack::Birth) => Ungraded::NoBirthTime,
            Some(Lack::Sex) | None => Ungraded::NoSex,
        }),
        Outcome::BeforeBirth => Err(Ungraded::BeforeBirth),
        Outcome::NoReference => Err(Ungraded::NoReference),
        Outcome::Unsettled => Err(Ungraded::Unsettled),
        Outcome::WrongState => Err(Ungraded::WrongState),
    }
}

fn one(s: &Standing, ages: &Ages, lex: &Lexicon) -> Result<Expect, Ungraded> {
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
    if let Err(why @ (Ungraded::StatedOnly | Ungraded::NoValue)) = weighed {
        return Err(why);
    }
    match beyond(ages, lex) {
        None => weighed.map(|(e, _)| e),
        Some(why @ (Ungraded::BeforeTerm | Ungraded::NotTerm)) => match age_band(f.item, ages, lex)
        {
            Some(b) => in_band(f, b, lex).map(|(e, _)| e),
            None => Err(why),
        },
        Some(why) => Err(why),
    }
}

/// The item's band that holds at these ages, when there is one: for those to whom the rows for term
/// subjects do not apply.
pub fn age_band<'l>(item: ItemId, ages: &Ages, lex: &'l Lexicon) -> Option<&'l AgeBand> {
    let (weeks, days) = ages.postmenstrual?;
    let pma = weeks * 7 + days;
    lex.items[item].age_bands.iter().find(|b| {
        (b.from_days..=b.to_days).contains(&pma)
            && b.hours.is_none_or(|most| ages.hours.is_some_and(|h| h <= i64::from(most)))
    })
}

/// How an observed finding stands by a band of postmenstrual age; otherwise as [`expectation`].
///
/// # Errors
/// Why it cannot be weighed.
pub fn in_band<'l>(
    f: &Finding,
    band: &'l AgeBand,
    lex: &'l Lexicon,
) -> Result<(Expect, &'l Basis), Ungraded> {
    let value = |v: usize| band.values[v].map(|e| (e, &band.basis));
    weigh(f, &lex.items[f.item], &value, &band.numbers)
}

/// Why the lexicon's expectations do not apply at these ages; `None` when they do.
pub fn beyond(ages: &Ages, lex: &Lexicon) -> Option<Ungraded> {
    if (lex.term_weeks.is_some() || lex.term_days.is_some()) && ages.before_birth.is_some() {
        return Some(Ungraded::BeforeBirth);
    }
    if let Some([from, to]) = lex.term_weeks {
        match ages.gestational {
            None => return Some(Ungraded::NoGestation),
            Some(ga) if u32::from(ga.weeks()) < from => return Some(Ungraded::BeforeTerm),
            Some(ga) if u32::from(ga.weeks()) >= to => return Some(Ungraded::NotTerm),
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
    let value = |v: usize| item.values[v].expect.map(|e| (e, &item.values[v].basis));
    weigh(f, item, &value, &item.bands)
}

fn weigh<'l>(
    f: &Finding,
    item: &'l Item,
    value: &dyn Fn(usize) -> Option<(Expect, &'l Basis)>,
    bands: &'l [Band],
) -> Result<(Expect, &'l Basis), Ungraded> {
    let numbers: Vec<f64> =
        f.number.into_iter().chain(f.range.into_iter().flat_map(|(a, b)| [a, b])).collect();
    let mut parts: Vec<Result<(Expect, &Basis), Ungraded>> = Vec::new();
    match f.value.as_deref() {
        None => {}
        // With a number beside it, "normal" adds nothing and takes nothing away.
        Some(STATED_NORMAL) if !numbers.is_empty() => {}
        Some(STATED_NORMAL | STATED_ABNORMAL) => parts.push(Err(Ungraded::StatedOnly)),
        Some(code) => {
            let judges_values = (0..item.values.len()).any(|v| value(v).is_some());
            if numbers.is_empty() || judges_values {
                parts.push(match item.value(code).and_then(value) {
                    Some(row) => sourced(row),
                    None => Err(Ungraded::NoExpectation),
                });
            }
        }
    }
    if parts.is_empty() || !bands.is_empty() {
        parts.extend(numbers.iter().map(|&n| band(bands, n)));
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
fn band(bands: &[Band], n: f64) -> Result<(Expect, &Basis), Ungraded> {
    bands
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
    /// How it stands to the error of judging by eye.
    pub weight: Weight,
}

/// How a difference between the sides stands to the published error of judging by eye.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// Beyond that error, or no error is known of: flagged.
    Flagged,
    /// A range was said, and the least difference is within the error, the largest is not: flagged.
    PerhapsWithinError,
    /// Within the error: shown, not flagged.
    WithinError,
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
            let size = apart(l, r, &lex.items[i])?;
            Some(Asymmetry {
                item: i,
                left: l.id,
                right: r.id,
                size,
                settled: l.is_sure() && r.is_sure(),
                weight: weight(size, &lex.items[i]),
            })
        })
        .collect()
}

/// A step between two words is never noise: the error is one of numbers.
fn weight(size: Apart, item: &Item) -> Weight {
    match (size, &item.noise) {
        (Apart { steps: None, number: Some((least, most)) }, Some(noise)) => {
            if most < noise.below {
                Weight::WithinError
            } else if least < noise.below && least < most {
                Weight::PerhapsWithinError
            } else {
                Weight::Flagged
            }
        }
        _ => Weight::Flagged,
    }
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
