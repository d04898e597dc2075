//! What the network hears: the logarithm of the sound's energy in 80 bands of pitch, a hundred
//! times a second.
//!
//! As Whisper was trained (Radford et al. 2022, section 2.2, and its published code): 16 kHz, a
//! Hann window of 400 samples every 160, 80 bands spaced by Slaney's mel scale, the logarithm
//! clipped to 8 decades below the loudest and scaled. The Fourier transform is `realfft`'s.

use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex};

/// Samples of a window.
const WINDOW: usize = 400;
/// Samples from one window to the next.
pub const HOP: usize = 160;
/// Bands.
pub const BANDS: usize = 80;
/// Frequencies of a window's transform.
const BINS: usize = WINDOW / 2 + 1;
/// Samples a second.
pub const RATE: usize = 16_000;
/// Most frames the network takes: 30 seconds.
pub const MOST_FRAMES: usize = 3_000;

/// Computes the bands.
pub struct Mel {
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    /// For each band, its first frequency and its weights from there on.
    bands: Vec<(usize, Vec<f32>)>,
}

impl Default for Mel {
    fn default() -> Self {
        let window = (0..WINDOW)
            .map(|i| {
                let turn = std::f64::consts::TAU * i as f64 / WINDOW as f64;
                (0.5 - 0.5 * turn.cos()) as f32
            })
            .collect();
        Mel { fft: RealFftPlanner::new().plan_fft_forward(WINDOW), window, bands: bands() }
    }
}

/// Slaney's scale: straight up to 1000 Hz, logarithmic above.
fn mel_to_hz(mel: f64) -> f64 {
    let step = 6.4f64.ln() / 27.0;
    if mel < 15.0 { mel * 200.0 / 3.0 } else { 1000.0 * (step * (mel - 15.0)).exp() }
}

fn hz_to_mel(hz: f64) -> f64 {
    let step = 6.4f64.ln() / 27.0;
    if hz < 1000.0 { hz * 3.0 / 200.0 } else { 15.0 + (hz / 1000.0).ln() / step }
}

fn bands() -> Vec<(usize, Vec<f32>)> {
    let top = hz_to_mel(RATE as f64 / 2.0);
    let edges: Vec<f64> =
        (0..BANDS + 2).map(|i| mel_to_hz(top * i as f64 / (BANDS + 1) as f64)).collect();
    edges
        .windows(3)
        .map(|e| {
            let weight = |k: usize| {
                let hz = k as f64 * RATE as f64 / WINDOW as f64;
                let up = (hz - e[0]) / (e[1] - e[0]);
                let down = (e[2] - hz) / (e[2] - e[1]);
                (up.min(down).max(0.0) * 2.0 / (e[2] - e[0])) as f32
            };
            let first = (0..BINS).find(|&k| weight(k) > 0.0).unwrap_or(0);
            let weights = (first..BINS).map(weight).take_while(|w| *w > 0.0).collect();
            (first, weights)
        })
        .collect()
}

impl Mel {
    /// The bands of `sound` (16 kHz, one channel, -1 to 1), band by band, with `frames` values in
    /// each; sound beyond the frames is left out, and what is missing is silence.
    pub fn of(&self, sound: &[f32], frames: usize) -> Vec<f32> {
        let mut out = vec![0.0f32; BANDS * frames];
        let mut input = self.fft.make_input_vec();
        let mut spectrum = self.fft.make_output_vec();
        let half = (WINDOW / 2) as isize;
        for f in 0..frames {
            for (i, slot) in input.iter_mut().enumerate() {
                // A window stands around its moment; before the beginning the sound is mirrored.
                let at = (f * HOP + i) as isize - half;
                let s = sound.get(at.unsigned_abs()).copied().unwrap_or(0.0);
                *slot = s * self.window[i];
            }
            if self.fft.process(&mut input, &mut spectrum).is_err() {
                // The lengths are the planner's own, so this cannot be; silence is left.
                continue;
            }
            for (b, (first, weights)) in self.bands.iter().enumerate() {
                let energy: f32 =
                    weights.iter().zip(&spectrum[*first..]).map(|(w, c)| w * c.norm_sqr()).sum();
                out[b * frames + f] = energy.max(1e-10).log10();
            }
        }
        let loudest = out.iter().copied().fold(f32::MIN, f32::max);
        for v in &mut out {
            *v = (v.max(loudest - 8.0) + 4.0) / 4.0;
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_stands_in_the_band_around_its_pitch() {
        // 1000 Hz is mel 15 by definition of Slaney's scale (Auditory Toolbox, 1998).
        let sound: Vec<f32> = (0..RATE)
            .map(|i| (std::f32::consts::TAU * 1000.0 * i as f32 / RATE as f32).sin() * 0.5)
            .collect();
        let mel = Mel::default().of(&sound, 100);
        let loudest = (0..BANDS).max_by(|a, b| mel[a * 100 + 50].total_cmp(&mel[b * 100 + 50]));
        let top = hz_to_mel(8000.0);
        let expected = (15.0 / top * 81.0).round() as usize - 1;
        assert_eq!(loudest, Some(expected));
    }

    #[test]
    fn every_band_hears_something() {
        assert!(bands().iter().all(|(_, w)| !w.is_empty()));
    }
}
