//! The recogniser's double: what was heard is read from a file, one phrase a line, in the form in
//! which the journal holds phrases. For tests without a model.

use std::path::Path;

use super::{Heard, Piece, Recogniser};
use crate::capture::{Certainty, Phrase};
use crate::problem::Problem;

/// A recorded transcript.
#[derive(Debug, Clone, Default)]
pub struct Transcript {
    phrases: Vec<Phrase>,
}

impl Transcript {
    /// Reads a transcript, one JSON object a line.
    ///
    /// # Errors
    /// Names file and line of what cannot be read.
    pub fn read(path: &Path) -> Result<Transcript, Problem> {
        let file = path.display().to_string();
        let text = std::fs::read_to_string(path)
            .map_err(|e| Problem::in_file(&file, format!("cannot be read: {e}")))?;
        Transcript::parse(&file, &text)
    }

    /// Reads a transcript's text; `file` is its name in messages.
    ///
    /// # Errors
    /// As [`Transcript::read`].
    pub fn parse(file: &str, text: &str) -> Result<Transcript, Problem> {
        let line = |(i, l): (usize, &str)| {
            serde_json::from_str(l).map_err(|e| {
                Problem::at(file, i + 1, e.column(), format!("is no phrase: {e}"))
                    .help(r#"such as {"text":"…","start_ms":0,"end_ms":900,"source":"wav"}"#)
            })
        };
        let lines = text.lines().enumerate().filter(|(_, l)| !l.trim().is_empty());
        Ok(Transcript { phrases: lines.map(line).collect::<Result<_, _>>()? })
    }
}

impl Recogniser for Transcript {
    fn hear(&self, piece: &Piece<'_>) -> Result<Heard, Problem> {
        let shared =
            |p: &Phrase| p.end_ms.min(piece.end_ms).saturating_sub(p.start_ms.max(piece.start_ms));
        let best = self.phrases.iter().filter(|p| shared(p) > 0).max_by_key(|p| shared(p));
        Ok(best.map_or_else(Heard::noise, |p| Heard {
            certainty: Some(p.certainty.unwrap_or(Certainty::Sure)),
            text: p.text.clone(),
            alternatives: p.alternatives.clone(),
            words: p.words.clone(),
        }))
    }
}
