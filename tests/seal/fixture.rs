//! A small exam on a disk in memory, unsigned and signed.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use chrono::{DateTime, FixedOffset, TimeDelta};
use cotside::capture::{Phrase, Source};
use cotside::journal::{
    Addendum, Digest, Entry, Form, Header, Journal, LexiconRef, ManualClock, Opened, parse_wall,
};
use cotside::seal::SealError;
use cotside::seal::check::{Against, Report, check};
use cotside::seal::sign::{self, Later, NoteToSign, Signed};
use ed25519_dalek::SigningKey;

use crate::mem_disk::MemDisk;

pub const DIR: &str = "e";
pub const NOTE: &str = "NOTE\n\nArm recoil: brisk on both sides. Größe 34,6 cm.\n";

pub fn path(file: &str) -> PathBuf {
    Path::new(DIR).join(file)
}

pub fn key(n: u8) -> SigningKey {
    SigningKey::from_bytes(&[n; 32])
}

pub fn start() -> DateTime<FixedOffset> {
    parse_wall("2026-03-04T08:30:00.000+00:00").unwrap()
}

fn lexicon() -> LexiconRef {
    LexiconRef { name: "demo".into(), sha256: Digest::of(b"lexicon") }
}

/// Times of the steps, minutes after the start.
pub fn clock(minutes: i64) -> Arc<ManualClock> {
    Arc::new(ManualClock::new(0, start() + TimeDelta::minutes(minutes)))
}

/// An exam that ended, with sound, a file of somebody's, and a note that was printed before.
pub fn unsigned(code: &str) -> MemDisk {
    let disk = MemDisk::default();
    disk.put(&path("audio/1.wav"), b"RIFFxxxxWAVE");
    disk.put(&path("remark.txt"), b"seen with the parents");
    disk.put(&path("note.txt"), b"a note printed before");
    let header = Header {
        code: code.parse().unwrap(),
        by: Some("KT".into()),
        ..Header::new(start(), lexicon())
    };
    let mut journal = Journal::create_in(&disk, Path::new(DIR), header, clock(0)).unwrap();
    for (k, text) in ["left arm recoil brisk", "rechts auch", "head thirty-four"].iter().enumerate()
    {
        let at = 1000 * (k as u64 + 1);
        let phrase = Phrase {
            text: (*text).into(),
            start_ms: at,
            end_ms: at + 500,
            source: Source::Keys,
            line: None,
            speaker: None,
            alternatives: vec![],
            words: Vec::new(),
            certainty: None,
        };
        journal.append(at, &Entry::Phrase(phrase)).unwrap();
    }
    journal.append(5000, &Entry::End).unwrap();
    disk
}

pub fn taken(disk: &MemDisk, minutes: i64) -> Result<Opened, SealError> {
    Ok(Journal::open_to_append_in(disk, Path::new(DIR), clock(minutes))?)
}

pub fn sign_at(
    disk: &MemDisk,
    minutes: i64,
    n: u8,
    note: &str,
    remove_audio: bool,
) -> Result<Signed, SealError> {
    let key = key(n);
    let order = NoteToSign {
        who: "KT",
        key: &key,
        note,
        lexicon: lexicon(),
        incomplete: None,
        remove_audio,
    };
    sign::sign(disk, Path::new(DIR), taken(disk, minutes)?, &order)
}

pub fn sign(disk: &MemDisk) -> Result<Signed, SealError> {
    sign_at(disk, 20, 7, NOTE, true)
}

pub fn add_at(disk: &MemDisk, minutes: i64, text: &str) -> Result<Signed, SealError> {
    let entry = Addendum {
        form: Form::LateEntry,
        who: "KT".into(),
        key: Digest::ZERO,
        reason: "left out".into(),
        text: Some(text.into()),
        about: None,
        finding: None,
        seen: Some(start()),
        clock_back_ms: None,
    };
    let later = Later::Addendum(Box::new(entry));
    sign::add(disk, Path::new(DIR), taken(disk, minutes)?, "KT", &key(7), later)
}

pub fn add(disk: &MemDisk) -> Result<Signed, SealError> {
    add_at(disk, 60, "Moro complete on both sides.")
}

/// Signed, the sound kept, with one late entry.
pub fn signed(code: &str) -> MemDisk {
    let disk = unsigned(code);
    sign_at(&disk, 20, 7, NOTE, false).unwrap();
    add(&disk).unwrap();
    disk
}

pub fn report(disk: &MemDisk) -> Report {
    check(disk, Path::new(DIR), &Against::default()).unwrap()
}

/// A disk with these files.
pub fn disk_of(files: &[(PathBuf, Vec<u8>)]) -> MemDisk {
    let disk = MemDisk::default();
    for (path, content) in files {
        disk.put(path, content);
    }
    disk
}

pub fn content(files: &[(PathBuf, Vec<u8>)], name: &str) -> Vec<u8> {
    files.iter().find(|(p, _)| *p == path(name)).map(|(_, c)| c.clone()).unwrap_or_default()
}

/// The same files with one of them replaced, or taken away.
pub fn with(files: &[(PathBuf, Vec<u8>)], name: &str, new: Option<Vec<u8>>) -> MemDisk {
    let mut files = files.to_vec();
    files.retain(|(p, _)| *p != path(name));
    files.extend(new.map(|c| (path(name), c)));
    disk_of(&files)
}
