//! The hearing test: phrases to read aloud, which of them was heard as which, and how loud.

use super::activity::Stretch;
use crate::capture::Phrase;
use crate::lexicon::matcher::{Meaning, Naming, Saying};
use crate::lexicon::model::ItemId;
use crate::lexicon::text::tokenize;
use crate::lexicon::{Lexicon, model::Item};

/// Similarity of two phrases' words from which on one may be the other, misheard.
const ALIKE: f64 = 0.35;

/// A phrase to read aloud.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Prompt {
    /// Its words.
    pub text: String,
    /// The item it is about.
    pub item: ItemId,
}

/// `n` phrases from all over the lexicon; the same ones every time.
pub fn prompts(lex: &Lexicon, n: usize) -> Vec<Prompt> {
    let all: Vec<Prompt> = lex
        .items
        .iter()
        .enumerate()
        .filter(|(i, _)| Some(*i) != lex.state_item)
        .filter_map(|(i, it)| {
            let name = phrase_of(lex, Meaning::Item(i, Naming::Plain))?;
            let said = judged(it, i, lex)?;
            let side = if i % 2 == 0 { "left" } else { "right" };
            let text = match it.sided {
                true => format!("{name}, {side}, {said}"),
                false => format!("{name}, {said}"),
            };
            Some(Prompt { text, item: i })
        })
        .collect();
    let n = n.min(all.len());
    (0..n).map(|k| all[k * all.len() / n].clone()).collect()
}

/// The first phrase of that meaning.
fn phrase_of(lex: &Lexicon, meaning: Meaning) -> Option<String> {
    let at = lex.matcher.entries.iter().position(|e| e.meaning == meaning)?;
    Some(lex.matcher.phrase(at))
}

/// A number in the middle of what is plausible, or a value's words.
fn judged(it: &Item, i: ItemId, lex: &Lexicon) -> Option<String> {
    if let Some(n) = it.number.as_ref().filter(|_| it.values.is_empty()) {
        let unit = phrase_of(lex, Meaning::Unit(n.unit)).unwrap_or_default();
        let middle = (n.plausible[0] + n.plausible[1]) / 2.0;
        return Some(format!("{middle:.0} {unit}").trim().to_owned());
    }
    let value = i % it.values.len().max(1);
    phrase_of(lex, Meaning::Value { item: i, value, how: Saying::InContext })
}

/// How alike two texts are, 0 to 1, by the letters of their folded words.
fn alike(a: &str, b: &str) -> f64 {
    let folded = |s: &str| -> String {
        let words = tokenize(s).into_iter().filter(|t| t.brk.is_none());
        words.map(|t| t.folded).collect::<Vec<_>>().join(" ")
    };
    strsim::normalized_levenshtein(&folded(a), &folded(b))
}

/// Which phrase heard was which prompt, both in order: the pairing with the most in common. A
/// prompt may be missed, and something else may be heard in between.
pub fn paired(prompts: &[Prompt], heard: &[Phrase]) -> Vec<Option<usize>> {
    let (n, m) = (prompts.len(), heard.len());
    // best[i][j]: most in common of the prompts from i and what was heard from j on.
    let mut best = vec![vec![0.0f64; m + 1]; n + 1];
    let in_common = |i: usize, j: usize| {
        let s = alike(&prompts[i].text, &heard[j].text);
        if s >= ALIKE { s } else { f64::MIN }
    };
    for i in (0..n).rev() {
        for j in (0..m).rev() {
            let pair = in_common(i, j) + best[i + 1][j + 1];
            best[i][j] = best[i + 1][j].max(best[i][j + 1]).max(pair);
        }
    }
    let mut out = vec![None; n];
    let (mut i, mut j) = (0, 0);
    while i < n && j < m {
        if in_common(i, j) + best[i + 1][j + 1] >= best[i][j] {
            out[i] = Some(j);
            i += 1;
            j += 1;
        } else if best[i + 1][j] >= best[i][j + 1] {
            i += 1;
        } else {
            j += 1;
        }
    }
    out
}

/// How loud speech and quiet are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Levels {
    /// Speech, decibels below the loudest possible (root mean square).
    pub speech_db: f32,
    /// What is between.
    pub quiet_db: f32,
    /// Share of samples at the very limit.
    pub clipped: f32,
}

/// Measures a sound by its stretches of speech.
pub fn levels(sound: &[f32], speech: &[Stretch]) -> Levels {
    let inside = |i: usize| speech.iter().any(|s| s.heard.contains(&i));
    let (mut loud, mut quiet) = ((0.0f64, 0u64), (0.0f64, 0u64));
    // Every tenth sample tells enough, and the stretches are looked through for each.
    for (i, s) in sound.iter().enumerate().step_by(10) {
        let to = if inside(i) { &mut loud } else { &mut quiet };
        to.0 += f64::from(s * s);
        to.1 += 1;
    }
    let db = |(sum, n): (f64, u64)| (10.0 * (sum / n.max(1) as f64).max(1e-10).log10()) as f32;
    let clipped = sound.iter().filter(|s| s.abs() > 0.999).count() as f32;
    Levels {
        speech_db: db(loud),
        quiet_db: db(quiet),
        clipped: clipped / sound.len().max(1) as f32,
    }
}

/// What would make the sound better, in words; empty when nothing would.
pub fn advice(l: &Levels) -> Vec<&'static str> {
    let mut out = Vec::new();
    if l.clipped > 0.001 {
        out.push("the microphone is overdriven: turn its level down, or move it away");
    } else if l.speech_db < -38.0 {
        out.push("speech is faint: turn the microphone's level up, or come closer (30 cm)");
    }
    if l.speech_db - l.quiet_db < 15.0 {
        out.push("the room is nearly as loud as the voice: a microphone at the collar helps most");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::Source;

    fn heard(text: &str) -> Phrase {
        Phrase {
            text: text.into(),
            start_ms: 0,
            end_ms: 1,
            source: Source::Wav,
            line: None,
            speaker: None,
            alternatives: vec![],
            words: Vec::new(),
            certainty: None,
        }
    }

    fn prompt(text: &str) -> Prompt {
        Prompt { text: text.into(), item: 0 }
    }

    #[test]
    fn phrases_are_paired_in_order_past_what_was_missed_and_what_came_between() {
        let prompts =
            [prompt("one green door"), prompt("two red boats"), prompt("three blue hats")];
        let said = [heard("one green floor"), heard("excuse me a minute"), heard("tree blue hats")];
        assert_eq!(paired(&prompts, &said), [Some(0), None, Some(2)]);
        assert_eq!(paired(&prompts, &[]), [None, None, None]);
    }

    #[test]
    fn faint_loud_and_noisy_sound_each_get_their_advice() {
        let speech = [Stretch { heard: 0..8000, speech: 0..8000, cut: false }];
        let sound = |loud: f32, quiet: f32| -> Vec<f32> {
            (0..16_000)
                .map(|i| {
                    (if i < 8000 { loud } else { quiet }) * if i / 7 % 2 == 0 { 1.0 } else { -1.0 }
                })
                .collect()
        };
        let told = |loud, quiet| advice(&levels(&sound(loud, quiet), &speech)).join("; ");
        assert_eq!(told(0.2, 0.001), "");
        assert!(told(0.005, 0.0001).contains("faint"));
        assert!(told(1.0, 0.001).contains("overdriven"));
        assert!(told(0.2, 0.1).contains("nearly as loud"));
    }

    #[test]
    fn twenty_phrases_come_from_twenty_items() {
        let lex = crate::lexicon::shipped("newborn").unwrap();
        let all = prompts(&lex, 20);
        let mut items: Vec<_> = all.iter().map(|p| p.item).collect();
        items.dedup();
        assert_eq!((all.len(), items.len()), (20, 20));
        assert_eq!(all, prompts(&lex, 20));
    }
}
