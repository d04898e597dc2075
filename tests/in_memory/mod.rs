//! Exams built in memory, without a folder: lines of a journal from phrases and settlements.

#![allow(dead_code)] // each test file uses its part

use std::sync::OnceLock;

use chrono::{DateTime, Duration, FixedOffset};
use cotside::capture::{Phrase, Source};
use cotside::exam::{Exam, build};
use cotside::journal::{
    Chosen, Decision, Digest, Entry, Ga, Header, LexiconRef, Line, Settlement, Sex, Target,
};
use cotside::lexicon::{self, Lexicon};

/// The shipped lexicon, compiled once.
pub fn newborn() -> &'static Lexicon {
    static LEX: OnceLock<Lexicon> = OnceLock::new();
    LEX.get_or_init(|| {
        lexicon::shipped("newborn").unwrap_or_else(|p| {
            panic!("{}", p.iter().take(5).map(ToString::to_string).collect::<Vec<_>>().join("\n"))
        })
    })
}

pub fn time(text: &str) -> DateTime<FixedOffset> {
    DateTime::parse_from_rfc3339(text).unwrap()
}

pub fn ga(text: &str) -> Option<Ga> {
    Some(text.parse().unwrap())
}

/// A whole header: an invented girl of 39+2 weeks, 30 hours old, no protocol named.
pub fn header(lex: &Lexicon) -> Header {
    let lexicon = LexiconRef { name: lex.name.clone(), sha256: lex.digest.parse().unwrap() };
    let mut h = Header::new(time("2031-04-06T15:26:00+02:00"), lexicon);
    h.born = Some(time("2031-04-05T09:26:00+02:00"));
    h.ga = ga("39+2");
    h.sex = Some(Sex::Female);
    h.by = Some("QK".into());
    h
}

/// A journal in the making. The header is line 1; lines stand four seconds apart.
pub struct Log<'l> {
    lex: &'l Lexicon,
    pub header: Header,
    lines: Vec<Line>,
}

impl<'l> Log<'l> {
    pub fn new(lex: &'l Lexicon) -> Self {
        let header = header(lex);
        let mut log = Log { lex, header: header.clone(), lines: Vec::new() };
        log.push(Entry::Header(Box::new(header)));
        log
    }

    /// Appends an entry and gives its sequence number.
    pub fn push(&mut self, entry: Entry) -> u64 {
        let seq = self.lines.len() as u64 + 1;
        let exam_ms = seq * 4000;
        self.lines.push(Line {
            seq,
            exam_ms,
            wall: self.header.started + Duration::milliseconds(exam_ms as i64),
            entry,
            prev: Digest::ZERO,
            raw: String::new(),
            digest: Digest::ZERO,
        });
        seq
    }

    pub fn say(&mut self, text: &str) -> u64 {
        let at = (self.lines.len() as u64 + 1) * 4000;
        self.push(Entry::Phrase(Phrase {
            text: text.into(),
            start_ms: at,
            end_ms: at + 1500,
            source: Source::Keys,
            line: None,
            speaker: None,
            alternatives: vec![],
            words: Vec::new(),
            certainty: None,
        }))
    }

    pub fn decide(&mut self, target: Option<(u64, u32)>, decision: Decision) -> u64 {
        self.push(Entry::Settlement(Settlement {
            who: "QK".into(),
            target: target.map(|(phrase, index)| Target { phrase, index }),
            decision,
        }))
    }

    /// A finding added by a person, exactly as given.
    pub fn add(&mut self, item: &str, side: Option<&str>, value: Value) -> u64 {
        let at_ms = (self.lines.len() as u64 + 1) * 4000;
        let chosen = chosen(item, side, value);
        self.decide(None, Decision::Add { chosen, at_ms })
    }

    pub fn reason(&mut self, item: &str, side: Option<&str>, reason: &str) -> u64 {
        self.decide(
            None,
            Decision::GapReason {
                item: item.into(),
                side: side.map(Into::into),
                reason: reason.into(),
            },
        )
    }

    pub fn exam(&self) -> Exam {
        build(self.header.clone(), &self.lines, self.lex)
    }
}

/// What a test wants found.
#[derive(Clone, Copy)]
pub enum Value {
    Word(&'static str),
    Number(f64),
    Both(&'static str, f64),
    Range(f64, f64),
    NotObtained,
    Skipped,
}

pub fn chosen(item: &str, side: Option<&str>, value: Value) -> Chosen {
    let mut c = Chosen {
        item: item.into(),
        side: side.map(Into::into),
        value: None,
        number: None,
        low: None,
        high: None,
        unit: None,
        status: "observed".into(),
    };
    match value {
        Value::Word(w) => c.value = Some(w.into()),
        Value::Number(n) => c.number = Some(n),
        Value::Both(w, n) => (c.value, c.number) = (Some(w.into()), Some(n)),
        Value::Range(a, b) => (c.low, c.high) = (Some(a), Some(b)),
        Value::NotObtained => c.status = "not_obtained".into(),
        Value::Skipped => c.status = "skipped".into(),
    }
    c
}
