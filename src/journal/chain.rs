//! How one line hangs on the one before: digest, sequence, time, references.
//!
//! The same rules are asked when a line is appended and when it is read, so that what can be
//! written can be read.

use super::entry::{Decision, Entry};
use super::line::{Fault, Line};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest as _, Sha256};
use std::collections::BTreeSet;
use std::fmt;
use std::str::FromStr;

/// A SHA-256 digest (FIPS 180-4), written as 64 lower-case hexadecimal digits.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Digest([u8; 32]);

impl Digest {
    /// What the first line hangs on: 64 zeros.
    pub const ZERO: Digest = Digest([0; 32]);

    /// The digest of `bytes`.
    pub fn of(bytes: &[u8]) -> Self {
        Digest(Sha256::digest(bytes).into())
    }

    /// The digest's bytes.
    pub fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Digest({self})")
    }
}

impl FromStr for Digest {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        // Capitals are refused: one digest has one spelling, so that bytes compare as digests do.
        let hex = |b: &u8| matches!(b, b'0'..=b'9' | b'a'..=b'f');
        if text.len() != 64 || !text.as_bytes().iter().all(hex) {
            return Err(format!(
                "{text:?} is not a SHA-256 digest: write 64 hexadecimal digits, 0-9 and a-f"
            ));
        }
        let value = |b: u8| if b.is_ascii_digit() { b - b'0' } else { b - b'a' + 10 };
        let mut bytes = [0; 32];
        for (byte, pair) in bytes.iter_mut().zip(text.as_bytes().chunks_exact(2)) {
            *byte = value(pair[0]) << 4 | value(pair[1]);
        }
        Ok(Digest(bytes))
    }
}

impl Serialize for Digest {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Digest {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

/// Where the chain stands after some number of lines.
#[derive(Debug, Clone)]
pub(super) struct Chain {
    next_seq: u64,
    prev: Digest,
    exam_ms: u64,
    phrases: BTreeSet<u64>,
    settlements: BTreeSet<u64>,
    /// The entry that says the exam was signed.
    signed: Option<u64>,
}

impl Chain {
    /// Before the first line.
    pub fn new() -> Self {
        Chain {
            next_seq: 1,
            prev: Digest::ZERO,
            exam_ms: 0,
            phrases: BTreeSet::new(),
            settlements: BTreeSet::new(),
            signed: None,
        }
    }

    /// The sequence number the next line must have.
    pub fn next_seq(&self) -> u64 {
        self.next_seq
    }

    /// The digest the next line must carry.
    pub fn prev(&self) -> Digest {
        self.prev
    }

    /// Whether an entry may come next at `exam_ms`.
    pub fn admits(&self, exam_ms: u64, entry: &Entry) -> Result<(), Fault> {
        let first = self.next_seq == 1;
        let header = matches!(entry, Entry::Header(_));
        if first && !header {
            return Err(Fault::new(
                format!("the first entry is of kind `{}`", entry.kind()),
                "a journal begins with its `header`",
            ));
        }
        if header && !first {
            return Err(Fault::new(
                "a second header",
                "only the first line is a `header`; a later change is a `header-change`",
            ));
        }
        self.admits_signed(entry)?;
        if exam_ms < self.exam_ms {
            return Err(Fault::new(
                format!(
                    "exam time goes back from {} ms in the entry before to {exam_ms} ms",
                    self.exam_ms
                ),
                "`exam_ms` never falls from one entry to the next",
            ));
        }
        if first && exam_ms != 0 {
            return Err(Fault::new(
                format!("the header stands at {exam_ms} ms on the exam clock"),
                "the exam clock begins with the header, at `exam_ms` 0",
            ));
        }
        entry.check().map_err(|(message, help)| Fault::new(message, help))?;
        self.refers_back(entry)
    }

    /// What is signed stays: behind a signing stand only entries that are signed themselves.
    fn admits_signed(&self, entry: &Entry) -> Result<(), Fault> {
        let unsigned_removal = matches!(entry, Entry::AudioRemoval(r) if r.key.is_none());
        match (self.signed, entry) {
            (Some(_), Entry::Addendum(_)) => Ok(()),
            (Some(_), Entry::AudioRemoval(_)) if !unsigned_removal => Ok(()),
            (Some(seq), _) => Err(Fault::new(
                format!("an entry of kind `{}` behind the signing in entry {seq}", entry.kind()),
                "only an `addendum` or an `audio-removal` with its `key` follows a signing",
            )),
            (None, Entry::Addendum(_)) => Err(Fault::new(
                "an addendum to an exam that is not signed",
                "an `addendum` follows the `signing`; before it, settle",
            )),
            (None, _) => Ok(()),
        }
    }

    /// References name an earlier entry of the right kind.
    fn refers_back(&self, entry: &Entry) -> Result<(), Fault> {
        let phrase = |name: &str, seq: u64| match self.phrases.contains(&seq) {
            true => Ok(()),
            false => Err(Fault::new(
                format!("{name} names entry {seq}, which is no phrase before this entry"),
                "give the `seq` of an earlier entry of kind `phrase`",
            )),
        };
        match entry {
            Entry::Echo(echo) => phrase("the echo", echo.phrase),
            Entry::Marks(marks) => phrase("a line of marks", marks.phrase),
            Entry::Settlement(settlement) => {
                if let Some(target) = settlement.target {
                    phrase("the settlement's target", target.phrase)?;
                }
                match settlement.decision {
                    Decision::Undo { seq } if !self.settlements.contains(&seq) => Err(Fault::new(
                        format!("undo names entry {seq}, which is no settlement before this entry"),
                        "give the `seq` of an earlier entry of kind `settlement`",
                    )),
                    _ => Ok(()),
                }
            }
            Entry::Addendum(addendum) => {
                addendum.about.map_or(Ok(()), |target| phrase("the addendum", target.phrase))
            }
            _ => Ok(()),
        }
    }

    /// Moves on past a line that was admitted.
    pub fn follow(&mut self, line: &Line) {
        self.next_seq = line.seq + 1;
        self.prev = line.digest;
        self.exam_ms = line.exam_ms;
        if matches!(line.entry, Entry::Signing(_)) {
            self.signed = Some(line.seq);
        }
        match line.entry {
            Entry::Phrase(_) => self.phrases.insert(line.seq),
            Entry::Settlement(_) => self.settlements.insert(line.seq),
            _ => false,
        };
    }
}
