//! What was corrected, taken back or decided, in words.

use chrono::{DateTime, FixedOffset};

use super::words;
use crate::exam::{Exam, Gone, How};
use crate::lexicon::Lexicon;
use crate::reading::types::{Finding, FindingId, Side, Status};

/// Corrections, withdrawals and settlements, each with the moment of what it changed, in the order
/// in which they were made.
pub fn spoken_and_settled(x: &Exam, lex: &Lexicon) -> Vec<(String, String)> {
    let mut list: Vec<(u64, String, String)> = Vec::new();
    for (k, g) in x.gone.iter().enumerate() {
        let new = g.by.and_then(|id| successor(x, k, id));
        let text = match g.how {
            // A repeat is a trial, not a correction.
            How::Superseded => continue,
            How::Corrected => spoken(g, new, "corrected to", x, lex),
            How::Struck => spoken(g, None, "", x, lex),
            How::Settled => settled(g, new, x, lex),
        };
        list.push((g.at_seq, words::clock(g.finding.at_ms), text));
    }
    for s in x.states.iter().filter(|s| x.decision(s.seq).is_some()) {
        let text = format!(
            "{} given as the state from then on{}",
            words::state_name(s.state, lex),
            by(s.seq, x)
        );
        list.push((s.seq, words::clock(s.from_ms), text));
    }
    list.sort_by_key(|c| c.0);
    list.into_iter().map(|(_, at, text)| (at, text)).collect()
}

/// What took the place of the finding that went as number `k`: the next to go by that name, or the
/// one that stands.
fn successor(x: &Exam, k: usize, id: FindingId) -> Option<&Finding> {
    let later = x.gone[k + 1..].iter().map(|g| &g.finding).find(|f| f.id == id);
    later.or_else(|| x.named(id))
}

/// Item and value as one says them, the side in front: `right arm recoil slow`.
fn plain(f: &Finding, lex: &Lexicon) -> String {
    let unsaid = match f.side {
        Some(Side::Unstated) => " (side not said)",
        _ => "",
    };
    format!("{} {}{unsaid}", words::subject(f.item, f.side, lex), words::value(f, lex))
}

/// Where the finding was, as the new word of a correction: `left`, `both sides`.
fn place(side: Option<Side>) -> &'static str {
    match side {
        Some(Side::Both) => "both sides",
        Some(Side::Unstated) | None => "no side",
        Some(s) => s.word(),
    }
}

/// What is new in the second of two findings, and no more than that; empty when nothing is.
fn news(old: &Finding, new: &Finding, lex: &Lexicon) -> String {
    let value = words::value(new, lex);
    let same_value = value == words::value(old, lex);
    match (old.item == new.item, old.side == new.side, same_value) {
        (false, _, _) => plain(new, lex),
        (true, true, true) => String::new(),
        (true, true, false) => value,
        (true, false, true) => place(new.side).to_owned(),
        (true, false, false) => match new.side {
            Some(s @ (Side::Left | Side::Right)) => format!("{value} on the {}", s.word()),
            Some(Side::Both) => format!("{value} on both sides"),
            _ => value,
        },
    }
}

fn spoken(g: &Gone, new: Option<&Finding>, how: &str, x: &Exam, lex: &Lexicon) -> String {
    let old = plain(&g.finding, lex);
    let at = match x.event(g.at_seq) {
        // Taken back in the breath it was said in: one moment is enough.
        Some(e) if e.phrase.start_ms != g.finding.at_ms => {
            format!(" at {}", words::clock(e.phrase.start_ms))
        }
        _ => String::new(),
    };
    match new.map(|n| news(&g.finding, n, lex)) {
        Some(news) if news.is_empty() => format!("{old}, said again{at}"),
        Some(news) => format!("{old}, {how} {news}{at}"),
        None => format!("{old}, taken back{at}"),
    }
}

fn settled(g: &Gone, new: Option<&Finding>, x: &Exam, lex: &Lexicon) -> String {
    let by = by(g.at_seq, x);
    let old = plain(&g.finding, lex);
    match new {
        None => format!("{old}, set aside as no finding{by}"),
        Some(new) if new.id != g.finding.id => {
            format!("{old}, replaced by {}{by}", plain(new, lex))
        }
        Some(new) => match news(&g.finding, new, lex) {
            news if news.is_empty() => format!("{old}, confirmed{by}"),
            news if new.status == Status::Skipped => format!("{old}, settled: {news}{by}"),
            news => format!("{old}, settled as {news}{by}"),
        },
    }
}

/// Who made a settlement, and when: ` (AB, 2031-04-05 12:04)`.
fn by(seq: u64, x: &Exam) -> String {
    decided(seq, x).map_or(String::new(), |text| format!(" ({text})"))
}

/// Who made a settlement, and when, in the offset of the exam: `AB, 2031-04-05 12:04`.
pub fn decided(seq: u64, x: &Exam) -> Option<String> {
    let d = x.decision(seq)?;
    let wall: DateTime<FixedOffset> = d.wall.with_timezone(x.header.started.offset());
    Some(format!("{}, {}", d.who, wall.format("%Y-%m-%d %H:%M")))
}
