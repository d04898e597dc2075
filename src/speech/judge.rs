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

/// The numbers it is decided by; `cargo bench --bench hearing` fits them (its head says how).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    /// Gap up to which a phrase of the trade was said.
    pub fits: f32,
    /// Margin from which on nothing else was said.
    pub clear: f32,
    /// Score below which not even a text that fits is sure.
    pub faint: f32,
    /// Gap up to which a phrase of the trade may have been said.
    pub may_fit: f32,
    /// The same where nothing else comes near: the margin is `alone` or more.
    pub may_fit_alone: f32,
    /// See `may_fit_alone`.
    pub alone: f32,
    /// Score below which the bound text is not even the likeliest.
    pub lost: f32,
    /// The same for a gap wider than `may_fit`.
    pub lost_wide: f32,
    /// Score of the free text below which there were no words.
    pub no_words: f32,
    /// The bound text may have this share of the free one's letters; a shorter one leaves something
    /// out that was said.
    pub share: f32,
    /// A bound text that has more than this share of the free one's letters says what was not said,
    /// and is not sure.
    pub longer: f32,
}

impl Default for Thresholds {
    fn default() -> Self {
        Thresholds {
            fits: 1.2,
            clear: 0.2,
            faint: -2.1,
            may_fit: 2.0,
            may_fit_alone: 2.5,
            alone: 0.3,
            lost: -3.5,
            lost_wide: -3.5,
            no_words: -3.5,
            share: 0.6,
            longer: 1.3,
        }
    }
}

/// What a text begins with that stands for no words, as subtitles write it.
pub const NO_SPEECH: &[char] = &['(', '[', '*', '♪', '<', '{', '_', '-'];

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
    /// Letters and digits of the bound text for each of the free one.
    pub share: f32,
    /// The free text is none, or stands for a sound that is no speech.
    pub wordless: bool,
}

/// The numbers of a search. The same words never say something else, whatever path they took.
pub fn weigh(s: &Searched, text: &dyn Fn(&[u32]) -> String) -> Weights {
    let free = s.free.as_ref().map_or(f32::MIN, |f| f.score);
    let free_text = s.free.as_ref().map_or(String::new(), |f| once(&text(&f.tokens)));
    let wordless = free_text.is_empty() || free_text.starts_with(NO_SPEECH);
    let Some(best) = s.bound.first() else {
        let (gap, bound) = (f32::MAX, f32::MIN);
        return Weights { gap, margin: 0.0, bound, free, share: 0.0, wordless };
    };
    let tokens = |f: &Found| (f.tokens.len() + 1) as f32;
    let gap = s.free.as_ref().map_or(0.0, |f| (f.log_prob - best.log_prob) / tokens(f));
    let words = once(&text(&best.tokens));
    let differs =
        |f: &&Found| f.meaning != best.meaning && !same_words(&once(&text(&f.tokens)), &words);
    let other = s.bound.iter().find(differs);
    let margin = other.map_or(f32::MAX, |o| best.score - o.score);
    let letters = |t: &str| t.chars().filter(|c| c.is_alphanumeric()).count() as f32;
    let share = letters(&words) / letters(&free_text).max(1.0);
    Weights { gap, margin, bound: best.plain, free, share, wordless }
}

/// How sure the numbers of a search let one be; `None`: there were no words.
pub fn certainty(w: &Weights, t: &Thresholds) -> Option<Certainty> {
    let wordless = w.wordless || w.free < t.no_words;
    match () {
        // The free search hears nothing: then only what nothing else comes near may be a phrase.
        () if wordless && (w.margin < t.clear || w.bound < t.faint) => None,
        () if wordless => Some(Certainty::Unsettled),
        () if w.share < t.share => Some(Certainty::Narration),
        () if w.gap <= t.fits
            && w.margin >= t.clear
            && w.bound >= t.faint
            && w.share <= t.longer =>
        {
            Some(Certainty::Sure)
        }
        () if w.gap <= t.may_fit && w.bound >= t.lost => Some(Certainty::Unsettled),
        () if w.gap <= t.may_fit_alone && w.margin >= t.alone && w.bound >= t.lost_wide => {
            Some(Certainty::Unsettled)
        }
        () => Some(Certainty::Narration),
    }
}

/// A text without what it only says again.
pub fn once(text: &str) -> String {
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
    heard(s, certainty(&weigh(s, text), &Thresholds::default()), text)
}

/// What was heard, when that is how sure it is.
pub fn heard(s: &Searched, certainty: Option<Certainty>, text: &dyn Fn(&[u32]) -> String) -> Heard {
    let shown = |f: &Found| Alternative { text: once(&text(&f.tokens)), score: f64::from(f.score) };
    let bound: Vec<Alternative> = s.bound.iter().map(shown).collect();
    let free: Vec<Alternative> = s.leaning.iter().take(1).chain(&s.free).map(shown).collect();
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
    Heard { certainty, text, alternatives, words: Vec::new() }
}
