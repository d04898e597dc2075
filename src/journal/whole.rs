//! Files and folders that get their names only once they are whole: exports, and exams taken back
//! from one. Half a table looks like a whole one; half a journal looks like a shorter exam.
//!
//! A file is written as `NAME.part`, synced, given its name, and its folder is synced. If anything
//! stops on the way, there is nothing under the name, or all of it; where a second name is how a
//! name is given, the whole file may then have both. What was left as `NAME.part` alone is put away
//! by the next run that makes the same file; a run still at work holds its lock.

use super::FILE_NAME;
use super::store::{Kind, Storage, StorageFile};
use std::ffi::OsString;
use std::fs::TryLockError;
use std::io::{self, Error, ErrorKind};
use std::path::{Path, PathBuf};

/// A file being written under its `.part` name.
pub struct NewFile<'s> {
    storage: &'s dyn Storage,
    file: Box<dyn StorageFile>,
    part: PathBuf,
    path: PathBuf,
    named: bool,
}

impl<'s> NewFile<'s> {
    /// Begins the file that will be `path`; nothing may be there yet.
    ///
    /// # Errors
    /// `AlreadyExists` when something has that name, `ResourceBusy` while another run writes it, or
    /// the disk's.
    pub fn begin(storage: &'s dyn Storage, path: &Path) -> io::Result<NewFile<'s>> {
        if storage.exists(path)? {
            return Err(ErrorKind::AlreadyExists.into());
        }
        let part = part_of(path);
        let mut file = match storage.create_new(&part) {
            Err(e) if e.kind() == ErrorKind::AlreadyExists => {
                let mut left = storage.open(&part)?;
                hold(left.as_mut())?;
                // Only its name is taken away: whatever file it is, nothing in it is touched.
                storage.remove(&part)?;
                storage.create_new(&part)?
            }
            made => made?,
        };
        hold(file.as_mut())?;
        Ok(NewFile { storage, file, part, path: path.to_owned(), named: false })
    }

    /// Makes what was written durable and gives the file its name.
    ///
    /// # Errors
    /// `AlreadyExists` when something got that name meanwhile, or the disk's.
    pub fn finish(mut self) -> io::Result<()> {
        self.file.sync_all()?;
        self.storage.rename_new(&self.part, &self.path)?;
        self.named = true;
        self.storage.sync_dir(above(&self.path))
    }
}

impl io::Write for NewFile<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write_all(bytes)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Drop for NewFile<'_> {
    fn drop(&mut self) {
        if !self.named {
            // It holds an exam, or part of one, that nobody asked to keep.
            let _ = self.storage.remove(&self.part);
        }
    }
}

/// Makes the folder of an exam that comes from elsewhere: its journal, and the files beside it. The
/// folder gets its name when all of it is durable and reads back as it was given.
///
/// # Errors
/// `AlreadyExists` when something has that name, `ResourceBusy` while another run makes the same
/// exam, or the disk's. Nothing is under the name then, unless making that name durable was what
/// failed.
pub fn restore(
    storage: &dyn Storage,
    dir: &Path,
    journal: &[u8],
    beside: &[(String, Vec<u8>)],
) -> io::Result<()> {
    if storage.exists(dir)? {
        return Err(ErrorKind::AlreadyExists.into());
    }
    let files: Vec<(&str, &[u8])> = std::iter::once((FILE_NAME, journal))
        .chain(beside.iter().map(|(name, bytes)| (name.as_str(), bytes.as_slice())))
        .collect();
    let part = part_of(dir);
    match storage.create_dir(&part) {
        Err(e) if e.kind() == ErrorKind::AlreadyExists => {
            clear(storage, &part)?;
            storage.create_dir(&part)?;
        }
        made => made?,
    }
    // Held until the folder has its name.
    let mut made: Vec<(PathBuf, Box<dyn StorageFile>)> = Vec::new();
    let done = (|| {
        for (name, bytes) in &files {
            let path = part.join(name);
            let file = storage.create_new(&path)?;
            made.push((path, file));
            let Some((_, file)) = made.last_mut() else { continue };
            hold(file.as_mut())?;
            file.write_all(bytes)?;
            file.sync_all()?;
        }
        for (name, bytes) in &files {
            if storage.read(&part.join(name))? != *bytes {
                return Err(Error::other("what was written reads back otherwise"));
            }
        }
        storage.sync_dir(&part)?;
        storage.rename(&part, dir)
    })();
    match done {
        Ok(()) => storage.sync_dir(above(dir)),
        Err(e) => {
            for (path, file) in made {
                drop(file);
                let _ = storage.remove(&path);
            }
            let _ = storage.remove_dir(&part);
            Err(e)
        }
    }
}

/// Takes away what a run that was ended left of an exam; a folder that holds anything else is
/// somebody's, and stays.
fn clear(storage: &dyn Storage, part: &Path) -> io::Result<()> {
    let known = |name: &OsString| BESIDE.iter().any(|n| name == n);
    let list = storage.list(part)?;
    if !list.iter().all(|l| l.kind == Kind::File && known(&l.name)) {
        return Err(ErrorKind::AlreadyExists.into());
    }
    for l in &list {
        let path = part.join(&l.name);
        let mut left = storage.open(&path)?;
        hold(left.as_mut())?;
        storage.remove(&path)?;
    }
    storage.remove_dir(part)
}

/// What an export brings back into an exam's folder.
const BESIDE: [&str; 3] = [FILE_NAME, "seal.json", "note.txt"];

/// Takes the lock. A file system without locks does without.
fn hold(file: &mut dyn StorageFile) -> io::Result<()> {
    match file.try_lock() {
        Err(TryLockError::WouldBlock) => {
            Err(Error::new(ErrorKind::ResourceBusy, "another run is writing it"))
        }
        _ => Ok(()),
    }
}

fn part_of(path: &Path) -> PathBuf {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".part");
    path.with_file_name(name)
}

fn above(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}
