//! The sound of one phrase, cut out of the recording kept with the exam.

use std::io::Cursor;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavReader, WavWriter};

use crate::capture::Phrase;
use crate::journal::{AudioMark, Entry, Line, Mark};

/// Sound before a phrase that is heard with it, milliseconds.
const BEFORE_MS: u64 = 200;
/// Sound after it.
const AFTER_MS: u64 = 300;
/// Longest slice, milliseconds: a journal may claim any length.
const LONGEST_MS: u64 = 120_000;

/// What happened to hearing, in the order of the journal.
pub fn marks(lines: &[Line]) -> Vec<AudioMark> {
    let mark = |l: &Line| match &l.entry {
        Entry::AudioMark(m) => Some(m.clone()),
        _ => None,
    };
    lines.iter().filter_map(mark).collect()
}

/// The recording a phrase was heard in, and where in it the exam clock stood at 0 of the file,
/// milliseconds.
fn recording<'m>(marks: &'m [AudioMark], p: &Phrase) -> Option<(&'m str, u64)> {
    let start = marks
        .iter()
        .filter(|m| m.mark == Mark::Start && m.from_ms <= p.end_ms && m.file.is_some())
        .max_by_key(|m| m.from_ms)?;
    Some((start.file.as_deref()?, start.from_ms))
}

/// The file, if it is there and within the folder; a link that leads out of it is not followed.
fn inside(folder: &Path, file: &str) -> Option<PathBuf> {
    let folder = folder.canonicalize().ok()?;
    let path = folder.join(file).canonicalize().ok()?;
    (path.starts_with(&folder) && path.is_file()).then_some(path)
}

/// The phrases whose sound is kept.
pub fn audible(folder: &Path, lines: &[Line]) -> Vec<u64> {
    let marks = marks(lines);
    let mut known: Vec<(String, Option<u64>)> = Vec::new();
    let mut length = |file: &str| match known.iter().find(|(f, _)| f == file) {
        Some((_, ms)) => *ms,
        None => {
            let ms = inside(folder, file).and_then(|p| milliseconds(&p));
            known.push((file.to_owned(), ms));
            ms
        }
    };
    let heard = |l: &Line| {
        let Entry::Phrase(p) = &l.entry else { return None };
        let (file, from) = recording(&marks, p)?;
        length(file).filter(|ms| p.start_ms < from.saturating_add(*ms)).map(|_| l.seq)
    };
    lines.iter().filter_map(heard).collect()
}

fn milliseconds(path: &Path) -> Option<u64> {
    let r = WavReader::open(path).ok()?;
    let rate = u64::from(r.spec().sample_rate);
    (rate > 0).then(|| u64::from(r.duration()) * 1000 / rate)
}

/// The sound of a phrase as a WAV file of its own; `None` when none is kept.
pub fn slice(folder: &Path, lines: &[Line], seq: u64) -> Option<Vec<u8>> {
    let p = lines.iter().find(|l| l.seq == seq).and_then(|l| match &l.entry {
        Entry::Phrase(p) => Some(p),
        _ => None,
    })?;
    let marks = marks(lines);
    let (file, zero) = recording(&marks, p)?;
    let path = inside(folder, file)?;
    let from = p.start_ms.saturating_sub(BEFORE_MS).saturating_sub(zero);
    let to = p.end_ms.saturating_add(AFTER_MS).saturating_sub(zero);
    cut(&path, from, to.min(from.saturating_add(LONGEST_MS)))
}

/// The samples between two moments of a file, milliseconds.
fn cut(path: &Path, from_ms: u64, to_ms: u64) -> Option<Vec<u8>> {
    let mut reader = WavReader::open(path).ok()?;
    let spec = reader.spec();
    let frame = |ms: u64| {
        let at = ms.saturating_mul(u64::from(spec.sample_rate)) / 1000;
        u32::try_from(at).unwrap_or(u32::MAX).min(reader.duration())
    };
    let (from, to) = (frame(from_ms), frame(to_ms));
    if from >= to {
        return None;
    }
    let samples = (to - from) as usize * usize::from(spec.channels);
    reader.seek(from).ok()?;
    let mut out = Cursor::new(Vec::new());
    let mut writer = WavWriter::new(&mut out, spec).ok()?;
    match spec.sample_format {
        SampleFormat::Int => {
            for s in reader.samples::<i32>().take(samples) {
                writer.write_sample(s.ok()?).ok()?;
            }
        }
        SampleFormat::Float => {
            for s in reader.samples::<f32>().take(samples) {
                writer.write_sample(s.ok()?).ok()?;
            }
        }
    }
    writer.finalize().ok()?;
    Some(out.into_inner())
}
