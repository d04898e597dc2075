//! A whole exam folder under a passphrase: one file, `EXAM.age`, in place of the folder.
//!
//! The file is a tar archive (POSIX.1-2001) in the age format with a passphrase (age-encryption.org/v1,
//! scrypt recipient), so that `age -d EXAM.age | tar x` opens it without this program.
//!
//! Closing: the archive is written as `EXAM.age.part`, synced, read back, opened and compared with the
//! folder file by file; only then is it given its name and are the plain files removed, the journal
//! first. Opening: each file is written and synced, the journal last; all are read back and compared;
//! only then is the archive removed. Stopped anywhere, either the folder or the archive is whole, and
//! the same command goes on: what is there already must be the same bytes, or what a stopped writing
//! left of them, else nothing is touched.

use std::collections::BTreeMap;
use std::io::{self, Read as _, Write};
use std::path::{Component, Path, PathBuf};

use age::secrecy::SecretString;

use super::error::SealError;
use super::folder;
use super::keys::check_passphrase;
use crate::journal::{FILE_NAME, Storage, StorageFile};

/// scrypt's cost, log2: 128 MiB of memory. The first of the settings OWASP's password storage cheat sheet
/// gives (from memory).
const WORK: u8 = 17;
/// The dearest archive of another program that is still opened, log2.
const MOST_WORK: u8 = 20;

/// Files by their names, with `/` between folders.
type Files = BTreeMap<String, Vec<u8>>;

/// The name of a closed exam.
///
/// # Errors
/// [`SealError::Refused`] for a path without a name of its own, such as `.`.
pub fn closed_path(dir: &Path) -> Result<PathBuf, SealError> {
    let Some(name) = dir.file_name() else {
        return Err(SealError::refused(
            dir,
            "this path names no folder of its own",
            "go to the folder above, and name the exam's folder",
        ));
    };
    let mut name = name.to_owned();
    name.push(".age");
    Ok(dir.with_file_name(name))
}

/// Closes an exam folder; the path of the file that stands for it.
///
/// # Errors
/// [`SealError::Refused`] when there is no exam, somebody writes it, or there is a closed exam of that
/// name with other content; [`SealError::Io`]. The folder is whole unless the archive is.
pub fn close(storage: &dyn Storage, dir: &Path, passphrase: &str) -> Result<PathBuf, SealError> {
    close_at(storage, dir, passphrase, WORK)
}

/// As [`close`], at another cost of scrypt, log2: less is for tests, which close hundreds of times.
///
/// # Errors
/// As [`close`].
pub fn close_at(
    storage: &dyn Storage,
    dir: &Path,
    passphrase: &str,
    work: u8,
) -> Result<PathBuf, SealError> {
    check_passphrase(passphrase)?;
    let path = closed_path(dir)?;
    let there = exists(storage, &path)?;
    let journal = dir.join(FILE_NAME);
    let mut lock: Option<Box<dyn StorageFile>> = None;
    if exists(storage, &journal)? {
        let mut file =
            storage.open(&journal).map_err(|e| SealError::io("open the journal", &journal, &e))?;
        file.try_lock().map_err(|_| {
            SealError::refused(
                &journal,
                "another program is writing this journal",
                "end it first, then close the exam",
            )
        })?;
        lock = Some(file);
    } else if !there {
        return Err(SealError::refused(
            dir,
            "there is no exam here",
            "name the folder of an exam that was started",
        ));
    }
    let plain = read_plain(storage, dir)?;
    if there {
        let closed = unpack(&path, &read(storage, &path)?, passphrase)?;
        if let Some((name, _)) = plain.iter().find(|(n, bytes)| closed.get(*n) != Some(bytes)) {
            return Err(match lock {
                Some(_) => SealError::refused(
                    &path,
                    "there is a closed exam of this name, and it holds other files than the folder",
                    "give one of the two another name; nothing was changed",
                ),
                // The closing was interrupted, and something came into what is left of the folder.
                None => SealError::refused(
                    &folder::within(dir, name),
                    "the exam is closed already, and this file is not in it",
                    "move this file to another folder, then close again; nothing was changed",
                ),
            });
        }
    } else {
        let mut part = path.clone().into_os_string();
        part.push(".part");
        let part = PathBuf::from(part);
        let written = pack(storage, &part, &plain, passphrase, work).and_then(|()| {
            match unpack(&part, &read(storage, &part)?, passphrase)? == plain {
                true => Ok(()),
                false => Err(SealError::refused(
                    &part,
                    "what was written reads back otherwise",
                    "check the disk; the exam folder is as it was",
                )),
            }
        });
        if let Err(e) = written {
            // Half an archive is of no use to anybody, and takes the room that may be missing.
            let _ = storage.remove(&part);
            return Err(e);
        }
        storage
            .rename(&part, &path)
            .map_err(|e| SealError::io("give the closed exam its name", &path, &e))?;
        sync_above(storage, &path)?;
    }
    remove_plain(storage, dir, plain.keys(), lock)?;
    Ok(path)
}

/// Opens a closed exam; the path of its folder.
///
/// # Errors
/// [`SealError::Refused`] for a wrong passphrase, or when the folder is there with other content;
/// [`SealError::Damaged`]; [`SealError::Io`]. The closed exam is there until the folder is whole.
pub fn open(storage: &dyn Storage, path: &Path, passphrase: &str) -> Result<PathBuf, SealError> {
    let dir = match path.extension().is_some_and(|e| e == "age") {
        true => path.with_extension(""),
        false => {
            return Err(SealError::refused(
                path,
                "this is no closed exam: its name does not end in .age",
                "name the file that `cotside lock` made",
            ));
        }
    };
    let files = unpack(path, &read(storage, path)?, passphrase)?;
    if !files.contains_key(FILE_NAME) {
        return Err(SealError::refused(
            path,
            "there is no journal in this archive",
            "name the file that `cotside lock` made",
        ));
    }
    if exists(storage, &dir)? {
        for (name, bytes) in read_plain(storage, &dir)? {
            // A stopped opening leaves the beginning of a file; anything else is somebody's work.
            if !files.get(&name).is_some_and(|whole| whole.starts_with(&bytes)) {
                return Err(SealError::refused(
                    &folder::within(&dir, &name),
                    "the folder is there already, and this file is another than in the closed exam",
                    "give the folder another name, then open again; nothing was changed",
                ));
            }
        }
    } else {
        make_dir(storage, &dir)?;
        sync_above(storage, &dir)?;
    }
    let journal_last = files.iter().filter(|(n, _)| *n != FILE_NAME);
    for (name, bytes) in journal_last.chain(files.get_key_value(FILE_NAME)) {
        write(storage, &dir, name, bytes)?;
    }
    if read_plain(storage, &dir)? != files {
        return Err(SealError::refused(
            &dir,
            "what was written reads back otherwise",
            "check the disk; the closed exam is as it was",
        ));
    }
    storage.remove(path).map_err(|e| SealError::io("remove the closed exam", path, &e))?;
    sync_above(storage, path)?;
    Ok(dir)
}

fn exists(storage: &dyn Storage, path: &Path) -> Result<bool, SealError> {
    storage.exists(path).map_err(|e| SealError::io("look for this", path, &e))
}

fn read(storage: &dyn Storage, path: &Path) -> Result<Vec<u8>, SealError> {
    storage.read(path).map_err(|e| match e.kind() {
        io::ErrorKind::NotFound => SealError::refused(
            path,
            "there is no such file",
            "name the file that `cotside lock` made",
        ),
        _ => SealError::io("read this file", path, &e),
    })
}

fn read_plain(storage: &dyn Storage, dir: &Path) -> Result<Files, SealError> {
    if !exists(storage, dir)? {
        return Ok(Files::new());
    }
    let names = folder::files(storage, dir)?;
    let content = |name: String| Ok((name.clone(), read(storage, &folder::within(dir, &name))?));
    names.into_iter().map(content).collect()
}

fn sync_above(storage: &dyn Storage, path: &Path) -> Result<(), SealError> {
    let above = match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    storage.sync_dir(above).map_err(|e| SealError::io("make the folder durable", above, &e))
}

fn make_dir(storage: &dyn Storage, dir: &Path) -> Result<(), SealError> {
    match storage.create_dir(dir) {
        Err(e) if e.kind() != io::ErrorKind::AlreadyExists => {
            Err(SealError::io("make this folder", dir, &e))
        }
        _ => Ok(()),
    }
}

fn write(storage: &dyn Storage, dir: &Path, name: &str, bytes: &[u8]) -> Result<(), SealError> {
    let mut above = dir.to_owned();
    let path = folder::within(dir, name);
    let steps: Vec<&str> = name.split('/').collect();
    for step in &steps[..steps.len() - 1] {
        let parent = above.clone();
        above = above.join(step);
        make_dir(storage, &above)?;
        storage.sync_dir(&parent).map_err(|e| SealError::io("make this durable", &parent, &e))?;
    }
    let fail = |e: io::Error| SealError::io("write this file", &path, &e);
    let mut file = storage.create_or_empty(&path).map_err(fail)?;
    file.write_all(bytes).and_then(|()| file.sync_all()).map_err(fail)?;
    storage.sync_dir(&above).map_err(fail)
}

/// Removes the plain files, the journal first, so that what is left does not pass for an exam. Its
/// lock is held until it is gone: nothing can be confirmed in a journal that is about to go.
fn remove_plain<'a>(
    storage: &dyn Storage,
    dir: &Path,
    names: impl Iterator<Item = &'a String>,
    mut lock: Option<Box<dyn StorageFile>>,
) -> Result<(), SealError> {
    if !exists(storage, dir)? {
        return Ok(());
    }
    let mut names: Vec<&String> = names.collect();
    names.sort_by_key(|n| *n != FILE_NAME);
    for name in names {
        let path = folder::within(dir, name);
        storage.remove(&path).map_err(|e| SealError::io("remove this file", &path, &e))?;
        if name == FILE_NAME {
            drop(lock.take());
            storage.sync_dir(dir).map_err(|e| SealError::io("make this durable", dir, &e))?;
        }
    }
    let mut folders = folder::folders(storage, dir)?;
    folders.reverse();
    let all = folders.iter().map(|f| folder::within(dir, f)).chain([dir.to_owned()]);
    for path in all {
        storage.remove_dir(&path).map_err(|e| SealError::io("remove this folder", &path, &e))?;
    }
    sync_above(storage, dir)
}

/// A storage's file as a place to write to.
struct Out(Box<dyn StorageFile>);

impl Write for Out {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write_all(bytes).map(|()| bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn pack(
    storage: &dyn Storage,
    part: &Path,
    files: &Files,
    passphrase: &str,
    work: u8,
) -> Result<(), SealError> {
    let fail = |e: io::Error| SealError::io("write the closed exam", part, &e);
    let file = Out(storage.create_or_empty(part).map_err(fail)?);
    let mut recipient = age::scrypt::Recipient::new(SecretString::from(passphrase.to_owned()));
    recipient.set_work_factor(work);
    let encryptor =
        age::Encryptor::with_recipients(std::iter::once(&recipient as &dyn age::Recipient))
            .map_err(|e| fail(io::Error::other(e)))?;
    let mut tar = tar::Builder::new(encryptor.wrap_output(file).map_err(fail)?);
    for (name, bytes) in files {
        let mut header = tar::Header::new_gnu();
        header.set_size(bytes.len() as u64);
        header.set_mode(0o600);
        tar.append_data(&mut header, name, bytes.as_slice()).map_err(fail)?;
    }
    let mut file = tar.into_inner().and_then(|age| age.finish()).map_err(fail)?;
    file.0.sync_all().map_err(fail)
}

fn unpack(path: &Path, bytes: &[u8], passphrase: &str) -> Result<Files, SealError> {
    let damaged = |e: &dyn std::fmt::Display| {
        SealError::damaged(
            path,
            format!("the closed exam cannot be read: {e}"),
            "bring the file back from a copy",
        )
    };
    let mut identity = age::scrypt::Identity::new(SecretString::from(passphrase.to_owned()));
    identity.set_max_work_factor(MOST_WORK);
    let decryptor = age::Decryptor::new(bytes).map_err(|e| damaged(&e))?;
    let plain = decryptor.decrypt(std::iter::once(&identity as &dyn age::Identity)).map_err(
        |e| match e {
            age::DecryptError::DecryptionFailed
            | age::DecryptError::KeyDecryptionFailed
            | age::DecryptError::NoMatchingKeys => SealError::refused(
                path,
                "the passphrase does not open it",
                "type it again; nothing was changed",
            ),
            e => damaged(&e),
        },
    )?;
    let mut files = Files::new();
    let mut tar = tar::Archive::new(plain);
    for entry in tar.entries().map_err(|e| damaged(&e))? {
        let mut entry = entry.map_err(|e| damaged(&e))?;
        if entry.header().entry_type().is_dir() {
            continue;
        }
        let name = entry.path().map_err(|e| damaged(&e))?.into_owned();
        let steps: Option<Vec<String>> = name
            .components()
            .map(|c| match c {
                Component::Normal(step) => step.to_str().map(str::to_owned),
                _ => None,
            })
            .collect();
        let Some(steps) = steps.filter(|_| entry.header().entry_type().is_file()) else {
            return Err(damaged(&format!("{} would lead out of the folder", name.display())));
        };
        let mut content = Vec::new();
        entry.read_to_end(&mut content).map_err(|e| damaged(&e))?;
        files.insert(steps.join("/"), content);
    }
    // What stands behind the archive's end must be whole too: the last block carries the proof.
    io::copy(&mut tar.into_inner(), &mut io::sink()).map_err(|e| damaged(&e))?;
    Ok(files)
}
