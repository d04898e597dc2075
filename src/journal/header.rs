//! What an exam says about itself: the header, and what is changed in it later.

use super::chain::Digest;
use super::clock::{stamp, stamp_or_null};
use super::entry::Ga;
use chrono::{DateTime, FixedOffset};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;
use std::hash::{BuildHasher, RandomState};
use std::str::FromStr;

/// Version of the journal's shape that this room writes, and the newest it reads.
pub const SCHEMA: u32 = 1;

/// Longest exam code, in characters.
pub const LONGEST_CODE: usize = 40;

/// The exam's own code: letters, digits and dashes, so that it can name a folder anywhere.
///
/// No name is needed or wanted; the code is the only thing that ties an exam to a child.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ExamCode(String);

impl ExamCode {
    /// A code made from the start of the exam and 32 random bits.
    pub fn generate(started: DateTime<FixedOffset>) -> Self {
        // The standard library seeds this hasher from the operating system's randomness. Thirty-two
        // bits keep apart exams begun in the same second; a random-number crate would add nothing.
        let noise = RandomState::new().hash_one(started) as u32;
        ExamCode(format!("{}-{noise:08x}", started.format("%Y%m%d-%H%M%S")))
    }

    /// The code as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl FromStr for ExamCode {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let right = format!(
            "an exam code is 1 to {LONGEST_CODE} letters a-z or A-Z, digits and dashes and begins with a letter or digit, such as NEO-0417"
        );
        if text.is_empty() {
            return Err(format!("the exam code is empty; {right}"));
        }
        if let Some(c) = text.chars().find(|c| !c.is_ascii_alphanumeric() && *c != '-') {
            return Err(format!("the exam code {text:?} has {c:?}; {right}"));
        }
        if text.starts_with('-') {
            return Err(format!("the exam code {text:?} begins with a dash; {right}"));
        }
        if text.len() > LONGEST_CODE {
            return Err(format!("the exam code {text:?} has {} characters; {right}", text.len()));
        }
        Ok(ExamCode(text.to_owned()))
    }
}

impl fmt::Display for ExamCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Serialize for ExamCode {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for ExamCode {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

/// Sex as recorded: `f`, `m`, or absent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Sex {
    /// Female.
    #[serde(rename = "f")]
    Female,
    /// Male.
    #[serde(rename = "m")]
    Male,
}

/// The lexicon that was in force, by name and by the digest of its bytes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LexiconRef {
    /// Its name.
    pub name: String,
    /// SHA-256 over its files, as the lexicon room computes it.
    pub sha256: Digest,
}

/// The first line of every journal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Header {
    /// Version of the journal's shape; see [`SCHEMA`].
    pub schema: u32,
    /// The exam's own code.
    pub code: ExamCode,
    /// Sex, when told.
    pub sex: Option<Sex>,
    /// Time of birth, when told.
    #[serde(default, with = "stamp_or_null")]
    pub born: Option<DateTime<FixedOffset>>,
    /// Gestational age at birth, when told.
    pub ga: Option<Ga>,
    /// Initials of whoever examines, when told.
    pub by: Option<String>,
    /// Name of the protocol examined by, when there is one.
    pub protocol: Option<String>,
    /// The lexicon in force.
    pub lexicon: LexiconRef,
    /// Version of the tool that wrote the journal.
    pub tool: String,
    /// Wall time the exam started.
    #[serde(with = "stamp")]
    pub started: DateTime<FixedOffset>,
    /// How long sound is kept, in the words of whoever set it; absent when nothing was said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub audio_retention: Option<String>,
}

impl Header {
    /// A header with a generated code and nothing told yet.
    pub fn new(started: DateTime<FixedOffset>, lexicon: LexiconRef) -> Self {
        Header {
            schema: SCHEMA,
            code: ExamCode::generate(started),
            sex: None,
            born: None,
            ga: None,
            by: None,
            protocol: None,
            lexicon,
            tool: env!("CARGO_PKG_VERSION").to_owned(),
            started,
            audio_retention: None,
        }
    }

    /// Applies a later change; what the change does not mention stays.
    pub fn apply(&mut self, change: &HeaderChange) {
        fn set<T: Clone>(field: &mut T, change: &Option<T>) {
            if let Some(value) = change {
                field.clone_from(value);
            }
        }
        set(&mut self.code, &change.code);
        set(&mut self.sex, &change.sex);
        set(&mut self.born, &change.born);
        set(&mut self.ga, &change.ga);
        set(&mut self.by, &change.by);
        set(&mut self.protocol, &change.protocol);
        set(&mut self.lexicon, &change.lexicon);
        set(&mut self.tool, &change.tool);
        set(&mut self.started, &change.started);
        set(&mut self.audio_retention, &change.audio_retention);
    }
}

/// A later change to the header. Only the fields present change.
///
/// For a field that may be absent in the header, `None` leaves it, `Some(None)` (JSON null) takes
/// its value away, and `Some(Some(v))` sets it. The schema never changes within a file.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct HeaderChange {
    /// Initials of whoever made the change.
    pub who: String,
    /// New exam code.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code: Option<ExamCode>,
    /// New sex, or null.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "present")]
    pub sex: Option<Option<Sex>>,
    /// New time of birth, or null.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "born_change")]
    pub born: Option<Option<DateTime<FixedOffset>>>,
    /// New gestational age, or null.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "present")]
    pub ga: Option<Option<Ga>>,
    /// New examiner's initials, or null.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "present")]
    pub by: Option<Option<String>>,
    /// New protocol, or null.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "present")]
    pub protocol: Option<Option<String>>,
    /// New lexicon.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lexicon: Option<LexiconRef>,
    /// New tool version, as when an exam is taken up again with a later one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tool: Option<String>,
    /// New start, as when the wall clock was wrong.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "started_change")]
    pub started: Option<DateTime<FixedOffset>>,
    /// New retention of sound, or null.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "present")]
    pub audio_retention: Option<Option<String>>,
}

impl HeaderChange {
    /// Whether no field is changed at all.
    pub fn is_empty(&self) -> bool {
        *self == HeaderChange { who: self.who.clone(), ..HeaderChange::default() }
    }
}

/// Tells "null" from "not there": serde calls this only when the field is there.
fn present<'de, D: Deserializer<'de>, T: Deserialize<'de>>(
    deserializer: D,
) -> Result<Option<T>, D::Error> {
    T::deserialize(deserializer).map(Some)
}

/// As [`present`], for a time or null.
mod born_change {
    use super::stamp_or_null;
    use chrono::{DateTime, FixedOffset};
    use serde::{Deserializer, Serializer};

    pub fn serialize<S: Serializer>(
        value: &Option<Option<DateTime<FixedOffset>>>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        stamp_or_null::serialize(&value.flatten(), serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Option<Option<DateTime<FixedOffset>>>, D::Error> {
        stamp_or_null::deserialize(deserializer).map(Some)
    }
}

/// As [`present`], for a time that cannot be null.
mod started_change {
    use super::{stamp, stamp_or_null};
    use chrono::{DateTime, FixedOffset};
    use serde::{Deserializer, Serializer};

    pub fn serialize<S: Serializer>(
        value: &Option<DateTime<FixedOffset>>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        stamp_or_null::serialize(value, serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Option<DateTime<FixedOffset>>, D::Error> {
        stamp::deserialize(deserializer).map(Some)
    }
}
