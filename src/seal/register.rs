//! Which seals were made on this machine.
//!
//! A folder put back as it was before its last addendum is whole by everything that stands in it. Only
//! what stands elsewhere can tell: `signed.jsonl` in the folder of keys gets a line for every seal made
//! here. Losing it loses nothing that was signed.

use serde::{Deserialize, Serialize};

use super::error::SealError;
use super::keys::KeyFolder;
use super::statement::Seals;
use crate::journal::{Digest, Storage};

/// Name of the file within the folder of keys.
const FILE: &str = "signed.jsonl";

#[derive(Debug, Serialize, Deserialize)]
struct Row {
    exam: String,
    seals: Vec<Digest>,
}

/// Records the seals of an exam.
///
/// # Errors
/// [`SealError::Io`].
pub fn record(storage: &dyn Storage, folder: &KeyFolder, seals: &Seals) -> Result<(), SealError> {
    let path = folder.dir.join(FILE);
    let Some(first) = seals.seals.first() else { return Ok(()) };
    let row = Row {
        exam: first.statement.exam.clone(),
        seals: seals.seals.iter().map(|s| s.digest()).collect(),
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

/// The digests of the seals an exam had when it was last signed here; none when it never was.
pub fn seen(storage: &dyn Storage, folder: &KeyFolder, exam: &str) -> Vec<Digest> {
    let Ok(bytes) = storage.read(&folder.dir.join(FILE)) else { return Vec::new() };
    let rows = bytes.split(|b| *b == b'\n').filter_map(|l| serde_json::from_slice::<Row>(l).ok());
    // The longest, not the last: an older state signed again on does not shorten what was seen.
    rows.filter(|r| r.exam == exam).map(|r| r.seals).max_by_key(Vec::len).unwrap_or_default()
}
