//! Reads a journal's bytes: whole lines, perhaps a torn tail, or damage. Sets a torn tail aside.

use super::chain::{Chain, Digest};
use super::error::{JournalError, shown};
use super::line::{self, Fault, Line};
use super::store::{Storage, StorageFile};
use crate::problem::Problem;
use std::fmt;
use std::path::{Path, PathBuf};

/// The end of a file that was being written when the writing stopped.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Torn {
    /// The line it would have been, from 1.
    pub line: usize,
    /// Where it begins, in bytes from the start of the file.
    pub offset: u64,
    /// The bytes.
    pub bytes: Vec<u8>,
    /// What shows that it is incomplete.
    pub why: TornWhy,
    /// Where the bytes were put; absent when the journal was only read.
    pub kept: Option<PathBuf>,
}

/// What shows that the last line is incomplete.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TornWhy {
    /// It does not end in a newline.
    NoNewline,
    /// It is not UTF-8.
    NotUtf8,
    /// It is not JSON.
    NotJson,
}

impl fmt::Display for Torn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let why = match self.why {
            TornWhy::NoNewline => "does not end in a newline",
            TornWhy::NotUtf8 => "is not UTF-8",
            TornWhy::NotJson => "is not JSON",
        };
        let (line, len) = (self.line, self.bytes.len());
        write!(f, "line {line} was being written when writing stopped: it {why} ({len} bytes)")?;
        match &self.kept {
            Some(path) => write!(f, "; the bytes are kept in {}", path.display()),
            None => Ok(()),
        }
    }
}

/// A journal's bytes, understood.
pub(super) struct Scan {
    pub lines: Vec<Line>,
    pub torn: Option<Torn>,
    pub chain: Chain,
}

/// Understands the bytes of the journal `path`.
pub(super) fn scan(path: &Path, bytes: &[u8]) -> Result<Scan, JournalError> {
    let mut scan = Scan { lines: Vec::new(), torn: None, chain: Chain::new() };
    let mut offset = 0;
    while offset < bytes.len() {
        let rest = &bytes[offset..];
        let newline = rest.iter().position(|b| *b == b'\n');
        let body = &rest[..newline.unwrap_or(rest.len())];
        let after = &rest[newline.map_or(rest.len(), |n| n + 1)..];
        let at = Place { path, number: scan.lines.len() + 1, body };
        not_run_together(&at)?;
        let why = torn_why(body, newline.is_some());
        if after.is_empty()
            && let Some(why) = why
        {
            let bytes = rest.to_vec();
            scan.torn =
                Some(Torn { line: at.number, offset: offset as u64, bytes, why, kept: None });
            break;
        }
        let raw = std::str::from_utf8(body).map_err(|e| {
            let column = String::from_utf8_lossy(&body[..e.valid_up_to()]).chars().count() + 1;
            let message = format!("the line is not UTF-8: byte {:#04x}", body[e.valid_up_to()]);
            let help = "every line is one JSON object in UTF-8".to_owned();
            at.damage(Fault { column, ..Fault::new(message, help) })
        })?;
        let line = line::decode(raw).map_err(|fault| at.damage(fault))?;
        let expected = scan.chain.next_seq();
        if line.seq != expected {
            return Err(at.damage(Fault::new(
                format!("`seq` is {} where {expected} was due", line.seq),
                "lines are numbered from 1 without gaps; a line is missing, doubled or moved",
            )));
        }
        if line.prev != scan.chain.prev() {
            return Err(broken_chain(&at, &scan, line.prev, line.digest, after));
        }
        scan.chain.admits(line.exam_ms, &line.entry).map_err(|fault| at.damage(fault))?;
        scan.chain.follow(&line);
        scan.lines.push(line);
        offset = bytes.len() - after.len();
    }
    Ok(scan)
}

/// A line of the file, for saying what is wrong with it.
struct Place<'a> {
    path: &'a Path,
    number: usize,
    body: &'a [u8],
}

impl Place<'_> {
    fn damage(&self, fault: Fault) -> JournalError {
        let text = String::from_utf8_lossy(self.body);
        let before = match self.number - 1 {
            0 => "nothing was changed".to_owned(),
            1 => "line 1 before it can be read; nothing was changed".to_owned(),
            n => format!("lines 1 to {n} before it can be read; nothing was changed"),
        };
        let problem = Box::new(
            Problem::at(shown(self.path), self.number, fault.column, fault.message)
                .excerpt(text)
                .help(format!("{}; {before}", fault.help)),
        );
        if fault.newer { JournalError::Newer(problem) } else { JournalError::Damage(problem) }
    }
}

/// What shows that a line is incomplete, when anything does.
fn torn_why(body: &[u8], ended: bool) -> Option<TornWhy> {
    if !ended {
        Some(TornWhy::NoNewline)
    } else if std::str::from_utf8(body).is_err() {
        Some(TornWhy::NotUtf8)
    } else if line::first_value_len(body).is_none() {
        Some(TornWhy::NotJson)
    } else {
        None
    }
}

/// A whole object with more behind it was not torn in writing: a line ends with its object. Its
/// newline was changed, and to call it torn would set a confirmed entry aside.
///
/// Zero bytes behind it are what some file systems leave where a write did not arrive.
fn not_run_together(at: &Place) -> Result<(), JournalError> {
    let Some(len) = line::first_value_len(at.body) else { return Ok(()) };
    let behind = &at.body[len..];
    // A carriage return has its own words in `line::decode`.
    if behind.iter().all(|b| *b == 0) || behind == b"\r" || !at.body.starts_with(b"{") {
        return Ok(());
    }
    let column = String::from_utf8_lossy(&at.body[..len]).chars().count() + 1;
    Err(at.damage(Fault {
        column,
        ..Fault::new(
            "something follows the JSON object on its line",
            "every line is one JSON object and a newline; a newline was lost or changed",
        )
    }))
}

/// The digest does not fit: either this line was changed in its `prev`, or the line before was
/// changed anywhere. The line after tells which, because it holds this line's digest.
fn broken_chain(at: &Place, scan: &Scan, found: Digest, own: Digest, after: &[u8]) -> JournalError {
    let due = scan.chain.prev();
    let Some(before) = scan.lines.last() else {
        return at.damage(Fault::new(
            format!("`prev` of the first line is {found}"),
            format!("the first line has {due}"),
        ));
    };
    let next = after.split(|b| *b == b'\n').next().and_then(line::prev_of);
    let (number, last) = (at.number, at.number - 1);
    let place = Place { path: at.path, number: last, body: before.raw.as_bytes() };
    match next {
        Some(next) if next != own => at.damage(Fault::new(
            format!("the line was changed: its `prev` is {found}, and line {last} has {due}"),
            format!("`prev` is the SHA-256 of line {last}; line {} also shows the change", number + 1),
        )),
        Some(_) => place.damage(Fault::new(
            format!("the line was changed: its SHA-256 is {due}, and line {number} has {found}"),
            format!("put the line back as it was; line {number} itself is as it was written"),
        )),
        None => place.damage(Fault::new(
            format!(
                "the line was changed, or `prev` of line {number} was: the line's SHA-256 is {due}, and line {number} has {found}"
            ),
            "put both lines back as they were; no later line tells which was changed",
        )),
    }
}

/// Copies the torn bytes to a file of their own, then cuts them off the journal.
///
/// The copy is durable under its own name before the journal is cut, so at every moment the bytes
/// are in one file or the other. Returns where they are kept.
pub(super) fn set_aside(
    storage: &dyn Storage,
    dir: &Path,
    journal: &mut dyn StorageFile,
    torn: &Torn,
) -> Result<PathBuf, JournalError> {
    let path = super::error::journal_path(dir);
    let part = dir.join("journal.torn.part");
    let kept = free_name(storage, dir)?;
    let fail = |doing: &'static str, path: &Path| {
        let path = path.to_owned();
        move |e| JournalError::io(doing, &path, e)
    };
    let copying = "set the torn tail aside";
    let mut copy = storage.create_or_empty(&part).map_err(fail(copying, &part))?;
    copy.write_all(&torn.bytes).map_err(fail(copying, &part))?;
    copy.sync_all().map_err(fail(copying, &part))?;
    drop(copy);
    storage.rename(&part, &kept).map_err(fail(copying, &kept))?;
    storage.sync_dir(dir).map_err(fail(copying, dir))?;
    journal.truncate(torn.offset).map_err(fail("cut the torn tail off", &path))?;
    journal.sync_all().map_err(fail("cut the torn tail off", &path))?;
    Ok(kept)
}

/// The first `journal.torn-<n>` that is not there yet.
fn free_name(storage: &dyn Storage, dir: &Path) -> Result<PathBuf, JournalError> {
    let mut n = 1_u64;
    loop {
        let path = dir.join(format!("journal.torn-{n}"));
        match storage.exists(&path) {
            Ok(false) => return Ok(path),
            Ok(true) => n += 1,
            Err(e) => return Err(JournalError::io("look for a free name", &path, e)),
        }
    }
}
