//! What a finding says, in the lexicon's words: for doubts and reasons, which people read.

use crate::lexicon::model::{ItemId, Lexicon};

use super::types::{Finding, Status};

/// Status, value and number as a person reads them.
pub fn said(
    item: ItemId,
    status: Status,
    value: Option<&str>,
    number: Option<f64>,
    range: Option<(f64, f64)>,
    lex: &Lexicon,
) -> String {
    match status {
        Status::NotObtained => return "not obtained".into(),
        Status::Skipped => return "not done".into(),
        Status::Observed => {}
    }
    let it = &lex.items[item];
    let unit = it.number.as_ref().map_or("", |n| lex.units[n.unit].say.as_str());
    let number = match (number, range) {
        (Some(n), _) => Some(format!("{n}{unit}")),
        (None, Some((a, b))) => Some(format!("{a} to {b}{unit}")),
        _ => None,
    };
    let parts: Vec<String> =
        value.map(|v| it.say(v).to_owned()).into_iter().chain(number).collect();
    if parts.is_empty() { "no value".into() } else { parts.join(", ") }
}

/// The same of a finding.
pub fn of(f: &Finding, lex: &Lexicon) -> String {
    said(f.item, f.status, f.value.as_deref(), f.number, f.range, lex)
}
