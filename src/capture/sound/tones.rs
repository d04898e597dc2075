//! Short tones that answer a phrase, for whoever looks at the baby and not at the screen.
//!
//! Four, told apart by rhythm as much as by pitch. They are pure tones between 1.1 and 1.8 kHz, of
//! one or two notes or a trill: alarm signals are made of pulses below 1 kHz with overtones, in
//! groups of three, five or ten (IEC 60601-1-8, table 3 and 4; from memory, to be checked).

use std::time::Duration;

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{BufferSize, Data, SampleFormat, StreamConfig};

/// What a tone says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// Understood.
    Understood,
    /// Not understood.
    NotUnderstood,
    /// Something must be decided.
    NeedsYou,
    /// Nothing is recorded any more.
    Stopped,
}

/// Notes of a tone: hertz (0 for a rest) and milliseconds.
fn notes(tone: Tone) -> &'static [(f32, u32)] {
    match tone {
        Tone::Understood => &[(1568.0, 70)],
        Tone::NotUnderstood => &[(1175.0, 320)],
        Tone::NeedsYou => &[(1568.0, 70), (0.0, 60), (1319.0, 220)],
        Tone::Stopped => &[
            (1175.0, 60),
            (1760.0, 60),
            (1175.0, 60),
            (1760.0, 60),
            (1175.0, 60),
            (1760.0, 60),
            (1175.0, 60),
            (1760.0, 60),
            (0.0, 200),
            (1175.0, 500),
        ],
    }
}

/// Loudness, of the loudest possible. A newborn sleeps beside it.
const LOUD: f32 = 0.12;
/// Rise and fall of a note, milliseconds: without it a note clicks.
const EDGE_MS: u32 = 8;

/// The samples of a tone at `rate` samples a second.
pub fn samples(tone: Tone, rate: u32) -> Vec<f32> {
    let mut out = Vec::new();
    for &(hz, ms) in notes(tone) {
        let n = rate * ms / 1000;
        let edge = (rate * EDGE_MS / 1000).max(1) as f32;
        for i in 0..n {
            let turn = std::f32::consts::TAU * hz * i as f32 / rate as f32;
            let rim = (i as f32 / edge).min((n - i) as f32 / edge).min(1.0);
            out.push(turn.sin() * rim * LOUD);
        }
    }
    out
}

/// Plays a tone on the default output, on a thread of its own; where there is no output, nothing
/// is heard and nothing is lost.
pub fn play(tone: Tone) {
    std::thread::spawn(move || {
        let _ = sound(tone);
    });
}

fn sound(tone: Tone) -> Result<(), cpal::Error> {
    let host = cpal::default_host();
    let Some(device) = host.default_output_device() else { return Ok(()) };
    let own = device.default_output_config()?;
    let (rate, channels) = (own.sample_rate(), own.channels());
    let config = StreamConfig { channels, sample_rate: rate, buffer_size: BufferSize::Default };
    let tone = samples(tone, rate);
    let lasts = Duration::from_millis(tone.len() as u64 * 1000 / u64::from(rate.max(1)) + 150);
    let mut at = 0;
    let wide = usize::from(channels.max(1));
    let fill = move |data: &mut Data, _: &cpal::OutputCallbackInfo| {
        let mut next = |frame: &mut dyn FnMut(f32)| {
            frame(tone.get(at).copied().unwrap_or(0.0));
            at += 1;
        };
        match data.sample_format() {
            SampleFormat::F32 => {
                for f in data.as_slice_mut::<f32>().unwrap_or_default().chunks_mut(wide) {
                    next(&mut |s| f.fill(s));
                }
            }
            SampleFormat::I16 => {
                for f in data.as_slice_mut::<i16>().unwrap_or_default().chunks_mut(wide) {
                    next(&mut |s| f.fill((s * 32_767.0) as i16));
                }
            }
            SampleFormat::I32 => {
                for f in data.as_slice_mut::<i32>().unwrap_or_default().chunks_mut(wide) {
                    next(&mut |s| f.fill((f64::from(s) * 2_147_483_647.0) as i32));
                }
            }
            _ => {}
        }
    };
    let stream = device.build_output_stream_raw(config, own.sample_format(), fill, |_| {}, None)?;
    stream.play()?;
    std::thread::sleep(lasts);
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tones_differ_in_rhythm_and_none_is_a_group_of_three_pulses() {
        let all = [Tone::Understood, Tone::NotUnderstood, Tone::NeedsYou, Tone::Stopped];
        let rhythm = |t: Tone| notes(t).iter().map(|n| n.1).collect::<Vec<_>>();
        for (i, a) in all.iter().enumerate() {
            assert!(notes(*a).iter().all(|n| n.0 == 0.0 || n.0 > 1000.0));
            assert_ne!(notes(*a).iter().filter(|n| n.0 > 0.0).count(), 3);
            for b in &all[i + 1..] {
                assert_ne!(rhythm(*a), rhythm(*b));
            }
        }
    }
}
