//! Cuts sound into stretches of speech.
//!
//! A detector gives each frame of 16 ms a chance of speech. Speech begins when the chance rises
//! and ends after a pause; the longer the stretch, the shorter the pause that ends it. A stretch
//! that never pauses, as when the baby cries through it, is cut at its quietest moment and the
//! two parts overlap, so that no word is lost to the cut.
//!
//! Long before a pause is over, it is known what will be recognised if it lasts ([`Activity::perhaps`]):
//! whoever listens live begins with that, and has the words when the pause has lasted.

use std::ops::Range;

use earshot::Detector;

/// Samples of a frame: 16 ms.
pub const FRAME: usize = 256;
/// Chance of speech from which on a frame is speech; it stays so above the lower one.
const BEGIN: f32 = 0.65;
const STAY: f32 = 0.45;
/// Frames that must be speech, of the last six, before a stretch begins.
const FIRM: usize = 3;
/// Pause that ends a stretch, frames: 0.42 s.
const PAUSE: usize = 26;
/// The same once a stretch is long.
const SHORT_PAUSE: usize = 14;
/// Frames from which on the shorter pause will do: 4 s.
const LONG: usize = 250;
/// Longest stretch, frames: 7.5 s. Longer ones are cut.
const LONGEST: usize = 469;
/// Frames at the end of the longest stretch in which the cut is looked for.
const CUT_ZONE: usize = 160;
/// Frames both parts of a cut have in common.
const OVERLAP: usize = 16;
/// Frames kept before the first and behind the last of speech.
const BEFORE: usize = 16;
const BEHIND: usize = 12;
/// A stretch with fewer frames of speech is no word.
const FEWEST: usize = 8;

/// A stretch of speech, in samples of the 16 kHz sound.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stretch {
    /// Samples to be recognised: the speech with a little before and behind it.
    pub heard: Range<usize>,
    /// Samples of the speech itself.
    pub speech: Range<usize>,
    /// Whether it was cut where there was no pause, at its end.
    pub cut: bool,
}

/// Finds the stretches, frame by frame.
pub struct Activity {
    detector: Box<Detector>,
    waiting: Vec<f32>,
    /// Loudness of the frames of the stretch under way, from its first on.
    loud: Vec<f32>,
    frame: usize,
    /// First frame of the stretch under way.
    begun: Option<usize>,
    last: usize,
    spoken: usize,
    recent: u8,
    /// No stretch reaches back before this frame.
    floor: usize,
}

impl Default for Activity {
    fn default() -> Self {
        Activity {
            detector: Detector::default_boxed(),
            waiting: Vec::with_capacity(FRAME),
            loud: Vec::new(),
            frame: 0,
            begun: None,
            last: 0,
            spoken: 0,
            recent: 0,
            floor: 0,
        }
    }
}

impl Activity {
    /// Takes in sound and appends the stretches that are over to `out`.
    pub fn push(&mut self, sound: &[f32], out: &mut Vec<Stretch>) {
        for &s in sound {
            self.waiting.push(s);
            if self.waiting.len() == FRAME {
                let frame = std::mem::replace(&mut self.waiting, Vec::with_capacity(FRAME));
                self.frame(&frame, out);
            }
        }
    }

    /// The sound is over: what is under way ends here.
    pub fn finish(&mut self, out: &mut Vec<Stretch>) {
        self.close(false, out);
    }

    /// The stretch under way as it will be given if no more is said: as soon as so much quiet is behind its
    /// speech as is kept of it, and long before the pause is long enough to end it.
    pub fn perhaps(&self) -> Option<Stretch> {
        let begun = self.begun?;
        let quiet = self.frame - (self.last + 1);
        (quiet >= BEHIND && self.spoken >= FEWEST)
            .then(|| self.stretch(begun, self.last + 1, false))
    }

    /// Whether speech is under way.
    pub fn speaking(&self) -> bool {
        self.begun.is_some()
    }

    fn frame(&mut self, frame: &[f32], out: &mut Vec<Stretch>) {
        let at = self.frame;
        self.frame += 1;
        let chance = self.detector.predict_f32(frame);
        let energy: f32 = frame.iter().map(|s| s * s).sum();
        let Some(begun) = self.begun else {
            self.recent = (self.recent << 1 | u8::from(chance > BEGIN)) & 0b11_1111;
            if self.recent.count_ones() as usize >= FIRM {
                let back = 7 - self.recent.leading_zeros() as usize;
                let begun = at.saturating_sub(back);
                self.begun = Some(begun);
                self.loud = vec![energy; at - begun + 1];
                self.last = at;
                self.spoken = self.recent.count_ones() as usize;
            }
            return;
        };
        self.loud.push(energy);
        if chance > STAY {
            self.last = at;
            self.spoken += 1;
        }
        let long = at - begun >= LONG;
        let pause = if long { SHORT_PAUSE } else { PAUSE };
        if at - self.last >= pause {
            self.close(false, out);
        } else if at - begun >= LONGEST {
            self.cut(begun, at, out);
        }
    }

    /// Cuts at the quietest moment near the end and goes on from a little before it.
    fn cut(&mut self, begun: usize, at: usize, out: &mut Vec<Stretch>) {
        let from = self.loud.len().saturating_sub(CUT_ZONE);
        let around = |i: usize| -> f32 {
            self.loud[i.saturating_sub(2)..(i + 3).min(self.loud.len())].iter().sum()
        };
        let quietest = (from..self.loud.len().saturating_sub(4))
            .min_by(|a, b| around(*a).total_cmp(&around(*b)))
            .unwrap_or(self.loud.len() - 1);
        let end = begun + quietest + OVERLAP / 2;
        out.push(self.stretch(begun, end, true));
        let next = (begun + quietest).saturating_sub(OVERLAP / 2);
        self.floor = next;
        self.loud.drain(..next - begun);
        self.begun = Some(next);
        self.last = at;
        self.spoken = FEWEST;
    }

    fn close(&mut self, cut: bool, out: &mut Vec<Stretch>) {
        if let Some(begun) = self.begun.take()
            && self.spoken >= FEWEST
        {
            out.push(self.stretch(begun, self.last + 1, cut));
        }
        self.floor = self.last + 1;
        self.loud.clear();
        self.recent = 0;
    }

    fn stretch(&self, from: usize, to: usize, cut: bool) -> Stretch {
        let first = from.saturating_sub(BEFORE).max(self.floor.min(from));
        let last = if cut { to } else { (to + BEHIND).min(self.frame) };
        Stretch { heard: first * FRAME..last * FRAME, speech: from * FRAME..to * FRAME, cut }
    }
}

/// All stretches of a whole sound.
pub fn stretches(sound: &[f32]) -> Vec<Stretch> {
    let mut out = Vec::new();
    let mut activity = Activity::default();
    activity.push(sound, &mut out);
    activity.finish(&mut out);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each sample of a recording of speech in turn: what `perhaps` says first of a stretch is what is given
    /// once the pause has lasted, to the sample.
    #[test]
    fn a_stretch_is_known_before_the_pause_that_ends_it_is_over() {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/exam.wav");
        let sound = crate::capture::sound::read_wav(&path).unwrap().samples;
        let mut activity = Activity::default();
        let (mut out, mut foreseen) = (Vec::new(), Vec::new());
        let (mut in_time, mut least_ahead) = (0, usize::MAX);
        for (k, frame) in sound.chunks(FRAME).enumerate() {
            let before = out.len();
            activity.push(frame, &mut out);
            for s in out[before..].iter().filter(|s| !s.cut) {
                if let Some((at, _)) = foreseen.iter().rev().find(|(_, f)| f == s) {
                    in_time += 1;
                    least_ahead = least_ahead.min(k - at);
                }
            }
            if let Some(s) =
                activity.perhaps().filter(|s| foreseen.last().is_none_or(|(_, f)| f != s))
            {
                foreseen.push((k, s));
            }
        }
        let whole = out.iter().filter(|s| !s.cut).count();
        assert!(whole >= 10, "{whole} stretches");
        assert_eq!(in_time, whole, "{out:?}");
        // A short pause ends a long stretch; even that leaves two frames.
        assert!(least_ahead >= SHORT_PAUSE - BEHIND, "{least_ahead}");
    }
}
