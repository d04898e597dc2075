//! Two witnesses of the same sound: the letter ear, which follows the lexicon's graph, and the word ear, which
//! writes what it likes. What they say alike is believed.
//!
//! The word ear's text is read through the same graph, letter by letter with slips at a cost, so that what
//! the two say is compared by the lexicon's own labels: items, sides, values, numbers, denials. Where they do not
//! say the same plainly, the word ear is asked how likely it finds the letter ear's best phrases. A phrase of the
//! lexicon is sure when neither ear puts another one before it (*behind*, *lag*), both together put none near it
//! (*margin*), and what each would rather have said is no likelier by much (*ratio*, *own*, *literal*). One that may
//! have been said is unsettled, with both texts. Everything else is narration: the word ear's text, with those of
//! its words marked that the letters do not bear out.

use super::judge::NO_SPEECH;
use super::letters::{Path, Spelt, align, chance, rows_of, words_heard, words_of};
use super::search::Spent;
use super::spoken::Letters;
use super::{Heard, Piece};
use crate::capture::{Alternative, Certainty, Word};

/// What a letter costs that the word ear wrote otherwise than the lexicon, in log-probability.
pub const SLIP: f32 = -4.0;
/// Milliseconds of a frame of letters.
const FRAME_MS: u64 = 20;

/// The numbers it is decided by; `cargo bench --bench hearing` fits them. Differences are of logarithms of chances.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    /// How much likelier, a letter, the likeliest letters may be than a phrase that was said for certain.
    pub fits: f32,
    /// How far, both ears together, it must lie above the best of another meaning.
    pub clear: f32,
    /// How far either ear may put another meaning before it.
    pub near: f32,
    /// How much likelier, a word, the word ear may find its own text, where that means something else.
    pub own: f32,
    /// How much likelier the word ear's text may be, letter for letter.
    pub literal: f32,
    /// `fits`, of a phrase that may have been said.
    pub may_fit: f32,
    /// How far the letter ear may put another meaning before a phrase that may have been said.
    pub may_near: f32,
    /// `own`, of a phrase that may have been said.
    pub may_own: f32,
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
            clear: 4.0,
            near: 1.0,
            own: 1.0,
            literal: 3.0,
            may_fit: 2.0,
            may_near: 8.0,
            may_own: 3.0,
            word: 6.0,
            letter: 1.5,
        }
    }
}

impl Thresholds {
    /// For the words of a text that both ears take alike as a whole.
    fn lenient(&self) -> Thresholds {
        Thresholds { word: 2.0 * self.word, letter: 2.0 * self.letter, ..*self }
    }
}

/// Margin of the letter ear alone from which on the word ear is not asked again what it has said already.
const PLAIN: f32 = 6.0;
/// Most of the letter ear's phrases that the word ear is asked about.
const ASKED: usize = 4;
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
    /// Logarithm of the chance that the word ear gives its own text.
    pub own: f32,
    /// The same of phrases of the lexicon that it was asked about.
    pub asked: Vec<(String, f32)>,
    /// Where the time went.
    pub spent: Spent,
}

/// What the judgement rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weights {
    /// How much likelier, a letter, the likeliest letters are than the phrase.
    pub ratio: f32,
    /// How far, both ears together, it lies above the best of another meaning.
    pub margin: f32,
    /// How far the letter ear puts another meaning before it.
    pub behind: f32,
    /// How far the word ear puts another phrase of the lexicon before it.
    pub lag: f32,
    /// How much likelier, a word, the word ear finds its own text.
    pub own: f32,
    /// The word ear's text means the same.
    pub same: bool,
    /// The word ear's text is no phrase of the lexicon: it has words in no list, or they are spelt otherwise.
    pub loose: bool,
    /// How much likelier the letter ear finds the word ear's text, letter for letter: where both heard a word
    /// that is in no list, the nearest one of the lexicon is not believed.
    pub literal: f32,
    /// The word ear heard no words.
    pub wordless: bool,
}

/// A phrase of the lexicon that may have been said.
struct Candidate<'a> {
    path: &'a Path,
    letters: f32,
    words: f32,
}

impl Both {
    /// Whether there is nothing to be heard.
    pub fn silent(&self) -> bool {
        self.spelt.free.chars().filter(|c| *c != ' ').count() < FEWEST_LETTERS
    }

    /// What the word ear's text was read as, where it is a phrase of the lexicon.
    fn phrase(&self) -> Option<&Path> {
        self.read.paths.first().filter(|r| r.talk == 0)
    }

    /// The word ear's text is no phrase of the lexicon as it is spelt there.
    fn loose(&self) -> bool {
        self.phrase().is_none_or(|r| r.spoken != self.read.free)
    }

    /// Whether both ears take the sound alike, words in no list aside.
    fn alike(&self) -> bool {
        let meaning =
            |s: &Spelt| s.paths.first().map(|p| p.meaning.clone()).filter(|m| !m.is_empty());
        meaning(&self.spelt).is_some_and(|m| Some(m) == meaning(&self.read))
    }

    /// Phrases of the lexicon that the word ear is to be asked about; none where both said the same plainly.
    pub fn to_ask(&self) -> Vec<String> {
        let talk = self.spelt.paths.first().is_none_or(|p| p.talk > 0);
        if self.alike() && !talk && !self.loose() && self.spelt.margin() >= PLAIN {
            return Vec::new();
        }
        let theirs = self.spelt.paths.iter().filter(|p| p.talk == 0).take(ASKED);
        let mut out: Vec<String> = theirs.chain(self.phrase()).map(|p| p.text.clone()).collect();
        out.sort();
        out.dedup();
        out
    }

    /// Phrases that may have been said, the likeliest by both ears first, each of another meaning.
    fn candidates(&self) -> Vec<Candidate<'_>> {
        let asked = |p: &Path| self.asked.iter().find(|(t, _)| *t == p.text).map(|(_, w)| *w);
        let all = self.spelt.paths.iter().filter(|p| p.talk == 0).take(ASKED).map(|p| (p, p.score));
        let read =
            self.phrase().filter(|r| self.spelt.paths.iter().all(|p| p.meaning != r.meaning));
        let read = read.map(|r| (r, chance(&self.rows, &r.spoken) - (r.log_prob - r.score)));
        let mut out: Vec<Candidate<'_>> = match self.asked.is_empty() {
            // Nothing was asked: both said it.
            true => all
                .take(1)
                .map(|(path, letters)| Candidate { path, letters, words: self.own })
                .collect(),
            false => all
                .chain(read)
                .filter_map(|(path, letters)| {
                    Some(Candidate { path, letters, words: asked(path)? })
                })
                .collect(),
        };
        out.sort_by(|a, b| (b.letters + b.words).total_cmp(&(a.letters + a.words)));
        out
    }

    /// What the judgement rests on; none where no phrase of the lexicon may have been said.
    pub fn weigh(&self, letters: &Letters) -> Option<Weights> {
        let all = self.candidates();
        let best = all.first()?;
        let top = self.spelt.paths.first().map_or(best.letters, |p| p.score.max(best.letters));
        let margin = match all.get(1) {
            Some(next) => best.letters + best.words - next.letters - next.words,
            None if self.asked.is_empty() => self.spelt.margin(),
            None => f32::MAX,
        };
        let n = best.path.spoken.chars().count().max(1) as f32;
        Some(Weights {
            ratio: (self.spelt.free_log_prob - best.path_chance(self)) / n,
            margin,
            behind: top - best.letters,
            lag: all.iter().map(|c| c.words - best.words).fold(0.0, f32::max),
            own: (self.own - best.words) / (best.path.text.split(' ').count() + 1) as f32,
            same: self.read.paths.first().is_some_and(|r| r.meaning == best.path.meaning),
            loose: self.loose(),
            literal: chance(&self.rows, &letters.spoken(&self.words)) - best.path_chance(self),
            wordless: self.words.is_empty() || self.words.starts_with(NO_SPEECH),
        })
    }
}

impl Candidate<'_> {
    /// The logarithm of its chance by the letter ear, without what its path costs.
    fn path_chance(&self, both: &Both) -> f32 {
        match both.spelt.paths.iter().any(|p| std::ptr::eq(p, self.path)) {
            true => self.path.log_prob,
            false => chance(&both.rows, &self.path.spoken),
        }
    }
}

/// How sure the numbers let one be; `None`: there were no words.
pub fn certainty(w: &Weights, t: &Thresholds) -> Option<Certainty> {
    let fits = w.ratio <= t.fits && w.literal <= t.literal && w.margin >= t.clear;
    let accepted = w.same || w.own <= t.own;
    let may = w.ratio <= t.may_fit && w.literal <= t.literal && w.behind <= t.may_near;
    match () {
        () if w.wordless => (fits && w.behind <= t.near).then_some(Certainty::Unsettled),
        () if fits && accepted && w.behind <= t.near && w.lag <= t.near => Some(Certainty::Sure),
        () if may && (w.same || w.own <= t.may_own) => Some(Certainty::Unsettled),
        () => Some(Certainty::Narration),
    }
}

/// Weighs both.
pub fn judge(both: &Both, letters: &Letters, t: &Thresholds, piece: &Piece<'_>) -> Heard {
    let weights = both.weigh(letters);
    let how = match &weights {
        _ if both.silent() => None,
        Some(w) => certainty(w, t),
        None => Some(Certainty::Narration),
    };
    let Some(how) = how else { return Heard::noise() };
    let words = Alternative { text: both.words.clone(), score: f64::from(both.word_score) };
    let spelt = |p: &Path| Alternative { text: p.text.clone(), score: f64::from(p.score) };
    let candidates = both.candidates();
    let phrases = || candidates.iter().map(|c| c.path).chain(&both.spelt.paths);
    let read = both.read.paths.first();
    let mut all: Vec<Alternative> = Vec::new();
    let marked = if how == Certainty::Narration {
        // Taken alike as a whole, a word counts as heard that the letters alone would not bear out.
        let literal = weights.as_ref().is_none_or(|w| w.literal <= t.literal);
        let agreed = both.alike() && literal && both.spelt.margin() >= t.clear;
        let t = if agreed { &t.lenient() } else { t };
        let ours = match read.filter(|_| agreed) {
            Some(read) => mended(both, read, letters),
            None => both.words.clone(),
        };
        let marked = marked(both, &ours, letters, t, piece);
        let mixed = mixed(both, &marked, letters, piece);
        all.extend([ours, mixed].map(|text| Alternative { text, ..words.clone() }));
        marked
    } else {
        let best = phrases().next();
        // The word ear's text has the marks that tell one sentence from the next.
        let text = match (read, best) {
            (Some(read), Some(best)) if read.meaning == best.meaning && read.talk == 0 => {
                mended(both, read, letters)
            }
            (_, best) => best.map(|b| b.text.clone()).unwrap_or_default(),
        };
        let marked = marked(both, &text, letters, &t.lenient(), piece);
        all.push(Alternative { text, score: best.map_or(0.0, |b| f64::from(b.score)) });
        marked
    };
    all.push(words);
    all.extend(phrases().take(3).map(spelt));
    let text = all[0].text.clone();
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

/// The word ear's text with the words of the lexicon that it was read as, where it spelt them otherwise and the
/// letters bear them out better; its marks and digits are kept.
fn mended(both: &Both, read: &Path, letters: &Letters) -> String {
    let (words, spoken) = words_of(&both.words, letters);
    let lies = align(&rows_of(&spoken, SLIP), &read.spoken);
    // A letter of the text is two frames, behind one for none before the first.
    let middle = |from: usize, to: usize| (lies[from].0 + lies[to - 1].1) / 4;
    let mut theirs: Vec<(usize, &str)> = Vec::new();
    let mut at = 0;
    for word in read.spoken.split(' ') {
        if !word.is_empty() {
            theirs.push((middle(at, at + word.len()), word));
        }
        at += word.len() + 1;
    }
    let mut out: Vec<String> = words.iter().map(|w| w.0.clone()).collect();
    let mut best = chance(&both.rows, &spoken);
    let mut from = 0;
    for (i, (word, _, to)) in words.iter().enumerate() {
        // What lies between two words is the first one's.
        let upto = if i + 1 == words.len() { usize::MAX } else { *to + 1 };
        let here: Vec<&str> =
            theirs.iter().filter(|(m, _)| (from..upto).contains(m)).map(|(_, w)| *w).collect();
        from = upto;
        let other = here.join(" ");
        if other.is_empty() || other == letters.spoken(word) {
            continue;
        }
        let marks = word.trim_start_matches(|c: char| c.is_alphanumeric() || c == '\'');
        let marks = if marks.chars().all(|c| c.is_ascii_punctuation()) { marks } else { "" };
        let kept = std::mem::replace(&mut out[i], format!("{other}{marks}"));
        match chance(&both.rows, &letters.spoken(&out.join(" "))) {
            now if now > best => best = now,
            _ => out[i] = kept,
        }
    }
    out.join(" ")
}

/// The words of a text with their times, those marked that the letters do not bear out.
fn marked(
    both: &Both,
    text: &str,
    letters: &Letters,
    t: &Thresholds,
    piece: &Piece<'_>,
) -> Vec<Word> {
    let (words, spoken) = words_heard(&both.rows, text, letters);
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
        let mut both = Both {
            rows,
            spelt,
            words: words.into(),
            word_score: -0.3,
            read,
            own: -1.0,
            ..Both::default()
        };
        // A word ear that finds a text less likely with every letter in which it differs from its own.
        let theirs = letters.spoken(words);
        let unlike = |t: &str| strsim::levenshtein(&letters.spoken(t), &theirs) as f32;
        both.asked =
            both.to_ask().into_iter().map(|t| (t.clone(), -1.0 - 3.0 * unlike(&t))).collect();
        both
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
            assert!(heard.text.to_lowercase().starts_with("popliteal angle"), "{heard:?}");
            assert!(heard.text.contains("90"));
        }
    }

    #[test]
    fn a_word_that_both_heard_and_the_lexicon_does_not_have_is_not_taken_for_its_nearest() {
        let heard = judged("knee jerk brisk lift", "Knee jerk brisk lift");
        assert_eq!(heard.certainty, Some(Certainty::Narration), "{heard:?}");
        assert_eq!(heard.text, "Knee jerk brisk lift");
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
