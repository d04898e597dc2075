//! The hearing bench: `cargo bench --bench hearing`.
//!
//! Speaks phrases with synthetic voices, mixes noise under them, hears them, and prints what became
//! of each: right and sure, right and left to a person, wrong and sure, missed. Beside it stands
//! what the same model's free dictation makes of the same sound through the same reader.
//!
//! What a phrase should give is what its words give when they are typed. Phrases come from the
//! lexicon (by rule, every item) and from the narrations under `tests/narrations`, which stand in
//! no grammar. Voices and phrases marked *held out* were never looked at while anything was
//! fitted.
//!
//! Needs `espeak-ng` and `flite`, the speech model, and in `COTSIDE_CRIES` a folder of recorded
//! cries (16 kHz WAV); without it the rows with crying are left out, and that is said.
//! `HEARING_EACH` phrases a voice and kind (default 12), `HEARING_SET` fit or held (default held),
//! `HEARING_NOISE` only rows with this word in their name, `HEARING_DUMP` a file for one JSON line
//! a phrase, `HEARING_PARTS` what follows the rows (default `none,exams`: sound in which nothing is
//! found, and whole exams), `HEARING_CLIPS` a folder of recorded clips to hear instead (see `clips.rs`),
//! `HEARING_TUNING` numbers of both ears. With `COTSIDE_HEARING=off` the same
//! rows by one ear, as published.
//!
//! The thresholds of the two ears were fitted with two commands, the second of which hears nothing:
//! `HEARING_SET=fit HEARING_DUMP=fit.jsonl cargo bench --bench hearing`, then
//! `HEARING_FIT=fit.jsonl cargo bench --bench hearing`.

mod clips;
mod exams;
mod fit;
#[path = "../narrations/kit.rs"]
#[allow(dead_code)] // the bench of narrations uses the rest
mod kit;
mod score;
mod speak;

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Instant;

use cotside::capture::{Phrase, Source};
use cotside::lexicon::Lexicon;
use cotside::speech::search::Spent;
use cotside::speech::{Heard, Piece, Whisper, activity, file, judge, model};
use rayon::prelude::*;

use score::{Outcome, Table, Typed};
use speak::{Noise, Voice};

/// A phrase to be spoken.
struct Line {
    kind: &'static str,
    text: String,
    want: Typed,
}

fn number(name: &str, default: usize) -> usize {
    std::env::var(name).ok().and_then(|v| v.parse().ok()).unwrap_or(default)
}

fn main() {
    // `cargo bench` and `cargo test --benches` give arguments of their own; none is ours.
    let set = std::env::var("HEARING_SET").unwrap_or_else(|_| "held".into());
    let each = number("HEARING_EACH", 12);
    let lex = cotside::lexicon::shipped("newborn").expect("the shipped lexicon");
    let dir = model::folder().expect("a folder for the model");
    let whisper = match Whisper::load(&dir, &lex) {
        Ok(w) => tuned(w),
        Err(p) => {
            eprintln!("{p}");
            std::process::exit(2);
        }
    };
    if let Some(path) = std::env::var_os("HEARING_FIT") {
        let dump = std::fs::read_to_string(path).expect("what HEARING_DUMP wrote");
        return fit::search(&dump, whisper, &lex);
    }
    let voices = speak::voices(&set);
    let cries = speak::cries(std::env::var_os("COTSIDE_CRIES").map(PathBuf::from).as_deref());
    if cries.is_empty() {
        println!("no folder of cries in COTSIDE_CRIES: rows with crying are left out");
    }
    let lines = lines(&lex, &set);
    println!(
        "{} voices ({set}), {each} phrases a voice and kind; speech model {}",
        voices.len(),
        dir.display()
    );
    let mut dump = std::env::var_os("HEARING_DUMP").map(|p| std::fs::File::create(p).unwrap());
    let noises = [Noise::None, Noise::Cry(20), Noise::Cry(10), Noise::Cry(5), Noise::Pink(10)];
    let only = std::env::var("HEARING_NOISE").unwrap_or_default();
    let wanted = |n: &&Noise| (!n.cries() || !cries.is_empty()) && n.to_string().contains(&only);
    if let Some(folder) = std::env::var_os("HEARING_CLIPS").map(PathBuf::from) {
        let noises: Vec<Noise> = noises.iter().filter(wanted).copied().collect();
        clips::rows(&whisper, &lex, &folder, &cries, &noises);
        let few = |n: &&Noise| matches!(n, Noise::None | Noise::Cry(10));
        let noises: Vec<Noise> = noises.iter().filter(few).copied().collect();
        clips::exams(&whisper, &lex, &folder, &cries, &noises);
        return;
    }
    for kind in ["lexicon", "narration"] {
        // Narration is heard clean and with a baby crying; phrases of the lexicon in all noise.
        let here = |n: &&Noise| kind == "lexicon" || matches!(n, Noise::None | Noise::Cry(10));
        for noise in noises.iter().filter(wanted).filter(here) {
            let (mut ours, mut free) = (Table::default(), Table::default());
            let (mut heard_s, began_s) = (0.0, cpu_s());
            let mut took: Vec<f64> = Vec::new();
            let mut spent = Spent::default();
            for (v, voice) in voices.iter().enumerate() {
                let of_kind = &lines[kind];
                // Each voice speaks phrases of its own.
                let mine: Vec<usize> = (0..each).map(|k| (k * voices.len() + v) * 7919).collect();
                let done: Vec<_> = mine
                    .par_iter()
                    .map(|at| {
                        let l = line(of_kind, *at, &lex);
                        one((&whisper, &lex), &l, voice, *noise, &cries, dump.is_some())
                    })
                    .collect();
                for d in done {
                    ours.add(d.ours);
                    free.add(d.free);
                    heard_s += d.sound_s;
                    took.extend(d.took_s);
                    spent += d.spent;
                    if let Some(f) = &mut dump {
                        writeln!(f, "{}", d.told).unwrap();
                    }
                }
            }
            println!(
                "\n{kind}, {noise}: {:.0} s of sound, {:.2} s of processor a second",
                heard_s,
                (cpu_s() - began_s) / heard_s
            );
            took.sort_by(f64::total_cmp);
            let median = took.get(took.len() / 2).copied().unwrap_or(0.0);
            println!("  recognition of a stretch, median on this machine as loaded: {median:.2} s");
            let a_second = |d: std::time::Duration| d.as_secs_f64() / heard_s;
            println!(
                "  of a second: bands {:.3}, encoder and letter head {:.3}, letter ear {:.3}, decoder {:.3}, its search {:.3}",
                a_second(spent.features),
                a_second(spent.encoder),
                a_second(spent.letters),
                a_second(spent.decoder),
                a_second(spent.search)
            );
            println!("  heard                     {ours}");
            println!("  dictation, same model     {free}");
        }
    }
    let parts = std::env::var("HEARING_PARTS").unwrap_or_else(|_| "none,exams".into());
    if parts.contains("none") {
        false_findings(&whisper, &lex, &voices, &cries, &mut dump);
    }
    if parts.contains("exams") {
        exams::table(&whisper, &lex, &voices, rayon::current_num_threads());
    }
    println!("\nlargest memory: {}", memory());
}

/// With the numbers that `HEARING_TUNING` gives, such as `bonus=1.0,clear=4`.
fn tuned(mut w: Whisper<'_>) -> Whisper<'_> {
    let given = std::env::var("HEARING_TUNING").unwrap_or_default();
    for (name, value) in given.split(',').filter_map(|p| p.split_once('=')) {
        let n: f32 = value.parse().expect("a number");
        match name {
            "leaning" => w.tuning.leaning = n as usize,
            "bonus" => w.tuning.bonus = n,
            "length" => w.tuning.length = n,
            _ => {
                let ear = w.letter_ear.as_mut().expect("numbers of the letter ear need one");
                let (b, c, t) = (&mut ear.beam, &mut ear.grammar.costs, &mut ear.thresholds);
                match name {
                    "paths" => b.paths = n as usize,
                    "within" => b.within = n,
                    "floor" => b.floor = n,
                    "alike" => b.alike = n as usize,
                    "another" => c.another = n,
                    "bare_number" => c.bare_number = n,
                    "word" => c.word = n,
                    "bare_value" => c.bare_value = n,
                    "filler" => c.filler = n,
                    "unsaid" => c.unsaid = n,
                    "again" => c.again = n,
                    "talk" => c.talk = n,
                    "letter" => c.letter = n,
                    "entry" => c.entry = n,
                    "fits" => t.fits = n,
                    "clear" => t.clear = n,
                    "may_fit" => t.may_fit = n,
                    "near" => t.near = n,
                    "own" => t.own = n,
                    "may_near" => t.may_near = n,
                    "may_own" => t.may_own = n,
                    "literal" => t.literal = n,
                    "lost" => t.word = n,
                    "lost_letter" => t.letter = n,
                    _ => panic!("there is no {name}"),
                }
            }
        }
    }
    w
}

/// What was heard of a stretch.
struct Stretched {
    heard: Heard,
    /// The same model's free text.
    free: String,
    spent: Spent,
    kept: serde_json::Value,
}

fn stretch(w: &Whisper<'_>, piece: &Piece<'_>, keep: bool) -> Stretched {
    if let Some(both) = w.both(piece.sound).expect("the recogniser") {
        let kept = if keep { fit::kept(&both, piece) } else { serde_json::Value::Null };
        let heard = w.judged(&both, piece);
        return Stretched { heard, free: both.words, spent: both.spent, kept };
    }
    let found = w.search(piece.sound).expect("the recogniser");
    let heard = judge::judge(&found, &|t| w.text(t));
    let free = found.free.as_ref().map(|f| w.text(&f.tokens)).unwrap_or_default();
    Stretched { heard, free, spent: found.spent, kept: serde_json::Value::Null }
}

struct Done {
    ours: Outcome,
    free: Outcome,
    sound_s: f64,
    took_s: Vec<f64>,
    spent: Spent,
    told: serde_json::Value,
}

fn one(
    (w, lex): (&Whisper<'_>, &Lexicon),
    l: &Line,
    v: &Voice,
    n: Noise,
    cries: &[Vec<f32>],
    dump: bool,
) -> Done {
    let clean = speak::speak(v, &l.text);
    heard_in((w, lex), l, v.name, &speak::mixed(&clean, n, cries, &l.text), n, dump)
}

/// What becomes of a phrase in a sound.
fn heard_in(
    (w, lex): (&Whisper<'_>, &Lexicon),
    l: &Line,
    voice: &str,
    sound: &[f32],
    n: Noise,
    dump: bool,
) -> Done {
    let (mut ours, mut free, mut took_s) = (Vec::new(), Vec::new(), Vec::new());
    let (mut told, mut kept) = (Vec::new(), Vec::new());
    let mut spent = Spent::default();
    for s in activity::stretches(sound) {
        let piece = file::piece(sound, &s);
        let began = Instant::now();
        let one = stretch(w, &piece, dump);
        took_s.push(began.elapsed().as_secs_f64());
        spent += one.spent;
        kept.push(one.kept);
        told.push(serde_json::json!([
            one.heard.text,
            format!("{:?}", one.heard.certainty),
            one.free
        ]));
        ours.extend(one.heard.phrase(&piece, Source::Wav));
        free.push(plain(&one.free, piece.start_ms, piece.end_ms));
    }
    let (ours, free) = (Outcome::of(&l.want, &ours, lex), Outcome::of(&l.want, &free, lex));
    let told = serde_json::json!({
        "kind": l.kind, "voice": voice, "noise": n.to_string(), "text": l.text,
        "ours": ours.to_string(), "free": free.to_string(), "heard": told, "kept": kept,
    });
    Done { ours, free, sound_s: sound.len() as f64 / 16_000.0, took_s, spent, told }
}

/// Words without a recogniser's word on them.
fn plain(text: &str, start_ms: u64, end_ms: u64) -> Phrase {
    Phrase {
        text: text.to_owned(),
        start_ms,
        end_ms,
        source: Source::Wav,
        line: None,
        speaker: None,
        alternatives: Vec::new(),
        words: Vec::new(),
        certainty: None,
    }
}

/// All phrases of the set, by kind: every second one belongs to it.
fn lines(lex: &Lexicon, set: &str) -> BTreeMap<&'static str, Vec<(&'static str, String)>> {
    let mut all: Vec<(&'static str, String)> = Vec::new();
    all.extend(speak::from_lexicon(lex).into_iter().map(|t| ("lexicon", t)));
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/narrations");
    for folder in ["dev", "fit", "held"] {
        all.extend(
            speak::from_narrations(&root.join(folder)).into_iter().map(|t| ("narration", t)),
        );
    }
    let mut out: BTreeMap<_, Vec<_>> = BTreeMap::new();
    for (i, l) in all.into_iter().enumerate() {
        if i.is_multiple_of(2) == (set == "fit") {
            out.entry(l.0).or_default().push(l);
        }
    }
    out
}

/// The phrase at that place, or the next one of which every finding is sure when it is typed.
fn line(of_kind: &[(&'static str, String)], at: usize, lex: &Lexicon) -> Line {
    let n = of_kind.len();
    let made = |i: usize| {
        let (kind, text) = &of_kind[(at + i) % n];
        let want = Typed::of(text, lex);
        want.all_sure().then(|| Line { kind, text: text.clone(), want })
    };
    (0..n).find_map(made).expect("a phrase that is sure when it is typed")
}

/// Findings where none was said: on crying alone, on talk, on sentences read aloud.
fn false_findings(
    w: &Whisper<'_>,
    lex: &Lexicon,
    voices: &[Voice],
    cries: &[Vec<f32>],
    dump: &mut Option<std::fs::File>,
) {
    println!("\nfindings where none was said, a minute:       sure  unsettled  minutes");
    let mut row = |name: &str, sounds: Vec<Vec<f32>>| {
        let one = |sound: &Vec<f32>| {
            let (mut phrases, mut told) = (Vec::new(), Vec::new());
            for s in activity::stretches(sound) {
                let piece = file::piece(sound, &s);
                let one = stretch(w, &piece, dump.is_some());
                // Each stretch by itself: there are many in a row.
                told.push(serde_json::json!({
                    "kind": "none", "noise": name, "text": "", "heard": one.heard.text, "kept": [one.kept],
                }));
                let heard = one.heard;
                phrases.extend(heard.phrase(&piece, Source::Wav));
            }
            let (sure, unsure) = score::findings(&phrases, lex);
            (sure, unsure, sound.len() as f64 / 16_000.0 / 60.0, told)
        };
        let counts: Vec<_> = sounds.par_iter().map(one).collect();
        if let Some(f) = dump {
            counts.iter().flat_map(|c| &c.3).for_each(|t| writeln!(f, "{t}").unwrap());
        }
        let minutes: f64 = counts.iter().map(|c| c.2).sum();
        let rate = |n: usize| n as f64 / minutes;
        println!(
            "  {name:<42} {:5.2} {:10.2} {minutes:8.1}",
            rate(counts.iter().map(|c| c.0).sum()),
            rate(counts.iter().map(|c| c.1).sum())
        );
    };
    if !cries.is_empty() {
        row("crying alone", speak::cry_minutes(cries));
    }
    let spoken = |texts: &[&str]| -> Vec<Vec<f32>> {
        let all: Vec<(&Voice, &str)> =
            voices.iter().flat_map(|v| texts.iter().map(move |t| (v, *t))).collect();
        all.iter().map(|(v, t)| speak::speak(v, t)).collect()
    };
    row("talk to baby and parent", spoken(speak::TALK));
    row("sentences read aloud", spoken(speak::SENTENCES));
}

/// Processor time this process has used, all threads, seconds; the clock ticks 100 times a second
/// on every Linux this runs on.
fn cpu_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let behind = stat.rsplit(')').next().unwrap_or_default();
    let ticks = behind.split_whitespace().skip(11).take(2).filter_map(|t| t.parse::<f64>().ok());
    ticks.sum::<f64>() / 100.0
}

fn memory() -> String {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line =
        status.lines().find(|l| l.starts_with("VmHWM")).unwrap_or("not known on this system");
    line.split_whitespace().skip(1).collect::<Vec<_>>().join(" ")
}
