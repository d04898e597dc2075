//! Findings as the sentences of a note: plain, without quotation marks, the side behind the value.
//!
//! The words are the lexicon's (`name`, `in_note`, `say`, `sentence`); this module only puts them in
//! order.

use super::words;
use crate::grade::{Ages, Ungraded, beyond};
use crate::lexicon::Lexicon;
use crate::lexicon::model::{Elicited, ItemId, STATED_ABNORMAL, STATED_NORMAL};
use crate::reading::types::{Finding, Side, Status};

/// What is said of one place of an item.
pub struct Part<'a> {
    /// The finding.
    pub finding: &'a Finding,
    /// The side it is told of; that of the finding, or both where two findings were joined.
    pub side: Option<Side>,
    /// What stands behind it in brackets.
    pub marks: Vec<String>,
}

/// The item's name at the head of a sentence.
pub fn name(item: ItemId, lex: &Lexicon) -> String {
    let it = &lex.items[item];
    it.in_note.clone().unwrap_or_else(|| it.name.clone())
}

/// The item's name inside a sentence.
pub fn inner_name(item: ItemId, lex: &Lexicon) -> String {
    let it = &lex.items[item];
    match &it.in_note {
        Some(name) if it.proper => name.clone(),
        Some(name) => words::lower_first(name),
        None => words::item(item, lex),
    }
}

/// Item and side inside a sentence: `arm recoil on the left`.
pub fn subject(item: ItemId, side: Option<Side>, lex: &Lexicon) -> String {
    format!("{}{}", inner_name(item, lex), on(side))
}

/// The value as a sentence says it behind the name.
pub fn value(f: &Finding, lex: &Lexicon) -> String {
    if f.status == Status::NotObtained {
        return "not elicited".into();
    }
    let it = &lex.items[f.item];
    let word = f.value.as_deref().map(|code| match code {
        // What was said is less than the value says.
        _ if f.wording.is_some() => f.wording.as_deref().unwrap_or_default(),
        // The examiner's own word, and no more than that: the note is the examiner's.
        STATED_NORMAL | STATED_ABNORMAL => it.say(code).trim_start_matches("said to be "),
        _ => it
            .value(code)
            .map_or(code, |k| it.values[k].in_note.as_deref().unwrap_or(&it.values[k].say)),
    });
    let parts: Vec<String> =
        word.map(str::to_owned).into_iter().chain(words::quantity(f, lex)).collect();
    if parts.is_empty() { "examined, no value said".to_owned() } else { parts.join(", ") }
}

/// ` on the left`, or nothing where there is no side to tell.
pub fn on(side: Option<Side>) -> &'static str {
    match side {
        Some(Side::Left) => " on the left",
        Some(Side::Right) => " on the right",
        Some(Side::Both) => " on both sides",
        Some(Side::Midline) => " in the midline",
        Some(Side::Unstated) | None => "",
    }
}

/// The side behind a value. What one manoeuvre shows of both sides, and a value that says itself
/// where it is, needs none.
pub fn place(f: &Finding, side: Option<Side>, lex: &Lexicon) -> &'static str {
    let it = &lex.items[f.item];
    let value = f.value.as_deref().and_then(|v| it.value(v)).map(|k| &it.values[k]);
    match side {
        Some(Side::Both) if it.elicited == Elicited::Together => "",
        _ if value.is_some_and(|v| v.midline) => "",
        side => on(side),
    }
}

/// One sentence for all that is told of an item, with its full stop. `tail` comes before the stop.
pub fn item(item: ItemId, parts: &[Part<'_>], tail: &str, lex: &Lexicon) -> String {
    let it = &lex.items[item];
    let whole = |f: &Finding| {
        let value = it.value(f.value.as_deref()?).map(|k| &it.values[k])?;
        let said = f.status == Status::Observed && f.wording.is_none();
        value.sentence.clone().filter(|_| said)
    };
    let told = |p: &Part<'_>, text: &str| {
        let marks = match p.marks.is_empty() {
            true => String::new(),
            false => format!(" ({})", p.marks.join("; ")),
        };
        format!("{text}{}{marks}", place(p.finding, p.side, lex))
    };
    if let [only] = parts
        && let Some(text) = whole(only.finding)
    {
        return format!("{}{tail}.", told(only, &text));
    }
    let list: Vec<String> = parts.iter().map(|p| told(p, &value(p.finding, lex))).collect();
    // Commas inside a value would run into those between the sides.
    let commas = parts.iter().any(|p| p.marks.is_empty() && value(p.finding, lex).contains(','));
    let between = if commas { "; " } else { ", " };
    format!("{}: {}{tail}.", name(item, lex), list.join(between))
}

/// What the expectations that a finding was held against are for: `term`, `this age`; empty where
/// the lexicon's are for no age.
pub fn held_for(item: ItemId, ages: &Ages, lex: &Lexicon) -> &'static str {
    match beyond(ages, lex) {
        _ if !lex.gestation || lex.items[item].growth.is_some() => "",
        Some(Ungraded::BeforeTerm | Ungraded::NotTerm) => "this age",
        _ => "term",
    }
}
