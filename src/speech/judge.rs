//! From what the searches found to what was heard, and how sure of it.
//!
//! Two numbers decide. The **gap** is how much likelier, a token, the network finds the free text
//! than the best phrase of the trade: small when a phrase of the trade was said. The **margin** is
//! how far that phrase's score lies above the best one that *says something else*, told by the
//! labels of their paths.

use super::Heard;
use super::search::{Found, Searched, said_once};
use crate::capture::{Alternative, Certainty};
use crate::lexicon::text::{Token, tokenize};

/// Gap up to which a phrase of the trade was said.
const FITS: f32 = 0.65;
/// Gap up to which it may have been.
const MAY_FIT: f32 = 1.0;
/// The same where nothing else comes near.
const MAY_FIT_ALONE: f32 = 2.0;
/// Margin from which on nothing else was said, and from which on nothing else comes near.
const CLEAR: f32 = 0.5;
const ALONE: f32 = 0.3;
/// Score below which not even a text that fits is sure.
const FAINT: f32 = -2.15;
/// Score below which the bound text is not even the likeliest, and the same for a wide gap.
const LOST: f32 = -2.8;
const LOST_WIDE: f32 = -2.5;
/// The bound text may have this share of the free one's words; a shorter one leaves something out
/// that was said.
const SHORTER: (usize, usize) = (3, 4);
/// Score below which there were no words.
const NO_WORDS: f32 = -2.6;
/// What a text begins with that stands for no words, as subtitles write it.
const NO_SPEECH: &[char] = &['(', '[', '*', '♪', '<', '{', '_', '-'];

/// The numbers a judgement rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weights {
    /// How much likelier the free text is than the bound one, log-probability a token.
    pub gap: f32,
    /// How far the best bound text is above the best that says something else.
    pub margin: f32,
    /// Score of the best bound text.
    pub bound: f32,
    /// Score of the free text.
    pub free: f32,
}

/// The numbers of a search. The same words never say something else, whatever path they took.
pub fn weigh(s: &Searched, text: &dyn Fn(&[u32]) -> String) -> Weights {
    let free = s.free.as_ref().map_or(f32::MIN, |f| f.score);
    let Some(best) = s.bound.first() else {
        return Weights { gap: f32::MAX, margin: 0.0, bound: f32::MIN, free };
    };
    let tokens = |f: &Found| (f.tokens.len() + 1) as f32;
    let gap = s.free.as_ref().map_or(0.0, |f| (f.log_prob - best.log_prob) / tokens(f));
    let words = once(&text(&best.tokens));
    let differs =
        |f: &&Found| f.meaning != best.meaning && !same_words(&once(&text(&f.tokens)), &words);
    let other = s.bound.iter().find(differs);
    let margin = other.map_or(f32::MAX, |o| best.score - o.score);
    Weights { gap, margin, bound: best.plain, free }
}

/// A text without what it only says again.
fn once(text: &str) -> String {
    let text = &decimals(text);
    let words: Vec<Token> = tokenize(text).into_iter().filter(|t| t.brk.is_none()).collect();
    let folded: Vec<String> = words.iter().map(|w| w.folded.clone()).collect();
    let kept = said_once(&folded);
    match words.get(kept) {
        Some(_) => text[..words[kept - 1].span.end].to_owned(),
        None => text.to_owned(),
    }
}

/// "34. 5." at the end of a text is how the network writes 34.5 said slowly.
fn decimals(text: &str) -> String {
    let bare = text.trim_end_matches('.');
    let Some((head, last)) = bare.rsplit_once(". ") else { return text.to_owned() };
    let one_digit = last.len() == 1 && last.bytes().all(|b| b.is_ascii_digit());
    match one_digit
        && head.ends_with(|c: char| c.is_ascii_digit())
        && !number_of(head).contains('.')
    {
        true => format!("{head}.{last}"),
        false => text.to_owned(),
    }
}

/// The number a text ends with.
fn number_of(text: &str) -> &str {
    text.rsplit(|c: char| !c.is_ascii_digit() && c != '.').next().unwrap_or_default()
}

/// Whether two texts have the same words, whatever their marks and capitals.
fn same_words(a: &str, b: &str) -> bool {
    let words = |s: &str| -> Vec<String> {
        tokenize(s).into_iter().filter(|t| t.brk.is_none()).map(|t| t.surface).collect()
    };
    words(a) == words(b)
}

/// Weighs the hypotheses.
pub fn judge(s: &Searched, text: &dyn Fn(&[u32]) -> String) -> Heard {
    let w = weigh(s, text);
    let shown = |f: &Found| Alternative { text: once(&text(&f.tokens)), score: f64::from(f.score) };
    let bound: Vec<Alternative> = s.bound.iter().map(shown).collect();
    let free: Vec<Alternative> = s.leaning.iter().take(1).chain(&s.free).map(shown).collect();
    let free_text = free.last().map_or("", |a| a.text.as_str());
    let count = |t: &str| tokenize(t).iter().filter(|t| t.brk.is_none()).count();
    let said = bound.first().map_or(0, |a| count(&a.text));
    let short = said * SHORTER.1 < count(free_text) * SHORTER.0;
    let wordless = free_text.is_empty() || free_text.starts_with(NO_SPEECH) || w.free < NO_WORDS;
    let certainty = match () {
        // The free search hears nothing: then only what nothing else comes near may be a phrase.
        () if wordless && (w.margin < CLEAR || w.bound < FAINT) => None,
        () if wordless => Some(Certainty::Unsettled),
        () if short => Some(Certainty::Narration),
        () if w.gap <= FITS && w.margin >= CLEAR && w.bound >= FAINT => Some(Certainty::Sure),
        () if w.gap <= MAY_FIT && w.bound >= LOST => Some(Certainty::Unsettled),
        () if w.gap <= MAY_FIT_ALONE && w.margin >= ALONE && w.bound >= LOST_WIDE => {
            Some(Certainty::Unsettled)
        }
        () => Some(Certainty::Narration),
    };
    let (first, then) = match certainty {
        None => return Heard::noise(),
        Some(Certainty::Narration) => (free, bound),
        _ => (bound, free),
    };
    let mut alternatives: Vec<Alternative> = Vec::new();
    for a in first.into_iter().chain(then) {
        if !a.text.is_empty() && alternatives.iter().all(|b| !same_words(&b.text, &a.text)) {
            alternatives.push(a);
        }
    }
    let text = alternatives.first().map(|a| a.text.clone()).unwrap_or_default();
    Heard { certainty, text, alternatives }
}
