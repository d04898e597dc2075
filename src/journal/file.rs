//! The journal open for appending: make, open, append.

use super::JournalRead;
use super::chain::{Chain, Digest};
use super::clock::{Clock, ExamClock, Resumed};
use super::entry::Entry;
use super::error::{JournalError, journal_path, shown};
use super::header::Header;
use super::line::{self, Fault, Line};
use super::recover::{scan, set_aside};
use super::store::{FileSystem, Storage, StorageFile};
use crate::problem::Problem;
use std::fs::TryLockError;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A journal open for appending. It holds the exclusive lock until it is dropped.
pub struct Journal {
    path: PathBuf,
    file: Box<dyn StorageFile>,
    chain: Chain,
    clock: ExamClock,
    /// What failed, after which nothing more is written.
    failed: Option<String>,
}

/// A journal opened again, with what was found in it.
#[derive(Debug)]
pub struct Opened {
    /// The journal, ready to append.
    pub journal: Journal,
    /// What it holds. A torn tail, if there was one, has been set aside; see its `kept`.
    pub read: JournalRead,
    /// How the exam clock goes on.
    pub resumed: Resumed,
}

impl Journal {
    /// Starts the journal of a new exam in `dir`, which is made if need be (not its parent).
    ///
    /// The header is durable when this returns. `clock` is the exam clock from now on, and the
    /// header stands at 0 ms on it.
    ///
    /// # Errors
    /// [`JournalError::Exists`] when the folder has a journal with anything recorded;
    /// [`JournalError::Locked`], [`JournalError::Refused`] (a header that breaks a rule; nothing is
    /// made) or [`JournalError::Io`]. A journal whose header was never completely written is taken
    /// over, its bytes set aside as `journal.torn-<n>`.
    pub fn create(
        dir: impl AsRef<Path>,
        header: Header,
        clock: Arc<dyn Clock>,
    ) -> Result<Self, JournalError> {
        Journal::create_in(&FileSystem, dir.as_ref(), header, clock)
    }

    /// As [`Journal::create`], in any storage.
    ///
    /// # Errors
    /// As [`Journal::create`].
    pub fn create_in(
        storage: &dyn Storage,
        dir: &Path,
        header: Header,
        clock: Arc<dyn Clock>,
    ) -> Result<Self, JournalError> {
        let path = journal_path(dir);
        let mut chain = Chain::new();
        let entry = Entry::Header(Box::new(header));
        let line = chain
            .admits(0, &entry)
            .and_then(|()| line::encode(1, 0, clock.wall(), &entry, Digest::ZERO))
            .map_err(|fault| refused(&path, &entry, fault))?;

        match storage.create_dir(dir) {
            Err(e) if e.kind() != ErrorKind::AlreadyExists => {
                return Err(JournalError::io("make the exam folder", dir, e));
            }
            _ => {}
        }
        let made = storage.create_new(&path);
        let mut file = match made {
            Err(e) if e.kind() == ErrorKind::AlreadyExists => {
                storage.open(&path).map_err(|e| JournalError::io("open the journal", &path, e))?
            }
            made => made.map_err(|e| JournalError::io("make the journal", &path, e))?,
        };
        lock(file.as_mut(), &path)?;
        clear_if_unrecorded(storage, dir, &path, file.as_mut())?;
        let text = format!("{}\n", line.raw);
        file.write_all(text.as_bytes())
            .and_then(|()| file.sync_all())
            .map_err(|e| JournalError::io("write the header", &path, e))?;
        for folder in [Some(dir), parent(dir)].into_iter().flatten() {
            storage
                .sync_dir(folder)
                .map_err(|e| JournalError::io("make the folder durable", folder, e))?;
        }
        chain.follow(&line);
        Ok(Journal { path, file, chain, clock: ExamClock::new(clock), failed: None })
    }

    /// Opens the journal in `dir` to go on appending.
    ///
    /// A torn tail is moved to `journal.torn-<n>` first and reported. `clock` runs from any zero;
    /// [`Journal::clock`] is the exam clock, going on as `resumed` says.
    ///
    /// # Errors
    /// [`JournalError::Missing`], [`JournalError::Empty`], [`JournalError::Locked`],
    /// [`JournalError::Damage`], [`JournalError::Newer`] or [`JournalError::Io`]. Unless it is the
    /// last, nothing was changed; if it is, nothing was lost.
    pub fn open_to_append(
        dir: impl AsRef<Path>,
        clock: Arc<dyn Clock>,
    ) -> Result<Opened, JournalError> {
        Journal::open_to_append_in(&FileSystem, dir.as_ref(), clock)
    }

    /// As [`Journal::open_to_append`], in any storage.
    ///
    /// # Errors
    /// As [`Journal::open_to_append`].
    pub fn open_to_append_in(
        storage: &dyn Storage,
        dir: &Path,
        clock: Arc<dyn Clock>,
    ) -> Result<Opened, JournalError> {
        let path = journal_path(dir);
        let mut file = storage.open(&path).map_err(|e| match e.kind() {
            ErrorKind::NotFound => JournalError::missing(&path),
            _ => JournalError::io("open the journal", &path, e),
        })?;
        lock(file.as_mut(), &path)?;
        // Whoever held the lock until now may have put the exam away and removed this file.
        if !storage.exists(&path).map_err(|e| JournalError::io("look for the journal", &path, e))? {
            return Err(JournalError::missing(&path));
        }
        let bytes = file.read().map_err(|e| JournalError::io("read the journal", &path, e))?;
        let mut found = scan(&path, &bytes)?;
        let Some(last) = found.lines.last() else { return Err(JournalError::empty(&path)) };
        let resumed = Resumed::after(last.exam_ms, last.wall, clock.wall());
        match &mut found.torn {
            Some(torn) => torn.kept = Some(set_aside(storage, dir, file.as_mut(), torn)?),
            // A line may have been written by a process that died before it was durable. From here
            // on it counts as recorded, so it is made durable first.
            None => file
                .sync_all()
                .map_err(|e| JournalError::io("make the journal durable", &path, e))?,
        }
        for folder in [Some(dir), parent(dir)].into_iter().flatten() {
            storage
                .sync_dir(folder)
                .map_err(|e| JournalError::io("make the folder durable", folder, e))?;
        }
        let clock = ExamClock::from_ms(clock, resumed.at_ms());
        let journal = Journal { path, file, chain: found.chain, clock, failed: None };
        Ok(Opened { journal, read: JournalRead { lines: found.lines, torn: found.torn }, resumed })
    }

    /// Appends an entry at `exam_ms` on the exam clock and returns its sequence number.
    ///
    /// When this returns `Ok`, the entry is durable.
    ///
    /// # Errors
    /// [`JournalError::Refused`] when the entry breaks a rule: nothing was written, and the journal
    /// can be used further. [`JournalError::Io`] when the disk failed: whether the entry is there
    /// is only known after opening again, and this handle answers everything with
    /// [`JournalError::Closed`] from then on.
    pub fn append(&mut self, exam_ms: u64, entry: &Entry) -> Result<u64, JournalError> {
        let line = self.prepare(exam_ms, entry)?;
        self.append_prepared(&line)
    }

    /// The line that an entry will be, at `exam_ms` and the wall clock's time now. Nothing is
    /// written: whoever signs must know the line's digest before it is there.
    ///
    /// # Errors
    /// [`JournalError::Refused`] and [`JournalError::Closed`], as [`Journal::append`].
    pub fn prepare(&self, exam_ms: u64, entry: &Entry) -> Result<Line, JournalError> {
        if let Some(earlier) = &self.failed {
            return Err(JournalError::closed(&self.path, earlier));
        }
        let seq = self.chain.next_seq();
        self.chain
            .admits(exam_ms, entry)
            .and_then(|()| line::encode(seq, exam_ms, self.clock.wall(), entry, self.chain.prev()))
            .map_err(|fault| refused(&self.path, entry, fault))
    }

    /// Appends a line just prepared and returns its sequence number.
    ///
    /// # Errors
    /// As [`Journal::append`]; refused as well when another entry was appended meanwhile.
    pub fn append_prepared(&mut self, line: &Line) -> Result<u64, JournalError> {
        if let Some(earlier) = &self.failed {
            return Err(JournalError::closed(&self.path, earlier));
        }
        let seq = self.chain.next_seq();
        if line.seq != seq || line.prev != self.chain.prev() {
            let fault = Fault::new(
                format!("it was prepared as entry {}, and {seq} is due", line.seq),
                "prepare it again",
            );
            return Err(refused(&self.path, &line.entry, fault));
        }
        let text = format!("{}\n", line.raw);
        let written = self.file.write_all(text.as_bytes()).and_then(|()| self.file.sync_data());
        if let Err(e) = written {
            self.failed = Some(e.to_string());
            return Err(JournalError::io(&format!("write entry {seq}"), &self.path, e));
        }
        self.chain.follow(line);
        Ok(seq)
    }

    /// Appends an entry at the exam clock's present time.
    ///
    /// # Errors
    /// As [`Journal::append`].
    pub fn append_now(&mut self, entry: &Entry) -> Result<u64, JournalError> {
        self.append(self.clock.exam_ms(), entry)
    }

    /// The exam clock, to stamp phrases with.
    pub fn clock(&self) -> ExamClock {
        self.clock.clone()
    }

    /// SHA-256 of the last line.
    pub fn digest(&self) -> Digest {
        self.chain.prev()
    }

    /// The journal's file.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl std::fmt::Debug for Journal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Journal({}, next entry {})", self.path.display(), self.chain.next_seq())
    }
}

fn refused(path: &Path, entry: &Entry, fault: Fault) -> JournalError {
    let message = format!("the entry `{}` was not written: {}", entry.kind(), fault.message);
    JournalError::Refused(Box::new(Problem::in_file(shown(path), message).help(fault.help)))
}

fn lock(file: &mut dyn StorageFile, path: &Path) -> Result<(), JournalError> {
    file.try_lock().map_err(|e| match e {
        TryLockError::WouldBlock => JournalError::locked(path),
        TryLockError::Error(e) => JournalError::io("lock the journal", path, e),
    })
}

/// Leaves a locked journal empty for its header, if nothing is recorded in it yet.
///
/// Asked of a file just made as well: between its making and its locking another process may have
/// found it, locked it and written its own header.
fn clear_if_unrecorded(
    storage: &dyn Storage,
    dir: &Path,
    path: &Path,
    file: &mut dyn StorageFile,
) -> Result<(), JournalError> {
    let bytes = file.read().map_err(|e| JournalError::io("read the journal", path, e))?;
    match scan(path, &bytes) {
        Ok(found) if found.lines.is_empty() => {
            if let Some(torn) = &found.torn {
                set_aside(storage, dir, file, torn)?;
            }
            Ok(())
        }
        // A damaged journal is a journal too: it is never written over.
        _ => Err(JournalError::exists(path)),
    }
}

/// The folder whose names include `dir`; none for `.`, `..` and a root, which nobody makes here.
fn parent(dir: &Path) -> Option<&Path> {
    dir.file_name()?;
    match dir.parent() {
        Some(parent) if parent.as_os_str().is_empty() => Some(Path::new(".")),
        other => other,
    }
}
