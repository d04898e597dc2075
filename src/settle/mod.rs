//! What a person may still decide, and what a decision may not do: the rules and questions that the
//! terminal and the page share.
//!
//! Pure functions of exam and lexicon. Nothing is written here: a decision comes out as
//! [`Settlement`]s for the caller's journal.

pub mod choices;
pub mod questions;
pub mod rules;
pub mod told;
pub mod typed;

use crate::exam;
use crate::journal::{Chosen, Decision, Settlement, Target};
use crate::lexicon::Lexicon;
use crate::problem::{Problem, nearest};
use crate::reading::types::{Finding, Side, Status};
use crate::report::words;

pub use questions::{Key, Question};

/// A settlement without a target.
pub fn settlement(who: &str, decision: Decision) -> Settlement {
    Settlement { who: who.to_owned(), target: None, decision }
}

/// A finding as it was read, as a choice to start from. A side that was not said stays open.
pub fn as_read(f: &Finding, lex: &Lexicon) -> Chosen {
    Chosen {
        item: lex.items[f.item].id.clone(),
        side: f.side.filter(|s| *s != Side::Unstated).map(|s| s.word().to_owned()),
        value: f.value.clone(),
        number: f.number,
        low: f.range.map(|r| r.0),
        high: f.range.map(|r| r.1),
        unit: f.unit.clone(),
        status: f.status.word().to_owned(),
    }
}

/// The choice with that side.
pub fn with_side(c: &Chosen, side: Side) -> Chosen {
    Chosen { side: Some(side.word().to_owned()), ..c.clone() }
}

/// Drops what does not go with the status, and checks the rest.
///
/// # Errors
/// What is not in the lexicon, or does not go together.
pub fn checked(mut c: Chosen, lex: &Lexicon) -> Result<Chosen, Problem> {
    if c.status != Status::Observed.word() {
        (c.value, c.number, c.low, c.high, c.unit) = (None, None, None, None, None);
    } else if c.number.is_none() && c.low.is_none() {
        c.unit = None;
    }
    exam::build::check_chosen(&c, lex).map_err(|why| {
        let help = format!("`cotside lexicon items {}` lists what it takes", c.item);
        Problem::in_file("settle", why).help(help)
    })?;
    Ok(c)
}

/// Whether a choice lacks nothing.
pub fn is_whole(c: &Chosen, lex: &Lexicon) -> bool {
    checked(c.clone(), lex).is_ok()
}

/// The reading a question is about, as a settlement names it.
pub fn target(q: &Question) -> Option<Target> {
    q.reading.as_ref().map(|f| Target { phrase: f.id.phrase, index: f.id.index })
}

/// Why an item was not done, as decisions: a reading that was no finding is set aside with it.
pub fn give_reason(q: &Question, reason: &str, who: &str, lex: &Lexicon) -> Vec<Settlement> {
    let side = q.side.filter(|s| matches!(s, Side::Left | Side::Right));
    let given = Decision::GapReason {
        item: lex.items[q.item].id.clone(),
        side: side.map(|s| s.word().to_owned()),
        reason: words::bare_reason(reason, lex),
    };
    let set_aside = target(q).map(|t| Settlement {
        who: who.to_owned(),
        target: Some(t),
        decision: Decision::NotAFinding,
    });
    set_aside.into_iter().chain([settlement(who, given)]).collect()
}

/// The item of that id, name or spoken name.
///
/// # Errors
/// That there is none, with names that are near.
pub fn item(word: &str, lex: &Lexicon) -> Result<usize, Problem> {
    let folded = word.trim().to_lowercase();
    let found = lex
        .item(&folded)
        .or_else(|| lex.items.iter().position(|i| i.name.to_lowercase() == folded))
        .or_else(|| lex.items.iter().position(|i| i.names.contains(&folded)));
    if let Some(i) = found {
        return Ok(i);
    }
    let near = nearest(&folded, lex.items.iter().map(|i| i.id.as_str())).or_else(|| {
        nearest(&folded, lex.items.iter().flat_map(|i| i.names.iter().map(String::as_str)))
    });
    let help = match near {
        Some(n) => format!("did you mean `{n}`?"),
        None => {
            let holding: Vec<&str> = lex
                .items
                .iter()
                .map(|i| i.id.as_str())
                .filter(|id| folded.split([' ', '-']).any(|w| w.len() > 2 && id.contains(w)))
                .take(8)
                .collect();
            match holding.is_empty() {
                true => "`cotside lexicon items` lists all items".into(),
                false => format!("items like it: {}", holding.join(", ")),
            }
        }
    };
    Err(Problem::in_file(word, "there is no item of this name").help(help))
}
