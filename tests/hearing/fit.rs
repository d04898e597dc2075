//! Fits the two ears' numbers on what the bench wrote down, without hearing anything again.
//!
//! For every phrase the bench keeps what each ear heard: the chances of the letters, and the word ear's
//! text. With other numbers what becomes of it is computed anew. `HEARING_FIT` shows that, and then moves
//! each threshold in turn along its ladder to where the sum is best, until none moves any more.

use std::collections::BTreeMap;

use cotside::capture::Source;
use cotside::lexicon::Lexicon;
use cotside::speech::witnesses::{Both, Thresholds};
use cotside::speech::{Piece, Whisper};
use rayon::prelude::*;
use serde_json::{Value, json};

use super::score::{Outcome, Typed};

/// What a wrong sure finding costs, in right phrases. A slack is added to every threshold before
/// wrong ones are counted, so that none lies just behind the last wrong one there was.
const WRONG: f64 = 25.0;
/// What a phrase left to a person counts, in right phrases.
const LEFT: f64 = 0.6;
/// Chances are kept as so many parts of a unit of their logarithm.
const PARTS: f32 = 100.0;

/// What both ears heard of a stretch.
pub fn kept(both: &Both, piece: &Piece<'_>) -> Value {
    let row = |r: &Vec<f32>| r.iter().map(|p| (-p * PARTS).min(6e4) as u16).collect::<Vec<_>>();
    json!({
        "rows": both.rows.iter().map(row).collect::<Vec<_>>(), "words": both.words,
        "score": both.word_score, "own": both.own, "asked": both.asked,
        "times": [piece.from_ms, piece.start_ms, piece.end_ms],
    })
}

struct Case {
    row: String,
    text: String,
    want: Typed,
    stretches: Vec<(Both, [u64; 3])>,
}

impl Case {
    fn read(line: &str, w: &Whisper<'_>, lex: &Lexicon) -> Option<Case> {
        let v: Value = serde_json::from_str(line).ok()?;
        let one = |s: &Value| -> Option<(Both, [u64; 3])> {
            let number = |p: &Value| -(p.as_u64().unwrap_or(0) as f32) / PARTS;
            let row = |r: &Value| Some(r.as_array()?.iter().map(number).collect());
            let rows: Option<Vec<Vec<f32>>> = s["rows"].as_array()?.iter().map(row).collect();
            let mut both = w.spelt(rows?)?;
            s["words"].as_str()?.clone_into(&mut both.words);
            both.word_score = s["score"].as_f64()? as f32;
            both.own = s["own"].as_f64()? as f32;
            both.asked = serde_json::from_value(s["asked"].clone()).ok()?;
            w.read(&mut both);
            let time = |i: usize| s["times"][i].as_u64();
            Some((both, [time(0)?, time(1)?, time(2)?]))
        };
        let text = v["text"].as_str().unwrap_or_default().to_owned();
        Some(Case {
            row: format!("{}, {}", v["kind"].as_str()?, v["noise"].as_str()?),
            want: Typed::of(&text, lex),
            text,
            stretches: v["kept"].as_array()?.iter().map(one).collect::<Option<_>>()?,
        })
    }

    fn heard(&self, w: &Whisper<'_>) -> Vec<cotside::capture::Phrase> {
        let one = |(both, [from_ms, start_ms, end_ms]): &(Both, [u64; 3])| {
            let piece =
                Piece { sound: &[], from_ms: *from_ms, start_ms: *start_ms, end_ms: *end_ms };
            w.judged(both, &piece).phrase(&piece, Source::Wav)
        };
        self.stretches.iter().filter_map(one).collect()
    }

    fn outcome(&self, w: &Whisper<'_>, lex: &Lexicon) -> Outcome {
        Outcome::of(&self.want, &self.heard(w), lex)
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
    Rung { name: "fits", at: |t| &mut t.fits, from: 0.0, to: 3.0, slack: 0.1 },
    Rung { name: "clear", at: |t| &mut t.clear, from: 0.0, to: 12.0, slack: -1.0 },
    Rung { name: "near", at: |t| &mut t.near, from: 0.0, to: 8.0, slack: 0.5 },
    Rung { name: "own", at: |t| &mut t.own, from: 0.0, to: 3.0, slack: 0.2 },
    Rung { name: "literal", at: |t| &mut t.literal, from: 0.0, to: 12.0, slack: 1.0 },
    Rung { name: "may_fit", at: |t| &mut t.may_fit, from: 0.0, to: 6.0, slack: 0.0 },
    Rung { name: "may_near", at: |t| &mut t.may_near, from: 0.0, to: 30.0, slack: 0.0 },
    Rung { name: "may_own", at: |t| &mut t.may_own, from: 0.0, to: 6.0, slack: 0.0 },
    Rung { name: "lost", at: |t| &mut t.word, from: 1.0, to: 15.0, slack: 0.5 },
    Rung { name: "lost_letter", at: |t| &mut t.letter, from: 0.2, to: 3.0, slack: 0.1 },
];
const STEPS: usize = 12;

fn outcomes(cases: &[Case], w: &mut Whisper<'_>, lex: &Lexicon, t: &Thresholds) -> Vec<Outcome> {
    if let Some(ear) = &mut w.letter_ear {
        ear.thresholds = *t;
    }
    let w = &*w;
    cases.par_iter().map(|c| c.outcome(w, lex)).collect()
}

fn worth(cases: &[Case], w: &mut Whisper<'_>, lex: &Lexicon, t: &Thresholds) -> f64 {
    let mut slack = *t;
    for r in RUNGS {
        *(r.at)(&mut slack) += r.slack;
    }
    let kept = |o: &Outcome| match o {
        Outcome::Right => 1.0,
        Outcome::Unsettled => LEFT,
        Outcome::Missed => 0.0,
        Outcome::WrongSure => -WRONG,
    };
    let as_is: f64 = outcomes(cases, w, lex, t).iter().map(kept).sum();
    let wrong = outcomes(cases, w, lex, &slack);
    as_is - WRONG * wrong.iter().filter(|o| **o == Outcome::WrongSure).count() as f64
}

fn show(cases: &[Case], w: &mut Whisper<'_>, lex: &Lexicon, t: &Thresholds) {
    let mut rows: BTreeMap<&str, super::Table> = BTreeMap::new();
    for (c, o) in cases.iter().zip(outcomes(cases, w, lex, t)) {
        rows.entry(&c.row).or_default().add(o);
    }
    for (row, table) in rows {
        println!("  {row:<34} {table}");
    }
}

/// Reads what was kept, shows what becomes of it, and with `HEARING_MOVE` moves the thresholds.
pub fn search(dump: &str, mut w: Whisper<'_>, lex: &Lexicon) {
    let cases: Vec<Case> = {
        let lines: Vec<&str> = dump.lines().collect();
        let w = &w;
        lines.par_iter().filter_map(|l| Case::read(l, w, lex)).collect()
    };
    let mut best = w.letter_ear.as_ref().map_or_else(Thresholds::default, |e| e.thresholds);
    println!("{} phrases; as it is:", cases.len());
    show(&cases, &mut w, lex, &best);
    if std::env::var_os("COTSIDE_VERBOSE").is_some() {
        for c in &cases {
            let o = c.outcome(&w, lex);
            if o == Outcome::Right {
                continue;
            }
            println!("{o}: {} \"{}\"", c.row, c.text);
            for ((both, _), p) in c.stretches.iter().zip(c.heard(&w)) {
                let doubtful: Vec<&str> =
                    p.words.iter().filter(|w| w.doubtful).map(|w| w.text.as_str()).collect();
                println!("    {:?} \"{}\" {doubtful:?}", p.certainty, p.text);
                println!("    words \"{}\" letters \"{}\"", both.words, both.spelt.free);
                println!("    {:?}", w.letter_ear.as_ref().and_then(|e| both.weigh(&e.letters)));
                for q in both.spelt.paths.iter().take(2).chain(both.read.paths.first()) {
                    println!("      {:7.1} {:7.1} {:3} {}", q.log_prob, q.score, q.talk, q.text);
                }
            }
        }
    }
    if std::env::var_os("HEARING_MOVE").is_none() {
        return;
    }
    let mut most = worth(&cases, &mut w, lex, &best);
    loop {
        let before = most;
        for r in RUNGS {
            // Of equals the one in the middle of them, which is the farthest from either cliff.
            let mut tried: Vec<(f64, f32)> = Vec::new();
            for k in 0..=STEPS {
                let v = r.from + (r.to - r.from) * k as f32 / STEPS as f32;
                let mut t = best;
                *(r.at)(&mut t) = v;
                tried.push((worth(&cases, &mut w, lex, &t), v));
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
    show(&cases, &mut w, lex, &best);
    println!();
    for r in RUNGS {
        println!("  {:<16} {:6.2}", r.name, *(r.at)(&mut best));
    }
}
