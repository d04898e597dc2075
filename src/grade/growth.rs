//! A measurement against a growth reference: z-score and centile.
//!
//! The reference is chosen by gestational age at birth, postmenstrual age and age since birth, and
//! is named with every number. Nothing is extrapolated: outside every reference that is said, and
//! where sex, gestational age or time of birth is missing, which of them.
//!
//! z by Cole's method, `((y/M)^L - 1)/(L S)` and `ln(y/M)/S` where L is 0 (Cole TJ, Green PJ. Stat
//! Med 1992;11:1305-1319), or `(y - mean)/sd`; the centile by the standard normal distribution.

use crate::exam::{Exam, Standing};
use crate::journal::Header;
use crate::lexicon::model::{Basis, Expect, ItemId, Lexicon};
use crate::lexicon::reference::{Axis, Form, Reference, Row, Sex, Spread, Term};
use crate::reading::types::{FindingId, Status};

use super::ages::Ages;

/// Days in a week.
const WEEK: f64 = 7.0;

/// What is needed to choose a reference and was not told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Lack {
    /// Gestational age at birth.
    Gestation,
    /// Time of birth.
    Birth,
    /// Sex.
    Sex,
}

impl Lack {
    /// What is missing, in words.
    pub fn text(self) -> &'static str {
        match self {
            Lack::Gestation => "gestational age",
            Lack::Birth => "time of birth",
            Lack::Sex => "sex",
        }
    }
}

/// One number against the reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// The measurement, in the item's unit.
    pub y: f64,
    /// z-score.
    pub z: f64,
    /// Centile, 0 to 100.
    pub centile: f64,
}

/// What a measurement comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Score {
    /// The reference used, index into [`Lexicon::references`].
    pub reference: usize,
    /// Its x: completed days, or exact weeks.
    pub x: f64,
    /// What the reference holds there; a value of one row, a formula, or between two rows.
    pub spread: Spread,
    /// Whether `spread` lies between two rows of a table.
    pub between_rows: bool,
    /// One point, or the two ends of a range.
    pub points: Vec<Point>,
    /// How the z-score stands; `None` when it is too far out to be a measurement.
    pub stands: Option<Expect>,
    /// The row or limit of the lexicon that says so.
    pub basis: Basis,
}

/// A measurement held against the growth references.
#[derive(Debug, Clone, PartialEq)]
pub struct Growth {
    /// Item.
    pub item: ItemId,
    /// The counting finding.
    pub finding: FindingId,
    /// What came of it.
    pub outcome: Outcome,
}

/// What came of holding a measurement against the references.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// z-score and centile.
    Scored(Score),
    /// A reference cannot be chosen without these.
    Lacks(Vec<Lack>),
    /// The exam starts before the time of birth given.
    BeforeBirth,
    /// No reference at hand holds for this infant at this age.
    NoReference,
    /// The finding is still to be settled by a person.
    Unsettled,
    /// It was made in a state in which the item cannot be judged.
    WrongState,
}

/// All measurements that are judged by a growth reference, in examination order.
pub fn growth(exam: &Exam, lex: &Lexicon, ages: &Ages) -> Vec<Growth> {
    exam.findings
        .iter()
        .filter(|s| lex.items[s.finding.item].growth.is_some())
        .filter(|s| s.finding.status == Status::Observed && !numbers(s).is_empty())
        .map(|s| Growth {
            item: s.finding.item,
            finding: s.finding.id,
            outcome: outcome(s, &exam.header, ages, lex),
        })
        .collect()
}

fn numbers(s: &Standing) -> Vec<f64> {
    let f = &s.finding;
    f.number.into_iter().chain(f.range.into_iter().flat_map(|(a, b)| [a, b])).collect()
}

fn outcome(s: &Standing, header: &Header, ages: &Ages, lex: &Lexicon) -> Outcome {
    if !s.finding.is_sure() {
        return Outcome::Unsettled;
    }
    if s.in_wrong_state(lex) {
        return Outcome::WrongState;
    }
    if ages.before_birth.is_some() {
        return Outcome::BeforeBirth;
    }
    let facts = Facts::of(header, ages);
    let (reference, x) = match choose(s.finding.item, &facts, lex) {
        Ok(chosen) => chosen,
        Err(outcome) => return outcome,
    };
    let Some(sex) = facts.sex else { return Outcome::Lacks(vec![Lack::Sex]) };
    let Some((spread, between_rows)) = spread_at(&lex.references[reference], sex, x) else {
        return Outcome::NoReference;
    };
    let points: Vec<Point> = numbers(s)
        .into_iter()
        .map(|y| {
            let z = z_score(spread, y);
            Point { y, z, centile: centile(z) }
        })
        .collect();
    let Some((stands, basis)) = stands(&points, s.finding.item, lex) else {
        return Outcome::NoReference;
    };
    Outcome::Scored(Score { reference, x, spread, between_rows, points, stands, basis })
}

/// What is told of the infant, in the terms of the references.
struct Facts {
    sex: Option<Sex>,
    /// Gestational age at birth, days.
    ga: Option<u32>,
    /// Completed days since birth.
    days: Option<i64>,
}

impl Facts {
    fn of(header: &Header, ages: &Ages) -> Self {
        Facts {
            sex: header.sex.map(|s| match s {
                crate::journal::Sex::Female => Sex::Female,
                crate::journal::Sex::Male => Sex::Male,
            }),
            ga: header.ga.map(|g| g.total_days()),
            days: ages.days,
        }
    }
}

/// Whether a reference holds for an infant.
enum Fit {
    Yes(f64),
    No,
    Unknown(Vec<Lack>),
}

#[allow(clippy::cast_precision_loss)] // ages in days are small
fn fit(r: &Reference, facts: &Facts) -> Fit {
    let mut lacks = Vec::new();
    let mut ask = |known: bool, lack: Lack| {
        if !known && !lacks.contains(&lack) {
            lacks.push(lack);
        }
    };
    if r.born_from.is_some() || r.born_before.is_some() {
        ask(facts.ga.is_some(), Lack::Gestation);
        if facts.ga.is_some_and(|ga| {
            r.born_from.is_some_and(|from| ga < from) || r.born_before.is_some_and(|b| ga >= b)
        }) {
            return Fit::No;
        }
    }
    if let Some((first, last)) = r.age_days {
        ask(facts.days.is_some(), Lack::Birth);
        if facts.days.is_some_and(|d| !(first..=last).contains(&d)) {
            return Fit::No;
        }
    }
    let ga = facts.ga.map(f64::from);
    let days = facts.days.map(|d| d as f64);
    let x = match r.axis {
        Axis::AgeDays => {
            ask(days.is_some(), Lack::Birth);
            days
        }
        Axis::PmaWeeks => {
            ask(ga.is_some(), Lack::Gestation);
            ask(days.is_some(), Lack::Birth);
            ga.zip(days).map(|(g, d)| (g + d) / WEEK)
        }
        Axis::GaWeeks => {
            ask(ga.is_some(), Lack::Gestation);
            ga.map(|g| g / WEEK)
        }
    };
    match (x, lacks.is_empty()) {
        (Some(x), true) if within(r, facts.sex, x) => Fit::Yes(x),
        (Some(x), false) if !within(r, facts.sex, x) => Fit::No,
        (_, true) => Fit::No,
        (_, false) => Fit::Unknown(lacks),
    }
}

/// Whether the reference holds at x; for a sex that is not told, whether it does for either.
fn within(r: &Reference, sex: Option<Sex>, x: f64) -> bool {
    let holds = |(a, b): (f64, f64)| a <= x && x <= b;
    match &r.form {
        Form::Formula { span, .. } => holds(*span),
        Form::Table(rows) => rows
            .iter()
            .enumerate()
            .filter(|(k, _)| sex.is_none_or(|s| *k == side(s)))
            .any(|(_, of)| of.first().zip(of.last()).is_some_and(|(a, b)| holds((a.x, b.x)))),
    }
}

fn side(sex: Sex) -> usize {
    usize::from(sex == Sex::Male)
}

/// The first reference of the item that holds. One that may hold and cannot be told to stops the
/// search: the next would be a guess.
fn choose(item: ItemId, facts: &Facts, lex: &Lexicon) -> Result<(usize, f64), Outcome> {
    let mut lacks: Vec<Lack> = Vec::new();
    for (k, r) in lex.references.iter().enumerate().filter(|(_, r)| r.item == item) {
        match fit(r, facts) {
            Fit::Yes(x) if lacks.is_empty() => return Ok((k, x)),
            Fit::Yes(_) | Fit::No => {}
            Fit::Unknown(of) => lacks.extend(of),
        }
    }
    if lacks.is_empty() {
        return Err(Outcome::NoReference);
    }
    if facts.sex.is_none() {
        lacks.push(Lack::Sex);
    }
    lacks.sort_unstable();
    lacks.dedup();
    Err(Outcome::Lacks(lacks))
}

/// What a reference holds for a sex at x, and whether that lies between two rows of its table, in
/// which case it is taken in proportion. `None` outside the reference.
pub fn spread_at(r: &Reference, sex: Sex, x: f64) -> Option<(Spread, bool)> {
    match &r.form {
        Form::Formula { span: (from, to), mean, sd } => {
            if x < *from || x > *to {
                return None;
            }
            let sum = |terms: &[Term]| -> f64 {
                terms
                    .iter()
                    .filter(|t| t.sex.is_none_or(|s| s == sex))
                    .map(|t| t.times * x.powi(t.power))
                    .sum()
            };
            let (mean, sd) = (sum(mean), sum(sd));
            // A formula can leave its senses inside its span; no z-score then.
            (mean > 0.0 && sd > 0.0).then_some((Spread::Normal { mean, sd }, false))
        }
        Form::Table(rows) => {
            let of = &rows[side(sex)];
            let after = of.partition_point(|r| r.x < x);
            let next = of.get(after)?;
            if next.x == x {
                return Some((next.is, false));
            }
            let before = of.get(after.checked_sub(1)?)?;
            Some((between(before, next, x)?, true))
        }
    }
}

fn between(a: &Row, b: &Row, x: f64) -> Option<Spread> {
    let t = (x - a.x) / (b.x - a.x);
    let mix = |p: f64, q: f64| p + (q - p) * t;
    match (a.is, b.is) {
        (Spread::Lms { l, m, s }, Spread::Lms { l: l2, m: m2, s: s2 }) => {
            Some(Spread::Lms { l: mix(l, l2), m: mix(m, m2), s: mix(s, s2) })
        }
        (Spread::Normal { mean, sd }, Spread::Normal { mean: mean2, sd: sd2 }) => {
            Some(Spread::Normal { mean: mix(mean, mean2), sd: mix(sd, sd2) })
        }
        // One table has one kind of columns.
        _ => None,
    }
}

/// The z-score of a measurement.
pub fn z_score(spread: Spread, y: f64) -> f64 {
    match spread {
        Spread::Normal { mean, sd } => (y - mean) / sd,
        // The usual case, and exact: no power is taken.
        Spread::Lms { l: 1.0, m, s } => (y - m) / (m * s),
        Spread::Lms { l: 0.0, m, s } => (y / m).ln() / s,
        Spread::Lms { l, m, s } => ((y / m).powf(l) - 1.0) / (l * s),
    }
}

/// The measurement of a z-score: the other way round than [`z_score`]; `None` where the spread has
/// none (a power of a negative number, or nothing above 0).
pub fn at_z(spread: Spread, z: f64) -> Option<f64> {
    let y = match spread {
        Spread::Normal { mean, sd } => mean + z * sd,
        Spread::Lms { l: 1.0, m, s } => m * (1.0 + z * s),
        Spread::Lms { l: 0.0, m, s } => m * (z * s).exp(),
        Spread::Lms { l, m, s } => m * (1.0 + l * s * z).powf(1.0 / l),
    };
    (y.is_finite() && y > 0.0).then_some(y)
}

/// The centile of a z-score, 0 to 100, by the standard normal distribution.
pub fn centile(z: f64) -> f64 {
    100.0 * 0.5 * libm::erfc(-z / std::f64::consts::SQRT_2)
}

/// How the points stand: the worse of two. `None` beside a basis: too far out to be a measurement.
fn stands(points: &[Point], item: ItemId, lex: &Lexicon) -> Option<(Option<Expect>, Basis)> {
    let rule = lex.items[item].growth.as_ref()?;
    let far = points.iter().map(|p| p.z.abs()).fold(0.0_f64, f64::max);
    // A number that is none (a power of a negative one) is no measurement either.
    if far > rule.implausible_beyond || points.iter().any(|p| !p.z.is_finite()) {
        return Some((None, rule.basis.clone()));
    }
    let row = rule.rows.iter().find(|r| far <= r.within)?;
    Some((Some(row.is), row.basis.clone()))
}
