//! The journal: what was said, when, appended and never rewritten.
//!
//! An exam folder holds `journal.jsonl`, one JSON object (RFC 8259) a line, each line ending in
//! one newline:
//!
//! ```text
//! {"seq":1,"exam_ms":0,"wall":"2031-04-05T09:26:53.000+02:00","kind":"header",...,"prev":"000…0"}
//! {"seq":2,"exam_ms":4180,"wall":"…","kind":"phrase",...,"prev":"<SHA-256 of line 1>"}
//! ```
//!
//! `prev` is the SHA-256 of the bytes of the line before, without its newline; 64 zeros in the
//! first line. `head -n1 journal.jsonl | tr -d '\n' | sha256sum` gives the `prev` of line 2.
//! Fields this version does not know are left where they are and are covered by the digest.
//!
//! Lines can be read without a lock, at any time ([`read`]). Writers hold an exclusive lock on the
//! file ([`Journal`]).
//!
//! # Creating
//!
//! 1. The header is checked and put into words. Nothing is on disk yet.
//! 2. The folder is made, mode 0700.
//! 3. `journal.jsonl` is made, mode 0600, only if it is not there (`O_EXCL`), and locked.
//! 4. The header line is written in one call; the file, the folder and the folder above are synced.
//! 5. The handle is returned.
//!
//! If the process or the machine stops
//! - after 1: nothing happened.
//! - after 2 or 3, or in 4: there may be a folder, an empty journal, or part of a header. Reading
//!   and opening answer "nothing is recorded in it" ([`JournalError::Empty`]), or that there is no
//!   journal. Creating again in the same folder works; part of a header is set aside as a torn
//!   tail is.
//! - in 4 after the write, before the last sync: as above, or the header is there. Nobody was told
//!   so yet; creating again answers that it exists, and it can be opened.
//!
//! If two create at once, one makes the file and the other finds it; whoever locks it first writes
//! the header. The other is refused: it either finds the file locked, or, looking into it under the
//! lock as both do, finds it written.
//!
//! # Appending
//!
//! 1. The entry is checked against the rules that reading applies (time does not fall, references
//!    name earlier entries, numbers are finite), put into words and read back. If that fails,
//!    nothing is written and the handle stays good.
//! 2. The whole line with its newline is written at the end of the file in one call.
//! 3. The data is synced (`fdatasync`, which includes the new length).
//! 4. The sequence number is returned: the entry is **confirmed**.
//!
//! If the process stops
//! - before 2: the entry is not there.
//! - in 2: part of the line may be there: a torn tail.
//! - after 2: the whole line is there. It was not confirmed, yet it is read, and opening syncs it.
//!
//! If the machine stops
//! - before the end of 3: none, part or all of the line may be there, part perhaps as zero bytes.
//!   None, or all: as above. Otherwise the last line lacks its newline or is not JSON: a torn tail.
//! - after 3: the entry is there.
//!
//! If 2 or 3 answers with an error (disk full, disk gone), part or all of the line may be there.
//! The handle refuses all further work, because anything written behind a torn line would turn a
//! torn tail into damage. Opening again sets the tail aside and goes on.
//!
//! # The torn tail
//!
//! Since every line is durable before the next is written, only the last line can be incomplete:
//! it lacks its newline, or it is not UTF-8, or it is not JSON. It was never confirmed. Reading
//! reports it ([`JournalRead::torn`]). Opening to append, under the lock,
//!
//! 1. copies its bytes to `journal.torn.part` and syncs the copy;
//! 2. renames the copy to the first free `journal.torn-<n>` and syncs the folder;
//! 3. cuts the journal behind its last whole line and syncs it.
//!
//! If anything stops or fails
//! - in 1: the tail is still in the journal; the next opening empties the partial copy and begins
//!   again.
//! - in 2: the tail is in the journal, and perhaps in the copy under its old or its new name; the
//!   next opening may keep it a second time under the next number.
//! - in 3: the tail is in the copy, and perhaps still in the journal; as for 2.
//!
//! At no moment are the bytes in neither file.
//!
//! # Damage
//!
//! Anything else is damage, which no stopped write explains: a line before the last that is not
//! JSON, a broken digest, a jump in `seq`, an unknown kind, exam time that falls, a reference to
//! nothing, something behind the object on its line. It is answered with [`JournalError::Damage`]:
//! file, line, what was found, what would be right. Nothing is repaired and nothing is changed.
//!
//! A changed line whose JSON is still good shows in the digest held by the line after it. If that
//! line does not fit the line after it either, it is the one whose `prev` was changed.
//!
//! # What this does not cover
//!
//! - The **last line's** digest is held by nothing in the file. Whoever can write the file can
//!   change that line, or cut whole lines off the end, or write the whole chain anew. A signature
//!   over [`JournalRead::digest`] covers all of it; that is another room's work (`crate::seal`).
//! - A last line damaged after it was confirmed, so that it is no longer JSON, looks torn. Its
//!   bytes are kept.
//! - A disk that answers a sync before the data is safe; a kernel that drops unsynced data after a
//!   failed sync and then answers the next with success. The first loses confirmed entries, seen
//!   as a shorter journal; the second, if entries were appended after opening again, as damage.
//! - File systems without locks: opening fails with the system's error.

mod chain;
mod clock;
mod entry;
mod error;
mod file;
mod header;
mod line;
mod recover;
mod signed;
mod store;
mod whole;

pub use chain::Digest;
pub use clock::{
    Clock, ExamClock, LONGEST_ABSENCE_H, ManualClock, Resumed, SystemClock, parse_wall,
};
pub use entry::{
    AudioMark, Chosen, Decision, Echo, Entry, FEWEST_WEEKS, Ga, KINDS, MOST_WEEKS, Mark, Resume,
    Settlement, Target,
};
pub use error::JournalError;
pub use file::{Journal, Opened};
pub use header::{ExamCode, Header, HeaderChange, LONGEST_CODE, LexiconRef, SCHEMA, Sex};
pub use line::Line;
pub use recover::{Torn, TornWhy};
pub use signed::{Addendum, AudioRemoval, FileDigest, Form, Signing};
pub use store::{FileSystem, Kind, Listed, Storage, StorageFile};
pub use whole::{NewFile, restore};

use std::io::ErrorKind;
use std::path::Path;

/// Name of the journal's file within the exam folder.
pub const FILE_NAME: &str = "journal.jsonl";

/// What a journal holds: at least its header.
#[derive(Debug, Clone, PartialEq)]
pub struct JournalRead {
    /// The whole lines, in order; the first is the header.
    pub lines: Vec<Line>,
    /// The incomplete end, when there is one.
    pub torn: Option<Torn>,
}

impl JournalRead {
    /// SHA-256 of the last whole line, which stands for the whole journal.
    pub fn digest(&self) -> Digest {
        self.lines.last().map_or(Digest::ZERO, |line| line.digest)
    }

    /// The line in which the exam was signed, when it was; nothing but addenda follows it.
    pub fn signing(&self) -> Option<(&Line, &Signing)> {
        self.lines.iter().rev().find_map(|line| match &line.entry {
            Entry::Signing(signing) => Some((line, signing.as_ref())),
            _ => None,
        })
    }

    /// The file's bytes up to the end of its last whole line.
    pub fn bytes(&self) -> Vec<u8> {
        self.lines.iter().flat_map(|l| l.raw.bytes().chain([b'\n'])).collect()
    }

    /// The header with every later change applied; `None` only for a value built without one.
    pub fn header(&self) -> Option<Header> {
        let mut lines = self.lines.iter();
        let Some(Entry::Header(first)) = lines.next().map(|line| &line.entry) else { return None };
        let mut header = Header::clone(first);
        for line in lines {
            if let Entry::HeaderChange(change) = &line.entry {
                header.apply(change);
            }
        }
        Some(header)
    }
}

/// Reads the journal in `dir`, without a lock and without writing.
///
/// While another process appends, its line in flight may be seen as a torn tail.
///
/// # Errors
/// [`JournalError::Missing`], [`JournalError::Empty`], [`JournalError::Damage`],
/// [`JournalError::Newer`] or [`JournalError::Io`].
pub fn read(dir: impl AsRef<Path>) -> Result<JournalRead, JournalError> {
    read_in(&FileSystem, dir.as_ref())
}

/// As [`read`], from any storage.
///
/// # Errors
/// As [`read`].
pub fn read_in(storage: &dyn Storage, dir: &Path) -> Result<JournalRead, JournalError> {
    let path = error::journal_path(dir);
    let bytes = storage.read(&path).map_err(|e| match e.kind() {
        ErrorKind::NotFound => JournalError::missing(&path),
        _ => JournalError::io("read the journal", &path, e),
    })?;
    read_bytes(&path, &bytes)
}

/// As [`read`], from bytes at hand; `shown` names them in messages.
///
/// # Errors
/// As [`read`], save those of a disk.
pub fn read_bytes(shown: &Path, bytes: &[u8]) -> Result<JournalRead, JournalError> {
    let recover::Scan { lines, torn, .. } = recover::scan(shown, bytes)?;
    if lines.is_empty() {
        return Err(JournalError::empty(shown));
    }
    Ok(JournalRead { lines, torn })
}
