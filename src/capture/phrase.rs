//! The phrase: what was said or keyed between two silences.

use serde::{Deserialize, Serialize};

/// Where a phrase came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// Heard from a live microphone.
    Voice,
    /// Heard from a WAV file.
    Wav,
    /// Typed at the bedside.
    Keys,
    /// Read from a timed text (WebVTT, SRT, stamped lines, JSON lines).
    TimedText,
}

/// Another way the same sound may have read, as the recogniser gave it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alternative {
    /// The words.
    pub text: String,
    /// The recogniser's own score; larger is likelier. No unit; only the order means anything.
    pub score: f64,
}

/// A word of a phrase as it was heard.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Word {
    /// The word, as it stands in the phrase.
    pub text: String,
    /// Start on the exam clock, milliseconds.
    pub start_ms: u64,
    /// End on the exam clock, milliseconds.
    pub end_ms: u64,
    /// Whether one of the recogniser's two ears did not hear it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub doubtful: bool,
}

/// What was said or keyed between two silences, with its place on the exam clock.
///
/// Times are milliseconds since the start of the exam. `text` is exactly what came in: nothing
/// is corrected, trimmed of meaning or translated here.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Phrase {
    /// The words as heard, keyed or read.
    pub text: String,
    /// Start on the exam clock, milliseconds. For keys: the first key.
    pub start_ms: u64,
    /// End on the exam clock, milliseconds; never before `start_ms`.
    pub end_ms: u64,
    /// Where it came from.
    pub source: Source,
    /// Input line (stamped lines, JSON lines) or cue number (WebVTT, SRT), counted from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<u32>,
    /// Who spoke, when the input says so (a voice tag).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub speaker: Option<String>,
    /// The recogniser's other candidates, best first; empty for text and keys.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub alternatives: Vec<Alternative>,
    /// The words of `text` with their times, as far as they were heard one by one; empty otherwise.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub words: Vec<Word>,
    /// How sure the recogniser is of the words; none where nothing had to be recognised.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certainty: Option<Certainty>,
}

/// How sure a recogniser is of the words it heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Certainty {
    /// The words fit, and nothing that says something else comes near them.
    Sure,
    /// Something else comes near them, or they fit badly.
    Unsettled,
    /// Words in nobody's list, taken as they came.
    Narration,
}
