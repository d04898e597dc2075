//! Verification: what of a signed exam is whole, what was changed, at which entry, with which key.
//!
//! Nothing is taken on trust: every signature is computed, every file read, and a key counts as
//! somebody's only when it is among the known ones. It needs no private key and writes nothing.

use std::fmt;
use std::path::Path;

use super::error::SealError;
use super::facts::{self, SealFacts};
use super::folder;
use super::known::KnownKeys;
use super::standing::{self, RawLines, Standing};
use super::statement::{Act, NOTE_FILE, SEAL_FILE, Seal, TRAIL};
use crate::journal::{
    self, Digest, Entry, FILE_NAME, FileDigest, JournalError, JournalRead, LexiconRef, Storage,
};
use crate::problem::Problem;

/// Kinds of trouble.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// A file cannot be read as what it was written as.
    Damaged,
    /// A file reads well, and is not what was signed.
    Altered,
    /// The signature fits, and the key is not known as the signer's.
    UnknownKey,
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Kind::Damaged => "damaged",
            Kind::Altered => "altered",
            Kind::UnknownKey => "unknown key",
        })
    }
}

/// Something that keeps an exam from being what was signed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// What kind.
    pub kind: Kind,
    /// The file, relative to the exam folder.
    pub file: String,
    /// The entry of the journal, from 1.
    pub entry: Option<u64>,
    /// What was found.
    pub text: String,
}

impl Trouble {
    fn new(kind: Kind, file: &str, text: impl Into<String>) -> Self {
        Trouble { kind, file: file.to_owned(), entry: None, text: text.into() }
    }

    fn at(kind: Kind, entry: u64, text: impl Into<String>) -> Self {
        Trouble { entry: Some(entry), ..Trouble::new(kind, FILE_NAME, text) }
    }

    /// Whether it is about what was signed, and not about whose key it is.
    pub fn is_about_signed(&self) -> bool {
        self.kind != Kind::UnknownKey
    }

    /// As an error of a command that needs the exam to be whole.
    pub fn into_error(self, dir: &Path) -> SealError {
        let help = format!("`cotside verify {}` says all that was found", dir.display());
        let path = folder::within(dir, &self.file);
        let problem = match self.entry {
            Some(n) => Problem::at(
                path.display().to_string(),
                usize::try_from(n).unwrap_or(0),
                0,
                format!("{}: {}", self.kind, self.text),
            )
            .help(help),
            None => Problem::in_file(
                path.display().to_string(),
                format!("{}: {}", self.kind, self.text),
            )
            .help(help),
        };
        match self.kind {
            Kind::Damaged => SealError::Damaged(Box::new(problem)),
            _ => SealError::Altered(Box::new(problem)),
        }
    }
}

/// What the exam is held against, as far as it is at hand.
#[derive(Debug, Clone, Default)]
pub struct Against<'a> {
    /// The known keys; when absent, it is not asked whose a key is.
    pub known: Option<&'a KnownKeys>,
    /// Digests of the seals this machine saw of the exam.
    pub seen: &'a [Digest],
    /// The note that the journal gives with the lexicon and the tool that the first seal names; absent
    /// when either is another.
    pub note_again: Option<&'a str>,
}

/// What is known of a seal's key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Whose {
    /// Known as the signer's.
    Known,
    /// Known as somebody else's.
    AnotherS(String),
    /// Not known.
    Unknown,
    /// Not asked.
    NotAsked,
}

/// What verification found.
#[derive(Debug, Clone, Default)]
pub struct Report {
    /// Whether the exam is signed, or was.
    pub signed: bool,
    /// Facts of the seals whose signature fits, with whose key it is.
    pub seals: Vec<(SealFacts, Whose)>,
    /// What is wrong.
    pub troubles: Vec<Trouble>,
    /// What is odd, and takes nothing from what was signed.
    pub notices: Vec<String>,
    /// How many entries the journal holds.
    pub entries: u64,
    /// How many files besides journal, seal and note were compared with their digests.
    pub files: usize,
    /// Sound that was removed, by record.
    pub audio_removed: Vec<FileDigest>,
    /// The lexicon that the note was written with.
    pub lexicon: Option<LexiconRef>,
}

impl Report {
    /// Whether nothing is wrong with what was signed, whoever's key it is.
    pub fn whole(&self) -> bool {
        !self.troubles.iter().any(Trouble::is_about_signed)
    }
}

/// Checks the exam in `dir`.
///
/// # Errors
/// When there is no exam to check ([`SealError::Journal`], [`SealError::Refused`]), a later version
/// wrote it, or the disk fails. What is wrong with the exam itself stands in the report.
pub fn check(
    storage: &dyn Storage,
    dir: &Path,
    against: &Against<'_>,
) -> Result<Report, SealError> {
    let read = match journal::read_in(storage, dir) {
        Ok(read) => Ok(read),
        Err(JournalError::Damage(problem)) => Err(problem),
        // With a seal beside it, a journal of nothing but half a line is damage as well.
        Err(JournalError::Empty(problem)) => Err(problem),
        Err(JournalError::Missing(_)) if bears_seal(storage, dir)? => {
            let gone = Trouble::new(Kind::Altered, FILE_NAME, "is missing, and a seal stands here");
            return Ok(Report { signed: true, troubles: vec![gone], ..Report::default() });
        }
        Err(e) => return Err(e.into()),
    };
    let raw = RawLines::read(storage, dir)?;
    // What was set aside behind the last whole entry is no entry.
    let entries = read.as_ref().map_or(raw.digests.len(), |r| r.lines.len());
    let mut report = Report { entries: entries as u64, ..Report::default() };
    let found = match standing::standing(storage, dir, &raw) {
        Ok(found) => found,
        Err(SealError::Damaged(problem)) => {
            report.signed = true;
            report.troubles.push(Trouble::new(Kind::Damaged, SEAL_FILE, problem.message.clone()));
            journal_alone(&read, &mut report.troubles);
            return Ok(report);
        }
        Err(e) => return Err(e),
    };
    let Some(found) = found else {
        unsigned(&read, &mut report);
        return Ok(report);
    };
    report.signed = true;
    if found.pending {
        report.notices.push(
            "signing was interrupted after it held; the next command that writes finishes it"
                .into(),
        );
    }
    signatures(&found, &read, against, &mut report);
    if report.troubles.iter().any(|t| t.file == SEAL_FILE && t.kind == Kind::Altered) {
        // What an altered seal says of other files proves nothing about them.
        journal_alone(&read, &mut report.troubles);
        return Ok(report);
    }
    of_journal(&found, &raw, &read, &mut report);
    of_note(storage, dir, &found, against, &mut report)?;
    of_files(storage, dir, &found, read.as_ref().ok(), &mut report)?;
    Ok(report)
}

type Read = Result<JournalRead, Box<Problem>>;

/// Whether a seal stands in the folder, finished or on its way.
fn bears_seal(storage: &dyn Storage, dir: &Path) -> Result<bool, SealError> {
    for name in [SEAL_FILE.to_owned(), folder::part(SEAL_FILE)] {
        let path = dir.join(name);
        if storage.exists(&path).map_err(|e| SealError::io("look for this file", &path, &e))? {
            return Ok(true);
        }
    }
    Ok(false)
}

fn journal_alone(read: &Read, troubles: &mut Vec<Trouble>) {
    if let Err(problem) = read {
        troubles.push(of_problem(problem));
    }
}

fn of_problem(problem: &Problem) -> Trouble {
    let entry = (problem.line > 0).then_some(problem.line as u64);
    Trouble { entry, ..Trouble::new(Kind::Damaged, FILE_NAME, problem.message.clone()) }
}

impl Report {
    /// The exam bears no signature, and this machine signed it ([`super::register::signed_here`]).
    pub fn signature_gone(&mut self) {
        self.troubles.push(Trouble::new(Kind::Altered, SEAL_FILE, SIGNATURE_GONE));
    }
}

/// What is said of an exam that this machine signed, and that bears no signature.
pub const SIGNATURE_GONE: &str = "is missing: this machine signed this exam. Its signature was \
                                  taken away, or this is a copy made before it was signed";

fn unsigned(read: &Read, report: &mut Report) {
    match read {
        Ok(read) => {
            if let Some((line, signing)) = read.signing() {
                report.signed = true;
                report.troubles.push(Trouble::new(
                    Kind::Altered,
                    SEAL_FILE,
                    format!(
                        "is missing: entry {} says that {} signed the exam",
                        line.seq, signing.who
                    ),
                ));
            }
            if let Some(torn) = &read.torn {
                report.notices.push(format!("{FILE_NAME}: {torn}"));
            }
        }
        Err(problem) => report.troubles.push(of_problem(problem)),
    }
}

/// The seals by themselves and among themselves: form, signature, order, exam, key.
fn signatures(found: &Standing, read: &Read, against: &Against<'_>, report: &mut Report) {
    let mut before: Option<&Seal> = None;
    let mut altered = |text: String| {
        report.troubles.push(Trouble::new(Kind::Altered, SEAL_FILE, text));
    };
    let mut good = Vec::new();
    for (k, seal) in found.seals.seals.iter().enumerate() {
        let n = k + 1;
        let s = &seal.statement;
        if let Some(fault) = seal.fault() {
            altered(format!("seal {n}: {fault}"));
            before = Some(seal);
            continue;
        }
        let follows = s.number as usize == n
            && (s.act == Act::Note) == (n == 1)
            && s.note.is_some() == (n == 1)
            && s.previous == before.map(Seal::digest)
            && before.is_none_or(|b| b.statement.journal.entries < s.journal.entries);
        if !follows {
            altered(format!("seal {n} does not belong behind what stands before it"));
        }
        if let Some(header) = read.as_ref().ok().and_then(JournalRead::header)
            && header.code.as_str() != s.exam
        {
            altered(format!("seal {n} is of the exam {}, and this is {}", s.exam, header.code));
        }
        before = Some(seal);
        good.extend(facts::of(seal));
    }
    for (k, digest) in against.seen.iter().enumerate() {
        match found.seals.seals.get(k) {
            Some(seal) if seal.digest() == *digest => {}
            Some(_) => {
                altered(format!("seal {} is another than the one made on this machine", k + 1))
            }
            None => altered(format!(
                "seal {} is missing, which was made on this machine: what it signed was removed, or \
                 this is an older copy",
                k + 1
            )),
        }
    }
    for f in good {
        let whose = match against.known {
            None => Whose::NotAsked,
            Some(known) => match known.whose(&f.public_key) {
                Some(who) if who == f.who => Whose::Known,
                Some(who) => Whose::AnotherS(who.to_owned()),
                None => Whose::Unknown,
            },
        };
        let key = super::keys::grouped(&f.key, false);
        let text = match &whose {
            Whose::Unknown => Some(format!(
                "seal {}: the key {key} is not known; whether {} signed cannot be told",
                f.number, f.who
            )),
            Whose::AnotherS(who) => Some(format!(
                "seal {}: the key {key} is known as {who}'s, and the seal says {}",
                f.number, f.who
            )),
            Whose::Known | Whose::NotAsked => None,
        };
        if let Some(text) = text {
            report.troubles.push(Trouble::new(Kind::UnknownKey, SEAL_FILE, text));
        }
        report.seals.push((f, whose));
    }
}

/// The journal's bytes against the trail of digests, and its entries against the seals.
fn of_journal(found: &Standing, raw: &RawLines, read: &Read, report: &mut Report) {
    let seals = &found.seals.seals;
    let Some(last) = seals.last().map(|s| &s.statement.journal) else { return };
    let trail: String = seals.iter().map(|s| s.statement.journal.trail.as_str()).collect();
    let signed: Vec<&[u8]> = trail.as_bytes().chunks(TRAIL).collect();
    let odd = (1..).zip(&signed).find(|&(n, short)| {
        raw.entry(n).is_none_or(|d| d.to_string().as_bytes()[..TRAIL] != **short)
    });
    let problem = read.as_ref().err();
    if let Some((n, _)) = odd {
        let there = raw.digests.len() as u64;
        let (kind, text) = match problem {
            Some(p) if p.line as u64 == n => (Kind::Damaged, p.message.clone()),
            Some(_) if n <= there => (Kind::Damaged, "the entry is not the one signed".to_owned()),
            _ if n > there && raw.rest => (Kind::Damaged, "the entry is cut short".to_owned()),
            _ if n > there => (
                Kind::Altered,
                format!(
                    "{} cut off; {} entries were signed",
                    missing(n, last.entries),
                    last.entries
                ),
            ),
            // A last entry that is no JSON reads like one that was being written.
            _ if read.as_ref().is_ok_and(|r| r.torn.is_some() && r.lines.len() as u64 + 1 == n) => {
                (Kind::Damaged, "the entry cannot be read".to_owned())
            }
            _ => (Kind::Altered, "the entry is not the one signed".to_owned()),
        };
        report.troubles.push(Trouble::at(kind, n, text));
        return;
    }
    if signed.len() as u64 != last.entries || raw.entry(last.entries) != Some(&last.sha256) {
        report.troubles.push(Trouble::at(
            Kind::Altered,
            last.entries,
            "the digest is not the one signed",
        ));
        return;
    }
    let Ok(read) = read else {
        journal_alone(read, &mut report.troubles);
        return;
    };
    if let Some(line) = read.lines.iter().find(|l| l.seq > last.entries) {
        report.troubles.push(Trouble::at(
            Kind::Altered,
            line.seq,
            format!("follows the last signed entry, {}, and is not signed", last.entries),
        ));
    }
    if let Some(torn) = &read.torn {
        report.notices.push(format!("{FILE_NAME}: {torn}; nothing that was signed is touched"));
    }
    for seal in seals {
        let s = &seal.statement;
        let line = read.lines.iter().find(|l| l.seq == s.journal.entries);
        let fits = line.is_some_and(|l| match &l.entry {
            Entry::Signing(e) => s.act == Act::Note && e.who == s.who && e.key == s.key,
            Entry::Addendum(e) => s.act == Act::Addendum && e.who == s.who && e.key == s.key,
            Entry::AudioRemoval(e) => {
                s.act == Act::AudioRemoval && e.who == s.who && e.key == Some(s.key)
            }
            _ => false,
        });
        if !fits {
            report.troubles.push(Trouble::at(
                Kind::Altered,
                s.journal.entries,
                format!("is not the entry that seal {} is for", s.number),
            ));
        }
    }
}

fn missing(from: u64, to: u64) -> String {
    match from == to {
        true => format!("entry {from} is"),
        false => format!("entries {from} to {to} are"),
    }
}

fn of_note(
    storage: &dyn Storage,
    dir: &Path,
    found: &Standing,
    against: &Against<'_>,
    report: &mut Report,
) -> Result<(), SealError> {
    let Some(first) = found.seals.seals.first() else { return Ok(()) };
    let s = &first.statement;
    report.lexicon = Some(s.lexicon.clone());
    let Some(signed) = &s.note else { return Ok(()) };
    let bytes = match standing::note(storage, dir, found) {
        Ok(Some(bytes)) => bytes,
        Ok(None) => {
            report.troubles.push(Trouble::new(Kind::Altered, NOTE_FILE, "is missing"));
            return Ok(());
        }
        Err(SealError::Damaged(problem)) => {
            let text = problem.message.clone();
            report.troubles.push(Trouble::new(Kind::Damaged, NOTE_FILE, text));
            return Ok(());
        }
        Err(e) => return Err(e),
    };
    if folder::of(&signed.file, &bytes) != *signed {
        let text = match std::str::from_utf8(&bytes) {
            Ok(_) => (Kind::Altered, "is not the note that was signed"),
            Err(_) => (Kind::Damaged, "is not UTF-8 text, and not the note that was signed"),
        };
        report.troubles.push(Trouble::new(text.0, NOTE_FILE, text.1));
        return Ok(());
    }
    if against.note_again.is_some_and(|again| again.as_bytes() != bytes) {
        report.troubles.push(Trouble::new(
            Kind::Altered,
            NOTE_FILE,
            "is what was signed, and not what the journal gives",
        ));
    }
    Ok(())
}

/// Every other file against its digest; sound that was removed, by record.
fn of_files(
    storage: &dyn Storage,
    dir: &Path,
    found: &Standing,
    read: Option<&JournalRead>,
    report: &mut Report,
) -> Result<(), SealError> {
    let there = match folder::files(storage, dir) {
        Ok(there) => there,
        Err(SealError::Refused(problem)) => {
            let file = problem.file.clone();
            report.troubles.push(Trouble::new(Kind::Altered, &file, problem.message.clone()));
            return Ok(());
        }
        Err(e) => return Err(e),
    };
    let signed: Vec<&FileDigest> =
        found.seals.seals.iter().flat_map(|s| &s.statement.files).collect();
    let removed = read.map_or_else(Vec::new, removed_audio);
    for f in &removed {
        report.audio_removed.push(f.clone());
        if !there.contains(&f.file) {
            continue;
        }
        match folder::digest(storage, dir, &f.file)? == *f {
            true => report.notices.push(format!(
                "{} is to be removed and still here: cotside purge {}",
                f.file,
                dir.display()
            )),
            false => report.troubles.push(Trouble::new(
                Kind::Altered,
                &f.file,
                "was removed, and another file stands in its place",
            )),
        }
    }
    let gone = |file: &str| removed.iter().any(|r| r.file == file);
    for f in signed.iter().filter(|f| !gone(&f.file)) {
        report.files += 1;
        let text = match there.contains(&f.file) {
            false => "is missing",
            true if folder::digest(storage, dir, &f.file)? != **f => {
                "is not the file that was signed"
            }
            true => continue,
        };
        report.troubles.push(Trouble::new(Kind::Altered, &f.file, text));
    }
    for file in there {
        let known = folder::is_own(&file) || gone(&file) || signed.iter().any(|f| f.file == file);
        if !known {
            report.notices.push(format!("{file} came after signing and is not signed"));
        }
    }
    Ok(())
}

/// Sound that was removed at signing or later, with its digests, as the journal records it.
pub fn removed_audio(read: &JournalRead) -> Vec<FileDigest> {
    let of = |entry: &Entry| match entry {
        Entry::Signing(s) if s.audio_removed => s.audio.clone(),
        Entry::AudioRemoval(r) => r.files.clone(),
        _ => Vec::new(),
    };
    read.lines.iter().flat_map(|l| of(&l.entry)).collect()
}
