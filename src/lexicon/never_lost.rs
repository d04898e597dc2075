//! Words that must never vanish from a note: whatever else is made of a phrase that holds one, it is quoted
//! until a finding tells of it.

use std::collections::HashSet;

use serde::Deserialize;

use super::matcher::{Entry, Matcher, Meaning};
use super::model::{Basis, ItemId};
use super::pattern::PatternWord;
use super::schema::Text;
use super::text::Token;

/// `[[never_lost]]`: words that tell of something grave, and the items whose findings tell of it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    /// Id.
    pub id: Text,
    /// What they may tell of, as a note says it.
    pub say: Text,
    /// The phrases.
    pub words: Vec<Text>,
    /// Phrases that hold such words and tell of something else ("fits in the hand").
    #[serde(default)]
    pub but_not: Vec<Text>,
    /// Items whose findings tell of the same; without one, only the quotation does.
    #[serde(default)]
    pub told_by: Vec<Text>,
    /// Source of the row.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// A row, resolved.
#[derive(Debug)]
pub struct Grave {
    /// Id.
    pub id: String,
    /// What the words may tell of, as a note says it.
    pub say: String,
    /// Items whose findings tell of the same.
    pub told_by: Vec<ItemId>,
    /// Where it comes from.
    pub basis: Basis,
}

/// A phrase that must not vanish: the tokens `[from, to)` of a text, by a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Said {
    /// First token.
    pub from: usize,
    /// One past the last.
    pub to: usize,
    /// Index of the row.
    pub row: usize,
}

/// All rows, and what finds their phrases in a text.
#[derive(Debug)]
pub struct NeverLost {
    /// The rows.
    pub rows: Vec<Grave>,
    /// Its entries stand for a row each: `Group(row)`.
    words: Matcher,
    /// The same for what only looks like it.
    but_not: Matcher,
}

impl NeverLost {
    /// None.
    pub fn none() -> Self {
        Self::new(Vec::new(), Vec::new(), Vec::new(), &HashSet::new())
    }

    /// The rows with their phrases: those that count, and those that only look so.
    pub(super) fn new(
        rows: Vec<Grave>,
        words: Vec<(usize, Vec<PatternWord>)>,
        but_not: Vec<(usize, Vec<PatternWord>)>,
        fillers: &HashSet<String>,
    ) -> Self {
        let matcher = |list: Vec<(usize, Vec<PatternWord>)>| {
            let entry = |(row, words)| Entry { words, meaning: Meaning::Group(row) };
            Matcher::new(list.into_iter().map(entry).collect(), fillers.clone())
        };
        NeverLost { rows, words: matcher(words), but_not: matcher(but_not) }
    }

    /// Every such phrase in the tokens, in their order.
    pub fn scan(&self, tokens: &[Token]) -> Vec<Said> {
        let found = |m: &Matcher| -> Vec<Said> {
            let said = m.scan(tokens).into_iter().filter_map(|h| match m.meaning(&h) {
                Meaning::Group(row) => Some(Said { from: h.from, to: h.to, row }),
                _ => None,
            });
            said.collect()
        };
        let other = found(&self.but_not);
        let within =
            |s: &Said| other.iter().any(|o| o.row == s.row && o.from <= s.from && s.to <= o.to);
        let mut out: Vec<Said> = found(&self.words).into_iter().filter(|s| !within(s)).collect();
        out.sort_by_key(|s| (s.from, s.to, s.row));
        out
    }
}
