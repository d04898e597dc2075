//! What each fuzz target does with its bytes, and what must hold whatever they are.
//!
//! Shared by the libFuzzer targets here and by `tests/replay.rs`, which runs the kept inputs in CI.

#[path = "../journal/mem_disk.rs"]
#[allow(dead_code)] // the journal's own tests use the rest
mod mem_disk;
mod request;

use std::path::Path;
use std::sync::{Arc, OnceLock};

use cotside::capture::timed_text::{MAX_PROBLEMS, read_timed_text};
use cotside::capture::{Phrase, Source};
use cotside::exam;
use cotside::gaps::gaps;
use cotside::grade::{Overview, asymmetries, grade, scales};
use cotside::journal::{self, Clock, Digest, Entry, FILE_NAME, Journal, ManualClock, Storage as _};
use cotside::lexicon::{self, Files, Lexicon};
use cotside::reading::Reader;
use cotside::report::{fhir, json, note, returned};
use cotside::speech::model::container;
use serde_json::Value;

pub use request::request;

/// A small lexicon of bicycles, the way of the engine without the weight of the newborn.
const BICYCLE: &str = include_str!("../lexicons/bicycle/lexicon.toml");

fn newborn() -> &'static Lexicon {
    static LEX: OnceLock<Lexicon> = OnceLock::new();
    LEX.get_or_init(|| lexicon::shipped("newborn").expect("the shipped lexicon compiles"))
}

fn bicycle() -> &'static Arc<Lexicon> {
    static LEX: OnceLock<Arc<Lexicon>> = OnceLock::new();
    LEX.get_or_init(|| {
        let files = Files::from_texts(&[("bicycle.toml", BICYCLE)]).expect("its language is there");
        Arc::new(lexicon::compile(&files).expect("it compiles").lexicon)
    })
}

/// Any bytes are a timed text whose phrases stand in order, or are refused with faults that have a
/// place in it.
pub fn timed_text(bytes: &[u8]) {
    let lines = 1 + bytes.iter().filter(|b| matches!(b, b'\n' | b'\r')).count();
    match read_timed_text("f", bytes) {
        Ok(text) => {
            assert!(!text.phrases.is_empty(), "read, and nothing is in it");
            for pair in text.phrases.windows(2) {
                assert!(pair[0].start_ms <= pair[1].start_ms, "out of order: {pair:?}");
            }
            for p in &text.phrases {
                assert!(p.start_ms <= p.end_ms, "ends before it starts: {p:?}");
                assert!(!p.text.trim().is_empty(), "no words: {p:?}");
            }
        }
        Err(problems) => {
            assert!(!problems.is_empty(), "refused without a reason");
            assert!(problems.len() <= MAX_PROBLEMS + 1, "{} problems", problems.len());
            for p in &problems {
                assert!(p.line <= lines, "line {} of {lines}: {p}", p.line);
            }
        }
    }
}

/// Any text is a lexicon, or is refused with faults that have a place in it. The text is taken by
/// itself, and as a second file beside a good lexicon.
pub fn lexicon(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let lines = 1 + text.matches('\n').count();
    for own in [&[("f.toml", text)][..], &[("bicycle.toml", BICYCLE), ("f.toml", text)][..]] {
        let result = Files::from_texts(own).and_then(|f| lexicon::compile(&f));
        match result {
            Ok(compiled) => {
                // What compiles can be read by.
                let mut reader = Reader::new(&compiled.lexicon);
                reader.read(1, &spoken("left brake pad worn", 0));
            }
            Err(problems) => {
                assert!(!problems.is_empty(), "refused without a reason");
                for p in problems.iter().filter(|p| p.file == "f.toml") {
                    assert!(p.line <= lines, "line {} of {lines}: {p}", p.line);
                    let _ = p.to_string();
                }
            }
        }
    }
}

/// Any bytes are a journal, whole or with a torn end, or are refused. What was read is still there,
/// byte for byte, after it was opened and something was appended; what was refused is not touched.
pub fn journal(bytes: &[u8]) {
    let (disk, dir) = (mem_disk::MemDisk::default(), Path::new("e"));
    let path = dir.join(FILE_NAME);
    disk.put(&path, bytes);
    let before = journal::read_in(&disk, dir);
    match Journal::open_to_append_in(&disk, dir, clock()) {
        Ok(mut opened) => {
            let before = before.expect("what opens can be read");
            assert_eq!(opened.read.lines, before.lines);
            let at = opened.resumed.at_ms();
            let said = Entry::Phrase(spoken("afterwards", at));
            if opened.journal.append(at, &said).is_ok() {
                let after = journal::read_in(&disk, dir).expect("it was just written");
                assert_eq!(after.lines[..before.lines.len()], before.lines[..]);
                assert_eq!(after.lines.last().map(|l| &l.entry), Some(&said));
            }
            drop(opened);
            rebuild(&before, bicycle());
        }
        Err(_) => {
            let still = disk.read(&path).expect("it is still there");
            assert!(before.is_err(), "it can be read and not opened");
            assert_eq!(still, bytes, "refused, and changed");
        }
    }
}

/// Whatever is said, line by line, becomes an exam whose every report can be made, twice the same.
pub fn reading(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let lex = newborn();
    let mut readings = Vec::new();
    for _ in 0..2 {
        let mut reader = Reader::new(lex);
        let said = text.lines().take(12).enumerate();
        let made: Vec<String> = said
            .map(|(k, line)| {
                let line: String = line.chars().take(200).collect();
                let phrase = spoken(&line, k as u64 * 3000);
                format!("{:?}", reader.read(k as u64 + 2, &phrase))
            })
            .collect();
        readings.push(made);
    }
    assert_eq!(readings[0], readings[1], "read twice, two readings");
}

/// Any bytes are a sound of numbers between -1 and 1, or are refused.
pub fn wav(bytes: &[u8]) {
    if let Ok(sound) = cotside::capture::sound::wav::read("f", std::io::Cursor::new(bytes)) {
        assert!(!sound.samples.is_empty(), "read, and no sound is in it");
        assert!(sound.samples.iter().all(|s| s.abs() <= 1.0), "louder than can be");
    }
}

/// Any bytes are weights, or are refused; neither takes more room than the bytes themselves ask for.
pub fn model(bytes: &[u8]) {
    let temp = tempfile::tempdir().expect("a folder for temporary files");
    for (name, read) in [
        ("model.bin", container::ctranslate2 as fn(&std::path::Path) -> _),
        ("model.safetensors", container::safetensors),
    ] {
        let path = temp.path().join(name);
        std::fs::write(&path, bytes).expect("the folder can be written to");
        if let Ok(weights) = read(&path) {
            let held: usize = weights.values().map(|t| t.elem_count()).sum();
            assert!(held <= bytes.len(), "{held} weights from {} bytes", bytes.len());
        }
    }
}

/// Any text is an export of this program, or is refused at a line of it. What is taken back is the
/// very journal that was exported. Digests keep all but the whole exports out, so the text is tried
/// a second time with its digests made to fit, as whoever changes an export on purpose would.
pub fn import(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    taken_back(text);
    let Ok(mut export) = serde_json::from_str::<Value>(text) else { return };
    let carried = returned::carried(&export);
    for pointer in
        [returned::first_difference(&export, &Value::Null), Some("/journal/lines/3".into())]
    {
        let _ = pointer.map(|p| returned::line_at(text, &p));
    }
    mend(&mut export, carried.map(|c| c.0));
    taken_back(&export.to_string());
}

fn taken_back(text: &str) {
    let lines = 1 + text.matches('\n').count();
    match returned::journal("f", text) {
        Ok(back) => {
            let read = journal::read_bytes(Path::new(FILE_NAME), &back.bytes).expect("it was read");
            assert_eq!(read, back.journal);
            assert_eq!(read.bytes(), back.bytes, "not byte for byte");
            for (name, _) in &back.files {
                assert!(returned::CARRIED.contains(&name.as_str()), "writes {name}");
            }
            rebuild(&back.journal, bicycle());
        }
        Err(p) => {
            assert!(p.line <= lines, "line {} of {lines}: {p}", p.line);
            let _ = p.to_string();
        }
    }
}

/// Makes the digests of an export fit what stands in it.
fn mend(export: &mut Value, journal: Option<Vec<u8>>) {
    let journal = Digest::of(&journal.unwrap_or_default()).to_string();
    if export["resourceType"] == "Bundle" {
        for e in export["entry"].as_array_mut().into_iter().flatten() {
            if let Some(id) = e.pointer_mut("/resource/masterIdentifier/value") {
                *id = journal.clone().into();
            }
        }
        let digest = returned::bundle_digest(export);
        for tag in
            export.pointer_mut("/meta/tag").and_then(Value::as_array_mut).into_iter().flatten()
        {
            if tag["system"] == fhir::SHA256 && tag.is_object() {
                tag["code"] = digest.clone().into();
            }
        }
    } else if let Some(parts) = export.as_object_mut() {
        let digest = |v: &Value| Value::from(Digest::of(v.to_string().as_bytes()).to_string());
        let of = parts.iter().filter(|(k, _)| !["digests", "journal"].contains(&k.as_str()));
        let digests = of.map(|(k, v)| (k.clone(), digest(v))).collect();
        parts.insert("digests".into(), Value::Object(digests));
        if let Some(own) = parts.get_mut("journal").and_then(Value::as_object_mut) {
            own.insert("sha256".into(), journal.into());
        }
    }
}

fn clock() -> Arc<dyn Clock> {
    let wall = chrono::DateTime::parse_from_rfc3339("2031-04-05T09:26:53+02:00").expect("a time");
    Arc::new(ManualClock::new(0, wall))
}

fn rebuild(read: &journal::JournalRead, lex: &Lexicon) {
    let Some(header) = read.header() else { return };
    let x = exam::build(header, &read.lines, lex);
    let graded = grade(&x, lex);
    let list = scales::of_lexicon(lex).expect("its scales are good");
    let overview = Overview::new(list, &x, &graded, lex);
    let g = gaps(&x, lex);
    let _ = json::export(&x, lex, &graded, &overview, &g).to_string();
    let apart = asymmetries(&x, lex);
    let _ = note::note(&x, lex, &graded, &overview, &apart, &g);
}

fn spoken(text: &str, at_ms: u64) -> Phrase {
    Phrase {
        text: text.to_owned(),
        start_ms: at_ms,
        end_ms: at_ms + 900,
        source: Source::Keys,
        line: None,
        speaker: None,
        alternatives: vec![],
        words: Vec::new(),
        certainty: None,
    }
}
