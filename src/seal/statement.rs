//! What is signed, and the file the signatures stand in.
//!
//! `seal.json` is a JSON object (RFC 8259) with a list `seals`: the first signs the note, each later
//! one an addendum or the removal of sound. What is signed is the compact JSON of `statement`, byte for
//! byte, with Ed25519 (RFC 8032, no prehash), so that any other implementation can check it:
//!
//! ```text
//! jq -cj '.seals[0].statement' seal.json > signed.bytes
//! jq -r '.seals[0].signature' seal.json | base64 -d > signature.bytes
//! openssl pkeyutl -verify -pubin -inkey key.pub.pem -rawin -in signed.bytes -sigfile signature.bytes
//! ```
//!
//! The file has one spelling: what is read is written again and must give the same bytes, so that no
//! byte of it can change unseen, be it a blank.

use std::path::Path;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chrono::{DateTime, FixedOffset, SecondsFormat};
use ed25519_dalek::{Signature, Signer as _, SigningKey, VerifyingKey};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::error::SealError;
use super::keys::fingerprint;
use crate::journal::{Digest, FileDigest, LexiconRef, parse_wall};

/// Name of the seal's file within the exam folder.
pub const SEAL_FILE: &str = "seal.json";
/// Name of the note's file within the exam folder.
pub const NOTE_FILE: &str = "note.txt";
/// What a statement says it is.
const FORMAT: &str = "cotside-seal";
/// Version of the statement's shape that this room writes, and the newest it reads.
const VERSION: u32 = 1;
/// Hexadecimal digits of each entry's digest in [`OfJournal::trail`].
pub const TRAIL: usize = 8;

/// What a seal is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Act {
    /// The note, and all that stood in the exam folder.
    Note,
    /// An addendum, a late entry or a correction.
    Addendum,
    /// That sound was removed.
    AudioRemoval,
}

/// The journal as it was signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OfJournal {
    /// How many entries.
    pub entries: u64,
    /// Digest of the last of them, which covers all by the chain.
    pub sha256: Digest,
    /// The first [`TRAIL`] hexadecimal digits of each entry's digest since the seal before, run
    /// together: they tell which entry was changed when the chain was written anew.
    pub trail: String,
}

/// What is signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Statement {
    /// `cotside-seal`, so that no other thing signed with the same key passes for a seal.
    pub format: String,
    /// Version of the shape.
    pub version: u32,
    /// Which seal of the exam, from 1.
    pub number: u32,
    /// What it is for.
    pub act: Act,
    /// The exam's own code.
    pub exam: String,
    /// Initials of whoever signed.
    pub who: String,
    /// Wall time of the entry that was signed last.
    #[serde(serialize_with = "put_time", deserialize_with = "get_time")]
    pub at: DateTime<FixedOffset>,
    /// The signature's algorithm, `Ed25519`.
    pub algorithm: String,
    /// Fingerprint of the key: SHA-256 of the public key in its standard form (RFC 8410, DER).
    pub key: Digest,
    /// The public key, 32 bytes in base64 (RFC 4648).
    pub public_key: String,
    /// The journal.
    pub journal: OfJournal,
    /// The lexicon that the note was written with.
    pub lexicon: LexiconRef,
    /// Version of the tool.
    pub tool: String,
    /// Why it was signed with open matters, when there were any.
    pub incomplete: Option<String>,
    /// The note; in the first seal alone.
    pub note: Option<FileDigest>,
    /// The other files of the exam folder; in the first seal alone.
    pub files: Vec<FileDigest>,
    /// Digest of the seal before: the compact JSON of statement and signature.
    pub previous: Option<Digest>,
}

/// A statement with its signature.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Seal {
    /// What is signed.
    pub statement: Statement,
    /// The signature, 64 bytes in base64 (RFC 4648).
    pub signature: String,
}

/// The seals of an exam, in order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Seals {
    /// The seals, the note's first.
    pub seals: Vec<Seal>,
}

/// A fresh statement's fixed parts.
pub fn fixed() -> (String, u32, String) {
    (FORMAT.to_owned(), VERSION, "Ed25519".to_owned())
}

/// The bytes of a public key in a statement.
pub fn public_text(key: &VerifyingKey) -> String {
    STANDARD.encode(key.as_bytes())
}

/// Signs bytes with Ed25519 (RFC 8032, section 5.1.6, no prehash).
pub fn sign_bytes(key: &SigningKey, bytes: &[u8]) -> [u8; 64] {
    key.sign(bytes).to_bytes()
}

/// Whether a signature fits the bytes (RFC 8032, section 5.1.7). The strict check also refuses the weak
/// keys under which one signature fits several texts.
pub fn fits(public: &VerifyingKey, bytes: &[u8], signature: &[u8; 64]) -> bool {
    public.verify_strict(bytes, &Signature::from_bytes(signature)).is_ok()
}

impl Statement {
    /// The bytes that are signed.
    pub fn bytes(&self) -> Vec<u8> {
        // A statement holds texts, numbers and lists alone, and those always have a JSON form.
        serde_json::to_vec(self).unwrap_or_default()
    }

    /// Signs the statement.
    pub fn sign(self, key: &SigningKey) -> Seal {
        let signature = STANDARD.encode(sign_bytes(key, &self.bytes()));
        Seal { statement: self, signature }
    }

    /// The public key it names.
    pub fn public(&self) -> Option<VerifyingKey> {
        let bytes: [u8; 32] = STANDARD.decode(&self.public_key).ok()?.try_into().ok()?;
        VerifyingKey::from_bytes(&bytes).ok()
    }
}

impl Seal {
    /// SHA-256 of the seal's compact JSON.
    pub fn digest(&self) -> Digest {
        Digest::of(&serde_json::to_vec(self).unwrap_or_default())
    }

    /// The signature's bytes.
    pub fn signature_bytes(&self) -> Option<[u8; 64]> {
        STANDARD.decode(&self.signature).ok()?.try_into().ok()
    }

    /// What is wrong with the seal taken by itself; nothing when its signature fits.
    pub fn fault(&self) -> Option<String> {
        let s = &self.statement;
        if s.format != FORMAT || s.algorithm != "Ed25519" {
            return Some(format!("says it is `{}` signed by `{}`", s.format, s.algorithm));
        }
        let Some(public) = s.public() else {
            return Some("`public_key` is no Ed25519 key".into());
        };
        if fingerprint(&public) != s.key {
            return Some("`key` is not the fingerprint of `public_key`".into());
        }
        let Some(signature) = self.signature_bytes() else {
            return Some("`signature` is not 64 bytes in base64".into());
        };
        match fits(&public, &s.bytes(), &signature) {
            true => None,
            false => Some("the signature does not fit what it signs".into()),
        }
    }
}

impl Seals {
    /// The file's content.
    pub fn text(&self) -> String {
        let text = serde_json::to_string_pretty(self).unwrap_or_default();
        format!("{text}\n")
    }

    /// Reads the file's content; no signature is checked yet.
    ///
    /// # Errors
    /// [`SealError::Damaged`] when it is not what this room writes, byte for byte, or a later version
    /// wrote it.
    pub fn read(path: &Path, bytes: &[u8]) -> Result<Self, SealError> {
        let help = "bring the file back from a copy; `cotside verify` says when it is right";
        let found: Result<Seals, _> = serde_json::from_slice(bytes);
        let version = newest_version(bytes);
        if let Some(v) = version.filter(|v| *v > VERSION.into()) {
            return Err(SealError::damaged(
                path,
                format!("says it is of version {v}: a later version of the tool wrote it, if so"),
                "use a later version of the tool",
            ));
        }
        let found = found.map_err(|e| {
            SealError::damaged(path, format!("cannot be read as a seal: {e}"), help)
        })?;
        if found.seals.is_empty() {
            return Err(SealError::damaged(path, "holds no seal", help));
        }
        if found.text().as_bytes() != bytes {
            let at = found.text().bytes().zip(bytes).take_while(|(a, b)| a == *b).count();
            let line = 1 + bytes[..at].iter().filter(|b| **b == b'\n').count();
            return Err(SealError::damaged(
                path,
                format!("line {line} is not spelt as it was written"),
                help,
            ));
        }
        Ok(found)
    }
}

fn newest_version(bytes: &[u8]) -> Option<u64> {
    let value: serde_json::Value = serde_json::from_slice(bytes).ok()?;
    let seals = value.get("seals")?.as_array()?;
    seals.iter().filter_map(|s| s.get("statement")?.get("version")?.as_u64()).max()
}

fn put_time<S: Serializer>(at: &DateTime<FixedOffset>, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_str(&at.to_rfc3339_opts(SecondsFormat::Millis, false))
}

fn get_time<'de, D: Deserializer<'de>>(d: D) -> Result<DateTime<FixedOffset>, D::Error> {
    parse_wall(&String::deserialize(d)?).map_err(serde::de::Error::custom)
}
