//! What a recogniser's doubt about the words makes of the findings read from them.
//!
//! The rule is one: a finding is certain only when the words are. A phrase the recogniser is sure
//! of leaves its findings as they were read; one it is not sure of makes every finding doubtful,
//! and lets no word of command act. Narration is in between: it was taken down twice, leaning
//! towards the lexicon's phrases and leaning towards nothing, and a finding that both texts say
//! alike is left as it was read. Where each word was heard by itself, and some by one ear alone, a finding is
//! left as it was read that needs none of those, and that what the other ear has in their place does not gainsay.

use super::types::{Doubt, Finding, Reading};
use crate::capture::{Certainty, Phrase};

/// Most other texts that are read.
const RIVALS: usize = 3;
/// How much worse than the best another text may be to count, in the recogniser's score.
const NEAR: f64 = 1.2;

/// The other texts of narration that come near it.
pub(super) fn rivals(phrase: &Phrase) -> Vec<String> {
    if phrase.certainty != Some(Certainty::Narration) {
        return Vec::new();
    }
    if !phrase.words.is_empty() {
        return without_doubtful(phrase).into_iter().chain(other_ears(phrase)).collect();
    }
    let best = phrase.alternatives.iter().map(|a| a.score).fold(f64::MIN, f64::max);
    phrase
        .alternatives
        .iter()
        .filter(|a| a.score >= best - NEAR && !same_words(&a.text, &phrase.text))
        .map(|a| a.text.clone())
        .take(RIVALS)
        .collect()
}

/// The text without the words that one ear alone heard; none where both heard all.
fn without_doubtful(phrase: &Phrase) -> Option<String> {
    let kept: Vec<&str> =
        phrase.words.iter().filter(|w| !w.doubtful).map(|w| w.text.as_str()).collect();
    (kept.len() < phrase.words.len()).then(|| kept.join(" "))
}

/// The text with what the other ear has in their place.
fn other_ears(phrase: &Phrase) -> Option<String> {
    let other = phrase.alternatives.get(1).map(|a| a.text.clone());
    other.filter(|t| phrase.words.iter().any(|w| w.doubtful) && !same_words(t, &phrase.text))
}

/// Whether a phrase must name its items itself: of narration a word may be lost, and "gag not done" is
/// then "not done", said of whatever was at hand.
pub(super) fn stands_alone(phrase: &Phrase) -> bool {
    phrase.certainty == Some(Certainty::Narration)
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

/// Adds to a reading what the recogniser's doubt takes away from it. `rivals` is what the other
/// texts of narration read as: none may say otherwise, and where there are any, one must agree. `alone` is
/// what narration reads as when nothing is at hand.
pub(super) fn cast_doubt(
    reading: &mut Reading,
    phrase: &Phrase,
    rivals: &[Reading],
    alone: Option<&Reading>,
) {
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
    for f in &mut reading.findings {
        let unnamed = alone.is_some_and(|r| r.findings.iter().all(|o| o.item != f.item));
        // Word by word, the first rival is the text without the words that one ear alone heard.
        let lost = !phrase.words.is_empty()
            && rivals.first().is_some_and(|r| !r.findings.iter().any(|o| same(f, o)));
        if unsure || unnamed || lost || !agreed(f, rivals) {
            f.doubts.push(Doubt::HeardUnsurely(said.clone()));
        }
    }
    reading.controls.retain(|c| !unsure && rivals.iter().all(|r| r.controls.contains(c)));
    let struck = reading.strikes.len();
    if unsure || rivals.iter().any(|r| r.strikes.len() != struck) {
        // A command heard unsurely takes nothing back; it is shown beside what it may have meant.
        let strikes = std::mem::take(&mut reading.strikes);
        reading.maybe_struck.extend(strikes.into_iter().map(|s| (s.target, s.words)));
    }
}

fn same(f: &Finding, o: &Finding) -> bool {
    f.item == o.item && f.side == o.side && f.same_value(o)
}

fn agreed(f: &Finding, rivals: &[Reading]) -> bool {
    let found = |r: &Reading| r.findings.iter().any(|o| same(f, o));
    let silent = |r: &Reading| r.findings.iter().all(|o| o.item != f.item);
    rivals.iter().all(|r| found(r) || silent(r)) && (rivals.is_empty() || rivals.iter().any(found))
}

#[cfg(test)]
mod tests {
    use crate::capture::{Alternative, Certainty, Phrase, Source, Word};
    use crate::reading::Reader;

    fn sure(text: &str, certainty: Certainty, others: &[&str]) -> Vec<bool> {
        let lex = crate::lexicon::shipped("newborn").unwrap();
        let alternatives = std::iter::once(&text)
            .chain(others)
            .map(|t| Alternative { text: (*t).to_owned(), score: -1.0 })
            .collect();
        let phrase = Phrase {
            text: text.to_owned(),
            start_ms: 0,
            end_ms: 900,
            source: Source::Voice,
            line: None,
            speaker: None,
            alternatives,
            words: Vec::new(),
            certainty: Some(certainty),
        };
        let reading = Reader::new(&lex).read(1, &phrase);
        reading.findings.iter().map(|f| f.is_sure()).collect()
    }

    #[test]
    fn what_was_not_heard_for_certain_is_never_a_sure_finding() {
        let text = "knee jerks two plus, both sides";
        assert_eq!(sure(text, Certainty::Sure, &[]), [true]);
        assert_eq!(sure(text, Certainty::Unsettled, &[]), [false]);
    }

    #[test]
    fn narration_is_sure_only_of_what_every_text_that_speaks_of_it_says_alike() {
        let text = "popliteal angle ninety, right";
        let how = Certainty::Narration;
        assert_eq!(sure(text, how, &[]), [true]);
        assert_eq!(sure(text, how, &["popliteal angle, ninety right"]), [true]);
        assert_eq!(sure(text, how, &["popliteal angle nineteen, right"]), [false]);
        assert_eq!(sure(text, how, &["good morning to you all"]), [false]);
    }

    #[test]
    fn of_narration_heard_word_by_word_only_what_rests_on_a_doubtful_word_is_unsure() {
        let lex = crate::lexicon::shipped("newborn").unwrap();
        let heard = |doubtful: &[&str], other: &str| -> Vec<bool> {
            let text = "knee jerk brisk left, well, and the palate is intact";
            let word = |t: &str| Word {
                text: t.to_owned(),
                start_ms: 0,
                end_ms: 100,
                doubtful: doubtful.contains(&t.trim_matches(',')),
            };
            let alternative = |t: &str| Alternative { text: t.to_owned(), score: -1.0 };
            let phrase = Phrase {
                text: text.to_owned(),
                start_ms: 0,
                end_ms: 900,
                source: Source::Voice,
                line: None,
                speaker: None,
                alternatives: vec![alternative(text), alternative(other)],
                words: text.split(' ').map(word).collect(),
                certainty: Some(Certainty::Narration),
            };
            Reader::new(&lex).read(1, &phrase).findings.iter().map(|f| f.is_sure()).collect()
        };
        assert_eq!(heard(&[], "another text"), [true, true]);
        assert_eq!(heard(&["well"], "knee jerk brisk left and the palate is intact"), [true, true]);
        let weak = "knee jerk weak left, well, and the palate is intact";
        assert_eq!(heard(&["brisk"], weak), [false, true]);
        let no = "knee jerk brisk left, no, weak, and the palate is intact";
        assert_eq!(heard(&["well"], no), [false, true]);
    }

    #[test]
    fn narration_that_names_no_item_is_never_sure_of_the_one_at_hand() {
        let lex = crate::lexicon::shipped("newborn").unwrap();
        let after = |how: Option<Certainty>| {
            let mut reader = Reader::new(&lex);
            let said = |text: &str, start_ms: u64, certainty| Phrase {
                text: text.to_owned(),
                start_ms,
                end_ms: start_ms + 900,
                source: Source::Voice,
                line: None,
                speaker: None,
                alternatives: Vec::new(),
                words: Vec::new(),
                certainty,
            };
            reader.read(1, &said("rooting", 0, Some(Certainty::Sure)));
            let r = reader.read(2, &said("not done, just fed", 2000, how));
            r.findings.iter().map(|f| f.is_sure()).collect::<Vec<_>>()
        };
        assert_eq!(after(None), [true]);
        assert_eq!(after(Some(Certainty::Sure)), [true]);
        assert_eq!(after(Some(Certainty::Narration)), [false]);
    }
}
