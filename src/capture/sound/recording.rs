//! Keeps the sound of an exam beside its journal.

use std::fs::{self, File, OpenOptions};
use std::io::{BufWriter, Seek, Write};
use std::path::Path;

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
        let folder = dir.join(FOLDER);
        let mut builder = fs::DirBuilder::new();
        // For its owner alone, as the journal is.
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        builder
            .recursive(true)
            .create(&folder)
            .map_err(|e| format!("{}: {e}", folder.display()))?;
        for n in 1..=MOST {
            let path = folder.join(format!("{n}.wav"));
            // Never written over: an earlier recording belongs to the same exam.
            let mut options = OpenOptions::new();
            #[cfg(unix)]
            std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
            let file = match options.write(true).create_new(true).open(&path) {
                Ok(f) => f,
                Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => continue,
                Err(e) => return Err(format!("{}: {e}", path.display())),
            };
            return Recording::on(BufWriter::new(file), format!("{FOLDER}/{n}.wav"), rate)
                .map_err(|e| format!("{}: {e}", path.display()));
        }
        Err(format!("{} holds {MOST} recordings already", folder.display()))
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
