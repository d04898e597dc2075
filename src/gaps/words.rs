//! Findings, sides and times in a few words, for the lines of the list.

use crate::lexicon::model::{ItemId, Lexicon};
use crate::reading::types::{Finding, Side, Status};

/// The item with its side: `Scarf sign, right`.
pub fn item(item: ItemId, side: Option<Side>, lex: &Lexicon) -> String {
    let name = &lex.items[item].name;
    match side {
        None | Some(Side::Midline) => name.clone(),
        Some(Side::Both) => format!("{name}, both sides"),
        Some(Side::Unstated) => format!("{name}, side not said"),
        Some(s) => format!("{name}, {}", s.word()),
    }
}

/// What was found, without its item: `brisk, 80°`.
pub fn found(f: &Finding, lex: &Lexicon) -> String {
    let it = &lex.items[f.item];
    let unit = f
        .unit
        .as_deref()
        .and_then(|id| lex.units.iter().find(|u| u.id == id))
        .map_or("", |u| &u.say);
    let number = match (f.number, f.range) {
        (Some(n), _) => Some(format!("{n}{unit}")),
        (None, Some((a, b))) => Some(format!("{a} to {b}{unit}")),
        (None, None) => None,
    };
    let parts: Vec<String> = f.value.iter().map(|v| it.say(v).to_owned()).chain(number).collect();
    match (f.status, parts.is_empty()) {
        (Status::Skipped, _) => "not done".into(),
        (Status::NotObtained, _) => "not elicited".into(),
        (Status::Observed, true) => "no value".into(),
        (Status::Observed, false) => parts.join(", "),
    }
}

/// A time on the exam clock: `2:05`, minutes and seconds.
pub fn clock(ms: u64) -> String {
    let s = ms / 1000;
    format!("{}:{:02}", s / 60, s % 60)
}

/// A choice in words: `a, b or c`.
pub fn either(of: &[&str]) -> String {
    match of {
        [] => String::new(),
        [one] => (*one).into(),
        [most @ .., last] => format!("{} or {last}", most.join(", ")),
    }
}

/// Milliseconds as seconds, to one decimal.
#[allow(clippy::cast_precision_loss)] // holds last seconds
pub fn seconds(ms: u64) -> String {
    format!("{:.1} s", ms as f64 / 1000.0)
}
