//! What a question may be answered with.

use super::{Question, as_read, is_whole, with_side};
use crate::journal::Chosen;
use crate::lexicon::Lexicon;
use crate::reading::types::{Finding, FindingId, Side, Status};
use crate::report::words;

/// The reading of a question, or a finding that says nothing yet.
pub fn blank(q: &Question) -> Finding {
    q.reading.clone().unwrap_or(Finding {
        id: FindingId { phrase: 0, index: 0 },
        item: q.item,
        side: q.side,
        status: Status::Observed,
        value: None,
        wording: None,
        number: None,
        range: None,
        unit: None,
        reason: None,
        doubts: Vec::new(),
        why: String::new(),
        corrects: Vec::new(),
        again: false,
        at_ms: q.at_ms,
    })
}

/// A choice in words, where it settles that finding.
pub fn say(c: &Chosen, of: &Finding, lex: &Lexicon) -> String {
    let status = [Status::Observed, Status::NotObtained, Status::Skipped]
        .into_iter()
        .find(|s| s.word() == c.status)
        .unwrap_or(of.status);
    let f = Finding {
        side: c.side.as_deref().and_then(Side::named),
        status,
        value: c.value.clone(),
        wording: of.wording.clone().filter(|_| c.value == of.value),
        number: c.number,
        range: c.low.zip(c.high),
        ..of.clone()
    };
    words::finding(&f, lex)
}

/// The sides to choose from, where the rest is whole and no side was said; empty elsewhere.
pub fn sides(q: &Question, lex: &Lexicon) -> Vec<Chosen> {
    let start = as_read(&blank(q), lex);
    let asked = lex.items[q.item].sided && start.side.is_none();
    match asked && is_whole(&with_side(&start, Side::Left), lex) {
        true => [Side::Left, Side::Right, Side::Both].map(|s| with_side(&start, s)).into(),
        false => Vec::new(),
    }
}

/// The item's values and "tried, not elicited", without the one that was read. The side is that of
/// the reading, or still open.
pub fn values(q: &Question, lex: &Lexicon) -> Vec<Chosen> {
    let start = as_read(&blank(q), lex);
    let read = q.reading.as_ref().map(|f| (f.status, f.value.clone()));
    let mut out = Vec::new();
    for v in &lex.items[q.item].values {
        let value = Some(v.code.clone());
        if read != Some((Status::Observed, value.clone())) {
            let status = Status::Observed.word().to_owned();
            out.push(Chosen { value, status, ..start.clone() });
        }
    }
    if read.as_ref().map(|r| r.0) != Some(Status::NotObtained) {
        let status = Status::NotObtained.word().to_owned();
        out.push(Chosen { value: None, number: None, low: None, high: None, status, ..start });
    }
    out
}

/// The value of a choice in words, without item and side.
pub fn value_alone(c: &Chosen, q: &Question, lex: &Lexicon) -> String {
    match c.status == Status::NotObtained.word() {
        true => "tried, not elicited".to_owned(),
        false => c.value.as_deref().map_or(String::new(), |v| lex.items[q.item].say(v).to_owned()),
    }
}

/// The numbered choices: sides where none was said, else the item's values.
pub fn choices(q: &Question, lex: &Lexicon) -> Vec<(String, Chosen)> {
    let of = blank(q);
    let sides = sides(q, lex);
    if !sides.is_empty() {
        return sides.into_iter().map(|c| (say(&c, &of, lex), c)).collect();
    }
    // Where no side is to tell, the value alone is plain enough.
    let label = |c: &Chosen| match lex.items[q.item].sided {
        true => say(c, &of, lex),
        false => value_alone(c, q, lex),
    };
    values(q, lex).into_iter().map(|c| (label(&c), c)).collect()
}
