//! Brings sound of any rate to 16 kHz, block by block, with no delay and no sample lost.

use rubato::audioadapter_buffers::direct::SequentialSlice;
use rubato::{Fft, FixedSync, Resampler as _};

use super::RATE;

/// Frames taken in at once.
const BLOCK: usize = 1024;

/// A resampler to 16 kHz, one channel.
pub struct Resampler {
    /// None where the sound is at 16 kHz already: it then goes through unchanged, to the bit.
    fft: Option<Fft<f32>>,
    rate: u32,
    waiting: Vec<f32>,
    block: Vec<f32>,
    /// Output frames still to be left out: the resampler's own delay.
    late: usize,
    taken: u64,
    given: u64,
}

impl Resampler {
    /// From `rate` samples a second, at least 1000 and at most 768 000.
    ///
    /// # Errors
    /// When the rate is out of that range or cannot be brought to 16 kHz.
    pub fn new(rate: u32) -> Result<Self, String> {
        if !(1_000..=768_000).contains(&rate) {
            return Err(format!("{rate} samples a second: 1000 to 768000 can be read"));
        }
        let fft = match rate == RATE {
            true => None,
            false => Some(
                Fft::new(rate as usize, RATE as usize, BLOCK, 1, FixedSync::Input)
                    .map_err(|e| format!("{rate} samples a second: {e}"))?,
            ),
        };
        let late = fft.as_ref().map_or(0, |f| f.output_delay());
        let block = vec![0.0; fft.as_ref().map_or(0, |f| f.output_frames_max())];
        Ok(Resampler { fft, rate, waiting: Vec::new(), block, late, taken: 0, given: 0 })
    }

    /// Takes in sound and appends what is ready to `out`.
    pub fn push(&mut self, sound: &[f32], out: &mut Vec<f32>) {
        self.taken += sound.len() as u64;
        if self.fft.is_none() {
            self.given += sound.len() as u64;
            out.extend_from_slice(sound);
            return;
        }
        self.waiting.extend_from_slice(sound);
        let mut at = 0;
        while let Some(want) = self.wanted().filter(|w| self.waiting.len() - at >= *w) {
            let (from, to) = (at, at + want);
            at = to;
            self.run(from, to, out);
        }
        self.waiting.drain(..at);
    }

    /// Appends what is still inside, so that the whole is exactly as long as the sound was.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        let due = (self.taken * u64::from(RATE)).div_ceil(u64::from(self.rate));
        let silence = [0.0; BLOCK];
        // Each round gives something once the delay is over; the bound only rules out a fault.
        for _ in 0..64 {
            if self.given >= due || self.fft.is_none() {
                break;
            }
            let taken = self.taken;
            self.push(&silence, out);
            self.taken = taken;
        }
        let over = usize::try_from(self.given.saturating_sub(due)).unwrap_or(0);
        out.truncate(out.len() - over.min(out.len()));
        self.given = due;
    }

    fn wanted(&self) -> Option<usize> {
        self.fft.as_ref().map(|f| f.input_frames_next())
    }

    fn run(&mut self, from: usize, to: usize, out: &mut Vec<f32>) {
        let Some(fft) = &mut self.fft else { return };
        let room = self.block.len();
        let made = SequentialSlice::new(&self.waiting[from..to], 1, to - from)
            .ok()
            .zip(SequentialSlice::new_mut(&mut self.block, 1, room).ok());
        // Both lengths are the resampler's own, so neither can be refused.
        let Some((input, mut output)) = made else { return };
        let Ok((_, n)) = fft.process_into_buffer(&input, &mut output, None) else { return };
        let skip = self.late.min(n);
        self.late -= skip;
        self.given += (n - skip) as u64;
        // Between samples as loud as can be, the sound itself is louder; that is cut off, as a sound
        // card would.
        out.extend(self.block[skip..n].iter().map(|s| s.clamp(-1.0, 1.0)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn through(rate: u32, sound: &[f32], piece: usize) -> Vec<f32> {
        let mut r = Resampler::new(rate).unwrap();
        let mut out = Vec::new();
        sound.chunks(piece).for_each(|c| r.push(c, &mut out));
        r.finish(&mut out);
        out
    }

    fn tone(rate: u32, hz: f64, seconds: f64) -> Vec<f32> {
        (0..(f64::from(rate) * seconds) as usize)
            .map(|i| (std::f64::consts::TAU * hz * i as f64 / f64::from(rate)).sin() as f32 * 0.5)
            .collect()
    }

    #[test]
    fn sound_at_16_khz_goes_through_to_the_bit() {
        let s = tone(16_000, 440.0, 0.3);
        assert_eq!(through(16_000, &s, 77), s);
    }

    #[test]
    fn a_tone_keeps_its_pitch_and_its_moment_at_every_rate() {
        for rate in [8_000, 11_025, 22_050, 44_100, 48_000, 96_000] {
            let out = through(rate, &tone(rate, 440.0, 1.0), 333);
            let due = tone(16_000, 440.0, 1.0);
            assert_eq!(out.len(), due.len(), "{rate}");
            let worst = (2000..14_000).map(|i| (out[i] - due[i]).abs()).fold(0.0, f32::max);
            // One sample, 62 µs: the delay of a resampler need not be a whole number of them.
            assert!(worst < 0.09, "{rate}: {worst}");
        }
    }

    #[test]
    fn how_the_sound_is_cut_up_changes_nothing() {
        let s = tone(44_100, 300.0, 0.5);
        assert_eq!(through(44_100, &s, 1), through(44_100, &s, 10_000));
    }

    #[test]
    fn a_rate_nobody_records_at_is_refused() {
        assert!(Resampler::new(0).is_err());
        assert!(Resampler::new(10_000_000).is_err());
    }
}
