//! A decision in words, once it is written.

use crate::exam::Exam;
use crate::journal::{Chosen, Decision, Entry, Line, Settlement};
use crate::lexicon::Lexicon;
use crate::reading::types::{Finding, FindingId, Side, Status};
use crate::report::words;

use super::{choices, questions};

/// The exam as it stands with the decision.
#[derive(Clone, Copy)]
pub struct After<'a> {
    /// Rebuilt after the decision.
    pub exam: &'a Exam,
    /// The journal's lines, the decision among them.
    pub lines: &'a [Line],
    /// The lexicon at hand.
    pub lex: &'a Lexicon,
}

/// What was decided, in words, with who decided and in which entry.
pub fn told(s: &Settlement, seq: u64, after: &After<'_>) -> String {
    format!("{} (by {}, entry {seq})\n", what(s, seq, after), s.who)
}

fn what(s: &Settlement, seq: u64, after: &After<'_>) -> String {
    let lex = after.lex;
    match (&s.decision, s.target) {
        (Decision::Choose(_), Some(t)) => {
            let id = FindingId { phrase: t.phrase, index: t.index };
            match after.exam.finding(id) {
                Some(f) => format!("settled [{id}]: {}", words::finding(&f.finding, lex)),
                None => format!("settled [{id}]"),
            }
        }
        (Decision::NotAFinding, Some(t)) => {
            format!("settled [{}.{}]: no finding", t.phrase, t.index)
        }
        (Decision::Add { chosen, at_ms }, _) => {
            let id = FindingId { phrase: seq, index: 1 };
            match after.exam.finding(id) {
                Some(f) => format!(
                    "added at {}: {}",
                    words::clock(*at_ms),
                    words::finding(&f.finding, lex)
                ),
                None => match after.exam.states.iter().find(|s| s.seq == seq) {
                    Some(s) => format!(
                        "{} from {} on",
                        words::state_name(s.state, lex),
                        words::clock(*at_ms)
                    ),
                    None => format!("added: {}", chosen.item),
                },
            }
        }
        (Decision::GapReason { item, side, reason }, _) => {
            let side = side.as_deref().map_or(String::new(), |s| format!(", {s}"));
            format!("reason for {item}{side}: {reason}")
        }
        (Decision::Input { sign, value, .. }, _) => format!("entered: {sign} {value}"),
        (Decision::Undo { seq }, _) => undone(*seq, after),
        _ => "settled".into(),
    }
}

/// What a taking back took back.
fn undone(seq: u64, after: &After<'_>) -> String {
    let line = after.lines.iter().find(|l| l.seq == seq).map(|l| &l.entry);
    let Some(Entry::Settlement(s)) = line else { return format!("entry {seq} no longer holds") };
    let old = match (&s.decision, s.target) {
        (Decision::Undo { seq: back }, _) => {
            return format!(
                "entry {back} holds again: entry {seq}, which took it back, is taken back"
            );
        }
        (Decision::Choose(c), Some(t)) => {
            let value = c.value.clone().or_else(|| c.number.map(words::number));
            let parts: Vec<String> = [
                c.side.clone(),
                value,
                (c.status != Status::Observed.word()).then(|| c.status.clone()),
            ]
            .into_iter()
            .flatten()
            .collect();
            format!("[{}.{}] as {} {}", t.phrase, t.index, c.item, parts.join(" "))
        }
        (Decision::NotAFinding, Some(t)) => format!("[{}.{}] as no finding", t.phrase, t.index),
        (Decision::Add { chosen, at_ms }, _) => {
            format!("the {} added at {}", chosen.item, words::clock(*at_ms))
        }
        (Decision::GapReason { item, reason, .. }, _) => format!("the reason for {item}: {reason}"),
        (Decision::Input { sign, value, .. }, _) => {
            format!("the value entered for {sign}: {value}")
        }
        _ => "a decision".into(),
    };
    format!("taken back: {old} (was decided by {}, entry {seq})", s.who)
}

/// A decision by itself, whatever became of it since.
pub fn decision(s: &Settlement, exam: &Exam, lex: &Lexicon) -> String {
    let say = |c: &Chosen, of: Option<&Finding>| match (lex.item(&c.item), of) {
        (Some(_), Some(f)) => choices::say(c, f, lex),
        (Some(item), None) => {
            let blank = choices::blank(&questions::of_missed(item, exam, lex));
            choices::say(c, &blank, lex)
        }
        (None, _) => c.item.clone(),
    };
    let id = s.target.map(|t| FindingId { phrase: t.phrase, index: t.index });
    let of = id.and_then(|id| exam.named(id));
    let id = id.map_or(String::new(), |id| format!("[{id}] "));
    match &s.decision {
        Decision::Choose(c) => format!("{id}{}", say(c, of)),
        Decision::NotAFinding => {
            let was = of.map_or(String::new(), |f| format!(" ({})", words::finding(f, lex)));
            format!("{id}not a finding{was}")
        }
        Decision::Add { chosen, at_ms } => {
            format!("added at {}: {}", words::clock(*at_ms), say(chosen, None))
        }
        Decision::GapReason { item, side, reason } => {
            let side = side.as_deref().and_then(Side::named);
            let what = lex.item(item).map_or(item.clone(), |i| words::subject(i, side, lex));
            format!("{what} not done: {reason}")
        }
        Decision::Input { scale, sign, value, .. } => format!("entered: {scale}, {sign} {value}"),
        Decision::Undo { seq } => format!("entry {seq} taken back"),
    }
}
