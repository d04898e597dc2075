//! A scale held against an exam.

use super::load::TOTAL;
use super::model::{Gate, Rule, Scale};
use super::read::{Entered, SignRead, Why, entry, read};
use super::rule::{Levels, Totals, count, sum};
use super::schema::{Effect, Fact};
use crate::exam::Exam;
use crate::grade::ages::{Ages, postmenstrual};
use crate::lexicon::Lexicon;

/// A scale held against an exam, at one time.
#[derive(Debug, Clone, PartialEq)]
pub struct Scored {
    /// Index of the scale.
    pub scale: usize,
    /// Time since birth at which it was scored, for a scale scored at several.
    pub at: Option<u32>,
    /// How far it got.
    pub status: Status,
    /// The result; absent where it is refused or what was entered contradicts itself.
    pub outcome: Option<Outcome>,
    /// The signs, in the order of the scale.
    pub signs: Vec<SignRead>,
    /// A total entered as such.
    pub total: Option<Entered>,
    /// The gates that apply, with whether each holds.
    pub gates: Vec<GateRead>,
    /// What contradicts itself.
    pub conflict: Option<String>,
}

/// How far a scale got.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Status {
    /// One result, whatever is missing.
    Determined,
    /// What is missing could change the result.
    Indeterminate,
    /// The subject is outside what the scale holds for.
    Refused,
    /// Nothing is known of any sign.
    Empty,
}

impl Status {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Status::Determined => "determined",
            Status::Indeterminate => "indeterminate",
            Status::Refused => "refused",
            Status::Empty => "empty",
        }
    }
}

impl Scored {
    /// Whether a counted scale meets its criteria, whatever is missing.
    pub fn meets(&self, scale: &Scale) -> bool {
        let counted = matches!(scale.rule, Rule::Count(_));
        counted && self.outcome.as_ref().is_some_and(|o| o.ends().0 > 0)
    }
}

/// A result.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// Of a scale that adds.
    Totals(Totals),
    /// Of a scale that counts.
    Levels(Levels),
}

impl Outcome {
    /// Smallest and largest result: totals, or 0 for unmet and the number of the level.
    pub fn ends(&self) -> (i32, i32) {
        let level = |l: Option<&usize>| l.map_or(0, |&l| i32::try_from(l).unwrap_or(i32::MAX));
        match self {
            Outcome::Totals(t) => {
                (t.possible.first().copied().unwrap_or(0), t.possible.last().copied().unwrap_or(0))
            }
            Outcome::Levels(l) => (level(l.possible.first()), level(l.possible.last())),
        }
    }

    /// Whether only one result is possible.
    pub fn is_one(&self) -> bool {
        let (low, high) = self.ends();
        low == high
    }
}

/// A gate as found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GateRead {
    /// Index in the scale's gates.
    pub gate: usize,
    /// The number it looked at.
    pub found: Option<f64>,
    /// Whether it holds.
    pub holds: Holds,
}

/// Whether a gate holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Holds {
    /// It does.
    Yes,
    /// It does not.
    No,
    /// The header does not tell.
    Unknown,
    /// The exam starts before the birth time given: no age can be right.
    BeforeBirth,
}

/// Holds every scale against an exam, each at each of its times.
pub fn score_all(scales: &[Scale], exam: &Exam, ages: &Ages, lex: &Lexicon) -> Vec<Scored> {
    let mut out = Vec::new();
    for (k, scale) in scales.iter().enumerate() {
        out.extend(scale.occasions().into_iter().map(|at| score(k, scale, at, exam, ages, lex)));
    }
    out
}

fn score(
    index: usize,
    scale: &Scale,
    at: Option<u32>,
    exam: &Exam,
    ages: &Ages,
    lex: &Lexicon,
) -> Scored {
    let signs: Vec<SignRead> = scale.signs.iter().map(|s| read(scale, s, at, exam, lex)).collect();
    let possible: Vec<Vec<i32>> = signs.iter().map(|s| s.possible.clone()).collect();
    let mut conflict = None;
    let mut total = None;
    let outcome = match &scale.rule {
        Rule::Count(c) => Some(Outcome::Levels(count(scale, c, &possible))),
        Rule::Sum(s) => {
            if let Some(e) = entry(exam, scale, TOTAL, at).filter(|_| s.total_given) {
                match e.value.trim().parse() {
                    Ok(score) => {
                        total = Some(Entered { score, who: e.who.clone(), seq: e.seq });
                    }
                    Err(_) => conflict = Some(format!("`{}` is no total", e.value)),
                }
            }
            match sum(scale, s, &possible, total.as_ref().map(|t| t.score)) {
                Ok(t) => Some(Outcome::Totals(t)),
                Err(why) => {
                    conflict = Some(why);
                    None
                }
            }
        }
    };
    let gates: Vec<GateRead> = scale
        .gates
        .iter()
        .enumerate()
        .filter(|(_, g)| applies(g, outcome.as_ref()))
        .map(|(gate, g)| look(gate, g, exam, ages))
        .collect();
    let known = total.is_some() || signs.iter().any(SignRead::is_known);
    let stops = |g: &GateRead, h: &[Holds]| {
        scale.gates[g.gate].effect == Effect::Refuse && h.contains(&g.holds)
    };
    let refused = gates.iter().any(|g| stops(g, &[Holds::No, Holds::BeforeBirth]));
    let open = gates.iter().any(|g| stops(g, &[Holds::Unknown]));
    let entered_wrong = signs
        .iter()
        .any(|s| s.lacks.iter().any(|l| matches!(l.why, Why::Contradiction(_) | Why::BadEntry(_))));
    let status = match &outcome {
        _ if refused => Status::Refused,
        _ if !known && !entered_wrong && conflict.is_none() => Status::Empty,
        Some(o) if o.is_one() && !open && conflict.is_none() => Status::Determined,
        _ => Status::Indeterminate,
    };
    Scored {
        scale: index,
        at,
        outcome: outcome.filter(|_| !refused),
        status,
        signs,
        total,
        gates,
        conflict,
    }
}

/// Whether the gate is looked at, given what the total may stand for.
fn applies(g: &Gate, outcome: Option<&Outcome>) -> bool {
    let Some(bound) = g.result_below else { return true };
    match outcome {
        Some(Outcome::Totals(t)) => {
            t.derived.is_some_and(|d| d.below_table || d.low.is_some_and(|low| low < bound))
        }
        _ => false,
    }
}

fn look(gate: usize, g: &Gate, exam: &Exam, ages: &Ages) -> GateRead {
    let h = &exam.header;
    let of_age = g.fact != Fact::GestationWeeks;
    if of_age && ages.before_birth.is_some() {
        return GateRead { gate, found: None, holds: Holds::BeforeBirth };
    }
    let found = match g.fact {
        Fact::AgeHours => h.born.map(|born| {
            #[allow(clippy::cast_precision_loss)] // hours of an infant's life
            let ms = (h.started - born).num_milliseconds() as f64;
            ms / 3_600_000.0
        }),
        Fact::GestationWeeks => ages.gestational.map(|ga| f64::from(ga.total_days()) / 7.0),
        Fact::PostmenstrualWeeks => ages
            .gestational
            .zip(ages.days)
            .and_then(|(ga, days)| postmenstrual(ga, days))
            .map(|(w, d)| f64::from(w) + f64::from(d) / 7.0),
    };
    let holds = match found {
        None => Holds::Unknown,
        Some(n) => {
            let low = g.at_least.is_none_or(|b| n >= b);
            let high = g.at_most.is_none_or(|b| n <= b);
            if low && high { Holds::Yes } else { Holds::No }
        }
    };
    GateRead { gate, found, holds }
}
