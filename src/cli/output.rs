//! Standard output and standard error. Never a panic on a closed pipe.

use std::fs::OpenOptions;
use std::io::{self, Write};
use std::path::Path;

use super::exit::Failure;

/// Writes to standard output; escape codes are taken out where it is no terminal.
pub fn put(text: &str) -> io::Result<()> {
    let mut out = anstream::stdout().lock();
    out.write_all(text.as_bytes())?;
    out.flush()
}

/// Writes one line to standard output.
pub fn line(text: &str) -> io::Result<()> {
    put(&format!("{text}\n"))
}

/// Writes JSON to standard output, indented.
pub fn json(value: &serde_json::Value) -> io::Result<()> {
    line(&format!("{value:#}"))
}

/// Writes one line to standard error; that it cannot be read there is nobody's failure.
pub fn tell(text: &str) {
    let _ = writeln!(anstream::stderr().lock(), "{text}");
}

/// Writes a warning to standard error.
pub fn warn(text: &str) {
    tell(&format!("warning: {text}"));
}

/// Writes a result to standard output, or to a file that must not be there yet.
pub fn deliver(to: Option<&Path>, text: &str) -> Result<(), Failure> {
    let Some(path) = to else { return Ok(put(text)?) };
    // A note in a chart may be the only copy: nothing is written over.
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .map_err(|e| Failure::file(path, "make this file", &e))?;
    file.write_all(text.as_bytes())
        .and_then(|()| file.sync_all())
        .map_err(|e| Failure::file(path, "write this file", &e))?;
    tell(&format!("written to {}", path.display()));
    Ok(())
}
