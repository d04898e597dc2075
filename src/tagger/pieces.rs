//! Words to pieces of the encoder's vocabulary (WordPiece: Schuster and Nakajima 2012).

use std::path::Path;

use tokenizers::Tokenizer;

use crate::problem::Problem;

/// Opens a window.
pub const OPEN: u32 = 101;
/// Closes it.
pub const CLOSE: u32 = 102;
/// Stands for what is not in the vocabulary.
const UNKNOWN: u32 = 100;
/// Most pieces of one word; what is longer was no word.
const MOST: usize = 12;

/// The vocabulary.
pub struct Pieces(Tokenizer);

impl Pieces {
    /// Reads `tokenizer.json`.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn read(path: &Path) -> Result<Self, Problem> {
        let broken = |e: tokenizers::Error| {
            Problem::in_file(path.display().to_string(), format!("cannot be read: {e}"))
                .help("install it again with `cotside model install`")
        };
        let mut tokens = Tokenizer::from_file(path).map_err(broken)?;
        tokens.with_padding(None);
        tokens.with_truncation(None).map_err(broken)?;
        Ok(Pieces(tokens))
    }

    /// The pieces of one word, at least one.
    pub fn of(&self, word: &str) -> Vec<u32> {
        let pieces = self.0.encode_fast(word, false).map(|e| e.get_ids().to_vec());
        match pieces {
            Ok(ids) if !ids.is_empty() => ids.into_iter().take(MOST).collect(),
            _ => vec![UNKNOWN],
        }
    }
}
