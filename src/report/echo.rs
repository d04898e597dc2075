//! The one line that answers a phrase at the bedside: what was understood, or that it was not.

use std::collections::HashMap;

use super::words;
use crate::exam::fold::not_valid_in;
use crate::lexicon::Lexicon;
use crate::reading::types::{Act, FindingId, Reading};

/// Shown when a phrase meant nothing.
pub const NOT_UNDERSTOOD: &str = "? not understood";

/// The findings of a reading, on one line; empty where there is none.
pub fn found(reading: &Reading, lex: &Lexicon) -> String {
    let parts: Vec<String> = reading
        .findings
        .iter()
        .map(|f| match f.is_sure() {
            true => words::finding(f, lex),
            false => format!("{} - needs you: {}", words::finding(f, lex), words::doubts(f)),
        })
        .collect();
    parts.join("; ")
}

/// Words the answers; remembers earlier findings so that "taken back" can say what.
#[derive(Debug, Default)]
pub struct Echoer {
    seen: HashMap<FindingId, String>,
    last: Option<String>,
    state: Option<usize>,
}

impl Echoer {
    /// Takes note of a reading without wording an answer, as when an exam is taken up again.
    pub fn note(&mut self, reading: &Reading, lex: &Lexicon) {
        self.state = reading.states.last().map(|s| s.state).or(self.state);
        for f in &reading.findings {
            let text = words::finding(f, lex);
            self.last = Some(text.clone());
            self.seen.insert(f.id, text);
        }
    }

    /// What was logged last, for a read-back.
    pub fn last(&self) -> Option<&str> {
        self.last.as_deref()
    }

    /// The answer to a reading, on one line.
    pub fn answer(&mut self, reading: &Reading, lex: &Lexicon) -> String {
        let mut parts: Vec<String> = Vec::new();
        for s in &reading.strikes {
            parts.push(match self.seen.get(&s.target) {
                Some(what) => format!("taken back: {what}"),
                None => "taken back".to_owned(),
            });
        }
        if !reading.maybe_struck.is_empty() {
            parts.push("needs you: what is taken back?".to_owned());
        }
        for s in &reading.stimuli {
            parts.push(words::stimulus(s));
        }
        // A state said in the same breath is that of its findings too.
        let state = reading.states.last().map(|s| s.state).or(self.state);
        for f in &reading.findings {
            let mut text = words::finding(f, lex);
            if let Some(k) = state.filter(|_| not_valid_in(f, state, lex)) {
                text += &format!(" (not valid {})", words::during(k, lex));
            }
            let corrects: Vec<&str> =
                f.corrects.iter().filter_map(|id| self.seen.get(id).map(String::as_str)).collect();
            let instead = match corrects.as_slice() {
                [] => String::new(),
                old => format!(" (instead of {})", old.join(", ")),
            };
            parts.push(match f.is_sure() {
                true => format!("{text}{instead}"),
                false => format!("{text}{instead} - needs you: {}", words::doubts(f)),
            });
        }
        self.note(reading, lex);
        for s in &reading.states {
            parts.push(format!("state: {}", words::state_name(s.state, lex)));
        }
        for d in &reading.deferred {
            parts.push(format!("for later: {}", words::subject(d.item, d.side, lex)));
        }
        for &item in &reading.announced {
            parts.push(format!("now: {}", words::subject(item, None, lex)));
        }
        for &s in &reading.sections {
            parts.push(format!("section: {}", lex.sections[s].name));
        }
        for a in &reading.acts {
            let word = match a {
                Act::Hold => "hold",
                Act::Release => "release",
                Act::Again => "again",
            };
            if reading.findings.is_empty() {
                parts.push(word.to_owned());
            }
        }
        for c in &reading.controls {
            parts.push(match c.as_str() {
                "start" => "exam started".to_owned(),
                "finish" => "exam finished".to_owned(),
                "pause" => "paused: nothing is kept".to_owned(),
                "resume" => "reading again".to_owned(),
                "strike-last" if reading.strikes.is_empty() && reading.maybe_struck.is_empty() => {
                    "needs you: nothing was taken back".to_owned()
                }
                // The rest is answered by whoever holds the clock and the gaps.
                _ => continue,
            });
        }
        if parts.is_empty() {
            parts.extend(reading.set_aside.iter().map(|s| format!("set aside, {s}")));
        }
        if parts.is_empty() && reading.controls.is_empty() {
            return NOT_UNDERSTOOD.to_owned();
        }
        parts.join("; ")
    }
}
