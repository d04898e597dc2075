//! Cuts sound into phrases and recognises each against the lexicon's grammar.
//!
//! | step | module |
//! |---|---|
//! | where is speech | `activity` |
//! | sound to bands of pitch | `mel` |
//! | the network: encoder, letter head, decoder | `network`, `model` |
//! | what can be said, as a graph of letters or tokens | `grammar`, `tries`, `spoken`, `vocabulary` |
//! | the letter ear: the likeliest paths through the graph | `letters` |
//! | the word ear: free text, leaning towards the trade's phrases | `search`, `bias` |
//! | sure, unsettled, narration or noise, by both ears | `witnesses` |
//! | the same by one unadapted ear, in three searches | `search`, `judge` |
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
pub mod letters;
pub mod live;
pub mod mel;
pub mod model;
pub mod network;
pub mod rehearsal;
pub mod search;
pub mod spoken;
#[cfg(test)]
mod stumbling;
pub mod transcript;
pub mod tries;
pub mod vocabulary;
pub mod whisper;
pub mod witnesses;

pub use transcript::Transcript;
pub use whisper::Whisper;

use crate::capture::{Alternative, Certainty, Phrase, Source, Word};
use crate::problem::Problem;

/// One stretch of speech, ready to be recognised.
#[derive(Debug, Clone, Copy)]
pub struct Piece<'a> {
    /// 16 kHz, one channel, -1 to 1.
    pub sound: &'a [f32],
    /// Where the sound begins on the exam clock, milliseconds: a little before the speech.
    pub from_ms: u64,
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
    /// The words one by one, with their times, as far as they were heard so.
    pub words: Vec<Word>,
}

impl Heard {
    /// No words.
    pub fn noise() -> Heard {
        Heard { certainty: None, text: String::new(), alternatives: Vec::new(), words: Vec::new() }
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
            words: self.words,
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
