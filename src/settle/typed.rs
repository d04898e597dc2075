//! Words typed by whoever settles, read by the same reader as what was said at the bedside.

use crate::capture::{Phrase, Source};
use crate::journal::Chosen;
use crate::lexicon::Lexicon;
use crate::lexicon::family::Family;
use crate::lexicon::matcher::Meaning;
use crate::lexicon::model::ItemId;
use crate::lexicon::text::tokenize;
use crate::reading::Reader;
use crate::reading::types::{Doubt, Finding, Status};

use super::as_read;

/// Milliseconds between naming the item and the words about it: the item is still at hand.
const THEN_MS: u64 = 1_000;

fn phrase(text: &str, at_ms: u64) -> Phrase {
    Phrase {
        text: text.to_owned(),
        start_ms: at_ms,
        end_ms: at_ms,
        source: Source::Keys,
        line: None,
        speaker: None,
        alternatives: Vec::new(),
        words: Vec::new(),
        certainty: None,
    }
}

/// What the words say of an item: as if it had just been named. Empty when they say nothing of it.
pub fn findings(words: &str, item: ItemId, lex: &Lexicon) -> Vec<Finding> {
    let it = &lex.items[item];
    let name = it.names.first().unwrap_or(&it.name).as_str();
    let of_item = |list: Vec<Finding>| -> Vec<Finding> {
        list.into_iter().filter(|f| f.item == item).collect()
    };
    let mut reader = Reader::new(lex);
    reader.read(1, &phrase(name, 0));
    let found = of_item(reader.read(2, &phrase(words, THEN_MS)).findings);
    if !found.is_empty() {
        return found;
    }
    // Some words need the name in the same breath.
    of_item(Reader::new(lex).read(1, &phrase(&format!("{name} {words}"), 0)).findings)
}

/// Whether the words read as something found, not as a reason.
pub fn reads_as_found(words: &str, item: ItemId, lex: &Lexicon) -> Option<Finding> {
    findings(words, item, lex).into_iter().find(|f| {
        f.status != Status::Skipped && !f.doubts.iter().any(|d| matches!(d, Doubt::AbsentOrNotDone))
    })
}

/// Whether the words name a side.
pub fn names_a_side(words: &str, lex: &Lexicon) -> bool {
    lex.matcher.scan(&tokenize(words)).iter().any(|h| {
        matches!(
            lex.matcher.meaning(h),
            Meaning::Family(Family::Left | Family::Right | Family::Both)
        )
    })
}

/// The choice that a finding read from typed words makes.
pub fn chosen(f: &Finding, lex: &Lexicon) -> Chosen {
    as_read(f, lex)
}

/// The doubts that a person who typed the words must look at: not that the side or the item was
/// left unsaid, which is asked for or known.
pub fn doubts(f: &Finding) -> Vec<String> {
    f.doubts
        .iter()
        .filter(|d| !matches!(d, Doubt::SideNotSaid | Doubt::ItemNotNamed | Doubt::Implausible(_)))
        .map(Doubt::to_string)
        .collect()
}
