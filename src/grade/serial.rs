//! Several exams of one subject beside each other: what changed, and under which circumstances.
//!
//! A change is told only between two findings that can both be taken at their word. Beside each
//! stand the states both were made in: a reflex weaker in sleep is not a reflex that got weaker.

use chrono::{DateTime, FixedOffset};
use serde::Serialize;

use super::ages::Ages;
use super::expect::{Grade, Graded, Ungraded};
use crate::exam::{Exam, Standing};
use crate::journal::{Ga, Sex};
use crate::lexicon::model::{ItemId, Lexicon};
use crate::reading::types::{Finding, Side, Status};

/// One exam of the series.
#[derive(Debug, Clone, Copy)]
pub struct Visit<'a> {
    /// The exam.
    pub exam: &'a Exam,
    /// Its ages and grades.
    pub graded: &'a Graded,
}

/// What one exam says of an item on a side.
#[derive(Debug, Clone, Copy)]
pub struct Cell<'a> {
    /// The finding; `None` where there is none.
    pub found: Option<&'a Standing>,
    /// Its grade.
    pub grade: Option<Grade>,
    /// How it stands to the last finding before it that could be compared.
    pub change: Change,
    /// The visit it was compared with.
    pub against: Option<usize>,
    /// Whether the two were made in different states, or one in a state nobody said.
    pub state_differs: bool,
}

/// How a finding stands to the one before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// Nothing before it to compare with.
    First,
    /// The same.
    Same,
    /// Different.
    Changed,
    /// Not elicited or absent before, elicited now.
    Elicited,
    /// Elicited before, not elicited or absent now.
    Lost,
    /// Not found at this visit.
    NotFound,
    /// Not settled, or not valid in its state: compared with nothing.
    NotComparable,
}

impl Change {
    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            Change::First => "first found",
            Change::Same => "same",
            Change::Changed => "CHANGED",
            Change::Elicited => "NEWLY PRESENT",
            Change::Lost => "NOW ABSENT",
            Change::NotFound => "not found",
            Change::NotComparable => "not comparable",
        }
    }

    /// Whether it is a change.
    pub fn is_change(self) -> bool {
        matches!(self, Change::Changed | Change::Elicited | Change::Lost)
    }
}

/// An item, on a side, over the visits.
#[derive(Debug, Clone)]
pub struct Course<'a> {
    /// Item.
    pub item: ItemId,
    /// Side, for an item with sides.
    pub side: Option<Side>,
    /// One cell a visit.
    pub cells: Vec<Cell<'a>>,
}

/// A field of the header that two exams of one subject cannot differ in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Identity {
    /// Time of birth.
    Born,
    /// Gestational age at birth.
    Ga,
    /// Sex.
    Sex,
}

impl Identity {
    /// The word for it, as the command line names it.
    pub fn word(self) -> &'static str {
        match self {
            Identity::Born => "born",
            Identity::Ga => "ga",
            Identity::Sex => "sex",
        }
    }
}

/// Fields told differently by two exams, which then are hardly of one subject: field, first exam
/// and the other, by their place in the list.
pub fn strangers(exams: &[&Exam]) -> Vec<(Identity, usize, usize)> {
    fn differ<T: PartialEq>(
        out: &mut Vec<(Identity, usize, usize)>,
        field: Identity,
        told: impl Iterator<Item = Option<T>>,
    ) {
        let told: Vec<(usize, T)> =
            told.enumerate().filter_map(|(k, v)| v.map(|v| (k, v))).collect();
        if let Some((first, value)) = told.first() {
            out.extend(told.iter().filter(|(_, v)| v != value).map(|(k, _)| (field, *first, *k)));
        }
    }
    let mut out = Vec::new();
    let born = exams.iter().map(|x| x.header.born.map(|b: DateTime<FixedOffset>| b.to_utc()));
    differ(&mut out, Identity::Born, born);
    differ(&mut out, Identity::Ga, exams.iter().map(|x| x.header.ga.map(|g: Ga| g)));
    differ(&mut out, Identity::Sex, exams.iter().map(|x| x.header.sex.map(|s: Sex| s)));
    out
}

/// Hours of age at the start of an exam, with fractions; `None` where they cannot be known.
pub fn hours(exam: &Exam, ages: &Ages) -> Option<f64> {
    let born = exam.header.born.filter(|_| ages.before_birth.is_none())?;
    #[allow(clippy::cast_precision_loss)] // hours of an infant's life
    let ms = (exam.header.started - born).num_milliseconds() as f64;
    Some(ms / 3_600_000.0)
}

/// Every item found in any of the visits, side by side, in examination order. The visits stand in
/// the order given.
pub fn courses<'a>(visits: &[Visit<'a>], lex: &Lexicon) -> Vec<Course<'a>> {
    let mut out = Vec::new();
    for item in 0..lex.items.len() {
        let found: Vec<&Standing> = visits.iter().flat_map(|v| v.exam.of(item)).collect();
        if found.is_empty() {
            continue;
        }
        let mut sides: Vec<Option<Side>> = match lex.items[item].sided {
            true => vec![Some(Side::Left), Some(Side::Right)],
            false => vec![None],
        };
        if found.iter().any(|s| s.finding.side == Some(Side::Unstated)) {
            sides.push(Some(Side::Unstated));
        }
        let mut courses: Vec<Course<'a>> = sides
            .into_iter()
            .map(|side| Course { item, side, cells: cells(visits, item, side, lex) })
            .filter(|c| c.cells.iter().any(|c| c.found.is_some()))
            .collect();
        // Left and right that tell the same at every visit are told once.
        if let [l, r] = courses.as_slice()
            && lex.items[item].sided
            && l.cells.iter().zip(&r.cells).all(|(a, b)| alike(a, b))
        {
            courses.truncate(1);
            courses[0].side = Some(Side::Both);
        }
        out.extend(courses);
    }
    out
}

fn alike(a: &Cell<'_>, b: &Cell<'_>) -> bool {
    let same = match (a.found, b.found) {
        (None, None) => true,
        (Some(x), Some(y)) => {
            x.finding.same_value(&y.finding)
                && x.state == y.state
                && x.finding.is_sure() == y.finding.is_sure()
                && a.grade == b.grade
        }
        _ => false,
    };
    same && a.change == b.change
}

fn cells<'a>(
    visits: &[Visit<'a>],
    item: ItemId,
    side: Option<Side>,
    lex: &Lexicon,
) -> Vec<Cell<'a>> {
    let mut out: Vec<Cell<'a>> = Vec::new();
    for v in visits {
        let here: Vec<(usize, &'a Standing)> = v
            .exam
            .findings
            .iter()
            .enumerate()
            .filter(|(_, s)| s.finding.item == item && covers(&s.finding, side))
            .collect();
        // Of several that stand, one that is not settled makes the whole not comparable.
        let one = here.iter().find(|(_, s)| !s.finding.is_sure()).or(here.last());
        let found = one.map(|(_, s)| *s);
        let grade = one.and_then(|(k, _)| v.graded.grades.get(*k).copied());
        let before = out
            .iter()
            .enumerate()
            .rev()
            .find_map(|(k, c)| c.found.filter(|s| comparable(s, c.grade)).map(|s| (k, s)));
        let (change, against) = match (found, before) {
            (None, _) => (Change::NotFound, None),
            (Some(s), _) if s.finding.status == Status::Skipped => (Change::NotFound, None),
            (Some(s), _) if !comparable(s, grade) => (Change::NotComparable, None),
            (Some(_), None) => (Change::First, None),
            (Some(s), Some((k, b))) => (between(&b.finding, &s.finding, lex), Some(k)),
        };
        let state_differs = against
            .and_then(|k| out[k].found)
            .zip(found)
            .is_some_and(|(b, s)| s.state != b.state || s.state.is_none());
        out.push(Cell { found, grade, change, against, state_differs });
    }
    out
}

fn covers(f: &Finding, side: Option<Side>) -> bool {
    match side {
        Some(Side::Unstated) => f.side == side,
        _ => f.covers(side),
    }
}

fn comparable(s: &Standing, grade: Option<Grade>) -> bool {
    s.finding.is_sure()
        && s.finding.status != Status::Skipped
        && grade != Some(Grade::Ungraded(Ungraded::WrongState))
}

fn between(before: &Finding, now: &Finding, lex: &Lexicon) -> Change {
    if before.same_value(now) {
        return Change::Same;
    }
    match (is_there(before, lex), is_there(now, lex)) {
        (Some(false), Some(true)) => Change::Elicited,
        (Some(true), Some(false)) => Change::Lost,
        _ => Change::Changed,
    }
}

/// Whether something was elicited; `None` for an item with no notion of absence.
fn is_there(f: &Finding, lex: &Lexicon) -> Option<bool> {
    if f.status == Status::NotObtained {
        return Some(false);
    }
    let item = &lex.items[f.item];
    let says_absent = |v: &crate::lexicon::model::Value| {
        v.concepts.iter().any(|&c| lex.concepts[c].id == "absent")
    };
    if let Some(v) = f.value.as_deref().and_then(|v| item.value(v)) {
        let knows = item.values.iter().any(says_absent);
        return knows.then(|| !says_absent(&item.values[v]));
    }
    let zero = item.number.as_ref().is_some_and(|n| n.none_is_zero);
    f.number.filter(|_| zero).map(|n| n > 0.0)
}
