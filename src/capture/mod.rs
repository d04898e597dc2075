//! Turns a microphone, a WAV, keys or a timed text into words with a time on the exam clock.
//!
//! This room knows no medical word: it hands on [`Phrase`]s and nothing else.

pub mod keys;
pub mod phrase;
pub mod sound;
pub mod timed_text;

pub use phrase::{Alternative, Certainty, Phrase, Source, Word};
pub use timed_text::{TimedText, read_timed_text};
