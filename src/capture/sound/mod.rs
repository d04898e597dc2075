//! Sound in: WAV files and the microphone, brought to 16 kHz, one channel.
//!
//! The clock is the sample counter: sample `n` of the 16 kHz sound stands at `n / 16` ms, whatever
//! the rate it came at.

pub mod microphone;
pub mod recording;
pub mod resample;
pub mod tones;
pub mod wav;

pub use recording::Recording;
pub use resample::Resampler;
pub use wav::{Sound, read_wav};

/// Samples a second of all sound behind this room.
pub const RATE: u32 = 16_000;

/// Milliseconds at which a sample of the 16 kHz sound stands, rounded down.
pub fn ms_at(sample: usize) -> u64 {
    sample as u64 * 1000 / u64::from(RATE)
}
