//! A recogniser that fails, for tests.

use super::{Heard, Piece, Recogniser};
use crate::capture::Certainty;
use crate::problem::Problem;

/// Panics on the stretch that begins at 1000 ms, and is sure of all others.
pub struct Stumbling;

impl Recogniser for Stumbling {
    fn hear(&self, piece: &Piece<'_>) -> Result<Heard, Problem> {
        assert_ne!(piece.start_ms, 1000, "this stretch cannot be heard");
        let text = format!("said at {}", piece.start_ms);
        Ok(Heard {
            certainty: Some(Certainty::Sure),
            text,
            alternatives: Vec::new(),
            words: Vec::new(),
        })
    }
}
