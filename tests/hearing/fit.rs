//! Fits the judge's thresholds on what the bench wrote down, without hearing anything again.
//!
//! For every phrase the bench writes the numbers of its stretches, and what becomes of the phrase
//! for each way to be sure of each stretch. With thresholds, each stretch has one such way; so any
//! thresholds can be tried in no time. Each threshold in turn is moved along its ladder to where the
//! sum is best, until none moves any more.

use std::collections::BTreeMap;

use cotside::capture::{Certainty, Phrase};
use cotside::lexicon::Lexicon;
use cotside::speech::judge::{self, Thresholds, Weights};
use serde_json::{Value, json};

use super::score::{Outcome, Typed};

/// Ways to be sure of a stretch.
pub const WAYS: [Option<Certainty>; 4] =
    [None, Some(Certainty::Sure), Some(Certainty::Unsettled), Some(Certainty::Narration)];
/// Most stretches of a phrase that is fitted on; there are four to this power outcomes.
pub const MOST: usize = 3;

/// What a wrong sure finding costs, in right phrases. A slack is added to every threshold before
/// wrong ones are counted, so that none lies just behind the last wrong one there was.
const WRONG: f64 = 25.0;
/// What a phrase left to a person counts, in right phrases.
const LEFT: f64 = 0.6;

/// The numbers and the outcomes of a phrase, for the dump. `phrases` has, for each stretch, what is
/// handed on in each of the [`WAYS`].
pub fn told(
    weights: &[Weights],
    phrases: &[[Option<Phrase>; 4]],
    want: &Typed,
    lex: &Lexicon,
) -> Value {
    if phrases.len() > MOST {
        return Value::Null;
    }
    let outcome = |way: usize| {
        let said = phrases.iter().enumerate().filter_map(|(i, p)| p[way >> (2 * i) & 3].clone());
        Outcome::of(want, &said.collect::<Vec<_>>(), lex).to_string()
    };
    let outcomes: Vec<String> = (0..1usize << (2 * phrases.len())).map(outcome).collect();
    let held = |v: f32| v.clamp(-99.0, 99.0);
    let numbers = |w: &Weights| {
        json!([held(w.gap), held(w.margin), held(w.bound), held(w.free), held(w.share), w.wordless])
    };
    json!({"weights": weights.iter().map(numbers).collect::<Vec<_>>(), "outcomes": outcomes})
}

struct Case {
    row: String,
    weights: Vec<Weights>,
    outcomes: Vec<Outcome>,
}

impl Case {
    fn read(v: &Value) -> Option<Case> {
        let fit = v.get("fit").filter(|f| !f.is_null())?;
        let number = |n: &Value, i: usize| n[i].as_f64().unwrap_or(0.0) as f32;
        let weights = fit["weights"].as_array()?.iter().map(|n| Weights {
            gap: number(n, 0),
            margin: number(n, 1),
            bound: number(n, 2),
            free: number(n, 3),
            share: number(n, 4),
            wordless: n[5].as_bool().unwrap_or(false),
        });
        let outcomes = fit["outcomes"].as_array()?.iter().map(|o| match o.as_str() {
            Some("right") => Outcome::Right,
            Some("unsettled") => Outcome::Unsettled,
            Some("wrong-but-sure") => Outcome::WrongSure,
            _ => Outcome::Missed,
        });
        Some(Case {
            row: format!("{}, {}", v["kind"].as_str()?, v["noise"].as_str()?),
            weights: weights.collect(),
            outcomes: outcomes.collect(),
        })
    }

    fn outcome(&self, t: &Thresholds) -> Outcome {
        let way = |w: &Weights| {
            let c = judge::certainty(w, t);
            WAYS.iter().position(|x| *x == c).unwrap_or(0)
        };
        let all = self.weights.iter().enumerate();
        self.outcomes[all.fold(0, |n, (i, w)| n | way(w) << (2 * i))]
    }
}

/// One threshold: its name, where it stands, the ladder it is moved along, and the slack.
struct Rung {
    name: &'static str,
    at: fn(&mut Thresholds) -> &mut f32,
    from: f32,
    to: f32,
    slack: f32,
}

const RUNGS: &[Rung] = &[
    Rung { name: "fits", at: |t| &mut t.fits, from: 0.0, to: 2.0, slack: 0.08 },
    Rung { name: "clear", at: |t| &mut t.clear, from: 0.0, to: 1.2, slack: -0.06 },
    Rung { name: "faint", at: |t| &mut t.faint, from: -4.0, to: -0.5, slack: -0.15 },
    Rung { name: "may_fit", at: |t| &mut t.may_fit, from: 0.0, to: 4.0, slack: 0.0 },
    Rung { name: "may_fit_alone", at: |t| &mut t.may_fit_alone, from: 0.0, to: 5.0, slack: 0.0 },
    Rung { name: "alone", at: |t| &mut t.alone, from: 0.0, to: 1.0, slack: 0.0 },
    Rung { name: "lost", at: |t| &mut t.lost, from: -5.0, to: -1.0, slack: 0.0 },
    Rung { name: "lost_wide", at: |t| &mut t.lost_wide, from: -5.0, to: -1.0, slack: 0.0 },
    Rung { name: "no_words", at: |t| &mut t.no_words, from: -5.0, to: -1.0, slack: 0.0 },
    Rung { name: "share", at: |t| &mut t.share, from: 0.3, to: 1.0, slack: -0.05 },
    Rung { name: "longer", at: |t| &mut t.longer, from: 1.0, to: 2.0, slack: 0.05 },
];
const STEPS: usize = 40;

fn worth(cases: &[Case], t: &Thresholds) -> f64 {
    let mut slack = *t;
    for r in RUNGS {
        *(r.at)(&mut slack) += r.slack;
    }
    let one = |c: &Case| {
        let kept = match c.outcome(t) {
            Outcome::Right => 1.0,
            Outcome::Unsettled => LEFT,
            Outcome::Missed => 0.0,
            Outcome::WrongSure => -WRONG,
        };
        kept - if c.outcome(&slack) == Outcome::WrongSure { WRONG } else { 0.0 }
    };
    cases.iter().map(one).sum()
}

fn show(cases: &[Case], t: &Thresholds) {
    let mut rows: BTreeMap<&str, super::Table> = BTreeMap::new();
    for c in cases {
        rows.entry(&c.row).or_default().add(c.outcome(t));
    }
    for (row, table) in rows {
        println!("  {row:<34} {table}");
    }
}

/// Reads a dump and prints the thresholds that serve it best, before and after.
pub fn search(dump: &str) {
    let lines = dump.lines().filter_map(|l| serde_json::from_str(l).ok());
    let cases: Vec<Case> = lines.filter_map(|v: Value| Case::read(&v)).collect();
    let mut best = Thresholds::default();
    println!("{} phrases; as it is:", cases.len());
    show(&cases, &best);
    let mut most = worth(&cases, &best);
    loop {
        let before = most;
        for r in RUNGS {
            // Of equals the one in the middle of them, which is the farthest from either cliff.
            let mut tried: Vec<(f64, f32)> = Vec::new();
            for k in 0..=STEPS {
                let v = r.from + (r.to - r.from) * k as f32 / STEPS as f32;
                let mut t = best;
                *(r.at)(&mut t) = v;
                tried.push((worth(&cases, &t), v));
            }
            let top = tried.iter().map(|t| t.0).fold(f64::MIN, f64::max);
            if top > most + 1e-9 {
                let first = tried.iter().position(|t| t.0 == top).unwrap_or(0);
                let run = tried[first..].iter().take_while(|t| t.0 == top).count();
                *(r.at)(&mut best) = tried[first + run / 2].1;
                most = top;
            }
        }
        if most <= before + 1e-9 {
            break;
        }
    }
    println!("\nfitted:");
    show(&cases, &best);
    println!();
    for r in RUNGS {
        println!("  {:<16} {:6.2}", r.name, *(r.at)(&mut best));
    }
}
