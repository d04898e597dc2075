//! Reads a WAV file of any PCM or float format, rate and channel count.

use std::io::{BufReader, Read, Seek};
use std::path::Path;

use hound::{SampleFormat, WavReader, WavSpec};

use super::{RATE, Resampler};
use crate::problem::Problem;

/// Frames read at once.
const BLOCK: usize = 16_384;

/// The sound of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// 16 kHz, one channel, -1 to 1.
    pub samples: Vec<f32>,
    /// What the file held, for people.
    pub format: String,
    /// What is odd about it.
    pub warnings: Vec<Problem>,
}

impl Sound {
    /// Its length, milliseconds.
    pub fn length_ms(&self) -> u64 {
        super::ms_at(self.samples.len())
    }
}

/// Reads a WAV file. The channels are averaged.
///
/// # Errors
/// Names the file, what was found and what would be right.
pub fn read_wav(path: &Path) -> Result<Sound, Problem> {
    let file = path.display().to_string();
    let open = std::fs::File::open(path).map_err(|e| {
        Problem::in_file(&file, format!("cannot be opened: {e}"))
            .help("check the name and who may read it")
    })?;
    read(&file, BufReader::new(open))
}

/// Reads WAV data; `file` is its name in messages.
///
/// # Errors
/// As [`read_wav`].
pub fn read(file: &str, data: impl Read + Seek) -> Result<Sound, Problem> {
    let right = "give a WAV file with 8 to 32 bit PCM or 32 bit float samples";
    let refuse = |what: String| Problem::in_file(file, what).help(right);
    let mut reader = WavReader::new(data).map_err(|e| match e {
        hound::Error::Unsupported => refuse("is a WAV file of a kind that is not read here".into()),
        hound::Error::FormatError(why) => refuse(format!("is no WAV file ({why})")),
        other => refuse(format!("is no WAV file ({other})")),
    })?;
    let spec = reader.spec();
    if spec.channels == 0 || spec.bits_per_sample == 0 {
        return Err(refuse("has no channel, or no bits in a sample".into()));
    }
    let mut resampler = Resampler::new(spec.sample_rate).map_err(refuse)?;
    let said = u64::from(reader.duration());
    let mut sound = Sound { samples: Vec::new(), format: format_of(spec), warnings: Vec::new() };
    sound
        .samples
        .reserve((said * u64::from(RATE) / u64::from(spec.sample_rate)).min(1 << 28) as usize);
    let mut block = Vec::with_capacity(BLOCK);
    let (mut frames, mut broken, mut wild) = (0u64, None, 0u64);
    let channels = usize::from(spec.channels);
    let scale = 1.0 / f64::from(1u32 << (spec.bits_per_sample.min(32) - 1));
    let mut take = |frame: &[f32], sound: &mut Sound| {
        let sum: f32 = frame.iter().sum();
        let mono = sum / channels as f32;
        // A float file may hold anything; what is no number is silence, and is counted.
        wild += u64::from(!mono.is_finite());
        block.push(if mono.is_finite() { mono.clamp(-1.0, 1.0) } else { 0.0 });
        frames += 1;
        if block.len() == BLOCK {
            resampler.push(&block, &mut sound.samples);
            block.clear();
        }
    };
    let mut frame: Vec<f32> = Vec::with_capacity(channels);
    let mut one = |s: Result<f32, hound::Error>, sound: &mut Sound| match s {
        Ok(s) => {
            frame.push(s);
            if frame.len() == channels {
                take(&frame, sound);
                frame.clear();
            }
            true
        }
        Err(e) => {
            broken = Some(e);
            false
        }
    };
    match spec.sample_format {
        SampleFormat::Float => {
            reader.samples::<f32>().all(|s| one(s, &mut sound));
        }
        SampleFormat::Int => {
            reader
                .samples::<i32>()
                .all(|s| one(s.map(|s| (f64::from(s) * scale) as f32), &mut sound));
        }
    }
    resampler.push(&block, &mut sound.samples);
    resampler.finish(&mut sound.samples);
    if let Some(e) = broken {
        if frames == 0 {
            return Err(refuse(format!("holds no sound that can be read ({e})")));
        }
        let seconds = |f: u64| f as f64 / f64::from(spec.sample_rate);
        sound.warnings.push(
            Problem::in_file(
                file,
                format!(
                    "ends after {:.1} s; its header says {:.1} s. All there is was read",
                    seconds(frames),
                    seconds(said)
                ),
            )
            .help("a recording that was cut off looks like this"),
        );
    }
    if wild > 0 {
        sound.warnings.push(
            Problem::in_file(file, format!("{wild} samples are no numbers; taken as silence"))
                .help("record again, or repair the file"),
        );
    }
    if frames == 0 {
        return Err(refuse("holds no sound".into()));
    }
    Ok(sound)
}

fn format_of(spec: WavSpec) -> String {
    let kind = match spec.sample_format {
        SampleFormat::Float => "float",
        SampleFormat::Int => "PCM",
    };
    let channels = match spec.channels {
        1 => "1 channel".to_owned(),
        n => format!("{n} channels"),
    };
    format!("{} Hz, {} bit {kind}, {channels}", spec.sample_rate, spec.bits_per_sample)
}
