//! What a recogniser's doubt about the words makes of the findings read from them.
//!
//! The rule is one: a finding is certain only when the words are. A phrase the recogniser is sure
//! of leaves its findings as they were read; one it is not sure of makes every finding doubtful,
//! and lets no word of command act. Narration is in between: it was taken down twice, leaning
//! towards the lexicon's phrases and leaning towards nothing, and a finding that both texts say
//! alike is left as it was read.

use super::types::{Doubt, Finding, Reading};
use crate::capture::{Certainty, Phrase};

/// The other text of narration: the best alternative with other words.
pub(super) fn rival(phrase: &Phrase) -> Option<String> {
    if phrase.certainty != Some(Certainty::Narration) {
        return None;
    }
    phrase.alternatives.iter().map(|a| a.text.clone()).find(|t| !same_words(t, &phrase.text))
}

/// Whether two texts have the same words, whatever their marks and capitals.
fn same_words(a: &str, b: &str) -> bool {
    let words = |s: &str| -> Vec<String> {
        let kept = |c: char| c.is_alphanumeric() || c == '\'' || c == '.';
        s.split(|c: char| !kept(c))
            .map(|w| w.trim_matches('.').to_lowercase())
            .filter(|w| !w.is_empty())
            .collect()
    };
    words(a) == words(b)
}

/// Adds to a reading what the recogniser's doubt takes away from it. `rival` is what the other
/// text of narration reads as.
pub(super) fn cast_doubt(reading: &mut Reading, phrase: &Phrase, rival: Option<&Reading>) {
    let unsure = match phrase.certainty {
        None | Some(Certainty::Sure) => return,
        Some(Certainty::Unsettled) => true,
        Some(Certainty::Narration) => false,
    };
    let other = phrase.alternatives.iter().find(|a| !same_words(&a.text, &phrase.text));
    let said = match other {
        Some(a) => format!("\"{}\", or perhaps \"{}\"", phrase.text, a.text),
        None => format!("\"{}\"", phrase.text),
    };
    let same = |f: &Finding, o: &Finding| {
        f.item == o.item && f.side == o.side && f.same_value(o)
    };
    for f in &mut reading.findings {
        let agreed = rival.is_none_or(|r| r.findings.iter().any(|o| same(f, o)));
        if unsure || !agreed {
            f.doubts.push(Doubt::HeardUnsurely(said.clone()));
        }
    }
    let agreed = |c: &String| !unsure && rival.is_none_or(|r| r.controls.contains(c));
    reading.controls.retain(agreed);
    let struck_alike = |n: usize| !unsure && rival.is_none_or(|r| r.strikes.len() == n);
    if !struck_alike(reading.strikes.len()) {
        // A command heard unsurely takes nothing back; it is shown beside what it may have meant.
        let strikes = std::mem::take(&mut reading.strikes);
        reading.maybe_struck.extend(strikes.into_iter().map(|s| (s.target, s.words)));
    }
}
