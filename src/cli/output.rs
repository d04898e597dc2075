//! Standard output and standard error. Never a panic on a closed pipe.

use std::io::{self, IsTerminal, Write};
use std::path::Path;

use super::exit::Failure;
use crate::journal::{FileSystem, NewFile};
use crate::report::words::WIDTH;

/// Fewest columns that text is broken to; a narrower terminal breaks it by itself.
const NARROWEST: usize = 24;

/// Columns of standard output: the terminal's, and [`WIDTH`] where it is none.
pub fn width() -> usize {
    match io::stdout().is_terminal() {
        true => crossterm::terminal::size().map_or(WIDTH, |(w, _)| usize::from(w)).max(NARROWEST),
        false => WIDTH,
    }
}

/// Breaks lines longer than `width` at word ends. Further lines hang under the first; those of a
/// command end in a backslash before them, so that it can still be copied.
pub fn broken(text: &str, width: usize) -> String {
    let mut out = String::with_capacity(text.len());
    for line in text.split_inclusive('\n') {
        let (bare, end) = match line.strip_suffix('\n') {
            Some(bare) => (bare, "\n"),
            None => (line, ""),
        };
        if textwrap::core::display_width(bare) <= width {
            out.push_str(line);
            continue;
        }
        let plain = anstream::adapter::strip_str(bare).to_string();
        let blanks = plain.len() - plain.trim_start().len();
        let command = ["cotside ", "next: cotside ", "to take it back: cotside "]
            .iter()
            .any(|c| plain.trim_start().starts_with(c));
        let hang = " ".repeat((blanks + 4).min(width / 2));
        let how = textwrap::Options::new(if command { width - 2 } else { width })
            .subsequent_indent(&hang)
            .break_words(false)
            .word_splitter(textwrap::WordSplitter::NoHyphenation)
            .word_separator(textwrap::WordSeparator::AsciiSpace);
        let lines = textwrap::wrap(bare, how);
        out.push_str(&lines.join(if command { " \\\n" } else { "\n" }));
        out.push_str(end);
    }
    out
}

/// Writes to standard output, no line wider than it; escape codes are taken out where it is no
/// terminal.
pub fn put(text: &str) -> io::Result<()> {
    raw(&broken(text, width()))
}

/// As [`put`], for what other programs read: lines stay as they are.
pub fn raw(text: &str) -> io::Result<()> {
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
    raw(&format!("{value:#}\n"))
}

/// Writes one line to standard error; that it cannot be read there is nobody's failure.
pub fn tell(text: &str) {
    // Messages are kept whole for whoever collects them, and broken for whoever reads them.
    let text = match io::stderr().is_terminal() {
        true => broken(
            text,
            crossterm::terminal::size().map_or(WIDTH, |(w, _)| w.into()).max(NARROWEST),
        ),
        false => text.to_owned(),
    };
    let _ = writeln!(anstream::stderr().lock(), "{text}");
}

/// Writes a warning to standard error.
pub fn warn(text: &str) {
    tell(&format!("warning: {text}"));
}

/// Begins a file that must not be there yet, which only its owner may read: it holds an exam. A note
/// in a chart may be the only copy, so nothing is written over, and half a file never gets the name.
pub fn create(path: &Path) -> Result<NewFile<'static>, Failure> {
    NewFile::begin(&FileSystem, path).map_err(|e| Failure::file(path, "make this file", &e))
}

/// Writes a result to standard output, or to a file that must not be there yet.
pub fn deliver(to: Option<&Path>, text: &str) -> Result<(), Failure> {
    match to {
        None => Ok(raw(text)?),
        Some(_) => deliver_bytes(to, text.as_bytes()),
    }
}

/// As [`deliver`], for what is not text; standard output gets it as it is.
pub fn deliver_bytes(to: Option<&Path>, bytes: &[u8]) -> Result<(), Failure> {
    let Some(path) = to else {
        let mut out = io::stdout().lock();
        return Ok(out.write_all(bytes).and_then(|()| out.flush())?);
    };
    let mut file = create(path)?;
    file.write_all(bytes)
        .and_then(|()| file.finish())
        .map_err(|e| Failure::file(path, "write this file", &e))?;
    tell(&format!("written to {}", path.display()));
    Ok(())
}
