//! From what the searches found to what was heard, and how sure of it.
//!
//! Two numbers decide. The **gap** is how much likelier, a token, the network finds the free text
//! than the best phrase of the trade: small when a phrase of the trade was said. The **margin** is
//! how far that phrase's score lies above the best one that *says something else*, told by the
//! labels of their paths.

use super::Heard;
use super::search::{Found, Searched};
use crate::capture::{Alternative, Certainty};

/// Gap up to which a phrase of the trade was said.
const FITS: f32 = 0.35;
/// Gap up to which it may have been.
const MAY_FIT: f32 = 0.8;
/// Margin from which on nothing else was said.
const CLEAR: f32 = 0.25;
/// Score below which not even a text that fits is sure.
const FAINT: f32 = -1.4;
/// The bound text may be this much shorter than the free one, in tokens of each; a shorter one
/// leaves something out that was said.
const SHORTER: (usize, usize) = (3, 4);
/// Score of the free text below which there were no words.
const NO_WORDS: f32 = -2.6;

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
    /// Whether the bound text leaves out much of what the free one has.
    pub short: bool,
}

/// The numbers of a search.
pub fn weigh(s: &Searched) -> Weights {
    let free = s.free.as_ref().map_or(f32::MIN, |f| f.score);
    let Some(best) = s.bound.first() else {
        return Weights { gap: f32::MAX, margin: 0.0, bound: f32::MIN, free, short: true };
    };
    let tokens = |f: &Found| (f.tokens.len() + 1) as f32;
    let gap = s.free.as_ref().map_or(0.0, |f| (f.log_prob - best.log_prob) / tokens(f));
    let other = s.bound.iter().find(|f| f.meaning != best.meaning);
    let margin = other.map_or(f32::MAX, |o| best.score - o.score);
    let said = s.free.as_ref().map_or(0, |f| f.tokens.len());
    let short = best.tokens.len() * SHORTER.1 < said * SHORTER.0;
    Weights { gap, margin, bound: best.score, free, short }
}

/// Weighs the hypotheses.
pub fn judge(s: &Searched, text: &dyn Fn(&[u32]) -> String) -> Heard {
    let w = weigh(s);
    let shown = |f: &Found| Alternative { text: text(&f.tokens), score: f64::from(f.score) };
    let bound: Vec<Alternative> = s.bound.iter().map(shown).collect();
    let free: Vec<Alternative> = s.leaning.iter().take(1).chain(&s.free).map(shown).collect();
    let certainty = match () {
        () if w.free < NO_WORDS => None,
        () if w.short => Some(Certainty::Narration),
        () if w.gap <= FITS && w.margin >= CLEAR && w.bound >= FAINT => Some(Certainty::Sure),
        () if w.gap <= MAY_FIT => Some(Certainty::Unsettled),
        () => Some(Certainty::Narration),
    };
    let (first, then) = match certainty {
        None => return Heard::noise(),
        Some(Certainty::Narration) => (free, bound),
        _ => (bound, free),
    };
    let mut alternatives: Vec<Alternative> = Vec::new();
    for a in first.into_iter().chain(then) {
        if !a.text.is_empty() && alternatives.iter().all(|b| b.text != a.text) {
            alternatives.push(a);
        }
    }
    let text = alternatives.first().map(|a| a.text.clone()).unwrap_or_default();
    Heard { certainty, text, alternatives }
}
