//! One line of the journal, to text and back. What stands before it is not looked at here.

use super::chain::Digest;
use super::clock::{format_wall, stamp};
use crate::tagger::Marks;

use super::entry::{AudioMark, Echo, Entry, KINDS, Resume, Settlement};
use super::header::{Header, HeaderChange, SCHEMA};
use super::signed::{Addendum, AudioRemoval, Signing};
use crate::capture::Phrase;
use crate::problem::nearest;
use chrono::{DateTime, FixedOffset};
use serde::de::IgnoredAny;
use serde::{Deserialize, Serialize};

/// One line that was read or written.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Sequence number, from 1, without gaps.
    pub seq: u64,
    /// Milliseconds on the exam clock; never less than in the line before.
    pub exam_ms: u64,
    /// Wall time with its offset, to the millisecond; may jump.
    pub wall: DateTime<FixedOffset>,
    /// What the line says.
    pub entry: Entry,
    /// Digest of the line before; [`Digest::ZERO`] in the first.
    pub prev: Digest,
    /// The line as it stands in the file, without its newline. Fields this version does not know
    /// are kept here, and the digest covers them.
    pub raw: String,
    /// SHA-256 of `raw`.
    pub digest: Digest,
}

/// Something wrong with one line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Fault {
    /// Column in characters from 1; 0 for the whole line.
    pub column: usize,
    /// What is wrong and what was found.
    pub message: String,
    /// What would be right.
    pub help: String,
    /// The file is of a later version: nothing is damaged.
    pub newer: bool,
}

impl Fault {
    pub fn new(message: impl Into<String>, help: impl Into<String>) -> Self {
        Fault { column: 0, message: message.into(), help: help.into(), newer: false }
    }

    fn at(column: usize, message: impl Into<String>, help: impl Into<String>) -> Self {
        Fault { column, ..Fault::new(message, help) }
    }
}

/// The fields every line has, in the order they are written.
#[derive(Serialize)]
struct Written<'a> {
    seq: u64,
    exam_ms: u64,
    wall: String,
    #[serde(flatten)]
    entry: &'a Entry,
    prev: Digest,
}

/// The fields every line has, as they are read.
#[derive(Deserialize)]
struct Envelope {
    seq: u64,
    exam_ms: u64,
    #[serde(with = "stamp")]
    wall: DateTime<FixedOffset>,
    kind: String,
    prev: Digest,
}

#[derive(Deserialize)]
struct SchemaAlone {
    schema: u32,
}

/// Writes a line, without its newline.
///
/// What would not be read back as it was given is refused, so that nothing enters the file that
/// would make it unreadable or say something else.
pub(super) fn encode(
    seq: u64,
    exam_ms: u64,
    wall: DateTime<FixedOffset>,
    entry: &Entry,
    prev: Digest,
) -> Result<Line, Fault> {
    let written = Written { seq, exam_ms, wall: format_wall(&wall), entry, prev };
    let raw = serde_json::to_string(&written).map_err(|e| {
        Fault::new(format!("the entry cannot be written as JSON: {e}"), shape(entry.kind()))
    })?;
    let line = decode(&raw)?;
    if line.entry != *entry {
        return Err(Fault::new(
            format!("the entry would read back otherwise than it was given: {raw}"),
            shape(entry.kind()),
        ));
    }
    Ok(line)
}

/// Reads a line given without its newline.
pub(super) fn decode(raw: &str) -> Result<Line, Fault> {
    // An editor or a transfer in text mode adds these; said by name, because the bare JSON error
    // or digest mismatch that would follow does not lead anybody to the cause.
    if raw.starts_with('\u{feff}') {
        return Err(Fault::at(
            1,
            "the line begins with a byte-order mark",
            "a journal line begins with `{`; some program has rewritten the file",
        ));
    }
    if raw.ends_with('\r') {
        return Err(Fault::new(
            "the line ends in a carriage return",
            "journal lines end in a newline alone; some program has rewritten the file",
        ));
    }
    if raw.trim().is_empty() {
        return Err(Fault::new("the line is blank", "every line is one JSON object"));
    }
    if let Err(e) = serde_json::from_str::<IgnoredAny>(raw) {
        return Err(from_json(
            raw,
            "the line is not valid JSON",
            &e,
            "every line is one JSON object",
        ));
    }
    if !raw.starts_with('{') {
        return Err(Fault::at(
            1,
            "the line is not a JSON object",
            "a journal line begins with `{`",
        ));
    }
    let envelope: Envelope = serde_json::from_str(raw).map_err(|e| {
        from_json(
            raw,
            "the line's own fields are wrong",
            &e,
            r#"a line reads {"seq":1,"exam_ms":0,"wall":"2031-04-05T09:26:53.000+02:00","kind":...,"prev":"64 hexadecimal digits"}"#,
        )
    })?;
    let kind = envelope.kind.as_str();
    if !KINDS.contains(&kind) {
        let meant = nearest(kind, KINDS).map_or(String::new(), |k| format!("did you mean `{k}`? "));
        return Err(Fault::new(
            format!("unknown kind `{kind}`"),
            format!("{meant}the kinds are {}", KINDS.join(", ")),
        ));
    }
    if kind == "header"
        && let Ok(SchemaAlone { schema }) = serde_json::from_str(raw)
        && schema > SCHEMA
    {
        return Err(Fault {
            newer: true,
            ..Fault::new(
                format!("the journal is of schema {schema}"),
                format!("this version reads schema {SCHEMA}: use a later version of the tool"),
            )
        });
    }
    let entry = serde_json::from_str(raw).map_err(|e| {
        // The tagged enum is read from a buffer without places, so the body is read once more on
        // its own to learn the column.
        let placed = body_error(kind, raw).unwrap_or(e);
        from_json(raw, &format!("the `{kind}` is wrong"), &placed, shape(kind))
    })?;
    Ok(Line {
        seq: envelope.seq,
        exam_ms: envelope.exam_ms,
        wall: envelope.wall,
        entry,
        prev: envelope.prev,
        raw: raw.to_owned(),
        digest: Digest::of(raw.as_bytes()),
    })
}

/// The digest a line says it hangs on, when that much of it can be read.
pub(super) fn prev_of(raw: &[u8]) -> Option<Digest> {
    serde_json::from_slice::<Envelope>(raw).ok().map(|e| e.prev)
}

/// How far the first whole JSON value of `bytes` reaches, when there is one.
pub(super) fn first_value_len(bytes: &[u8]) -> Option<usize> {
    let mut values = serde_json::Deserializer::from_slice(bytes).into_iter::<IgnoredAny>();
    matches!(values.next(), Some(Ok(_))).then(|| values.byte_offset())
}

fn body_error(kind: &str, raw: &str) -> Option<serde_json::Error> {
    match kind {
        "header" => serde_json::from_str::<Header>(raw).err(),
        "header-change" => serde_json::from_str::<HeaderChange>(raw).err(),
        "phrase" => serde_json::from_str::<Phrase>(raw).err(),
        "echo" => serde_json::from_str::<Echo>(raw).err(),
        "marks" => serde_json::from_str::<Marks>(raw).err(),
        "settlement" => serde_json::from_str::<Settlement>(raw).err(),
        "audio-mark" => serde_json::from_str::<AudioMark>(raw).err(),
        "resume" => serde_json::from_str::<Resume>(raw).err(),
        "signing" => serde_json::from_str::<Signing>(raw).err(),
        "addendum" => serde_json::from_str::<Addendum>(raw).err(),
        "audio-removal" => serde_json::from_str::<AudioRemoval>(raw).err(),
        _ => None,
    }
}

/// What a line of this kind looks like.
fn shape(kind: &str) -> &'static str {
    match kind {
        "header" => {
            r#"a header has "schema", "code", "sex", "born", "ga", "by", "protocol", "lexicon":{"name","sha256"}, "tool", "started""#
        }
        "header-change" => r#"a header change has "who" and the header fields that change"#,
        "phrase" => {
            r#"a phrase has "text", "start_ms", "end_ms" and "source" (voice, wav, keys, timed-text)"#
        }
        "marks" => {
            r#"marks have "phrase" (a seq), "by", "aside" and maybe "marks":[{"word","item","value","side","chances"}]"#
        }
        "echo" => r#"an echo has "phrase" (a seq) and "text""#,
        "settlement" => {
            r#"a settlement has "who", maybe "target":{"phrase","index"}, and "decision":{"act",...} with act choose, not-a-finding, add, gap-reason, input or undo"#
        }
        "audio-mark" => {
            r#"an audio mark has "mark" (start, stop, gap-in-hearing, own-playback), maybe "file", and "from_ms", "to_ms""#
        }
        "signing" => {
            r#"a signing has "who", "key", maybe "audio":[{"file","sha256","bytes"}], "audio_removed""#
        }
        "addendum" => {
            r#"an addendum has "form" (addendum, late-entry, correction), "who", "key", "reason" and "text", "finding" or both"#
        }
        "audio-removal" => {
            r#"an audio removal has "who", maybe "key", "files":[{"file","sha256","bytes"}], "reason""#
        }
        _ => r#"pause and end have no fields of their own; resume may have "clock""#,
    }
}

fn from_json(raw: &str, lead: &str, error: &serde_json::Error, help: &str) -> Fault {
    let text = error.to_string();
    // The crate appends its own "at line 1 column n", which would be read as a line of the file.
    let reason = text.rfind(" at line ").map_or(text.as_str(), |i| &text[..i]);
    // A field that is missing has no place.
    let column = if reason.starts_with("missing field") || error.column() == 0 {
        0
    } else {
        let before = &raw.as_bytes()[..(error.column() - 1).min(raw.len())];
        String::from_utf8_lossy(before).chars().count() + 1
    };
    Fault::at(column, format!("{lead}: {reason}"), help)
}
