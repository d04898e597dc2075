//! Whole narrated exams, spoken and heard, against their gold; beside them the same words typed.
//!
//! Scoring follows `tests/narrations/dev/README.md`: sets of (item, side, status, value, number or
//! range), `both` split into left and right, behavioural state left out.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use cotside::capture::Phrase;
use cotside::exam::fold::{Fold, Moment};
use cotside::lexicon::Lexicon;
use cotside::reading::{Reader, Side, Status};
use cotside::speech::Whisper;
use cotside::speech::file::{self, Stretched};
use serde_json::Value;

use super::speak::{self, Voice};

/// A narrated line with its time, milliseconds.
type Timed = (u64, String);

fn lines(path: &Path) -> Vec<Timed> {
    let text = std::fs::read_to_string(path).expect("a narration");
    let at = |t: &str| {
        let (m, s) = t.split_once(':').expect("m:ss");
        m.parse::<u64>().unwrap() * 60_000 + s.parse::<u64>().unwrap() * 1000
    };
    let parts = text.lines().filter_map(|l| l.strip_prefix('[')?.split_once("] "));
    parts.map(|(t, words)| (at(t), words.to_owned())).collect()
}

fn sides(side: Option<&str>) -> Vec<&str> {
    match side {
        Some("both") => vec!["left", "right"],
        Some(s) => vec![s],
        None => vec!["-"],
    }
}

fn gold(path: &Path) -> BTreeSet<String> {
    let g: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    let mut out = BTreeSet::new();
    for f in g["findings"].as_array().unwrap() {
        let item = f["item"].as_str().unwrap();
        if item == "behavioural-state" {
            continue;
        }
        let range = f["low"].as_f64().zip(f["high"].as_f64());
        for side in sides(f["side"].as_str()) {
            out.insert(format!(
                "{item} {side} {} {} {:?} {range:?}",
                f["status"].as_str().unwrap(),
                f["value"].as_str().unwrap_or("-"),
                f["number"].as_f64().filter(|_| range.is_none()),
            ));
        }
    }
    out
}

fn made(phrases: &[Phrase], lex: &Lexicon) -> BTreeMap<String, bool> {
    let (mut reader, mut fold) = (Reader::new(lex), Fold::default());
    for (i, p) in phrases.iter().enumerate() {
        let r = reader.read(i as u64 + 1, p);
        fold.take(&r, Moment { state: None, line: None, until_ms: p.end_ms }, lex);
    }
    let mut out = BTreeMap::new();
    for s in &fold.standing {
        let f = &s.finding;
        let item = &lex.items[f.item].id;
        if item == "behavioural-state" {
            continue;
        }
        let value = f.value.as_deref().filter(|_| f.status == Status::Observed).unwrap_or("-");
        for side in sides(f.side.map(Side::word)) {
            let number = f.number.filter(|_| f.range.is_none());
            let what =
                format!("{item} {side} {} {value} {number:?} {:?}", f.status.word(), f.range);
            out.insert(what, f.is_sure());
        }
    }
    out
}

fn scored(gold: &BTreeSet<String>, made: &BTreeMap<String, bool>) -> (f64, usize, usize) {
    let hit = made.keys().filter(|k| gold.contains(*k)).count();
    let sure = made.values().filter(|s| **s).count();
    let wrong = made.iter().filter(|(k, s)| **s && !gold.contains(*k)).count();
    (2.0 * hit as f64 / (gold.len() + made.len()) as f64, sure, wrong)
}

/// Speaks a narration: each line at its time, or when the one before it is over.
fn spoken(voice: &Voice, lines: &[Timed]) -> Vec<f32> {
    let mut out: Vec<f32> = Vec::new();
    for (at, words) in lines {
        let due = (*at as usize * 16).max(out.len());
        out.resize(due, 0.0);
        out.extend(speak::speak(voice, words));
    }
    out
}

/// Hears two of the development narrations with two voices each, and prints a table.
pub fn table(w: &Whisper<'_>, lex: &Lexicon, voices: &[Voice], jobs: usize) {
    println!(
        "\nwhole exams                                F1   of the typed F1   sure  of them wrong"
    );
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/narrations/dev");
    for name in ["d01-terse", "d06-resident-isolette"] {
        let gold = gold(&dir.join(format!("{name}.gold.json")));
        let lines = lines(&dir.join(format!("{name}.txt")));
        let typed: Vec<Phrase> =
            lines.iter().map(|(at, t)| super::plain(t, *at, at + 1500)).collect();
        let (text_f1, sure, wrong) = scored(&gold, &made(&typed, lex));
        println!("  {name:<24} {:<14} {text_f1:.3} {:>14} {sure:>8} {wrong:>10}", "typed", "");
        for voice in voices.iter().take(2) {
            let sound = spoken(voice, &lines);
            let mut phrases = Vec::new();
            let heard = file::hear(w, &sound, 0, jobs, |what, _| {
                if let Stretched::Phrase(p) = what {
                    phrases.push(p);
                }
                Ok::<(), cotside::problem::Problem>(())
            });
            heard.expect("the recogniser");
            let (f1, sure, wrong) = scored(&gold, &made(&phrases, lex));
            let share = f1 / text_f1;
            println!("  {name:<24} {:<14} {f1:.3} {share:>14.2} {sure:>8} {wrong:>10}", voice.name);
            for (what, _) in made(&phrases, lex).iter().filter(|(k, s)| **s && !gold.contains(*k)) {
                println!("      wrong and sure: {what}");
            }
            if std::env::var_os("COTSIDE_VERBOSE").is_some() {
                for p in &phrases {
                    println!("      {} {:?} \"{}\"", p.start_ms, p.certainty, p.text);
                }
            }
        }
    }
}
