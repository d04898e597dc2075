//! Rows as comma-separated values: RFC 4180, UTF-8, lines ending in CR and LF, a line of names first.

use std::io::Write;

use super::{COLUMNS, Cell, Row};

/// Writes the line of names, then rows as they come.
pub struct Writer<W: Write> {
    out: ::csv::Writer<W>,
}

impl<W: Write> Writer<W> {
    /// Begins with the names of the columns.
    ///
    /// # Errors
    /// Those of writing.
    pub fn new(to: W) -> std::io::Result<Self> {
        let mut out =
            ::csv::WriterBuilder::new().terminator(::csv::Terminator::CRLF).from_writer(to);
        out.write_record(COLUMNS.iter().map(|c| c.0)).map_err(into_io)?;
        Ok(Writer { out })
    }

    /// Writes one row.
    ///
    /// # Errors
    /// Those of writing.
    pub fn row(&mut self, row: &Row) -> std::io::Result<()> {
        self.out.write_record(row.iter().map(field)).map_err(into_io)
    }

    /// Writes out what is buffered.
    ///
    /// # Errors
    /// Those of writing.
    pub fn finish(mut self) -> std::io::Result<()> {
        self.out.flush()
    }
}

fn into_io(e: ::csv::Error) -> std::io::Error {
    match e.into_kind() {
        ::csv::ErrorKind::Io(e) => e,
        other => std::io::Error::other(format!("{other:?}")),
    }
}

fn field(cell: &Cell) -> String {
    match cell {
        Cell::Empty => String::new(),
        Cell::Text(t) => inert(t),
        Cell::Int(n) => n.to_string(),
        Cell::Number(n) => n.to_string(),
        Cell::Bool(b) => b.to_string(),
    }
}

/// Words that a spreadsheet would take for a formula get an apostrophe before them, so that they
/// are shown and not run (OWASP, CSV Injection: a field that begins with `=`, `+`, `-`, `@`, tab
/// or carriage return). Words may have been spoken or typed by anybody; numbers stay numbers.
pub fn inert(text: &str) -> String {
    match text.trim_start_matches(' ').starts_with(['=', '+', '-', '@', '\t', '\r', '\n']) {
        true => format!("'{text}"),
        false => text.to_owned(),
    }
}

/// All rows as one text.
pub fn whole(rows: &[Row]) -> String {
    let mut out = Vec::new();
    // Writing to memory does not fail, and all that is written is UTF-8.
    let _ = Writer::new(&mut out).and_then(|mut w| {
        rows.iter().try_for_each(|r| w.row(r))?;
        w.finish()
    });
    String::from_utf8(out).unwrap_or_default()
}
