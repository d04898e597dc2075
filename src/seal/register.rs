//! Which seals were made on this machine.
//!
//! A folder put back as it was before its last addendum is whole by everything that stands in it. Only
//! what stands elsewhere can tell: `signed.jsonl` in the folder of keys gets a line for every seal made
//! here. Losing it loses nothing that was signed.

use serde::{Deserialize, Serialize};

use super::error::SealError;
use super::keys::KeyFolder;
use super::statement::Seals;
use crate::journal::{Digest, JournalRead, Storage};

/// Name of the file within the folder of keys.
const FILE: &str = "signed.jsonl";

#[derive(Debug, Serialize, Deserialize)]
struct Row {
    exam: String,
    seals: Vec<Digest>,
    /// Digest of the journal as it was when it was signed; absent in rows of an earlier version.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    journal: Option<Digest>,
}

/// Records the seals of an exam; `journal` is the digest of the line before its signing.
///
/// # Errors
/// [`SealError::Io`].
pub fn record(
    storage: &dyn Storage,
    folder: &KeyFolder,
    seals: &Seals,
    journal: Option<Digest>,
) -> Result<(), SealError> {
    let path = folder.dir.join(FILE);
    let Some(first) = seals.seals.first() else { return Ok(()) };
    let row = Row {
        exam: first.statement.exam.clone(),
        seals: seals.seals.iter().map(|s| s.digest()).collect(),
        journal,
    };
    let line = serde_json::to_string(&row).unwrap_or_default();
    let fail = |e: std::io::Error| SealError::io("note that this was signed", &path, &e);
    let there = storage.exists(&path).map_err(fail)?;
    let mut file =
        if there { storage.open(&path) } else { storage.create_new(&path) }.map_err(fail)?;
    // Begins a line of its own behind one that was cut short.
    let text = format!("\n{line}\n");
    file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(fail)
}

fn rows(storage: &dyn Storage, folder: &KeyFolder, exam: &str) -> Vec<Row> {
    let Ok(bytes) = storage.read(&folder.dir.join(FILE)) else { return Vec::new() };
    let rows = bytes.split(|b| *b == b'\n').filter_map(|l| serde_json::from_slice::<Row>(l).ok());
    rows.filter(|r| r.exam == exam).collect()
}

/// The digests of the seals an exam had when it was last signed here; none when it never was.
///
/// The first seal made of an exam is the one that counts: a later first seal of the same code was
/// made over something else. Of its rows the longest is taken, not the last: an older state signed
/// again on does not shorten what was seen.
pub fn seen(storage: &dyn Storage, folder: &KeyFolder, exam: &str) -> Vec<Digest> {
    let rows = rows(storage, folder, exam);
    let Some(first) = rows.first().and_then(|r| r.seals.first()).cloned() else {
        return Vec::new();
    };
    let same = rows.into_iter().map(|r| r.seals).filter(|s| s.first() == Some(&first));
    same.max_by_key(Vec::len).unwrap_or_default()
}

/// Whether this machine signed the exam that a journal without a signature holds: what was signed
/// then stands in it, line for line.
pub fn signed_here(storage: &dyn Storage, folder: &KeyFolder, read: &JournalRead) -> bool {
    let Some(header) = read.header().filter(|_| read.signing().is_none()) else { return false };
    rows(storage, folder, header.code.as_str())
        .iter()
        .filter_map(|r| r.journal.as_ref())
        .any(|signed| read.lines.iter().any(|l| l.digest == *signed))
}
