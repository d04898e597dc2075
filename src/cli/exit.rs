//! Exit codes, and how a failure is told.

use std::io;
use std::path::Path;
use std::process::ExitCode;

use crate::journal::JournalError;
use crate::problem::Problem;
use crate::seal::closed::closed_path;
use crate::seal::statement::SEAL_FILE;

/// Exit codes, as `cotside --help` lists them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// All went well.
    Ok = 0,
    /// The exam does not meet its protocol.
    Gate = 1,
    /// The command line or an input is wrong.
    Input = 2,
    /// The disk, the terminal or the microphone failed.
    Device = 3,
    /// The journal is damaged, or was written by a later version.
    Damaged = 4,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(exit as u8)
    }
}

/// Why a command stopped.
#[derive(Debug)]
pub struct Failure {
    /// How the process ends.
    pub exit: Exit,
    /// What is told; the most important last. Empty when nobody is left to be told.
    pub problems: Vec<Problem>,
}

/// What a command comes to.
pub type Outcome = Result<Exit, Failure>;

impl Failure {
    /// Wrong usage or input, with what would be right.
    pub fn input(
        what: impl Into<String>,
        message: impl Into<String>,
        help: impl Into<String>,
    ) -> Self {
        Problem::in_file(what, message).help(help).into()
    }

    /// A file that could not be read or written.
    pub fn file(path: &Path, doing: &str, e: &io::Error) -> Self {
        let help = match e.kind() {
            io::ErrorKind::NotFound => "check the name; `-` stands for standard input",
            io::ErrorKind::PermissionDenied => "check who may read and write there",
            io::ErrorKind::IsADirectory => "name a file, not a folder",
            io::ErrorKind::AlreadyExists => "name another file; nothing is written over",
            _ => "check the name and the disk, then try again",
        };
        Failure::input(path.display().to_string(), format!("cannot {doing}: {e}"), help)
    }
}

impl From<Problem> for Failure {
    fn from(p: Problem) -> Self {
        Failure { exit: Exit::Input, problems: vec![p] }
    }
}

impl From<Vec<Problem>> for Failure {
    fn from(problems: Vec<Problem>) -> Self {
        Failure { exit: Exit::Input, problems }
    }
}

impl From<JournalError> for Failure {
    fn from(e: JournalError) -> Self {
        let mut exit = match &e {
            JournalError::Damage(_) | JournalError::Newer(_) => Exit::Damaged,
            JournalError::Io { .. } | JournalError::Closed(_) => Exit::Device,
            JournalError::Missing(_)
            | JournalError::Exists(_)
            | JournalError::Empty(_)
            | JournalError::Locked(_)
            | JournalError::Refused(_) => Exit::Input,
        };
        let mut problem = e.problem().clone();
        if matches!(e, JournalError::Missing(_)) {
            let path = Path::new(&problem.file);
            let dir = path.parent().unwrap_or(path);
            let exam = dir.display();
            let locked = closed_path(dir).ok().filter(|p| p.is_file());
            let sealed = dir.join(SEAL_FILE).exists();
            if locked.is_none() && sealed {
                exit = Exit::Damaged;
            }
            problem.help = Some(match locked {
                Some(locked) => {
                    format!("the exam is locked; open it: cotside unlock {}", locked.display())
                }
                None if sealed => {
                    "a signed exam stood here, and its journal was taken away: bring \
                                   it back from a copy"
                        .to_owned()
                }
                None => format!(
                    "name the folder of an exam that was started, or start it: \
                 cotside read FILE --exam {exam}"
                ),
            });
        }
        Failure { exit, problems: vec![problem] }
    }
}

/// Failures of standard output and of the terminal.
impl From<io::Error> for Failure {
    fn from(e: io::Error) -> Self {
        if e.kind() == io::ErrorKind::BrokenPipe {
            // Whoever read our output has seen enough (`| head`). That is no failure of ours, and
            // there is nobody left to tell.
            return Failure { exit: Exit::Ok, problems: Vec::new() };
        }
        Failure {
            exit: Exit::Device,
            problems: vec![
                Problem::in_file("terminal", format!("cannot read or write: {e}"))
                    .help("check that the output can be written to"),
            ],
        }
    }
}
