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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failure {
    /// That operation alone fails.
    Once,
    /// That operation and all later ones fail, as when power is cut.
    FromThenOn,
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

    /// Counts one operation; `Err` when it is the one to fail.
    fn operate<T>(&self, work: impl FnOnce(&mut Disk, bool) -> Result<T>) -> Result<T> {
        let mut disk = self.0.lock().unwrap();
        let n = disk.operations;
        disk.operations += 1;
        let fails = match disk.failure {
            Some((at, Failure::Once)) => n == at,
            Some((at, Failure::FromThenOn)) => n >= at,
            None => false,
        };
        let first = disk.failure.is_some_and(|(at, _)| n == at);
        if fails {
            // A failing write may have written part of what it was given.
            if first {
                let _ = work(&mut disk, true);
            }
            return Err(Error::other(format!("operation {n} made to fail")));
        }
        work(&mut disk, false)
    }

    fn file(&self, id: usize) -> Box<dyn StorageFile> {
        Box::new(MemFile { disk: self.clone(), id, holds_lock: false })
    }

    fn make(&self, path: &Path, must_be_new: bool) -> Result<Box<dyn StorageFile>> {
        let id = self.operate(|disk, failing| {
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
        self.operate(|disk, failing| match failing || disk.seen.dirs.insert(dir.to_owned()) {
            true => Ok(()),
            false => Err(ErrorKind::AlreadyExists.into()),
        })
    }

    fn create_new(&self, path: &Path) -> Result<Box<dyn StorageFile>> {
        self.make(path, true)
    }

    fn create_or_empty(&self, path: &Path) -> Result<Box<dyn StorageFile>> {
        self.make(path, false)
    }

    fn open(&self, path: &Path) -> Result<Box<dyn StorageFile>> {
        let id = self.operate(|disk, _| {
            disk.seen.files.get(path).copied().ok_or_else(|| ErrorKind::NotFound.into())
        })?;
        Ok(self.file(id))
    }

    fn read(&self, path: &Path) -> Result<Vec<u8>> {
        self.operate(|disk, _| match disk.seen.files.get(path) {
            Some(id) => Ok(disk.inodes[*id].seen.clone()),
            None => Err(ErrorKind::NotFound.into()),
        })
    }

    fn exists(&self, path: &Path) -> Result<bool> {
        self.operate(|disk, _| {
            Ok(disk.seen.files.contains_key(path) || disk.seen.dirs.contains(path))
        })
    }

    fn rename(&self, from: &Path, to: &Path) -> Result<()> {
        self.operate(|disk, failing| {
            if !failing && let Some(id) = disk.seen.files.remove(from) {
                let kept = to.to_string_lossy().contains("torn-");
                let over = disk.seen.files.contains_key(to);
                assert!(!(kept && over), "a kept tail was written over");
                disk.seen.files.insert(to.to_owned(), id);
            }
            Ok(())
        })
    }

    fn sync_dir(&self, dir: &Path) -> Result<()> {
        // The root's folder is called "." by the journal and "" by the path's own parent.
        let dir = if dir == Path::new(".") { Path::new("") } else { dir };
        self.operate(|disk, failing| {
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
        self.operate(|disk, failing| {
            if failing {
                return Ok(());
            }
            disk.seen.files.remove(path).map(|_| ()).ok_or_else(|| ErrorKind::NotFound.into())
        })
    }

    fn remove_dir(&self, dir: &Path) -> Result<()> {
        self.operate(|disk, failing| {
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
        self.operate(|disk, _| {
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
        self.disk.operate(|disk, failing| {
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
        let locked = self.disk.operate(|disk, failing| {
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
        self.disk.operate(|disk, _| Ok(disk.inodes[id].seen.clone()))
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<()> {
        let id = self.id;
        self.disk.operate(|disk, failing| {
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
        self.disk.operate(|disk, failing| {
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
