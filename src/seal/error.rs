//! What can go wrong with a seal, a key or a closed exam.

use std::io;
use std::path::Path;

use crate::journal::JournalError;
use crate::problem::Problem;

/// What went wrong.
#[derive(Debug, thiserror::Error)]
pub enum SealError {
    /// A file cannot be read as what it was written as.
    #[error("{0}")]
    Damaged(Box<Problem>),
    /// A file reads well, and is not what was signed.
    #[error("{0}")]
    Altered(Box<Problem>),
    /// Something given is wrong; nothing was changed.
    #[error("{0}")]
    Refused(Box<Problem>),
    /// The disk failed.
    #[error("{0}")]
    Io(Box<Problem>),
    /// The journal.
    #[error("{0}")]
    Journal(#[from] JournalError),
}

impl SealError {
    /// The error as a problem, for printing beside others.
    pub fn problem(&self) -> &Problem {
        match self {
            SealError::Damaged(p)
            | SealError::Altered(p)
            | SealError::Refused(p)
            | SealError::Io(p) => p,
            SealError::Journal(e) => e.problem(),
        }
    }

    pub(super) fn damaged(path: &Path, message: impl Into<String>, help: &str) -> Self {
        SealError::Damaged(problem(path, message, help))
    }

    pub(super) fn altered(path: &Path, message: impl Into<String>, help: &str) -> Self {
        SealError::Altered(problem(path, message, help))
    }

    pub(super) fn refused(path: &Path, message: impl Into<String>, help: &str) -> Self {
        SealError::Refused(problem(path, message, help))
    }

    pub(super) fn io(doing: &str, path: &Path, e: &io::Error) -> Self {
        let help = match e.kind() {
            io::ErrorKind::PermissionDenied => "check who owns the folder and who may write there",
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => "make room on the disk",
            _ => "check the disk, then try again; nothing that was signed is touched",
        };
        SealError::Io(problem(path, format!("cannot {doing}: {e}"), help))
    }
}

fn problem(path: &Path, message: impl Into<String>, help: &str) -> Box<Problem> {
    Box::new(Problem::in_file(path.display().to_string(), message).help(help))
}
