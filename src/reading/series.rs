//! A stimulus repeated until it is no longer answered, counted from what is said at each.
//!
//! While such an item is at hand, a phrase made of the item's own words for an answered or a missed
//! stimulus is one stimulus or more, and no finding of any other item. The words, how many missed
//! ones end the series and after how many it ends anyway stand in the lexicon. The count is the
//! number of stimuli before the first of the missed ones that ended it; when not even the first was
//! answered, that is a value of its own and no count.

use std::collections::HashSet;

use crate::lexicon::model::{ItemId, Lexicon, Series};
use crate::lexicon::text::tokenize;

/// One stimulus of a series.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stimulus {
    /// Its number in the series, from 1.
    pub number: u32,
    /// Whether it was answered.
    pub answered: bool,
}

/// A series under way.
#[derive(Debug, Clone)]
pub struct Run {
    /// Item.
    pub item: ItemId,
    /// Whether each stimulus was answered.
    answered: Vec<bool>,
    /// Phrases, in order.
    phrases: Vec<u64>,
    /// Whether it has ended.
    ended: bool,
}

/// What a series came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Came {
    /// Stimuli before the first of the missed ones that ended it.
    Count(u32),
    /// Not even the first was answered.
    NoneAnswered,
    /// The last of the most was still answered.
    StillAnswered,
}

/// The stimuli a phrase holds, when it holds nothing else.
pub fn stimuli(text: &str, series: &Series, lex: &Lexicon) -> Option<Vec<bool>> {
    let numbers = &lex.number_words;
    let is_number = |w: &str| {
        w.starts_with(|c: char| c.is_ascii_digit())
            || numbers.small.contains_key(w)
            || numbers.tens.contains_key(w)
    };
    let tokens = tokenize(text);
    let words: Vec<&str> = tokens
        .iter()
        .filter(|t| t.brk.is_none() && !is_number(&t.surface))
        .map(|t| t.folded.as_str())
        .filter(|w| !lex.matcher.is_filler(w))
        .collect();
    let mut out = Vec::new();
    let mut at = 0;
    while at < words.len() {
        // Longest first: "no response" before "response".
        let starts = |list: &[Vec<String>]| {
            let fits = |p: &&Vec<String>| {
                words.len() >= at + p.len() && p.iter().zip(&words[at..]).all(|(a, b)| a == b)
            };
            list.iter().find(fits).map(Vec::len)
        };
        match (starts(&series.answered), starts(&series.missed)) {
            (Some(a), m) if m.is_none_or(|m| a > m) => {
                out.push(true);
                at += a;
            }
            (_, Some(m)) => {
                out.push(false);
                at += m;
            }
            _ if series.beside.iter().any(|b| b == words[at]) => at += 1,
            _ => return None,
        }
    }
    (!out.is_empty()).then_some(out)
}

impl Run {
    /// A series of which nothing was said yet.
    pub fn new(item: ItemId) -> Self {
        Run { item, answered: Vec::new(), phrases: Vec::new(), ended: false }
    }

    /// Takes in one stimulus. Gives its number, and what the series came to when this one ends it;
    /// `None` when the series had ended before.
    pub fn take(
        &mut self,
        answered: bool,
        seq: u64,
        series: &Series,
    ) -> Option<(Stimulus, Option<Came>)> {
        if self.ended {
            return None;
        }
        self.answered.push(answered);
        self.phrases.push(seq);
        let number = u32::try_from(self.answered.len()).unwrap_or(u32::MAX);
        let missed = self.answered.iter().rev().take_while(|a| !**a).count();
        let missed = u32::try_from(missed).unwrap_or(u32::MAX);
        let came = if missed >= series.misses {
            let before = number - missed;
            Some(if before == 0 { Came::NoneAnswered } else { Came::Count(before) })
        } else if number >= series.most {
            // A last one missed alone does not show that the answers have ceased.
            Some(Came::StillAnswered)
        } else {
            None
        };
        self.ended = came.is_some();
        Some((Stimulus { number, answered }, came))
    }

    /// Takes the last stimulus back, when the series is under way. Gives whether there was one.
    pub fn take_back(&mut self) -> bool {
        !self.ended && {
            self.phrases.pop();
            self.answered.pop().is_some()
        }
    }

    /// Whether it has ended.
    pub fn ended(&self) -> bool {
        self.ended
    }

    /// How it went, in words, for the `why` of its finding.
    pub fn told(&self) -> String {
        let answered = self.answered.iter().filter(|a| **a).count();
        let phrases: HashSet<u64> = self.phrases.iter().copied().collect();
        let (first, last) = (self.phrases.first().unwrap_or(&0), self.phrases.last().unwrap_or(&0));
        format!(
            "counted: {} stimuli in {} phrases ({first} to {last}), {answered} answered: {}",
            self.answered.len(),
            phrases.len(),
            self.answered.iter().map(|a| if *a { '+' } else { '-' }).collect::<String>()
        )
    }
}
