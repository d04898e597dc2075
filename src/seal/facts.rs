//! The facts of a seal, for whoever hands the exam on.

use std::path::Path;

use chrono::{DateTime, FixedOffset};

use super::error::SealError;
use super::standing::{self, RawLines};
use super::statement::{Act, Seal};
use crate::journal::{Digest, FileDigest, FileSystem, LexiconRef, Storage};

/// One seal: who signed what, when, with which key. Its signature has been checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SealFacts {
    /// Which seal of the exam, from 1.
    pub number: u32,
    /// What it is for; the first is the note's.
    pub act: Act,
    /// The exam's own code.
    pub exam: String,
    /// Initials of whoever signed.
    pub who: String,
    /// Wall time of signing.
    pub at: DateTime<FixedOffset>,
    /// `Ed25519` (RFC 8032).
    pub algorithm: String,
    /// Fingerprint of the key: SHA-256 of the public key in its standard form (RFC 8410, DER).
    pub key: Digest,
    /// The public key.
    pub public_key: [u8; 32],
    /// The signature.
    pub signature: [u8; 64],
    /// The bytes that are signed: compact JSON.
    pub signed_bytes: Vec<u8>,
    /// How many entries of the journal it covers; the last of them is the signing or the addendum.
    pub entries: u64,
    /// Digest of the last of them, which covers all.
    pub journal: Digest,
    /// The lexicon that the note was written with.
    pub lexicon: LexiconRef,
    /// Version of the tool.
    pub tool: String,
    /// The note; in the first seal alone.
    pub note: Option<FileDigest>,
    /// The other files of the exam folder; in the first seal alone.
    pub files: Vec<FileDigest>,
    /// Why it was signed with open matters, when there were any.
    pub incomplete: Option<String>,
}

/// The seals of the exam in `dir`, in order; none when it is not signed.
///
/// Each signature fits its statement, and the journal, the exam's code, the order of seals and the note
/// are those that were signed. Whose the key is, is not asked: [`super::check`] does, and looks at every
/// other file too.
///
/// # Errors
/// [`SealError::Damaged`] or [`SealError::Altered`], naming the file; [`SealError::Io`].
pub fn facts(dir: &Path) -> Result<Vec<SealFacts>, SealError> {
    facts_in(&FileSystem, dir)
}

/// As [`facts`], from any storage.
///
/// # Errors
/// As [`facts`].
pub fn facts_in(storage: &dyn Storage, dir: &Path) -> Result<Vec<SealFacts>, SealError> {
    let report = super::check::check(storage, dir, &super::check::Against::default())?;
    if let Some(trouble) = report.troubles.into_iter().find(|t| t.is_about_signed()) {
        return Err(trouble.into_error(dir));
    }
    let raw = RawLines::read(storage, dir)?;
    let found = standing::standing(storage, dir, &raw)?;
    Ok(found.iter().flat_map(|s| &s.seals.seals).filter_map(of).collect())
}

/// The facts of one seal; none when its key or signature has another form than it must.
pub fn of(seal: &Seal) -> Option<SealFacts> {
    let s = &seal.statement;
    Some(SealFacts {
        number: s.number,
        act: s.act,
        exam: s.exam.clone(),
        who: s.who.clone(),
        at: s.at,
        algorithm: s.algorithm.clone(),
        key: s.key,
        public_key: *s.public()?.as_bytes(),
        signature: seal.signature_bytes()?,
        signed_bytes: s.bytes(),
        entries: s.journal.entries,
        journal: s.journal.sha256,
        lexicon: s.lexicon.clone(),
        tool: s.tool.clone(),
        note: s.note.clone(),
        files: s.files.clone(),
        incomplete: s.incomplete.clone(),
    })
}
