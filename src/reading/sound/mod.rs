//! Finding lexicon phrases by sound, whatever words a recogniser wrote for them.
//!
//! ```text
//!  heard words ──> dictionary, letters ──> phones ──┐
//!                  (CMUdict, rules)                 ├──> search: weighted alignment ──> hits
//!  lexicon phrases ──> the same ──> phones ─────────┘    (confusion: cost of each slip)
//! ```
//!
//! A recogniser that does not know the trade's words writes ordinary words that sound like them,
//! and puts the word breaks elsewhere. So the search compares phones, asks only that a hit start
//! and end where a heard word starts and ends, and keeps the distance: a hit is a suspicion with
//! a number, and the caller decides. See [`SoundIndex`].

pub mod confusion;
pub mod dictionary;
pub mod letters;
pub mod phones;
pub mod search;
pub mod trade;

pub use confusion::{Gate, Strength};
pub use phones::Phone;
pub use search::{SoundHit, SoundIndex, competes, runner_up, same_sound};

use std::sync::{Arc, LazyLock};

use crate::problem::Problem;
use confusion::Confusion;
use letters::Letters;

/// Everything needed to turn words into phones and to weigh slips between phones.
#[derive(Debug)]
pub struct Sounds {
    letters: Letters,
    confusion: Confusion,
}

/// Most pronunciations kept for one written word: the two most usual ones carry nearly all of
/// the gain, and each one lengthens every search.
const MOST_A_WORD: usize = 3;

impl Sounds {
    /// The tables shipped with the program, read once.
    ///
    /// # Panics
    ///
    /// Only if the shipped tables are malformed, which the tests of this module rule out.
    pub fn shipped() -> Arc<Sounds> {
        static SHIPPED: LazyLock<Arc<Sounds>> = LazyLock::new(|| {
            let letters = crate::lexicon::files::carried_text("sounds/letter-to-sound.toml");
            let phones = crate::lexicon::files::carried_text("sounds/phones.toml");
            match Sounds::read("letter-to-sound.toml", letters, "phones.toml", phones) {
                Ok(sounds) => Arc::new(sounds),
                Err(problem) => panic!("a shipped table is malformed: {problem}"),
            }
        });
        SHIPPED.clone()
    }

    /// Reads the letter-to-sound rules and the phone table from TOML text; the file names are for
    /// the error only.
    ///
    /// # Errors
    ///
    /// A [`Problem`] with file and line for anything not understood in either text.
    pub fn read(
        letters_file: &str,
        letters: &str,
        phones_file: &str,
        phones: &str,
    ) -> Result<Sounds, Problem> {
        Ok(Sounds {
            letters: Letters::read(letters_file, letters)?,
            confusion: Confusion::read(phones_file, phones)?,
        })
    }

    /// The letter-to-sound rules.
    pub fn letters(&self) -> &Letters {
        &self.letters
    }

    /// The costs of slips, and the gates.
    pub fn confusion(&self) -> &Confusion {
        &self.confusion
    }

    /// How a written word may be said, most usual first; at most three ways, none empty.
    ///
    /// A word is what stands between blanks. Case and stress do not matter; hyphens and other
    /// marks part it; digits are read as number words; a word outside the dictionary is read by
    /// the letter-to-sound rules, or letter by letter when it has no vowel or is in capitals.
    /// A word with nothing to say (punctuation only) gives an empty list.
    pub fn pronounce(&self, word: &str) -> Vec<Vec<Phone>> {
        let mut ways: Vec<Vec<Phone>> = vec![Vec::new()];
        for part in letters::parts(word) {
            let said = self.letters.pronounce_part(&part);
            ways = join(&ways, &said, MOST_A_WORD);
        }
        ways.retain(|w| !w.is_empty());
        ways
    }

    /// Whether every part of `word` is in the dictionary, is a number or is spelled out, so that
    /// nothing was guessed from its letters.
    pub fn is_known(&self, word: &str) -> bool {
        letters::parts(word).iter().all(|p| self.letters.is_known(p))
    }
}

/// Every way of `left` followed by every way of `right`, the most usual pairs first, without
/// doubles, at most `most`. An empty `right` leaves `left` as it is.
pub(crate) fn join(left: &[Vec<Phone>], right: &[Vec<Phone>], most: usize) -> Vec<Vec<Phone>> {
    if right.is_empty() {
        return left.to_vec();
    }
    let mut pairs: Vec<(usize, usize)> =
        (0..left.len()).flat_map(|l| (0..right.len()).map(move |r| (l, r))).collect();
    pairs.sort_by_key(|(l, r)| l + r);
    let mut out: Vec<Vec<Phone>> = Vec::new();
    for (l, r) in pairs {
        let way: Vec<Phone> = left[l].iter().chain(&right[r]).copied().collect();
        if !out.contains(&way) {
            out.push(way);
        }
        if out.len() == most {
            break;
        }
    }
    out
}
