//! Which seals an exam folder has, also while the last of them is still on its way to its own name.
//!
//! See the commit protocol in [`super`]: a seal is prepared under `seal.json.part`, holds from the moment
//! the journal's line is there, and is then renamed to `seal.json`. A prepared seal that the journal
//! does not bear out is nothing.

use std::io::ErrorKind;
use std::path::Path;

use super::error::SealError;
use super::folder::part;
use super::statement::{NOTE_FILE, SEAL_FILE, Seals};
use crate::journal::{Digest, FILE_NAME, Storage};

/// The journal's lines by their bytes alone, whatever they say.
#[derive(Debug, Clone)]
pub struct RawLines {
    /// SHA-256 of each line that ends in a newline.
    pub digests: Vec<Digest>,
    /// Whether bytes without a newline stand behind them.
    pub rest: bool,
}

impl RawLines {
    /// Reads the journal of an exam folder.
    ///
    /// # Errors
    /// [`SealError::Io`]; [`SealError::Refused`] when there is no journal.
    pub fn read(storage: &dyn Storage, dir: &Path) -> Result<Self, SealError> {
        let path = dir.join(FILE_NAME);
        let bytes = storage.read(&path).map_err(|e| match e.kind() {
            ErrorKind::NotFound => SealError::refused(
                &path,
                "there is no journal here",
                "name the folder of an exam that was started",
            ),
            _ => SealError::io("read the journal", &path, &e),
        })?;
        let mut lines: Vec<&[u8]> = bytes.split(|b| *b == b'\n').collect();
        let rest = lines.pop().is_some_and(|last| !last.is_empty());
        Ok(RawLines { digests: lines.into_iter().map(Digest::of).collect(), rest })
    }

    /// The digest of entry `n`, from 1.
    pub fn entry(&self, n: u64) -> Option<&Digest> {
        let k = usize::try_from(n).ok()?.checked_sub(1)?;
        self.digests.get(k)
    }
}

/// The seals of an exam folder.
#[derive(Debug, Clone)]
pub struct Standing {
    /// The seals; their signatures are not checked yet.
    pub seals: Seals,
    /// They stand under the name of a prepared file: finishing was interrupted.
    pub pending: bool,
}

impl Standing {
    /// The name of the file the seals stand in.
    pub fn seal_file(&self) -> String {
        if self.pending { part(SEAL_FILE) } else { SEAL_FILE.to_owned() }
    }
}

/// The seals of an exam folder; none when there is no seal.
///
/// # Errors
/// [`SealError::Damaged`] when the file is no seal; [`SealError::Io`].
pub fn standing(
    storage: &dyn Storage,
    dir: &Path,
    raw: &RawLines,
) -> Result<Option<Standing>, SealError> {
    let prepared = match read(storage, dir, &part(SEAL_FILE)) {
        Ok(found) => found,
        // Half a prepared file is what an interruption leaves, and nothing depends on it.
        Err(SealError::Damaged(_)) => None,
        Err(e) => return Err(e),
    };
    let own = read(storage, dir, SEAL_FILE);
    if let Some(prepared) = prepared.filter(|p| borne_out(p, raw)) {
        let goes_on = match &own {
            Ok(None) => prepared.seals.len() == 1,
            Ok(Some(own)) => {
                own.seals.len() < prepared.seals.len() && prepared.seals.starts_with(&own.seals)
            }
            Err(_) => false,
        };
        if goes_on {
            return Ok(Some(Standing { seals: prepared, pending: true }));
        }
    }
    Ok(own?.map(|seals| Standing { seals, pending: false }))
}

/// Whether every seal fits its own signature, and the journal ends a line with the last one's digest.
fn borne_out(seals: &Seals, raw: &RawLines) -> bool {
    let last = seals.seals.last().map(|s| &s.statement.journal);
    seals.seals.iter().all(|s| s.fault().is_none())
        && last.is_some_and(|j| raw.entry(j.entries) == Some(&j.sha256))
}

fn read(storage: &dyn Storage, dir: &Path, name: &str) -> Result<Option<Seals>, SealError> {
    let path = dir.join(name);
    match storage.read(&path) {
        Ok(bytes) => Seals::read(&path, &bytes).map(Some),
        Err(e) if e.kind() == ErrorKind::NotFound => Ok(None),
        Err(e) if is_no_file(&e) => Err(in_its_place(&path)),
        Err(e) => Err(SealError::io("read the seal", &path, &e)),
    }
}

/// A folder, a link or a pipe by the name of a file: the storage reads files alone.
fn is_no_file(e: &std::io::Error) -> bool {
    matches!(e.kind(), ErrorKind::IsADirectory | ErrorKind::InvalidInput)
}

fn in_its_place(path: &Path) -> SealError {
    SealError::damaged(
        path,
        "what stands in this file's place is no file",
        "bring the exam back from a copy",
    )
}

/// The note's bytes: the prepared ones while they have not reached their own name.
///
/// # Errors
/// [`SealError::Io`]; `None` when there is no note.
pub fn note(
    storage: &dyn Storage,
    dir: &Path,
    standing: &Standing,
) -> Result<Option<Vec<u8>>, SealError> {
    let prepared = part(NOTE_FILE);
    let names = [prepared.as_str(), NOTE_FILE];
    // Only a first seal on its way has a note on its way.
    let first = standing.pending && standing.seals.seals.len() == 1;
    for name in if first { &names[..] } else { &names[1..] } {
        let path = dir.join(name);
        match storage.read(&path) {
            Ok(bytes) => return Ok(Some(bytes)),
            Err(e) if e.kind() == ErrorKind::NotFound => {}
            Err(e) if is_no_file(&e) => return Err(in_its_place(&path)),
            Err(e) => return Err(SealError::io("read the note", &path, &e)),
        }
    }
    Ok(None)
}

/// Gives a seal on its way, and its note, their own names. Whoever is about to write does this first,
/// under the journal's lock.
///
/// # Errors
/// [`SealError::Io`].
pub fn finish(storage: &dyn Storage, dir: &Path, standing: &Standing) -> Result<(), SealError> {
    if !standing.pending {
        return Ok(());
    }
    let names: &[&str] =
        if standing.seals.seals.len() == 1 { &[NOTE_FILE, SEAL_FILE] } else { &[SEAL_FILE] };
    for name in names {
        let (from, to) = (dir.join(part(name)), dir.join(name));
        // The note may have got there before the interruption.
        if storage.exists(&from).map_err(|e| SealError::io("look for this file", &from, &e))? {
            storage
                .rename(&from, &to)
                .map_err(|e| SealError::io("give this file its name", &to, &e))?;
        }
    }
    storage.sync_dir(dir).map_err(|e| SealError::io("make the folder durable", dir, &e))
}
