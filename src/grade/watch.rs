//! A clock that runs from birth, for an exam that is repeated, and what moved since.
//!
//! When it ends and when the exam is due stands in the protocol. This room reads no clock: the time
//! left is the time from the start of the exam, and the moment of the end is given beside it.

use chrono::{DateTime, Duration, FixedOffset};
use serde::Serialize;

use super::ages::Ages;
use super::scales::{Outcome, Rule, Scale, Scored, Status};
use crate::exam::Exam;
use crate::lexicon::Lexicon;
use crate::lexicon::model::Watch;

/// The clock of an exam's protocol.
#[derive(Debug, Clone)]
pub struct Clock<'l> {
    /// The rule.
    pub rule: &'l Watch,
    /// How it stands; `None` where no time of birth is given, or one after the exam's start.
    pub runs: Option<Runs>,
}

/// How the clock stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Runs {
    /// The moment at which it ends.
    pub ends: DateTime<FixedOffset>,
    /// Time left at the start of the exam; negative once it has ended.
    pub left: Duration,
    /// Hours from birth at which the exam is due next, and when that is: the first of the rule that
    /// is not reached by the end of this exam.
    pub next: Option<(f64, DateTime<FixedOffset>)>,
}

/// The clock of the exam's protocol, when it has one.
pub fn clock<'l>(exam: &Exam, ages: &Ages, lex: &'l Lexicon) -> Option<Clock<'l>> {
    let rule = lex.protocol(exam.header.protocol.as_deref())?.watch.as_ref()?;
    let runs = exam.header.born.filter(|_| ages.before_birth.is_none()).map(|born| {
        let over = exam.wall(exam.end_ms);
        let next = rule.due.iter().map(|h| (*h, after(born, *h))).find(|(_, at)| *at > over);
        let ends = after(born, rule.hours);
        Runs { ends, left: ends - exam.header.started, next }
    });
    Some(Clock { rule, runs })
}

fn after(born: DateTime<FixedOffset>, hours: f64) -> DateTime<FixedOffset> {
    #[allow(clippy::cast_possible_truncation)] // the lexicon's hours are few
    let ms = (hours * 3_600_000.0).round() as i64;
    born + Duration::milliseconds(ms)
}

/// How a category stands to the last exam before it in which it was known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Moved {
    /// Known here, and not before.
    First,
    /// As before.
    Same,
    /// Higher than before.
    Worse,
    /// Lower than before.
    Better,
    /// Not known here: more than one level is possible.
    Open,
}

impl Moved {
    /// The word for people; nothing where nothing moved.
    pub fn word(self) -> &'static str {
        match self {
            Moved::First | Moved::Same => "",
            Moved::Worse => "WORSE",
            Moved::Better => "BETTER",
            Moved::Open => "not known",
        }
    }
}

/// One category of a counted scale over several exams, or its sign that suffices alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Category {
    /// Name for people.
    pub name: String,
    /// For each exam, the levels still possible by name, and how they stand to before.
    pub course: Vec<(Vec<String>, Moved)>,
}

/// The categories of a counted scale over several exams, in order of time; none for a sum.
pub fn categories(scale: &Scale, row: &[&Scored]) -> Vec<Category> {
    let Rule::Count(rule) = &scale.rule else { return Vec::new() };
    let level = |s: &Scored, g: usize| -> Vec<i32> {
        match s.outcome.as_ref().filter(|_| s.status != Status::Empty) {
            Some(Outcome::Levels(l)) => {
                l.groups[g].iter().filter_map(|&k| i32::try_from(k).ok()).collect()
            }
            _ => (0..rule.levels.len()).filter_map(|k| i32::try_from(k).ok()).collect(),
        }
    };
    let named = |k: i32| {
        usize::try_from(k).ok().and_then(|k| rule.levels.get(k).cloned()).unwrap_or_default()
    };
    let mut out: Vec<Category> = scale
        .groups
        .iter()
        .enumerate()
        .map(|(g, group)| Category {
            name: group.name.clone(),
            course: course(row.iter().map(|s| level(s, g)), &named),
        })
        .collect();
    if let Some((sign, _, _)) = rule.alone {
        let of = &scale.signs[sign];
        let says =
            |k: i32| of.rows.iter().find(|r| r.score == k).map_or(k.to_string(), |r| r.say.clone());
        out.push(Category {
            name: of.name.clone(),
            course: course(row.iter().map(|s| s.signs[sign].possible.clone()), &says),
        });
    }
    out
}

fn course(
    row: impl Iterator<Item = Vec<i32>>,
    named: &dyn Fn(i32) -> String,
) -> Vec<(Vec<String>, Moved)> {
    let mut known: Option<i32> = None;
    row.map(|possible| {
        let moved = match (possible.as_slice(), known) {
            ([one], None) => {
                known = Some(*one);
                Moved::First
            }
            ([one], Some(before)) => {
                known = Some(*one);
                match one.cmp(&before) {
                    std::cmp::Ordering::Greater => Moved::Worse,
                    std::cmp::Ordering::Less => Moved::Better,
                    std::cmp::Ordering::Equal => Moved::Same,
                }
            }
            _ => Moved::Open,
        };
        (possible.into_iter().map(named).collect(), moved)
    })
    .collect()
}
