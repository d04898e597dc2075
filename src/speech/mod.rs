//! Cuts sound into phrases and recognises each against the lexicon's grammar.
//!
//! | step | module |
//! |---|---|
//! | where is speech | `activity` |
//! | sound to bands of pitch | `mel` |
//! | what can be said, as a graph of tokens | `grammar`, `vocabulary` |
//! | a leaning towards the trade's phrases | `bias` |
//! | the network | `network`, `model` |
//! | three searches: bound, leaning, free | `search` |
//! | sure, unsettled, narration or noise | `judge` |
//! | the microphone, live | `live` |
//! | the hearing test | `rehearsal` |
//! | a whole file, several stretches at a time | `file` |
//!
//! What a phrase *means* is not decided here. The recogniser hands on words, other words it may
//! have been, and how sure it is of the words; two hypotheses are told apart by the labels of
//! their paths through the grammar, which are the lexicon's own.
//!
//! Everything behind the trait [`Recogniser`] can be exchanged. [`Transcript`] is the other one
//! there is: it reads what was heard from a file, for tests without a model.

pub mod activity;
pub mod bias;
pub mod file;
pub mod grammar;
pub mod judge;
pub mod live;
pub mod mel;
pub mod model;
pub mod network;
pub mod rehearsal;
pub mod search;
#[cfg(test)]
mod stumbling;
pub mod transcript;
pub mod vocabulary;
pub mod whisper;

pub use transcript::Transcript;
pub use whisper::Whisper;

use crate::capture::{Alternative, Certainty, Phrase, Source};
use crate::problem::Problem;

/// One stretch of speech, ready to be recognised.
#[derive(Debug, Clone, Copy)]
pub struct Piece<'a> {
    /// 16 kHz, one channel, -1 to 1.
    pub sound: &'a [f32],
    /// Start of the speech on the exam clock, milliseconds.
    pub start_ms: u64,
    /// End of the speech on the exam clock, milliseconds.
    pub end_ms: u64,
}

/// What was heard in one stretch of sound.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// How sure of the words; `None`: there are none, it was noise.
    pub certainty: Option<Certainty>,
    /// The words.
    pub text: String,
    /// What it may have been, the chosen words first, then the others, best first.
    pub alternatives: Vec<Alternative>,
}

impl Heard {
    /// No words.
    pub fn noise() -> Heard {
        Heard { certainty: None, text: String::new(), alternatives: Vec::new() }
    }

    /// The phrase that was heard; none where it was noise.
    pub fn phrase(self, piece: &Piece<'_>, source: Source) -> Option<Phrase> {
        let certainty = self.certainty.filter(|_| !self.text.is_empty())?;
        Some(Phrase {
            text: self.text,
            start_ms: piece.start_ms,
            end_ms: piece.end_ms.max(piece.start_ms),
            source,
            line: None,
            speaker: None,
            alternatives: self.alternatives,
            certainty: Some(certainty),
        })
    }
}

/// What is told where a recogniser panicked.
const MISTAKE: &str = "the recogniser made a mistake";

/// Hears words in sound.
pub trait Recogniser: Sync {
    /// What was said in a stretch of speech. The same sound is always heard alike.
    ///
    /// # Errors
    /// When the engine itself fails; sound without words is no error.
    fn hear(&self, piece: &Piece<'_>) -> Result<Heard, Problem>;
}
