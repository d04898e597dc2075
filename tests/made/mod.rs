//! Exams made and opened within the test: the lexicon is compiled once, where every run of the
//! program compiles it anew. What the program itself does with an exam is tested with the program.

#![allow(dead_code)] // each test program uses what it needs

use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use chrono::DateTime;
use cotside::capture::timed_text::read_timed_text;
use cotside::exam::{Exam, build};
use cotside::gaps::{Gaps, gaps};
use cotside::grade::{Graded, Overview, asymmetries, grade, scales};
use cotside::journal::{self, Entry, Header, Journal, JournalRead, LexiconRef, Sex, SystemClock};
use cotside::lexicon::Lexicon;
use cotside::report::deidentify::Shown;
use cotside::report::{fhir, json, note};
use serde_json::Value;

/// The shipped lexicon.
pub fn newborn() -> &'static Lexicon {
    static LEX: OnceLock<Lexicon> = OnceLock::new();
    LEX.get_or_init(|| cotside::lexicon::shipped("newborn").expect("the shipped lexicon compiles"))
}

/// The demo and the developed narrations, by name.
pub fn narrations() -> Vec<(String, PathBuf)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut out = vec![("demo".to_owned(), root.join("demo/exam.vtt"))];
    for e in std::fs::read_dir(root.join("tests/narrations/dev")).unwrap() {
        let path = e.unwrap().path();
        if path.extension().is_some_and(|e| e == "txt") {
            out.push((path.file_stem().unwrap().to_str().unwrap().to_owned(), path));
        }
    }
    out.sort();
    assert!(out.len() >= 9, "the demo and eight narrations");
    out
}

/// A header: an invented girl of 39+2 weeks, 30 hours old, examined by KT.
pub fn header() -> Header {
    let lex = newborn();
    let at = |t: &str| DateTime::parse_from_rfc3339(t).unwrap();
    let named = LexiconRef { name: lex.name.clone(), sha256: lex.digest.parse().unwrap() };
    let mut h = Header::new(at("2031-04-05T09:26:53+02:00"), named);
    h.sex = Some(Sex::Female);
    h.ga = Some("39+2".parse().unwrap());
    h.by = Some("KT".into());
    h.born = Some(at("2031-04-04T03:10:00+02:00"));
    h.protocol = Some("full-term".into());
    h
}

/// Writes an exam of a timed text.
pub fn write(dir: &Path, text: &[u8], header: Header) {
    std::fs::create_dir_all(dir.parent().unwrap()).unwrap();
    let mut j = Journal::create(dir, header, Arc::new(SystemClock::start())).unwrap();
    let mut at = 0;
    for p in read_timed_text("text", text).unwrap().phrases {
        at = at.max(p.end_ms);
        j.append(at, &Entry::Phrase(p)).unwrap();
    }
    j.append(at, &Entry::End).unwrap();
}

/// An exam with all that is computed from it.
pub struct Opened {
    pub read: JournalRead,
    pub x: Exam,
    pub graded: Graded,
    pub o: Overview,
    pub g: Gaps,
}

pub fn open(dir: &Path) -> Opened {
    let lex = newborn();
    let read = journal::read(dir).unwrap();
    let x = build(read.header().unwrap(), &read.lines, lex);
    let graded = grade(&x, lex);
    let o = Overview::new(scales::of_lexicon(lex).unwrap(), &x, &graded, lex);
    let g = gaps(&x, lex);
    Opened { read, x, graded, o, g }
}

impl Opened {
    /// The FHIR document.
    pub fn fhir(&self, seal: Option<&fhir::Seal>, shown: &Shown) -> Value {
        let lex = newborn();
        let apart = asymmetries(&self.x, lex);
        let blocks = note::blocks(&self.x, lex, &self.graded, &self.o, &apart, &self.g);
        fhir::bundle(&fhir::Given {
            x: &self.x,
            later: &[],
            lex,
            graded: &self.graded,
            o: &self.o,
            g: &self.g,
            note: &blocks,
            journal: &self.read.bytes(),
            files: &[],
            seal,
            shown,
            made: DateTime::parse_from_rfc3339("2031-04-05T12:00:00+02:00").unwrap(),
        })
    }

    /// The JSON export, the journal left out.
    pub fn json(&self) -> Value {
        json::export(&self.x, newborn(), &self.graded, &self.o, &self.g)
    }
}

/// De-identified.
pub fn hidden() -> Shown {
    Shown::Deidentified { code: "D-0123456789abcdef".into() }
}
