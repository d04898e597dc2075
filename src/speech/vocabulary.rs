//! The recogniser's vocabulary: words to its tokens and back.
//!
//! Byte-pair encoding as published with GPT-2: the two neighbours whose union has the lowest
//! number are joined first, until none can be. The numbers of the vocabulary are in the order of
//! the published merges, so the list of tokens is enough. Written out here because the general
//! crate for it brings fifty others for these forty lines.

use std::collections::HashMap;
use std::path::Path;

use super::grammar::Spelling;
use crate::problem::Problem;

/// Words to tokens and back.
pub struct Vocabulary {
    pieces: Vec<Vec<u8>>,
    numbers: HashMap<Vec<u8>, u32>,
    specials: HashMap<String, u32>,
    /// From this number on, tokens are no text.
    first_special: u32,
}

/// The byte that stands behind a character of the vocabulary file: printable bytes stand for
/// themselves, the others for characters from U+0100 on, in order.
fn byte_of(c: char) -> Option<u8> {
    let plain =
        |b: u32| (33..=126).contains(&b) || (161..=172).contains(&b) || (174..=255).contains(&b);
    let c = u32::from(c);
    if c < 256 {
        return u8::try_from(c).ok().filter(|_| plain(c));
    }
    (0..=255u8).filter(|b| !plain(u32::from(*b))).nth(usize::try_from(c - 256).ok()?)
}

impl Vocabulary {
    /// Reads a `tokenizer.json`.
    ///
    /// # Errors
    /// When it cannot be read, or holds no such vocabulary.
    pub fn read(path: &Path) -> Result<Vocabulary, Problem> {
        let shown = path.display().to_string();
        let broken = |what: String| {
            Problem::in_file(&shown, what)
                .help("take the `tokenizer.json` published with the model")
        };
        let text =
            std::fs::read_to_string(path).map_err(|e| broken(format!("cannot be read: {e}")))?;
        Vocabulary::parse(&text).map_err(broken)
    }

    fn parse(text: &str) -> Result<Vocabulary, String> {
        #[derive(serde::Deserialize)]
        struct File {
            model: Model,
            #[serde(default)]
            added_tokens: Vec<Added>,
        }
        #[derive(serde::Deserialize)]
        struct Model {
            vocab: HashMap<String, u32>,
        }
        #[derive(serde::Deserialize)]
        struct Added {
            id: u32,
            content: String,
        }
        let file: File =
            serde_json::from_str(text).map_err(|e| format!("is no vocabulary: {e}"))?;
        let specials: HashMap<String, u32> =
            file.added_tokens.into_iter().map(|a| (a.content, a.id)).collect();
        let end = *specials.get("<|endoftext|>").ok_or("names no <|endoftext|>")?;
        let mut pieces = vec![Vec::new(); end as usize];
        let mut numbers = HashMap::new();
        for (piece, n) in file.model.vocab {
            if n >= end {
                continue;
            }
            let bytes: Option<Vec<u8>> = piece.chars().map(byte_of).collect();
            let bytes = bytes.ok_or_else(|| format!("the token {n}, `{piece}`, is no bytes"))?;
            pieces[n as usize].clone_from(&bytes);
            numbers.insert(bytes, n);
        }
        if (0..=255u8).any(|b| !numbers.contains_key(&vec![b])) {
            return Err("not every byte has a token of its own".into());
        }
        Ok(Vocabulary { pieces, numbers, specials, first_special: end })
    }

    /// The number of a token such as `<|endoftext|>`.
    pub fn special(&self, name: &str) -> Option<u32> {
        self.specials.get(name).copied()
    }

    /// The token that ends a text; all from it on are no text.
    pub fn end(&self) -> u32 {
        self.first_special
    }

    /// The tokens of a word with the blank before it, such as ` knee`. Letters, digits and other
    /// marks are cut apart first, and `'s` stays whole, as the published cutting does.
    pub fn encode(&self, word: &str) -> Vec<u32> {
        let kind = |c: char| match c {
            c if c.is_alphabetic() => 0,
            c if c.is_numeric() => 1,
            _ => 2,
        };
        let (mut out, mut run, mut last) = (Vec::new(), String::new(), None);
        for c in word.chars() {
            let here = kind(c);
            // A blank goes with what follows it; so does an apostrophe before letters.
            let joins = last.is_none_or(|l| l == here) || run == " " || run == "'" && here == 0;
            if !joins || c == '\'' && !run.is_empty() && run != " " {
                out.extend(self.join(&std::mem::take(&mut run)));
            }
            run.push(c);
            last = Some(here);
        }
        out.extend(self.join(&run));
        out
    }

    fn join(&self, word: &str) -> Vec<u32> {
        let mut parts: Vec<Vec<u8>> = word.bytes().map(|b| vec![b]).collect();
        loop {
            let best = (1..parts.len())
                .filter_map(|i| {
                    let joined = [parts[i - 1].as_slice(), &parts[i]].concat();
                    self.numbers.get(&joined).map(|n| (*n, i, joined))
                })
                .min();
            let Some((_, i, joined)) = best else { break };
            parts[i - 1] = joined;
            parts.remove(i);
        }
        parts.iter().filter_map(|p| self.numbers.get(p).copied()).collect()
    }

    /// The bytes of a token; none for one that is no text.
    pub fn piece(&self, token: u32) -> &[u8] {
        self.pieces.get(token as usize).map_or(&[], Vec::as_slice)
    }

    /// The text of tokens.
    pub fn decode(&self, tokens: &[u32]) -> String {
        let bytes: Vec<u8> = tokens.iter().flat_map(|t| self.piece(*t)).copied().collect();
        String::from_utf8_lossy(&bytes).into_owned()
    }
}

impl Spelling for Vocabulary {
    fn words(&self, text: &str) -> Vec<u32> {
        text.split_whitespace().flat_map(|w| self.encode(&format!(" {w}"))).collect()
    }

    fn mark(&self, text: &str) -> Vec<u32> {
        self.encode(text)
    }

    fn capitals(&self) -> bool {
        true
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A small vocabulary of the published kind: all bytes, then merges in order.
    pub fn small() -> Vocabulary {
        let name = |b: u8| (0..=0x143).filter_map(char::from_u32).find(|c| byte_of(*c) == Some(b));
        let mut vocab: HashMap<String, u32> =
            (0..=255u8).map(|b| (name(b).unwrap().to_string(), u32::from(b))).collect();
        for (n, piece) in ["Ġk", "ne", "Ġkne", "Ġknee", "je", "rk"].iter().enumerate() {
            vocab.insert((*piece).to_owned(), 256 + n as u32);
        }
        let file = serde_json::json!({
            "model": {"vocab": vocab},
            "added_tokens": [{"id": 262, "content": "<|endoftext|>"}],
        });
        Vocabulary::parse(&file.to_string()).unwrap()
    }

    #[test]
    fn the_lowest_numbered_pair_is_joined_first() {
        let v = small();
        assert_eq!(v.encode(" knee"), [259]);
        assert_eq!(v.encode("jerk"), [260, 261]);
        assert_eq!(v.decode(&[259, 32, 260, 261]), " knee jerk");
    }

    #[test]
    fn any_text_comes_back_as_it_went_in() {
        let v = small();
        for text in ["knee", " é ñ ü", "34.5°", " doll's", "thirty-four", "\u{1f600}"] {
            assert_eq!(v.decode(&v.encode(text)), text);
        }
    }

    #[test]
    fn a_file_that_is_no_vocabulary_is_told() {
        let told = |text: &str| Vocabulary::parse(text).err().unwrap();
        assert!(told("{}").contains("no vocabulary"));
        assert!(told(r#"{"model":{"vocab":{"a":0}}}"#).contains("<|endoftext|>"));
    }
}
