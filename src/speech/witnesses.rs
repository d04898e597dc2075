//! Two witnesses of the same sound: the letter ear, which follows the lexicon's graph, and the word ear, which
//! writes what it likes. What they say alike is believed.
//!
//! The word ear's text is read through the same graph, letter by letter with slips at a cost, so that what
//! the two say is compared by the lexicon's own labels: items, sides, values, numbers, denials. A phrase of
//! the lexicon is sure when both mean the same, the letter ear's path is nearly as likely as the likeliest
//! letters (*ratio*), and nothing that means something else comes near it (*margin*). Everything else is
//! the word ear's text, with those of its words marked that the letters do not bear out.

use super::judge::NO_SPEECH;
use super::letters::{Path, Spelt, align, chance, words_of};
use super::search::Spent;
use super::spoken::Letters;
use super::{Heard, Piece};
use crate::capture::{Alternative, Certainty, Word};

/// What a letter costs that the word ear wrote otherwise than the lexicon, in log-probability.
pub const SLIP: f32 = -4.0;
/// Milliseconds of a frame of letters.
const FRAME_MS: u64 = 20;

/// The numbers it is decided by; `cargo bench --bench hearing` fits them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    /// Ratio up to which a phrase of the lexicon was said.
    pub fits: f32,
    /// Margin from which on nothing else was said.
    pub clear: f32,
    /// Ratio up to which a phrase of the lexicon may have been said.
    pub may_fit: f32,
    /// Up to which difference an ear does not tell two meanings apart.
    pub near: f32,
    /// From which difference on the other one does, and decides between them.
    pub decides: f32,
    /// How much less likely than the likeliest letters a word may be that the letter ear bears out, and the
    /// same for each of its letters; the larger counts.
    pub word: f32,
    /// See `word`.
    pub letter: f32,
}

impl Default for Thresholds {
    fn default() -> Self {
        Thresholds {
            fits: 0.8,
            clear: 3.0,
            may_fit: 2.0,
            near: 1.5,
            decides: 5.0,
            word: 6.0,
            letter: 1.5,
        }
    }
}

/// A difference that nothing makes up for.
const FAR: f32 = 99.0;
/// Fewer letters than this are no word.
const FEWEST_LETTERS: usize = 2;

/// What both ears heard in one stretch.
#[derive(Debug, Clone, Default)]
pub struct Both {
    /// The chances of the letters, frame by frame.
    pub rows: Vec<Vec<f32>>,
    /// The letter ear's paths.
    pub spelt: Spelt,
    /// The word ear's text.
    pub words: String,
    /// Its score; larger is likelier.
    pub word_score: f32,
    /// The word ear's text, read through the letter ear's graph.
    pub read: Spelt,
    /// How much likelier the word ear finds its own text than the letter ear's best path, where it was asked.
    pub own: Option<f32>,
    /// Where the time went.
    pub spent: Spent,
}

/// What the judgement rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weights {
    /// How much likelier, a letter, the likeliest letters are than the letter ear's best path.
    pub ratio: f32,
    /// How far that path lies above the best one of another meaning.
    pub margin: f32,
    /// How much less likely the letter ear finds what the word ear means than its own best path; 0 where both
    /// mean the same.
    pub behind: f32,
    /// How much likelier the word ear finds its own text than that path, where it was asked.
    pub own: f32,
    /// The letter ear's best path has words in it that are in no list, or the word ear's text has.
    pub talk: bool,
    /// The word ear heard no words.
    pub wordless: bool,
}

impl Both {
    /// Whether there is nothing to be heard.
    pub fn silent(&self) -> bool {
        self.spelt.free.chars().filter(|c| *c != ' ').count() < FEWEST_LETTERS
    }

    /// What the letter ear gives a path that the word ear's text was read as.
    pub fn score_of(&self, read: &Path) -> f32 {
        let own = self.spelt.paths.iter().filter(|p| p.meaning == read.meaning).map(|p| p.score);
        let cost = read.log_prob - read.score;
        own.fold(chance(&self.rows, &read.spoken) - cost, f32::max)
    }

    /// What the judgement rests on; none where nothing was heard.
    pub fn weigh(&self) -> Option<Weights> {
        let best = self.spelt.paths.first()?;
        let read = self.read.paths.first();
        let (behind, own) = match read {
            Some(r) if r.meaning == best.meaning => (0.0, 0.0),
            Some(r) => ((best.score - self.score_of(r)).clamp(0.01, FAR), self.own.unwrap_or(FAR)),
            None => (FAR, FAR),
        };
        Some(Weights {
            ratio: self.spelt.ratio(),
            margin: self.spelt.margin(),
            behind,
            own,
            talk: best.talk > 0 || read.is_none_or(|r| r.talk > 0) || best.meaning.is_empty(),
            wordless: self.words.is_empty() || self.words.starts_with(NO_SPEECH),
        })
    }
}

/// How sure the numbers let one be; `None`: there were no words.
pub fn certainty(w: &Weights, t: &Thresholds) -> Option<Certainty> {
    let same = w.behind == 0.0 && w.margin >= t.clear;
    let words_decide = w.behind > 0.0 && w.behind <= t.near && w.own >= t.decides && w.own < FAR;
    let letters_decide = w.behind >= t.decides && w.behind < FAR && w.own <= t.near;
    let fits = w.ratio <= t.fits;
    match () {
        () if w.wordless => {
            (fits && w.margin >= t.clear && !w.talk).then_some(Certainty::Unsettled)
        }
        () if w.talk => Some(Certainty::Narration),
        () if fits && (same || words_decide || letters_decide) => Some(Certainty::Sure),
        () if w.ratio <= t.may_fit => Some(Certainty::Unsettled),
        () => Some(Certainty::Narration),
    }
}

/// What was heard, when that is how sure it is.
pub fn heard(
    both: &Both,
    certainty: Option<Certainty>,
    letters: &Letters,
    t: &Thresholds,
    piece: &Piece<'_>,
) -> Heard {
    let (Some(how), Some(best)) = (certainty, both.spelt.paths.first()) else {
        return Heard::noise();
    };
    // Of two meanings the one that both together find likelier.
    let read = both.read.paths.first().filter(|r| r.talk == 0 && r.meaning != best.meaning);
    let likelier = |r: &&Path| best.score - both.score_of(r) < both.own.unwrap_or(0.0);
    let best = read.filter(likelier).unwrap_or(best);
    let spelt = |p: &Path| Alternative { text: p.text.clone(), score: f64::from(p.score) };
    let words = Alternative { text: both.words.clone(), score: f64::from(both.word_score) };
    // Written alike, the word ear's text has the marks that tell one sentence from the next.
    let alike = letters.spoken(&both.words) == best.spoken;
    let others = both.spelt.paths.iter().filter(|p| p.meaning != best.meaning);
    let mut all: Vec<Alternative> = [best].into_iter().chain(others.take(2)).map(spelt).collect();
    let text = match how {
        Certainty::Narration => both.words.clone(),
        _ if alike => both.words.clone(),
        _ => best.text.clone(),
    };
    let marked = marked(both, &text, letters, t, piece);
    match how {
        Certainty::Narration => {
            all.insert(0, words);
            all.insert(
                1,
                Alternative { text: mixed(both, &marked, letters, piece), score: all[0].score },
            );
        }
        _ if alike => all[0] = words,
        _ => all.insert(1, words),
    }
    let mut alternatives: Vec<Alternative> = Vec::new();
    for a in all {
        if !a.text.is_empty() && alternatives.iter().all(|b| b.text != a.text) {
            alternatives.push(a);
        }
    }
    match text.is_empty() {
        true => Heard::noise(),
        false => Heard { certainty: Some(how), text, alternatives, words: marked },
    }
}

/// Weighs both.
pub fn judge(both: &Both, letters: &Letters, t: &Thresholds, piece: &Piece<'_>) -> Heard {
    let certainty = both.weigh().filter(|_| !both.silent()).and_then(|w| certainty(&w, t));
    heard(both, certainty, letters, t, piece)
}

/// The words of a text with their times, those marked that the letters do not bear out.
fn marked(
    both: &Both,
    text: &str,
    letters: &Letters,
    t: &Thresholds,
    piece: &Piece<'_>,
) -> Vec<Word> {
    let (words, spoken) = words_of(text, letters);
    let lies = align(&both.rows, &spoken);
    let mut last = piece.from_ms;
    words
        .into_iter()
        .map(|(text, from, to)| {
            let here = &lies[from..to];
            let ms = |frame: usize| piece.from_ms + frame as u64 * FRAME_MS;
            let (start_ms, end_ms) = match (here.first(), here.last()) {
                (Some(a), Some(b)) => (ms(a.0), ms(b.1)),
                _ => (last, last),
            };
            last = end_ms;
            let lost: f32 = here.iter().map(|l| l.2).sum();
            let doubtful = lost > t.word.max(t.letter * here.len() as f32);
            Word { text, start_ms, end_ms, doubtful }
        })
        .collect()
}

/// The word ear's text with what the letter ear has in the place of the words it does not bear out.
fn mixed(both: &Both, marked: &[Word], letters: &Letters, piece: &Piece<'_>) -> String {
    let Some(best) = both.spelt.paths.first() else { return String::new() };
    let (words, spoken) = words_of(&best.text, letters);
    let lies = align(&both.rows, &spoken);
    let middle = |from: usize, to: usize| -> u64 {
        let (a, b) =
            (lies.get(from).map_or(0, |l| l.0), lies.get(to.saturating_sub(1)).map_or(0, |l| l.1));
        piece.from_ms + (a + b) as u64 / 2 * FRAME_MS
    };
    let theirs: Vec<(u64, String)> =
        words.into_iter().map(|(text, from, to)| (middle(from, to), text)).collect();
    let mut out: Vec<String> = Vec::new();
    for (i, w) in marked.iter().enumerate() {
        if !w.doubtful {
            out.push(w.text.clone());
            continue;
        }
        // The gap from the word before to the word behind is the doubtful ones'.
        let open = i.checked_sub(1).map_or(0, |b| marked[b].end_ms.min(w.start_ms));
        let close = marked.get(i + 1).map_or(u64::MAX, |n| n.start_ms.max(w.end_ms));
        let close = if marked.get(i + 1).is_some_and(|n| n.doubtful) { w.end_ms } else { close };
        let open = if i > 0 && marked[i - 1].doubtful { marked[i - 1].end_ms } else { open };
        out.extend(
            theirs.iter().filter(|(at, _)| (open..close).contains(at)).map(|(_, t)| t.clone()),
        );
    }
    out.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speech::letters::rows_of;

    fn both(said: &str, words: &str) -> Both {
        let lex = crate::lexicon::shipped("newborn").unwrap();
        let letters = Letters::default();
        let grammar = crate::speech::grammar::Grammar::of(&lex, &letters);
        let listen = |text: &str, slip: f32| {
            let rows = rows_of(&letters.spoken(text), slip);
            (crate::speech::letters::listen(&rows, &grammar, &lex, &Default::default()), rows)
        };
        let (spelt, rows) = listen(said, -12.0);
        let (read, _) = listen(words, SLIP);
        Both {
            rows,
            spelt,
            words: words.into(),
            word_score: -0.3,
            read,
            own: None,
            spent: Spent::default(),
        }
    }

    fn judged(said: &str, words: &str) -> Heard {
        let piece = Piece { sound: &[], from_ms: 1000, start_ms: 1200, end_ms: 3000 };
        judge(&both(said, words), &Letters::default(), &Thresholds::default(), &piece)
    }

    #[test]
    fn what_both_ears_mean_is_sure_however_the_word_ear_spells_it() {
        for words in ["Popliteal angle, right, 90.", "Poplitial angle right 90"] {
            let heard = judged("popliteal angle right ninety", words);
            assert_eq!(heard.certainty, Some(Certainty::Sure), "{heard:?}");
            assert!(heard.text.contains("90"));
        }
    }

    #[test]
    fn another_side_number_or_denial_is_never_sure_and_both_texts_are_kept() {
        for (said, words) in [
            ("popliteal angle right ninety", "Popliteal angle left 90"),
            ("ankle clonus fifteen beats left", "Ankle clonus 50 beats left"),
            ("popliteal angle right nineteen", "Popliteal angle right 90"),
            ("no ankle clonus left", "Ankle clonus left"),
            ("knee jerk left brisk right weak", "Knee jerk right brisk left weak"),
        ] {
            let heard = judged(said, words);
            assert_ne!(heard.certainty, Some(Certainty::Sure), "{heard:?}");
            assert!(heard.alternatives.len() > 1, "{heard:?}");
        }
    }

    #[test]
    fn narration_is_the_word_ears_with_what_the_letters_do_not_bear_out_marked() {
        let said = "my uncle said the knee jerk was brisk on the left hand";
        let heard = judged(said, "My uncle said the knee jerk was weak on the left hand.");
        assert_eq!(heard.certainty, Some(Certainty::Narration));
        let doubtful: Vec<&str> =
            heard.words.iter().filter(|w| w.doubtful).map(|w| w.text.as_str()).collect();
        assert_eq!(doubtful, ["weak"]);
        assert!(heard.alternatives[1].text.contains("brisk"), "{heard:?}");
        assert!(heard.words.windows(2).all(|w| w[0].start_ms <= w[1].start_ms));
        assert!(heard.words[0].start_ms >= 1000);
    }
}
