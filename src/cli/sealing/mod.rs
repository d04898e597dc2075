//! The commands around the seal: their definitions, and what they share.

pub mod addendum;
pub mod closing;
pub mod key;
pub mod note;
pub mod purge;
mod secret;
pub mod sign;
pub mod verify;

use std::io::{self, BufRead as _, IsTerminal as _};
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueEnum};

use super::exit::{Exit, Failure};
use super::{header, number, output};
use crate::journal::{FileSystem, Form};
use crate::seal::keys::KeyFolder;
use crate::seal::known::KnownKeys;
use crate::seal::statement::Seals;
use crate::seal::{SealError, register};

/// Where a passphrase comes from.
#[derive(Debug, Args)]
pub struct Passphrase {
    /// Take the passphrase from the first line of a file; `-` is standard input
    #[arg(long, value_name = "FILE")]
    passphrase_file: Option<PathBuf>,
}

/// `cotside sign`
#[derive(Debug, Args)]
#[command(
    before_help = "\
Examples:
  cotside sign exams/a1
  cotside sign exams/a1 --remove-audio --passphrase-file secret.txt
  cotside sign exams/a1 --incomplete --reason \"transferred to theatre\"",
    after_help = "\
Signs the journal, the lexicon, the note and every file of the exam folder, with
the examiner's key (`cotside key new`). While anything is open it is listed,
each with the command that settles it, and nothing is signed (exit code 1). With
--incomplete, what is open stands on top of the note. From then on the exam only
takes signed entries (`cotside addendum`). Sound is removed at signing, unless
the header says to keep it or --keep-audio does; its digest stays in the
journal."
)]
pub struct SignArgs {
    /// Folder of the exam
    exam: PathBuf,
    /// Sign though matters are open; they stand on top of the note
    #[arg(long, requires = "reason")]
    incomplete: bool,
    /// Why it is signed incomplete
    #[arg(long, value_name = "TEXT", requires = "incomplete")]
    reason: Option<String>,
    /// Remove the sound at signing, without asking
    #[arg(long)]
    remove_audio: bool,
    /// Keep the sound
    #[arg(long, conflicts_with = "remove_audio")]
    keep_audio: bool,
    /// Initials of whoever signs; the examiner's, when not given
    #[arg(long, value_name = "INITIALS", value_parser = header::initials)]
    by: Option<String>,
    #[command(flatten)]
    passphrase: Passphrase,
    /// Folder of the lexicon, when the exam was recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// `cotside verify`
#[derive(Debug, Args)]
#[command(
    before_help = "\
Examples:
  cotside verify exams/a1
  cotside verify copies/a1 --json",
    after_help = "\
Says what is whole, what was changed and where, and whose key signed. It works
on a copy and needs no private key: a key counts as somebody's when it was made
here or taken with `cotside key trust`. Exit codes: 0 whole and by known keys, 1
not signed or by an unknown key, 4 damaged or altered."
)]
pub struct VerifyArgs {
    /// Folder of the exam
    exam: PathBuf,
    /// Folder of the lexicon, when the exam was recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Kinds of later entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Later {
    /// New information
    Addendum,
    /// Seen or known then, and left out
    LateEntry,
    /// What was written wrongly
    Correction,
}

impl From<Later> for Form {
    fn from(kind: Later) -> Form {
        match kind {
            Later::Addendum => Form::Addendum,
            Later::LateEntry => Form::LateEntry,
            Later::Correction => Form::Correction,
        }
    }
}

/// `cotside addendum`
#[derive(Debug, Args)]
#[command(
    allow_negative_numbers = true,
    before_help = "\
Examples:
  cotside addendum exams/a1 --reason \"result came back\" --text \"Calcium 1.9 mmol/l.\"
  cotside addendum exams/a1 --kind late-entry --reason \"left out\" \\
    --item moro --side both --value complete --seen 2026-03-04T09:10:00Z
  cotside addendum exams/a1 --kind correction --reason \"wrong side\" --about 12.1 \\
    --text \"The slow recoil was on the right.\"",
    after_help = "\
The entry is signed, and carries the time of this machine's clock: nothing can
be dated back. The note that was signed stays as it is; `cotside note` prints
both."
)]
pub struct AddendumArgs {
    /// Folder of the signed exam
    exam: PathBuf,
    /// addendum (new), late-entry (left out then) or correction (written wrongly)
    #[arg(long, value_enum, value_name = "KIND", default_value_t = Later::Addendum, hide_possible_values = true)]
    kind: Later,
    /// Why it is added
    #[arg(long, value_name = "TEXT")]
    reason: String,
    /// What is added, in words; `-` reads standard input
    #[arg(long, value_name = "TEXT", required_unless_present = "item")]
    text: Option<String>,
    /// Number of the finding it is about, as `cotside explain` gives it
    #[arg(long, value_name = "ID")]
    about: Option<String>,
    /// A finding: its item
    #[arg(long, value_name = "ITEM")]
    item: Option<String>,
    /// Side: left, right, both or midline
    #[arg(long, value_name = "S", requires = "item")]
    side: Option<String>,
    /// Value of the item
    #[arg(long, value_name = "V", requires = "item")]
    value: Option<String>,
    /// Number, in the item's unit
    #[arg(long, value_name = "N", value_parser = number, requires = "item")]
    number: Option<f64>,
    /// Status: observed, not_obtained or skipped
    #[arg(long, value_name = "S", requires = "item")]
    status: Option<String>,
    /// When it was seen, by your word
    #[arg(long, value_name = "TIME", value_parser = header::when)]
    seen: Option<header::When>,
    /// Initials of whoever adds it; the examiner's, when not given
    #[arg(long, value_name = "INITIALS", value_parser = header::initials)]
    by: Option<String>,
    #[command(flatten)]
    passphrase: Passphrase,
    /// Folder of the lexicon, when the exam was recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// `cotside key`
#[derive(Debug, Args)]
#[command(
    arg_required_else_help = true,
    before_help = "\
Examples:
  cotside key new --by KT
  cotside key show
  cotside key export --by KT -o kt.pub.pem
  cotside key trust kt.pub.pem --by KT",
    after_help = "\
Keys are kept in a folder of your own, the private one under a passphrase
(PKCS #8, PEM); the environment variable COTSIDE_KEYS names another folder. A
lost passphrase cannot be brought back: what was signed stays verifiable, and a
new key signs from then on."
)]
pub struct KeyArgs {
    #[command(subcommand)]
    act: KeyAct,
}

#[derive(Debug, Subcommand)]
enum KeyAct {
    /// Make a key to sign with
    #[command(before_help = "\
Examples:
  cotside key new --by KT")]
    New {
        /// Initials of its owner
        #[arg(long, value_name = "INITIALS", value_parser = header::initials)]
        by: String,
        #[command(flatten)]
        passphrase: Passphrase,
    },
    /// Show your keys and the known ones, with their fingerprints
    #[command(before_help = "\
Examples:
  cotside key show")]
    Show,
    /// Print a public key, to give to others
    #[command(before_help = "\
Examples:
  cotside key export --by KT -o kt.pub.pem")]
    Export {
        /// Initials of its owner
        #[arg(long, value_name = "INITIALS", value_parser = header::initials)]
        by: String,
        /// Write to a new file instead of standard output
        #[arg(short, long, value_name = "FILE")]
        output: Option<PathBuf>,
    },
    /// Take a colleague's public key as known
    #[command(before_help = "\
Examples:
  cotside key trust kt.pub.pem --by KT")]
    Trust {
        /// The public key
        file: PathBuf,
        /// Initials of its owner
        #[arg(long, value_name = "INITIALS", value_parser = header::initials)]
        by: String,
    },
}

/// `cotside purge`
#[derive(Debug, Args)]
#[command(
    before_help = "\
Examples:
  cotside purge exams/a1
  cotside purge exams/a1 --yes --reason \"30 days are over\" --passphrase-file secret.txt",
    after_help = "\
Removes the sound of an exam. What is removed is recorded in the journal with
its digest; in a signed exam that entry is signed. Copies elsewhere, and what
the disk keeps of removed files, stay."
)]
pub struct PurgeArgs {
    /// Folder of the exam
    exam: PathBuf,
    /// Do not ask
    #[arg(long)]
    yes: bool,
    /// Remove it though the header says to keep it still
    #[arg(long, requires = "reason")]
    anyway: bool,
    /// Why; the header's retention, when not given
    #[arg(long, value_name = "TEXT")]
    reason: Option<String>,
    /// Initials of whoever removes it; the examiner's, when not given
    #[arg(long, value_name = "INITIALS", value_parser = header::initials)]
    by: Option<String>,
    #[command(flatten)]
    passphrase: Passphrase,
}

/// `cotside lock`
#[derive(Debug, Args)]
#[command(
    before_help = "\
Examples:
  cotside lock exams/a1",
    after_help = "\
Puts the whole exam folder under a passphrase, in one file EXAM.age in its place
(an age archive). The file is written, read back and compared before the folder
is removed. A lost passphrase cannot be brought back, and the exam with it."
)]
pub struct LockArgs {
    /// Folder of the exam
    exam: PathBuf,
    #[command(flatten)]
    passphrase: Passphrase,
}

/// `cotside unlock`
#[derive(Debug, Args)]
#[command(before_help = "\
Examples:
  cotside unlock exams/a1.age")]
pub struct UnlockArgs {
    /// The locked exam
    file: PathBuf,
    #[command(flatten)]
    passphrase: Passphrase,
}

impl From<SealError> for Failure {
    fn from(e: SealError) -> Self {
        let (exit, problem) = match e {
            SealError::Damaged(p) | SealError::Altered(p) => (Exit::Damaged, p),
            SealError::Refused(p) => (Exit::Input, p),
            SealError::Io(p) => (Exit::Device, p),
            SealError::Journal(e) => return e.into(),
        };
        Failure { exit, problems: vec![*problem] }
    }
}

/// The known keys and where they are; none where a user has no folder of keys.
fn known() -> Result<(KeyFolder, KnownKeys), Failure> {
    let folder = KeyFolder::own()?;
    let known = KnownKeys::read(&FileSystem, &folder)?;
    Ok((folder, known))
}

/// Notes what was signed here; that it cannot is worth a word and no more.
fn register(dir: &Path, folder: &KeyFolder, seals: &Seals) {
    let read = crate::journal::read(dir).ok();
    let before = read.as_ref().and_then(|r| r.signing()).map(|(line, _)| line.prev);
    if let Err(e) = register::record(&FileSystem, folder, seals, before) {
        output::warn(&format!("signed all the same: {e}"));
    }
}

/// Asks a question that is answered yes or no; anything but yes is no.
fn yes(question: &str) -> Result<bool, Failure> {
    output::raw(&format!("{question} [y/N] "))?;
    let mut answer = String::new();
    io::stdin().lock().read_line(&mut answer)?;
    Ok(matches!(answer.trim().to_lowercase().as_str(), "y" | "yes"))
}

/// Whether there is somebody to ask.
fn can_ask() -> bool {
    io::stdin().is_terminal() && io::stdout().is_terminal()
}
