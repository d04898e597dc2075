//! What can go wrong with a journal.

use crate::problem::Problem;
use std::io;
use std::path::{Path, PathBuf};

/// What went wrong. Every kind shows as a [`Problem`]: file, line, what was found, what would be
/// right.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// A line before the last is wrong, or the last is whole and wrong. The file was not changed.
    #[error("{0}")]
    Damage(Box<Problem>),
    /// A later version of the tool wrote the journal. The file was not changed.
    #[error("{0}")]
    Newer(Box<Problem>),
    /// There is no journal in the folder.
    #[error("{0}")]
    Missing(Box<Problem>),
    /// There is a journal in the folder already.
    #[error("{0}")]
    Exists(Box<Problem>),
    /// The journal's header was never completely written: nothing has been recorded in it.
    #[error("{0}")]
    Empty(Box<Problem>),
    /// Another writer has the journal open.
    #[error("{0}")]
    Locked(Box<Problem>),
    /// The entry breaks a rule; nothing was written, and the journal can be appended to further.
    #[error("{0}")]
    Refused(Box<Problem>),
    /// An earlier write failed, so this handle writes no more; open the journal again.
    #[error("{0}")]
    Closed(Box<Problem>),
    /// The disk failed.
    #[error("{problem}")]
    Io {
        /// What was being done, to which file.
        problem: Box<Problem>,
        /// The system's error.
        source: io::Error,
    },
}

impl JournalError {
    /// The error as a problem, for printing beside others.
    pub fn problem(&self) -> &Problem {
        match self {
            JournalError::Damage(p)
            | JournalError::Newer(p)
            | JournalError::Missing(p)
            | JournalError::Exists(p)
            | JournalError::Empty(p)
            | JournalError::Locked(p)
            | JournalError::Refused(p)
            | JournalError::Closed(p)
            | JournalError::Io { problem: p, .. } => p,
        }
    }

    pub(super) fn missing(path: &Path) -> Self {
        JournalError::Missing(Box::new(
            Problem::in_file(shown(path), "there is no journal here")
                .help("name the folder of an exam that was started"),
        ))
    }

    pub(super) fn exists(path: &Path) -> Self {
        JournalError::Exists(Box::new(
            Problem::in_file(shown(path), "there is a journal here already")
                .help("start the exam in another folder, or take this one up again"),
        ))
    }

    pub(super) fn empty(path: &Path) -> Self {
        JournalError::Empty(Box::new(
            Problem::in_file(
                shown(path),
                "the journal's header was never completely written; nothing is recorded in it",
            )
            .help("start the exam again in this folder; what is in the file will be set aside"),
        ))
    }

    pub(super) fn locked(path: &Path) -> Self {
        JournalError::Locked(Box::new(
            Problem::in_file(shown(path), "another program is writing this journal")
                .help("end it first; reading is possible meanwhile"),
        ))
    }

    pub(super) fn closed(path: &Path, earlier: &str) -> Self {
        JournalError::Closed(Box::new(
            Problem::in_file(
                shown(path),
                format!("nothing more is written after an earlier failure ({earlier})"),
            )
            .help("open the journal again; it keeps every entry that was confirmed"),
        ))
    }

    pub(super) fn io(doing: &str, path: &Path, source: io::Error) -> Self {
        let help = match source.kind() {
            io::ErrorKind::PermissionDenied => "check who owns the folder and who may write there",
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                "make room on the disk, then open the journal again"
            }
            io::ErrorKind::NotFound => "check that the folder above it exists",
            _ => "every entry that was confirmed is kept; check the disk, then try again",
        };
        let problem = Problem::in_file(shown(path), format!("cannot {doing}: {source}")).help(help);
        JournalError::Io { problem: Box::new(problem), source }
    }
}

/// A path as it is shown.
pub(super) fn shown(path: &Path) -> String {
    path.display().to_string()
}

/// The journal file of an exam folder.
pub(super) fn journal_path(dir: &Path) -> PathBuf {
    dir.join(super::FILE_NAME)
}
