//! A whole sound to phrases, several stretches at a time, in order.

use std::panic::{AssertUnwindSafe, catch_unwind};

use rayon::prelude::*;

use super::activity::{Stretch, stretches};
use super::{MISTAKE, Piece, Recogniser};
use crate::capture::sound::ms_at;
use crate::capture::{Phrase, Source};
use crate::problem::Problem;

/// Stretches recognised for each worker before what was heard is handed on.
const AHEAD: usize = 4;

/// What became of a stretch.
#[derive(Debug, Clone, PartialEq)]
pub enum Stretched {
    /// Words.
    Phrase(Phrase),
    /// There were none.
    Noise,
    /// The recogniser made a mistake in it: nobody knows what was said.
    Unheard {
        /// Why.
        why: String,
        /// Start of the speech.
        from_ms: u64,
    },
}

/// Hears a whole sound (16 kHz, one channel).
///
/// `each` is given what became of every stretch that begins at `from_ms` or later, in order of
/// time, with the moment up to which all is heard. What is heard does not depend on `jobs`, the
/// number of stretches recognised at once.
///
/// # Errors
/// The recogniser's, that of `each`, or that no threads can be made.
pub fn hear<E: From<Problem>>(
    recogniser: &dyn Recogniser,
    sound: &[f32],
    from_ms: u64,
    jobs: usize,
    mut each: impl FnMut(Stretched, u64) -> Result<(), E>,
) -> Result<(), E> {
    let jobs = jobs.max(1);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(jobs).build().map_err(|e| {
        Problem::in_file("--jobs", format!("{jobs} threads cannot be made: {e}"))
            .help("ask for fewer")
    })?;
    let found: Vec<Stretch> =
        stretches(sound).into_iter().filter(|s| ms_at(s.speech.start) >= from_ms).collect();
    for part in found.chunks(jobs * AHEAD) {
        let one = |s| {
            let piece = piece(sound, s);
            Ok((stretched(recogniser, &piece)?, piece.end_ms))
        };
        let heard: Vec<Result<(Stretched, u64), Problem>> =
            pool.install(|| part.par_iter().map(one).collect());
        for one in heard {
            let (what, upto) = one?;
            each(what, upto)?;
        }
    }
    Ok(())
}

fn stretched(recogniser: &dyn Recogniser, piece: &Piece<'_>) -> Result<Stretched, Problem> {
    // A mistake in the recogniser costs one stretch, which is told, and not the hearing.
    match catch_unwind(AssertUnwindSafe(|| recogniser.hear(piece))) {
        Ok(heard) => {
            Ok(heard?.phrase(piece, Source::Wav).map_or(Stretched::Noise, Stretched::Phrase))
        }
        Err(_) => Ok(Stretched::Unheard { why: MISTAKE.into(), from_ms: piece.start_ms }),
    }
}

/// A stretch of a sound that begins at 0 ms on the exam clock.
pub fn piece<'a>(sound: &'a [f32], s: &Stretch) -> Piece<'a> {
    Piece {
        sound: &sound[s.heard.start.min(sound.len())..s.heard.end.min(sound.len())],
        from_ms: ms_at(s.heard.start),
        start_ms: ms_at(s.speech.start),
        end_ms: ms_at(s.speech.end.min(sound.len())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speech::stumbling::Stumbling;

    #[test]
    fn a_recogniser_that_fails_on_a_stretch_of_a_recording_costs_that_stretch_alone() {
        let piece = |start_ms| Piece {
            sound: &[0.0; 16],
            from_ms: start_ms,
            start_ms,
            end_ms: start_ms + 500,
        };
        let of = |start_ms| stretched(&Stumbling, &piece(start_ms)).unwrap();
        assert!(matches!(of(0), Stretched::Phrase(_)));
        assert!(matches!(of(1000), Stretched::Unheard { from_ms: 1000, .. }));
        assert!(matches!(of(2000), Stretched::Phrase(_)));
    }
}
