//! Keeps the sound of an exam beside its journal.

use std::fs::{self, File, OpenOptions};
use std::io::{BufWriter, Seek, Write};
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};

/// Folder of the sound, within the exam's.
const FOLDER: &str = "audio";
/// Most recordings of one exam.
const MOST: u32 = 10_000;

/// A WAV file being written: 16 bit, one channel, at the microphone's rate. What was written up to
/// the last second stays readable whatever happens.
pub struct Recording<W: Write + Seek = BufWriter<File>> {
    /// Its name, from the exam folder on.
    pub name: String,
    writer: WavWriter<W>,
    since_flush: u32,
    rate: u32,
}

impl Recording {
    /// Begins the next file in the exam folder `dir`.
    ///
    /// # Errors
    /// Why it cannot be made.
    pub fn begin(dir: &Path, rate: u32) -> Result<Recording, String> {
        let (file, path, name) = next(&folder(dir)?)?;
        Recording::on(BufWriter::new(file), name, rate)
            .map_err(|e| format!("{}: {e}", path.display()))
    }
}

impl<W: Write + Seek> Recording<W> {
    /// Begins a file on whatever takes its bytes, at a rate of samples a second.
    ///
    /// # Errors
    /// Why its header cannot be written.
    pub fn on(to: W, name: String, rate: u32) -> Result<Self, String> {
        let spec = WavSpec {
            channels: 1,
            sample_rate: rate,
            bits_per_sample: 16,
            sample_format: SampleFormat::Int,
        };
        let writer = WavWriter::new(to, spec).map_err(|e| e.to_string())?;
        Ok(Recording { name, writer, since_flush: 0, rate })
    }

    /// Writes sound, -1 to 1.
    ///
    /// # Errors
    /// Why it cannot be written.
    pub fn write(&mut self, sound: &[f32]) -> Result<(), String> {
        let told = |e: hound::Error| format!("the sound file cannot be written: {e}");
        for s in sound {
            let whole = (f64::from(*s) * 32_768.0).round().clamp(-32_768.0, 32_767.0);
            self.writer.write_sample(whole as i16).map_err(told)?;
        }
        self.since_flush += u32::try_from(sound.len()).unwrap_or(u32::MAX);
        if self.since_flush >= self.rate {
            self.since_flush = 0;
            self.writer.flush().map_err(told)?;
        }
        Ok(())
    }

    /// Ends the file.
    ///
    /// # Errors
    /// Why its header cannot be brought up to date.
    pub fn end(self) -> Result<(), String> {
        self.writer.finalize().map_err(|e| format!("the sound file cannot be ended: {e}"))
    }
}

/// The folder of the sound in the exam folder `dir`; made where it is not there.
fn folder(dir: &Path) -> Result<PathBuf, String> {
    let folder = dir.join(FOLDER);
    let mut builder = fs::DirBuilder::new();
    // For its owner alone, as the journal is.
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.recursive(true).create(&folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    Ok(folder)
}

/// The next recording of the exam, empty: file, path, and name from the exam folder on.
fn next(folder: &Path) -> Result<(File, PathBuf, String), String> {
    for n in 1..=MOST {
        let path = folder.join(format!("{n}.wav"));
        // Never written over: an earlier recording belongs to the same exam.
        let mut options = OpenOptions::new();
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        match options.write(true).create_new(true).open(&path) {
            Ok(file) => return Ok((file, path, format!("{FOLDER}/{n}.wav"))),
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(format!("{}: {e}", path.display())),
        }
    }
    Err(format!("{} holds {MOST} recordings already", folder.display()))
}

/// Keeps a recording that was made elsewhere beside the journal of the exam in `dir`, byte for byte.
/// It is on disk when its name, from the exam folder on, is returned.
///
/// # Errors
/// Why it cannot be kept; then nothing of it is left there.
pub fn keep(dir: &Path, recording: &Path) -> Result<String, String> {
    let told = |e: std::io::Error| format!("{}: {e}", recording.display());
    let mut from = File::open(recording).map_err(told)?;
    let (mut file, path, name) = next(&folder(dir)?)?;
    if let Err(e) = std::io::copy(&mut from, &mut file).and_then(|_| file.sync_all()) {
        let _ = fs::remove_file(&path);
        return Err(format!("{}: {e}", path.display()));
    }
    Ok(name)
}
