//! A disk in memory that can fail at its Nth operation and lose what was not synced.
//!
//! It keeps what programs see apart from what would survive: file content becomes durable by a
//! sync of the file, names by a sync of their folder. What it does not model: blocks of one write
//! arriving out of order, and disks that answer a sync before the data is safe.

use cotside::journal::{Kind, Listed, Storage, StorageFile};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::TryLockError;
use std::io::{Error, ErrorKind, Result};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

/// What happens at the failing operation and after it.
#[allow(dead_code)] // not every test makes every one
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failure {
    /// That operation alone fails.
    Once,
    /// That operation and all later ones fail, as when power is cut.
    FromThenOn,
    /// From that operation on there is no room: half of the first write that fails is there.
    Full,
    /// From that operation on nothing may be changed.
    ReadOnly,
    /// That operation alone is not allowed, and nothing of it is done.
    Denied,
}

/// What an operation does to the disk.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Does {
    /// Looks, locks or syncs.
    Look,
    /// Needs room: makes a file or a folder, or writes.
    Grow,
    /// Changes names, or takes something away.
    Change,
}

impl Failure {
    /// The error of operation `n`, when the failure is set for operation `at`.
    fn error(self, n: usize, at: usize, does: Does) -> Option<Error> {
        let fails = match self {
            Failure::Once | Failure::Denied => n == at,
            Failure::FromThenOn => n >= at,
            Failure::Full => n >= at && does == Does::Grow,
            Failure::ReadOnly => n >= at && does != Does::Look,
        };
        fails.then(|| match self {
            Failure::Once | Failure::FromThenOn => {
                Error::other(format!("operation {n} made to fail"))
            }
            Failure::Full => ErrorKind::StorageFull.into(),
            Failure::ReadOnly => ErrorKind::ReadOnlyFilesystem.into(),
            Failure::Denied => ErrorKind::PermissionDenied.into(),
        })
    }
}

/// What survives a power cut of all that was not synced.
#[derive(Clone, Copy, Debug)]
pub enum Survives {
    Nothing,
    HalfOfEachFile,
    Everything,
}

#[derive(Default)]
struct Inode {
    seen: Vec<u8>,
    durable: Vec<u8>,
    locked: bool,
}

#[derive(Default)]
struct Names {
    files: BTreeMap<PathBuf, usize>,
    dirs: BTreeSet<PathBuf>,
}

impl Names {
    /// Whether the folder that a file would stand in is there; the disk's own always is.
    fn has_folder_of(&self, path: &Path) -> bool {
        let folder = path.parent().unwrap();
        folder == Path::new("") || self.dirs.contains(folder)
    }
}

#[derive(Default)]
struct Disk {
    inodes: Vec<Inode>,
    seen: Names,
    durable: Names,
    operations: usize,
    failure: Option<(usize, Failure)>,
    /// Whether the last of the room is used up.
    filled: bool,
}

#[derive(Clone, Default)]
pub struct MemDisk(Arc<Mutex<Disk>>);

impl MemDisk {
    /// Fails at operation `n` from now, counted from 0.
    pub fn fail_at(&self, n: usize, failure: Failure) {
        let mut disk = self.0.lock().unwrap();
        disk.failure = Some((disk.operations + n, failure));
    }

    pub fn operations(&self) -> usize {
        self.0.lock().unwrap().operations
    }

    /// The disk after the power came back.
    pub fn after_power_cut(&self, survives: Survives) -> MemDisk {
        let disk = self.0.lock().unwrap();
        let names = match survives {
            Survives::Nothing => &disk.durable,
            _ => &disk.seen,
        };
        let mut new = Disk::default();
        let reachable = |path: &Path| {
            let parent = path.parent().unwrap();
            parent == Path::new("") || names.dirs.contains(parent)
        };
        for dir in &names.dirs {
            new.seen.dirs.insert(dir.clone());
            new.durable.dirs.insert(dir.clone());
        }
        for (path, inode) in names.files.iter().filter(|(path, _)| reachable(path)) {
            let Inode { seen, durable, .. } = &disk.inodes[*inode];
            let content = match survives {
                Survives::Nothing => durable.clone(),
                Survives::Everything => seen.clone(),
                Survives::HalfOfEachFile if seen.starts_with(durable) => {
                    seen[..durable.len() + (seen.len() - durable.len()) / 2].to_vec()
                }
                Survives::HalfOfEachFile => durable.clone(),
            };
            new.seen.files.insert(path.clone(), new.inodes.len());
            new.durable.files.insert(path.clone(), new.inodes.len());
            new.inodes.push(Inode { seen: content.clone(), durable: content, locked: false });
        }
        MemDisk(Arc::new(Mutex::new(new)))
    }

    /// Every file's name and content.
    pub fn files(&self) -> Vec<(PathBuf, Vec<u8>)> {
        let disk = self.0.lock().unwrap();
        let seen = |(p, i): (&PathBuf, &usize)| (p.clone(), disk.inodes[*i].seen.clone());
        disk.seen.files.iter().map(seen).collect()
    }

    /// A durable folder with a durable file in it.
    pub fn put(&self, path: &Path, content: &[u8]) {
        let mut disk = self.0.lock().unwrap();
        let id = disk.inodes.len();
        let (seen, durable) = (content.to_vec(), content.to_vec());
        disk.inodes.push(Inode { seen, durable, locked: false });
        let Disk { seen, durable, .. } = &mut *disk;
        for names in [seen, durable] {
            names.files.insert(path.to_owned(), id);
            names.dirs.insert(path.parent().unwrap().to_owned());
        }
    }

    /// Counts one operation; `Err` when it is one to fail.
    fn operate<T>(&self, does: Does, work: impl FnOnce(&mut Disk, bool) -> Result<T>) -> Result<T> {
        let mut disk = self.0.lock().unwrap();
        let n = disk.operations;
        disk.operations += 1;
        let Some(e) = disk.failure.and_then(|(at, how)| how.error(n, at, does)) else {
            return work(&mut disk, false);
        };
        // A failing write may have written part of what it was given.
        let partly = match disk.failure {
            Some((at, Failure::Once | Failure::FromThenOn)) => n == at,
            Some((_, Failure::Full)) => !std::mem::replace(&mut disk.filled, true),
            _ => false,
        };
        if partly {
            let _ = work(&mut disk, true);
        }
        Err(e)
    }

    fn file(&self, id: usize) -> Box<dyn StorageFile> {
        Box::new(MemFile { disk: self.clone(), id, holds_lock: false })
    }

    fn make(&self, path: &Path, must_be_new: bool) -> Result<Box<dyn StorageFile>> {
        let id = self.operate(Does::Grow, |disk, failing| {
            if failing {
                return Ok(0);
            }
            let there = disk.seen.files.get(path).copied();
            match there {
                Some(_) if must_be_new => Err(ErrorKind::AlreadyExists.into()),
                Some(id) => {
                    disk.inodes[id].seen.clear();
                    Ok(id)
                }
                None if !disk.seen.has_folder_of(path) => Err(ErrorKind::NotFound.into()),
                None => {
                    disk.inodes.push(Inode::default());
                    let id = disk.inodes.len() - 1;
                    disk.seen.files.insert(path.to_owned(), id);
                    Ok(id)
                }
            }
        })?;
        Ok(self.file(id))
    }
}

impl Storage for MemDisk {
    fn create_dir(&self, dir: &Path) -> Result<()> {
        self.operate(Does::Grow, |disk, failing| {
            match failing || disk.seen.dirs.insert(dir.to_owned()) {
                true => Ok(()),
                false => Err(ErrorKind::AlreadyExists.into()),
            }
        })
    }

    fn create_new(&self, path: &Path) -> Result<Box<dyn StorageFile>> {
        self.make(path, true)
    }

    fn create_or_empty(&self, path: &Path) -> Result<Box<dyn StorageFile>> {
        self.make(path, false)
    }

    fn open(&self, path: &Path) -> Result<Box<dyn StorageFile>> {
        let id = self.operate(Does::Look, |disk, _| {
            disk.seen.files.get(path).copied().ok_or_else(|| ErrorKind::NotFound.into())
        })?;
        Ok(self.file(id))
    }

    fn read(&self, path: &Path) -> Result<Vec<u8>> {
        self.operate(Does::Look, |disk, _| match disk.seen.files.get(path) {
            Some(id) => Ok(disk.inodes[*id].seen.clone()),
            None => Err(ErrorKind::NotFound.into()),
        })
    }

    fn exists(&self, path: &Path) -> Result<bool> {
        self.operate(Does::Look, |disk, _| {
            Ok(disk.seen.files.contains_key(path) || disk.seen.dirs.contains(path))
        })
    }

    fn rename(&self, from: &Path, to: &Path) -> Result<()> {
        self.operate(Does::Change, |disk, failing| {
            if failing {
                return Ok(());
            }
            if let Some(id) = disk.seen.files.remove(from) {
                let kept = to.to_string_lossy().contains("torn-");
                let over = disk.seen.files.contains_key(to);
                assert!(!(kept && over), "a kept tail was written over");
                disk.seen.files.insert(to.to_owned(), id);
            } else if disk.seen.dirs.remove(from) {
                let over = disk.seen.dirs.insert(to.to_owned());
                assert!(over, "a folder was written over");
                // What is in it goes with it; what of that was durable is found where the folder's
                // name is.
                let into = |path: &PathBuf| path.strip_prefix(from).ok().map(|rest| to.join(rest));
                for names in [&mut disk.seen, &mut disk.durable] {
                    for (old, new) in
                        names.files.clone().keys().filter_map(|p| Some((p.clone(), into(p)?)))
                    {
                        let id = names.files[&old];
                        names.files.insert(new, id);
                    }
                    for new in names.dirs.clone().iter().filter(|p| *p != from).filter_map(into) {
                        names.dirs.insert(new);
                    }
                }
                disk.seen.files.retain(|p, _| !p.starts_with(from));
                disk.seen.dirs.retain(|p| !p.starts_with(from));
            }
            Ok(())
        })
    }

    fn rename_new(&self, from: &Path, to: &Path) -> Result<()> {
        self.operate(Does::Change, |disk, failing| {
            let Some(id) = disk.seen.files.get(from).copied() else {
                return Err(ErrorKind::NotFound.into());
            };
            if disk.seen.files.contains_key(to) || disk.seen.dirs.contains(to) {
                return Err(ErrorKind::AlreadyExists.into());
            }
            disk.seen.files.insert(to.to_owned(), id);
            // It is two steps: the second name, and the first one's end.
            if !failing {
                disk.seen.files.remove(from);
            }
            Ok(())
        })
    }

    fn sync_dir(&self, dir: &Path) -> Result<()> {
        // The root's folder is called "." by the journal and "" by the path's own parent.
        let dir = if dir == Path::new(".") { Path::new("") } else { dir };
        self.operate(Does::Look, |disk, failing| {
            if failing {
                return Ok(());
            }
            let within = |path: &Path| path.parent() == Some(dir);
            disk.durable.files.retain(|path, _| !within(path));
            disk.durable.dirs.retain(|path| !within(path));
            for (path, id) in disk.seen.files.iter().filter(|(path, _)| within(path)) {
                disk.durable.files.insert(path.clone(), *id);
            }
            for path in disk.seen.dirs.iter().filter(|path| within(path)) {
                disk.durable.dirs.insert(path.clone());
            }
            Ok(())
        })
    }

    fn remove(&self, path: &Path) -> Result<()> {
        self.operate(Does::Change, |disk, failing| {
            if failing {
                return Ok(());
            }
            disk.seen.files.remove(path).map(|_| ()).ok_or_else(|| ErrorKind::NotFound.into())
        })
    }

    fn remove_dir(&self, dir: &Path) -> Result<()> {
        self.operate(Does::Change, |disk, failing| {
            let used = disk.seen.files.keys().chain(&disk.seen.dirs);
            if used.into_iter().any(|p| p.parent() == Some(dir)) {
                return Err(ErrorKind::DirectoryNotEmpty.into());
            }
            if !failing {
                disk.seen.dirs.remove(dir);
            }
            Ok(())
        })
    }

    fn list(&self, dir: &Path) -> Result<Vec<Listed>> {
        self.operate(Does::Look, |disk, _| {
            let within = |path: &&PathBuf| path.parent() == Some(dir);
            let listed = |path: &PathBuf, kind| Listed {
                name: path.file_name().unwrap_or_default().to_owned(),
                kind,
            };
            let files = disk.seen.files.keys().filter(within).map(|p| listed(p, Kind::File));
            let dirs = disk.seen.dirs.iter().filter(within).map(|p| listed(p, Kind::Folder));
            let mut out: Vec<Listed> = files.chain(dirs).collect();
            out.sort_by(|a, b| a.name.cmp(&b.name));
            Ok(out)
        })
    }
}

struct MemFile {
    disk: MemDisk,
    id: usize,
    holds_lock: bool,
}

impl MemFile {
    fn sync(&mut self) -> Result<()> {
        let id = self.id;
        self.disk.operate(Does::Look, |disk, failing| {
            if !failing {
                disk.inodes[id].durable = disk.inodes[id].seen.clone();
            }
            Ok(())
        })
    }
}

impl StorageFile for MemFile {
    fn try_lock(&mut self) -> std::result::Result<(), TryLockError> {
        let id = self.id;
        let locked = self.disk.operate(Does::Look, |disk, failing| {
            let held = disk.inodes[id].locked;
            disk.inodes[id].locked |= !failing;
            Ok(held)
        });
        match locked {
            Ok(false) => {
                self.holds_lock = true;
                Ok(())
            }
            Ok(true) => Err(TryLockError::WouldBlock),
            Err(e) => Err(TryLockError::Error(e)),
        }
    }

    fn read(&mut self) -> Result<Vec<u8>> {
        let id = self.id;
        self.disk.operate(Does::Look, |disk, _| Ok(disk.inodes[id].seen.clone()))
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<()> {
        let id = self.id;
        self.disk.operate(Does::Grow, |disk, failing| {
            let len = if failing { bytes.len() / 2 } else { bytes.len() };
            disk.inodes[id].seen.extend_from_slice(&bytes[..len]);
            Ok(())
        })
    }

    fn sync_data(&mut self) -> Result<()> {
        self.sync()
    }

    fn sync_all(&mut self) -> Result<()> {
        self.sync()
    }

    fn truncate(&mut self, len: u64) -> Result<()> {
        let id = self.id;
        self.disk.operate(Does::Change, |disk, failing| {
            if !failing {
                disk.inodes[id].seen.truncate(usize::try_from(len).unwrap());
            }
            Ok(())
        })
    }
}

impl Drop for MemFile {
    fn drop(&mut self) {
        if self.holds_lock {
            self.disk.0.lock().unwrap().inodes[self.id].locked = false;
        }
    }
}
