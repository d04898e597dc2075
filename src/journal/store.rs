//! The few things the journal asks of a disk, behind a trait, so that tests can make any of them
//! fail.

use std::fs::{self, DirBuilder, File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;

/// What stands under a name in a folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A regular file.
    File,
    /// A folder.
    Folder,
    /// Anything else, such as a link.
    Other,
}

/// One name in a folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// The name, without its folder.
    pub name: std::ffi::OsString,
    /// What stands under it; a link is not followed.
    pub kind: Kind,
}

/// A place that keeps folders and files.
///
/// Every operation may fail; the journal must stand up to any one of them failing.
pub trait Storage: Send + Sync {
    /// Makes one folder that only its owner may enter; `AlreadyExists` when it is there.
    fn create_dir(&self, dir: &Path) -> io::Result<()>;
    /// Makes a new file that only its owner may read; `AlreadyExists` when anything is there.
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn StorageFile>>;
    /// Makes a file that only its owner may read, or empties the one that is there.
    fn create_or_empty(&self, path: &Path) -> io::Result<Box<dyn StorageFile>>;
    /// Opens a file that is there for reading and appending.
    fn open(&self, path: &Path) -> io::Result<Box<dyn StorageFile>>;
    /// The whole content of a file, opened for reading alone.
    fn read(&self, path: &Path) -> io::Result<Vec<u8>>;
    /// Whether anything is at `path`.
    fn exists(&self, path: &Path) -> io::Result<bool>;
    /// Gives a file or folder another name in one step.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// As [`Storage::rename`], of a file to a name that nothing has yet; else `AlreadyExists`.
    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Makes the names in a folder durable.
    fn sync_dir(&self, dir: &Path) -> io::Result<()>;
    /// Takes a file away.
    fn remove(&self, path: &Path) -> io::Result<()>;
    /// Takes an empty folder away.
    fn remove_dir(&self, dir: &Path) -> io::Result<()>;
    /// The names in a folder, sorted.
    fn list(&self, dir: &Path) -> io::Result<Vec<Listed>>;
}

/// An open file.
pub trait StorageFile: Send {
    /// Takes the exclusive lock, held until the file is dropped; `WouldBlock` when another has it.
    fn try_lock(&mut self) -> Result<(), TryLockError>;
    /// The whole content.
    fn read(&mut self) -> io::Result<Vec<u8>>;
    /// Writes at the end, in one call unless the system takes less than all of it.
    fn write_all(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Makes the content durable, and of the rest only what reading it back needs.
    fn sync_data(&mut self) -> io::Result<()>;
    /// Makes the content and all that is known about the file durable.
    fn sync_all(&mut self) -> io::Result<()>;
    /// Cuts the file to `len` bytes.
    fn truncate(&mut self, len: u64) -> io::Result<()>;
}

/// The file system.
#[derive(Debug, Clone, Copy, Default)]
pub struct FileSystem;

impl Storage for FileSystem {
    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        let mut builder = DirBuilder::new();
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        builder.create(dir)
    }

    fn create_new(&self, path: &Path) -> io::Result<Box<dyn StorageFile>> {
        opened(private().read(true).append(true).create_new(true), path)
    }

    fn create_or_empty(&self, path: &Path) -> io::Result<Box<dyn StorageFile>> {
        // Append and truncate cannot be asked for together, hence the second step.
        let mut file = opened(private().read(true).append(true).create(true), path)?;
        file.truncate(0)?;
        Ok(file)
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn StorageFile>> {
        regular(path)?;
        opened(private().read(true).append(true), path)
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        regular(path)?;
        fs::read(path)
    }

    fn exists(&self, path: &Path) -> io::Result<bool> {
        // A dangling link counts as something: writing there would go somewhere else.
        match fs::symlink_metadata(path) {
            Ok(_) => Ok(true),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(false),
            Err(e) => Err(e),
        }
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()> {
        // A second name is refused where there is one already; renaming would replace it.
        match fs::hard_link(from, to) {
            Ok(()) => fs::remove_file(from),
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => Err(e),
            // Some file systems give a file one name only. There it is asked, and then done.
            Err(_) => match self.exists(to)? {
                true => Err(io::ErrorKind::AlreadyExists.into()),
                false => fs::rename(from, to),
            },
        }
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        // Elsewhere than on Unix a folder cannot be opened to be synced.
        if cfg!(unix) { File::open(dir)?.sync_all() } else { Ok(()) }
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    fn remove_dir(&self, dir: &Path) -> io::Result<()> {
        fs::remove_dir(dir)
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<Listed>> {
        let mut out = Vec::new();
        for entry in fs::read_dir(dir)? {
            let entry = entry?;
            let kind = entry.file_type()?;
            let kind = if kind.is_file() {
                Kind::File
            } else if kind.is_dir() {
                Kind::Folder
            } else {
                Kind::Other
            };
            out.push(Listed { name: entry.file_name(), kind });
        }
        out.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(out)
    }
}

fn private() -> OpenOptions {
    let mut options = OpenOptions::new();
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options
}

fn opened(options: &OpenOptions, path: &Path) -> io::Result<Box<dyn StorageFile>> {
    Ok(Box::new(OnDisk(options.open(path)?)))
}

/// Opening a pipe would wait for its other end, so it is asked first.
fn regular(path: &Path) -> io::Result<()> {
    match fs::metadata(path)?.is_file() {
        true => Ok(()),
        false => Err(io::Error::new(io::ErrorKind::InvalidInput, "not a regular file")),
    }
}

struct OnDisk(File);

impl StorageFile for OnDisk {
    fn try_lock(&mut self) -> Result<(), TryLockError> {
        self.0.try_lock()
    }

    fn read(&mut self) -> io::Result<Vec<u8>> {
        let mut bytes = Vec::new();
        self.0.seek(SeekFrom::Start(0))?;
        self.0.read_to_end(&mut bytes)?;
        Ok(bytes)
    }

    fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.write_all(bytes)
    }

    fn sync_data(&mut self) -> io::Result<()> {
        self.0.sync_data()
    }

    fn sync_all(&mut self) -> io::Result<()> {
        self.0.sync_all()
    }

    fn truncate(&mut self, len: u64) -> io::Result<()> {
        self.0.set_len(len)
    }
}
