//! Signing: the note, later entries, the removal of sound. See [`super`] for the commit protocol.

use std::path::Path;

use ed25519_dalek::SigningKey;

use super::check::{self, Against};
use super::error::SealError;
use super::folder;
use super::keys::fingerprint;
use super::standing::{self, RawLines};
use super::statement::{
    Act, NOTE_FILE, OfJournal, SEAL_FILE, Seal, Seals, Statement, TRAIL, fixed, public_text,
};
use crate::journal::{
    Addendum, AudioRemoval, Clock as _, Entry, FileDigest, Journal, JournalRead, LexiconRef,
    Opened, Resumed, Signing, Storage,
};

/// What is signed first.
pub struct NoteToSign<'a> {
    /// Initials of whoever signs.
    pub who: &'a str,
    /// The key.
    pub key: &'a SigningKey,
    /// The note.
    pub note: &'a str,
    /// The lexicon it was written with.
    pub lexicon: LexiconRef,
    /// Why it is signed with open matters.
    pub incomplete: Option<String>,
    /// Whether sound is removed.
    pub remove_audio: bool,
}

/// What signing came to.
#[derive(Debug)]
pub struct Signed {
    /// All seals of the exam.
    pub seals: Seals,
    /// The entry that was signed.
    pub entry: u64,
    /// Sound that was removed.
    pub removed: Vec<FileDigest>,
    /// How far the wall clock stood before that of the entry in front, milliseconds.
    pub clock_back_ms: Option<u64>,
}

/// How far the wall clock went back since the last entry, milliseconds.
pub fn clock_back_ms(resumed: Resumed) -> Option<u64> {
    match resumed {
        Resumed::WallWentBack { back_ms, .. } => Some(back_ms),
        Resumed::WallElapsed { .. } | Resumed::TooLong { .. } => None,
    }
}

/// Names of the sound files that the journal names.
pub fn named_audio(read: &JournalRead) -> Vec<String> {
    let of = |e: &Entry| match e {
        Entry::AudioMark(m) => m.file.clone(),
        _ => None,
    };
    read.lines.iter().filter_map(|l| of(&l.entry)).collect()
}

/// The sound files in the folder.
///
/// # Errors
/// As [`folder::files`].
pub fn audio(
    storage: &dyn Storage,
    dir: &Path,
    read: &JournalRead,
) -> Result<Vec<FileDigest>, SealError> {
    let named = named_audio(read);
    let files = folder::files(storage, dir)?;
    let sound = files.iter().filter(|f| !folder::is_own(f) && folder::is_audio(f, &named));
    sound.map(|f| folder::digest(storage, dir, f)).collect()
}

/// Signs the note and all that stands in the exam folder.
///
/// # Errors
/// [`SealError::Refused`] when the exam is signed already; as [`folder::files`]; [`SealError::Io`] and
/// [`SealError::Journal`]: the exam is then not signed, or it is, and opening it tells which.
pub fn sign(
    storage: &dyn Storage,
    dir: &Path,
    taken: Opened,
    order: &NoteToSign<'_>,
) -> Result<Signed, SealError> {
    let Opened { mut journal, read, resumed } = taken;
    if let Some((line, signing)) = read.signing() {
        return Err(SealError::refused(
            dir,
            format!("{} signed this exam already, in entry {}", signing.who, line.seq),
            "what is left to say is said with `cotside addendum`",
        ));
    }
    set_old_note_aside(storage, dir)?;
    let audio = audio(storage, dir, &read)?;
    let is_sound = |file: &str| audio.iter().any(|a| a.file == file);
    let mut files = Vec::new();
    for file in folder::files(storage, dir)?.iter().filter(|f| !folder::is_own(f)) {
        if !(order.remove_audio && is_sound(file)) {
            files.push(folder::digest(storage, dir, file)?);
        }
    }
    let clock_back_ms = clock_back_ms(resumed);
    let entry = Entry::Signing(Box::new(Signing {
        who: order.who.to_owned(),
        key: fingerprint(&order.key.verifying_key()),
        incomplete: order.incomplete.clone(),
        audio: audio.clone(),
        audio_removed: order.remove_audio && !audio.is_empty(),
        clock_back_ms,
    }));
    let what = What {
        act: Act::Note,
        note: Some(order.note),
        lexicon: order.lexicon.clone(),
        incomplete: order.incomplete.clone(),
        files,
    };
    let by = By { who: order.who, key: order.key };
    let (seals, entry) =
        commit(storage, dir, &mut journal, &read, &Seals { seals: vec![] }, &entry, what, &by)?;
    let removed = if order.remove_audio { audio } else { Vec::new() };
    remove(storage, dir, &removed)?;
    Ok(Signed { seals, entry, removed, clock_back_ms })
}

/// An entry after signing.
pub enum Later {
    /// An addendum, late entry or correction; its key and clock are filled in.
    Addendum(Box<Addendum>),
    /// The removal of sound, with why.
    AudioRemoval {
        /// Why.
        reason: String,
    },
}

/// Adds a signed entry to a signed exam. The exam must be whole: nothing is added to what was altered.
///
/// # Errors
/// [`SealError::Damaged`] and [`SealError::Altered`] for the exam; [`SealError::Refused`] when it is not
/// signed, or there is no sound to remove; [`SealError::Io`], [`SealError::Journal`] as for [`sign`].
pub fn add(
    storage: &dyn Storage,
    dir: &Path,
    taken: Opened,
    who: &str,
    key: &SigningKey,
    later: Later,
) -> Result<Signed, SealError> {
    let Opened { mut journal, read, resumed } = taken;
    let report = check::check(storage, dir, &Against::default())?;
    if let Some(trouble) = report.troubles.into_iter().find(|t| t.is_about_signed()) {
        return Err(trouble.into_error(dir));
    }
    let raw = RawLines::read(storage, dir)?;
    let Some(found) = standing::standing(storage, dir, &raw)? else {
        return Err(SealError::refused(
            dir,
            "the exam is not signed",
            "before signing, settle what is open; then `cotside sign`",
        ));
    };
    standing::finish(storage, dir, &found)?;
    let clock_back_ms = clock_back_ms(resumed);
    let fp = fingerprint(&key.verifying_key());
    let (act, entry, removed) = match later {
        Later::Addendum(a) => {
            let a = Addendum { who: who.to_owned(), key: fp, clock_back_ms, ..*a };
            (Act::Addendum, Entry::Addendum(Box::new(a)), Vec::new())
        }
        Later::AudioRemoval { reason } => {
            let done = check::removed_audio(&read);
            let mut files = audio(storage, dir, &read)?;
            files.retain(|f| !done.contains(f));
            let entry = AudioRemoval {
                who: who.to_owned(),
                key: Some(fp),
                files: files.clone(),
                reason,
                clock_back_ms,
            };
            (Act::AudioRemoval, Entry::AudioRemoval(Box::new(entry)), files)
        }
    };
    let lexicon = found.seals.seals[0].statement.lexicon.clone();
    let what = What { act, note: None, lexicon, incomplete: None, files: Vec::new() };
    let by = By { who, key };
    let (seals, entry) =
        commit(storage, dir, &mut journal, &read, &found.seals, &entry, what, &by)?;
    remove(storage, dir, &removed)?;
    Ok(Signed { seals, entry, removed, clock_back_ms })
}

/// Gives a seal that an interruption left on its way, and its note, their own names. `_taken` is the
/// journal's lock, without which nobody does this.
///
/// # Errors
/// As [`standing::standing`] and [`standing::finish`].
pub fn finish(storage: &dyn Storage, dir: &Path, _taken: &Opened) -> Result<(), SealError> {
    let raw = RawLines::read(storage, dir)?;
    match standing::standing(storage, dir, &raw)? {
        Some(found) => standing::finish(storage, dir, &found),
        None => Ok(()),
    }
}

struct What<'a> {
    act: Act,
    note: Option<&'a str>,
    lexicon: LexiconRef,
    incomplete: Option<String>,
    files: Vec<FileDigest>,
}

struct By<'a> {
    who: &'a str,
    key: &'a SigningKey,
}

#[expect(clippy::too_many_arguments, reason = "one private function, called twice")]
fn commit(
    storage: &dyn Storage,
    dir: &Path,
    journal: &mut Journal,
    read: &JournalRead,
    before: &Seals,
    entry: &Entry,
    what: What<'_>,
    by: &By<'_>,
) -> Result<(Seals, u64), SealError> {
    let line = journal.prepare(journal.clock().exam_ms(), entry)?;
    let covered = before.seals.last().map_or(0, |s| s.statement.journal.entries);
    let fresh = read.lines.iter().filter(|l| l.seq > covered).map(|l| &l.digest);
    let trail = fresh.chain([&line.digest]).map(|d| d.to_string()[..TRAIL].to_owned()).collect();
    let (format, version, algorithm) = fixed();
    let public = by.key.verifying_key();
    let exam = read.header().map_or_else(String::new, |h| h.code.as_str().to_owned());
    let statement = Statement {
        format,
        version,
        number: u32::try_from(before.seals.len() + 1).unwrap_or(u32::MAX),
        act: what.act,
        exam,
        who: by.who.to_owned(),
        at: line.wall,
        algorithm,
        key: fingerprint(&public),
        public_key: public_text(&public),
        journal: OfJournal { entries: line.seq, sha256: line.digest, trail },
        lexicon: what.lexicon,
        tool: env!("CARGO_PKG_VERSION").to_owned(),
        incomplete: what.incomplete,
        note: what.note.map(|text| folder::of(NOTE_FILE, text.as_bytes())),
        files: what.files,
        previous: before.seals.last().map(Seal::digest),
    };
    let seal = statement.sign(by.key);
    let path = dir.join(SEAL_FILE);
    if let Some(fault) = seal.fault() {
        return Err(SealError::refused(&path, format!("not signed: {fault}"), "try again"));
    }
    let mut seals = before.clone();
    seals.seals.push(seal);
    if let Some(note) = what.note {
        folder::write_part(storage, dir, NOTE_FILE, note.as_bytes())?;
    }
    folder::write_part(storage, dir, SEAL_FILE, seals.text().as_bytes())?;
    storage.sync_dir(dir).map_err(|e| SealError::io("make the folder durable", dir, &e))?;
    // From the moment this line is durable, the exam is signed.
    let seq = journal.append_prepared(&line)?;
    standing::finish(storage, dir, &standing::Standing { seals: seals.clone(), pending: true })?;
    Ok((seals, seq))
}

/// Moves a note that stands in the folder already to a name of its own: nothing is written over.
fn set_old_note_aside(storage: &dyn Storage, dir: &Path) -> Result<(), SealError> {
    let path = dir.join(NOTE_FILE);
    let look = |p: &Path| storage.exists(p).map_err(|e| SealError::io("look for this file", p, &e));
    if !look(&path)? {
        return Ok(());
    }
    let mut n = 1;
    let kept = loop {
        let kept = dir.join(format!("note-before-signing-{n}.txt"));
        if !look(&kept)? {
            break kept;
        }
        n += 1;
    };
    storage
        .rename(&path, &kept)
        .and_then(|()| storage.sync_dir(dir))
        .map_err(|e| SealError::io("set the older note aside", &path, &e))
}

/// Removes files that are recorded as removed; those gone already are passed over.
///
/// # Errors
/// [`SealError::Altered`] when a file is another than the recorded one: it stays; [`SealError::Io`].
pub fn remove(storage: &dyn Storage, dir: &Path, files: &[FileDigest]) -> Result<(), SealError> {
    for f in files {
        let path = folder::within(dir, &f.file);
        if !storage.exists(&path).map_err(|e| SealError::io("look for this file", &path, &e))? {
            continue;
        }
        if folder::digest(storage, dir, &f.file)? != *f {
            return Err(SealError::altered(
                &path,
                "this is another file than the one recorded, so it is not removed",
                "look at it, and take it out of the exam folder yourself",
            ));
        }
        let above = path.parent().unwrap_or(dir);
        storage
            .remove(&path)
            .and_then(|()| storage.sync_dir(above))
            .map_err(|e| SealError::io("remove this file", &path, &e))?;
    }
    Ok(())
}
