//! Stamped lines: one time and its words a line, as a person would type them.

use super::Draft;
use super::clock::{self, Fault, Style};
use super::report::Report;

/// How the time of a stamped line is written: `m:ss` or `h:mm:ss`, with a fraction or without.
/// In `m:ss` the minutes may go past 59.
pub(super) const STAMP: Style =
    Style { hours_needed: false, short_minutes: false, marks: &['.'], millis_needed: false };

/// What a stamped line must look like.
pub(super) const HELP: &str =
    "write `[m:ss] words`, `[m:ss.t] words` or `[h:mm:ss] words`; the brackets may be left out";

/// Whether a line begins the way a stamped line does, right or not.
pub(super) fn looks_stamped(line: &str) -> bool {
    let line = line.trim_start();
    clock::starts_like_time(line.strip_prefix('[').unwrap_or(line))
}

/// Reads the lines; blank ones and those that begin with `#` are comments.
pub(super) fn read(lines: &[&str], report: &mut Report<'_>) -> Vec<Draft> {
    let mut drafts = Vec::new();
    for (i, line) in lines.iter().enumerate() {
        let trimmed = line.trim();
        if trimmed.is_empty() || trimmed.starts_with('#') || report.is_faulty(i + 1) {
            continue;
        }
        match read_line(line) {
            Ok((start_ms, text)) => drafts.push(Draft {
                text: text.to_owned(),
                start_ms,
                end_ms: None,
                ordinal: u32::try_from(i + 1).unwrap_or(u32::MAX),
                line: i + 1,
                speaker: None,
                alternatives: Vec::new(),
            }),
            Err(fault) => report.error(i + 1, Some(fault.at), fault.message, HELP),
        }
    }
    drafts
}

fn read_line(line: &str) -> Result<(u64, &str), Fault> {
    let indent = line.len() - line.trim_start().len();
    let bracketed = line[indent..].starts_with('[');
    let (ms, at) = clock::scan(line, indent + usize::from(bracketed), STAMP)?;
    let rest = &line[at..];
    let words = if bracketed {
        rest.strip_prefix(']').ok_or_else(|| {
            Fault::new(at, format!("`]` must close the time, found {}", clock::quote(line, at)))
        })?
    } else if rest.is_empty() || rest.starts_with(char::is_whitespace) {
        rest
    } else {
        return Err(Fault::new(
            at,
            format!("a space must follow the time, found {}", clock::quote(line, at)),
        ));
    };
    match words.trim() {
        "" => Err(Fault::new(line.len(), "no words follow the time")),
        words => Ok((ms, words)),
    }
}

/// A time alone, as in the `at` field of a JSON line.
pub(super) fn read_time(text: &str) -> Result<u64, Fault> {
    match clock::scan(text, 0, STAMP)? {
        (ms, end) if end == text.len() => Ok(ms),
        (_, end) => Err(Fault::new(
            end,
            format!("nothing may follow the time, found {}", clock::quote(text, end)),
        )),
    }
}
