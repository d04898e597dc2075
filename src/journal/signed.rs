//! Entries of a signed exam: that it was signed, what was added later, which sound was removed.
//!
//! They say what was done. The signature over them stands in a file of its own and is another room's
//! work; this room sees to it that nothing else follows a signing.

use super::chain::Digest;
use super::clock::stamp_or_null;
use super::entry::{Chosen, Target, fault, inside_the_folder, not_blank};
use chrono::{DateTime, FixedOffset};
use serde::{Deserialize, Serialize};

type Checked = Result<(), (String, String)>;

/// A file of the exam folder, as it was.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileDigest {
    /// Its name, relative to the exam folder, with `/` between folders.
    pub file: String,
    /// SHA-256 of its bytes.
    pub sha256: Digest,
    /// Its length in bytes.
    pub bytes: u64,
}

/// The exam was signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signing {
    /// Initials of whoever signed.
    pub who: String,
    /// Fingerprint of the key: SHA-256 of the public key in its standard form (RFC 8410, DER).
    pub key: Digest,
    /// Why it was signed with open matters; absent when there were none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub incomplete: Option<String>,
    /// The sound files there were.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub audio: Vec<FileDigest>,
    /// Whether they were removed at signing.
    #[serde(default)]
    pub audio_removed: bool,
    /// How far the wall clock stood before that of the entry in front, milliseconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_back_ms: Option<u64>,
}

/// What kind of later entry, in the words of the trade for amending a signed record (addendum, late
/// entry, correction): common practice, no single source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Form {
    /// New information, not known when the note was signed.
    Addendum,
    /// What was known or seen then and left out.
    LateEntry,
    /// What was written wrongly; the first words stay readable.
    Correction,
}

impl Form {
    /// The words for people.
    pub fn words(self) -> &'static str {
        match self {
            Form::Addendum => "addendum",
            Form::LateEntry => "late entry",
            Form::Correction => "correction",
        }
    }
}

/// What was added to a signed exam.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Addendum {
    /// What kind of entry.
    pub form: Form,
    /// Initials of the author.
    pub who: String,
    /// Fingerprint of the author's key; see [`Signing::key`].
    pub key: Digest,
    /// Why it is added.
    pub reason: String,
    /// What is added, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// The finding it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub about: Option<Target>,
    /// A finding, as the author says it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finding: Option<Chosen>,
    /// When it was seen, by the author's word; the entry's own time is the clock's.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "stamp_or_null")]
    pub seen: Option<DateTime<FixedOffset>>,
    /// How far the wall clock stood before that of the entry in front, milliseconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_back_ms: Option<u64>,
}

/// Sound files were removed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AudioRemoval {
    /// Initials of whoever removed them.
    pub who: String,
    /// Fingerprint of the key it is signed with; absent before the exam is signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub key: Option<Digest>,
    /// The files, as they were.
    pub files: Vec<FileDigest>,
    /// Why.
    pub reason: String,
    /// How far the wall clock stood before that of the entry in front, milliseconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_back_ms: Option<u64>,
}

impl Signing {
    pub(super) fn check(&self) -> Checked {
        not_blank("who", &self.who)?;
        self.incomplete.as_deref().map_or(Ok(()), |r| not_blank("reason", r))?;
        self.audio.iter().try_for_each(|f| inside_the_folder(&f.file))
    }
}

impl Addendum {
    pub(super) fn check(&self) -> Checked {
        not_blank("who", &self.who)?;
        not_blank("reason", &self.reason)?;
        self.text.as_deref().map_or(Ok(()), |t| not_blank("text", t))?;
        match (&self.text, &self.finding) {
            (None, None) => fault("the addendum says nothing", "give `text`, `finding` or both"),
            (_, Some(chosen)) => chosen.check(),
            _ => Ok(()),
        }
    }
}

impl AudioRemoval {
    pub(super) fn check(&self) -> Checked {
        not_blank("who", &self.who)?;
        not_blank("reason", &self.reason)?;
        if self.files.is_empty() {
            return fault("the removal names no file", "name at least one file");
        }
        self.files.iter().try_for_each(|f| inside_the_folder(&f.file))
    }
}
