//! The exam folder: which files stand in it, their digests, and who else may read them.

use std::io;
use std::path::{Path, PathBuf};

use super::error::SealError;
use super::statement::{NOTE_FILE, SEAL_FILE};
use crate::journal::{Digest, FILE_NAME, FileDigest, Kind, Storage};

/// Folder of the sound files within the exam folder.
pub const AUDIO_FOLDER: &str = "audio";

/// The name under which a file is written before it is renamed to its own.
pub fn part(name: &str) -> String {
    format!("{name}.part")
}

/// The name of a file within the exam folder, as a path.
pub fn within(dir: &Path, file: &str) -> PathBuf {
    file.split('/').fold(dir.to_owned(), |path, step| path.join(step))
}

/// Every file of a folder and of those in it, by names with `/` between, sorted.
///
/// # Errors
/// [`SealError::Refused`] for what is neither file nor folder (a link would lead out of the folder) and
/// for a name that is not UTF-8; [`SealError::Io`].
pub fn files(storage: &dyn Storage, dir: &Path) -> Result<Vec<String>, SealError> {
    let mut out = Vec::new();
    walk(storage, dir, "", &mut out, &mut Vec::new())?;
    out.sort();
    Ok(out)
}

/// The folders within a folder, the innermost last.
///
/// # Errors
/// As [`files`].
pub fn folders(storage: &dyn Storage, dir: &Path) -> Result<Vec<String>, SealError> {
    let mut out = Vec::new();
    walk(storage, dir, "", &mut Vec::new(), &mut out)?;
    Ok(out)
}

fn walk(
    storage: &dyn Storage,
    dir: &Path,
    before: &str,
    files: &mut Vec<String>,
    folders: &mut Vec<String>,
) -> Result<(), SealError> {
    let listed = storage.list(dir).map_err(|e| SealError::io("list this folder", dir, &e))?;
    for found in listed {
        let path = dir.join(&found.name);
        let Some(name) = found.name.to_str() else {
            return Err(SealError::refused(
                &path,
                "the file's name is not UTF-8",
                "give it another name, or take it out of the exam folder",
            ));
        };
        let name = format!("{before}{name}");
        match found.kind {
            Kind::File => files.push(name),
            Kind::Folder => {
                folders.push(name.clone());
                walk(storage, &path, &format!("{name}/"), files, folders)?;
            }
            Kind::Other => {
                return Err(SealError::refused(
                    &path,
                    "this is neither a file nor a folder",
                    "an exam folder holds its files themselves: take the link out of it",
                ));
            }
        }
    }
    Ok(())
}

/// Whether the file has a place of its own in what is signed, or is a step on the way there.
pub fn is_own(file: &str) -> bool {
    let parts = [part(SEAL_FILE), part(NOTE_FILE), "journal.torn.part".to_owned()];
    [FILE_NAME, SEAL_FILE, NOTE_FILE].contains(&file) || parts.iter().any(|p| p == file)
}

/// Whether a file is sound: it stands in the folder of sound, or the journal names it.
pub fn is_audio(file: &str, named: &[String]) -> bool {
    file.starts_with(&format!("{AUDIO_FOLDER}/")) || named.iter().any(|n| n == file)
}

/// A file with its digest.
///
/// # Errors
/// [`SealError::Io`].
pub fn digest(storage: &dyn Storage, dir: &Path, file: &str) -> Result<FileDigest, SealError> {
    let path = within(dir, file);
    let bytes = storage.read(&path).map_err(|e| SealError::io("read this file", &path, &e))?;
    Ok(of(file, &bytes))
}

/// The digest of a file's bytes.
pub fn of(file: &str, bytes: &[u8]) -> FileDigest {
    FileDigest { file: file.to_owned(), sha256: Digest::of(bytes), bytes: bytes.len() as u64 }
}

/// Writes a file under its `.part` name, syncs it and reads it back.
///
/// # Errors
/// [`SealError::Io`], also when what is read back is not what was written.
pub fn write_part(
    storage: &dyn Storage,
    dir: &Path,
    name: &str,
    bytes: &[u8],
) -> Result<(), SealError> {
    let path = dir.join(part(name));
    let fail = |e: io::Error| SealError::io("write this file", &path, &e);
    let mut file = storage.create_or_empty(&path).map_err(fail)?;
    file.write_all(bytes).map_err(fail)?;
    file.sync_all().map_err(fail)?;
    match file.read().map_err(fail)? == bytes {
        true => Ok(()),
        false => Err(fail(io::Error::other("what was written reads back otherwise"))),
    }
}

/// The mode of a file or folder that others than its owner may use; none where the system has no
/// modes.
///
/// # Errors
/// The system's.
pub fn open_to_others(path: &Path) -> io::Result<Option<u32>> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let mode = std::fs::metadata(path)?.permissions().mode() & 0o7777;
        Ok((mode & 0o077 != 0).then_some(mode))
    }
    #[cfg(not(unix))]
    {
        std::fs::metadata(path).map(|_| None)
    }
}

/// Takes from everybody but the owner what others may do with the folder and the files in it; the names
/// of those it was taken from.
///
/// # Errors
/// As [`files`].
pub fn make_private(storage: &dyn Storage, dir: &Path) -> Result<Vec<String>, SealError> {
    let mut changed = Vec::new();
    let all = files(storage, dir)?.into_iter().map(|f| (f, 0o600));
    let all = all.chain(folders(storage, dir)?.into_iter().map(|f| (f, 0o700)));
    for (name, mode) in all.chain([(String::new(), 0o700)]) {
        let path = if name.is_empty() { dir.to_owned() } else { within(dir, &name) };
        let fail = |e: io::Error| SealError::io("set who may read this", &path, &e);
        if open_to_others(&path).map_err(fail)?.is_some() {
            set_mode(&path, mode).map_err(fail)?;
            changed.push(if name.is_empty() { ".".into() } else { name });
        }
    }
    Ok(changed)
}

#[cfg(unix)]
fn set_mode(path: &Path, mode: u32) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode))
}

#[cfg(not(unix))]
fn set_mode(_: &Path, _: u32) -> io::Result<()> {
    Ok(())
}
