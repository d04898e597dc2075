//! The second reader: a small pretrained text encoder with a trained delta, that marks in a stream of
//! words where a finding is complete, of which item, with which value and side.
//!
//! It shares nothing with the rules of `reading` but the lexicon's ids, which is what makes it a witness:
//! where both say the same, they rarely both err. It decides nothing. Its [`Marks`] are kept in the journal
//! beside the phrase they speak of, so that an exam is rebuilt alike on a machine without it, and
//! `reading::judge` weighs them.
//!
//! | step | module |
//! |---|---|
//! | where the encoder is kept, its digest, how it is fetched | `files` |
//! | words to pieces of its vocabulary | `pieces` |
//! | the network: encoder, delta and heads | `network` |
//! | a stream of phrases to windows of words, whatever the cuts between them | `stream` |
//! | what the network says of each word to marks | `decode` |
//!
//! The scripts that train the delta are in `tests/narrations/train/`.

mod decode;
pub mod files;
mod network;
mod pieces;
mod stream;

use std::sync::Arc;

use serde::{Deserialize, Serialize};

pub use stream::Stream;

use crate::lexicon::Lexicon;
use crate::problem::Problem;
use network::Network;
use pieces::Pieces;

/// What the second reader makes of one phrase.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Marks {
    /// Sequence number of the phrase.
    pub phrase: u64,
    /// Which second reader: the first digits of the digest of its delta.
    pub by: String,
    /// Findings complete in this phrase, in the order of their words.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub marks: Vec<Mark>,
    /// How likely the phrase speaks of no finding of now (the past, others, what is taught, asked or meant
    /// to be done), from 0 to 1: the mean over its words.
    pub aside: f32,
}

/// A finding that is complete at a word. All names are the lexicon's ids.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mark {
    /// Word of the phrase, from 0, words being parted by white space.
    pub word: u32,
    /// Item.
    pub item: String,
    /// Value code; `#` for a number, `skipped`, `not_obtained`, or `stated-normal` and `stated-abnormal`
    /// where no more than that was said.
    pub value: String,
    /// Side, for an item with sides.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side: Option<String>,
    /// Chance of the item here, of that value if so, and of that side if so; from 0 to 1.
    pub chances: [f32; 3],
}

impl Mark {
    /// Chance that all of it holds, from 0 to 1.
    pub fn chance(&self) -> f32 {
        self.chances.iter().product()
    }
}

/// The second reader, loaded.
pub struct Tagger {
    network: Network,
    pieces: Pieces,
    labels: Labels,
    by: String,
}

/// What the heads of the network stand for, in their order, as the training scripts wrote it down.
#[derive(Debug, Clone, Deserialize)]
struct Labels {
    /// SHA-256 of the encoder's weights that the delta was trained on.
    encoder: String,
    /// Item ids.
    items: Vec<String>,
    /// Item id and value code.
    values: Vec<(String, String)>,
    /// Sides.
    sides: Vec<String>,
    /// Scopes; the first is a finding of now.
    scopes: Vec<String>,
    /// Items that have sides.
    sided: Vec<bool>,
}

impl Tagger {
    /// Loads the encoder in the user's folder and lays the shipped delta over it; `None` when the encoder
    /// is not installed, since the program reads without it.
    ///
    /// # Errors
    /// When it is installed and broken, or is another encoder than the delta was made for.
    pub fn installed() -> Result<Option<Arc<Tagger>>, Problem> {
        if files::off() {
            return Ok(None);
        }
        let dir = files::folder()?;
        if !files::present(&dir) {
            return Ok(None);
        }
        let delta = files::delta()?;
        let broken = |what: String| {
            Problem::in_file(dir.display().to_string(), format!("the second reader: {what}"))
                .help("install it again with `cotside model install`")
        };
        let labels: Labels = serde_json::from_slice(&delta.card)
            .map_err(|e| broken(format!("its card cannot be read: {e}")))?;
        let there = files::digest(&dir)?;
        if there != labels.encoder {
            return Err(broken(format!(
                "the encoder there has the digest {}…, and the delta was made for {}…",
                &there[..12],
                labels.encoder.get(..12).unwrap_or(&labels.encoder)
            )));
        }
        let network = Network::load(files::weights(&dir)?, &delta.weights, &labels)
            .map_err(|e| broken(e.to_string()))?;
        let pieces = Pieces::read(&files::vocabulary(&dir))?;
        Ok(Some(Arc::new(Tagger { network, pieces, labels, by: delta.digest[..12].to_owned() })))
    }

    /// Whether it was trained on items of that lexicon; of others it knows nothing.
    pub fn serves(&self, lex: &Lexicon) -> bool {
        self.knows(|i| lex.item(i).is_some())
    }

    /// Whether it was trained on an item of which that holds.
    pub fn knows(&self, is: impl Fn(&str) -> bool) -> bool {
        self.labels.items.iter().any(|i| is(i))
    }

    /// Which second reader this is, as [`Marks::by`] says.
    pub fn by(&self) -> &str {
        &self.by
    }
}
