//! JSON lines: one object a line, as a recogniser or a script would write them.
//!
//! `{"at_ms": 2400, "end_ms": 4000, "text": "words", "speaker": "who",
//! "alternatives": [{"text": "other words", "score": -3.5}]}`. In place of `at_ms` there may be
//! `start_ms`, which is the same, or `at` with a clock time. A line of a serialised
//! [`Phrase`](crate::capture::Phrase) is read as well.

use super::Draft;
use super::clock::{self, Fault, MAX_MS};
use super::report::Report;
use super::stamped;
use crate::capture::phrase::Alternative;
use crate::problem::nearest;
use serde::Deserialize;
use serde::de::{Deserializer, MapAccess, Visitor};
use serde_json::value::RawValue;
use std::collections::BTreeSet;
use std::fmt;

/// What a JSON line must look like.
pub(super) const HELP: &str = "write one object a line: {\"at_ms\": 2400, \"text\": \"words\"}, or \
                               \"at\": \"0:02.4\" for the time";

/// The fields read. `source` and `line` are known from a serialised phrase and not used: where a
/// phrase came from, and at which line, is decided by this reading of it.
const FIELDS: [&str; 9] =
    ["at_ms", "start_ms", "at", "end_ms", "text", "speaker", "alternatives", "source", "line"];

/// The fields of an object in their order, each value still as written, so that a fault in it has
/// its column.
struct Fields<'a>(Vec<(String, &'a RawValue)>);

impl<'de: 'a, 'a> Deserialize<'de> for Fields<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Gather;
        impl<'de> Visitor<'de> for Gather {
            type Value = Fields<'de>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a JSON object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Fields<'de>, A::Error> {
                let mut fields = Vec::new();
                while let Some(field) = map.next_entry()? {
                    fields.push(field);
                }
                Ok(Fields(fields))
            }
        }
        deserializer.deserialize_map(Gather)
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawAlternative {
    text: String,
    score: f64,
}

/// Reads the lines; blank ones are skipped.
pub(super) fn read(lines: &[&str], report: &mut Report<'_>) -> Vec<Draft> {
    let mut drafts = Vec::new();
    let mut unknown = BTreeSet::new();
    for (i, line) in lines.iter().enumerate() {
        if line.trim().is_empty() || report.is_faulty(i + 1) {
            continue;
        }
        match read_line(line, i + 1, &mut unknown, report) {
            Ok(draft) => drafts.push(draft),
            Err((at, message)) => report.error(i + 1, at, message, HELP),
        }
    }
    drafts
}

/// A fault with its byte in the line, or with the whole line.
type LineFault = (Option<usize>, String);

fn read_line(
    line: &str,
    number: usize,
    unknown: &mut BTreeSet<String>,
    report: &mut Report<'_>,
) -> Result<Draft, LineFault> {
    let indent = line.len() - line.trim_start().len();
    if !line[indent..].starts_with('{') {
        let found = clock::quote(line, indent);
        return Err((Some(indent), format!("a JSON line must be an object, found {found}")));
    }
    let Fields(fields) =
        serde_json::from_str(line).map_err(|e| (Some(byte_of(line, &e)), say("", &e)))?;
    let place = |raw: &RawValue| raw.get().as_ptr() as usize - line.as_ptr() as usize;

    for (i, (name, raw)) in fields.iter().enumerate() {
        if fields[..i].iter().any(|(earlier, _)| earlier == name) {
            let name = clock::clip(name);
            return Err((Some(place(raw)), format!("the field `{name}` stands there twice")));
        }
        if !FIELDS.contains(&name.as_str()) && unknown.insert(name.clone()) {
            report.warn(
                number,
                Some(place(raw)),
                format!("the field `{}` is not known and not read", clock::clip(name)),
                nearest(name, FIELDS).map(|near| format!("did you mean `{near}`?")),
            );
        }
    }
    // A field that is `null` counts as not there.
    let field = |name: &str| {
        fields.iter().find(|(n, raw)| n == name && raw.get() != "null").map(|(_, raw)| *raw)
    };

    let times: Vec<(&str, &RawValue)> =
        ["at_ms", "start_ms", "at"].into_iter().filter_map(|n| Some((n, field(n)?))).collect();
    let start_ms = match times[..] {
        [] => return Err((None, "the time is missing: no `at_ms`, `start_ms` or `at`".to_owned())),
        [("at", raw)] => {
            let written: String = parse("at", raw, line)?;
            // Within the quotes a byte of the value is a byte of the line, unless it is escaped.
            let at = |fault: &Fault| {
                if raw.get().contains('\\') { place(raw) } else { place(raw) + 1 + fault.at }
            };
            stamped::read_time(&written)
                .map_err(|fault| (Some(at(&fault)), format!("`at`: {}", fault.message)))?
        }
        [(name, raw)] => millis(name, raw, line)?,
        [(first, _), (second, raw), ..] => {
            let message = format!("two times, `{first}` and `{second}`: only one may be there");
            return Err((Some(place(raw)), message));
        }
    };
    let end_ms = match field("end_ms") {
        None => None,
        Some(raw) => match millis("end_ms", raw, line)? {
            end if end < start_ms => {
                let message = format!("`end_ms` is {end}, before the start at {start_ms}");
                return Err((Some(place(raw)), message));
            }
            end => Some(end),
        },
    };
    let Some(raw) = field("text") else {
        return Err((None, "the words are missing: no `text`".to_owned()));
    };
    let text: String = words("text", raw, line)?;
    let speaker = field("speaker").map(|raw| words("speaker", raw, line)).transpose()?;

    let mut alternatives = Vec::new();
    if let Some(raw) = field("alternatives") {
        for RawAlternative { text, score } in
            parse::<Vec<RawAlternative>>("alternatives", raw, line)?
        {
            let text = clean("alternatives", &text, place(raw))?;
            alternatives.push(Alternative { text, score });
        }
        // Best first is what a phrase promises; JSON has no NaN, so the order is total.
        alternatives.sort_by(|a, b| b.score.total_cmp(&a.score));
    }
    Ok(Draft {
        text,
        start_ms,
        end_ms,
        ordinal: u32::try_from(number).unwrap_or(u32::MAX),
        line: number,
        speaker,
        alternatives,
    })
}

/// The value of a field, or a fault at its place in the line.
fn parse<'a, T: Deserialize<'a>>(
    name: &str,
    raw: &'a RawValue,
    line: &str,
) -> Result<T, LineFault> {
    let start = raw.get().as_ptr() as usize - line.as_ptr() as usize;
    serde_json::from_str(raw.get()).map_err(|e| {
        // A value of the wrong type is pointed at from its start, a fault within it where it is.
        let nested = raw.get().starts_with('[');
        let byte = if e.is_data() && !nested { 0 } else { byte_of(raw.get(), &e) };
        (Some(start + byte), say(&format!("`{name}`: "), &e))
    })
}

fn millis(name: &str, raw: &RawValue, line: &str) -> Result<u64, LineFault> {
    let start = raw.get().as_ptr() as usize - line.as_ptr() as usize;
    match serde_json::from_str::<u64>(raw.get()) {
        Ok(ms) if ms <= MAX_MS => Ok(ms),
        Ok(ms) => Err((
            Some(start),
            format!(
                "`{name}` is {ms}, later than {}; it counts milliseconds from the start of the exam",
                clock::show(MAX_MS)
            ),
        )),
        Err(_) => Err((
            Some(start),
            format!(
                "`{name}` must be a whole number of milliseconds from 0, found {}",
                clock::clip(raw.get())
            ),
        )),
    }
}

fn words(name: &str, raw: &RawValue, line: &str) -> Result<String, LineFault> {
    let start = raw.get().as_ptr() as usize - line.as_ptr() as usize;
    clean(name, &parse::<String>(name, raw, line)?, start)
}

/// The words without the space around them; none, or a control character, is a fault.
fn clean(name: &str, text: &str, at: usize) -> Result<String, LineFault> {
    if let Some(c) = text.chars().find(|c| c.is_control() && *c != '\t') {
        let code = u32::from(c);
        return Err((
            Some(at),
            format!("`{name}` holds the control character U+{code:04X}, which is not text"),
        ));
    }
    match text.trim() {
        "" => Err((Some(at), format!("`{name}` has no words"))),
        text => Ok(text.to_owned()),
    }
}

/// The byte of `text` that a JSON error points at. Its column counts bytes from 1, up to and with
/// the last one read.
fn byte_of(text: &str, error: &serde_json::Error) -> usize {
    let mut at = error.column().saturating_sub(1).min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

/// A JSON error in words, without the place in it, which would be that within the value.
fn say(prefix: &str, error: &serde_json::Error) -> String {
    let text = error.to_string();
    let text = text.split(" at line ").next().unwrap_or("");
    match text {
        "unexpected end of hex escape" | "lone leading surrogate in hex escape" => {
            format!("{prefix}a lone surrogate escape is half of a character, no text")
        }
        _ if error.is_eof() => format!("{prefix}the line ends before the JSON object does"),
        _ if error.is_data() => {
            // serde names the types of this language; the reader of the message knows JSON's.
            let plain = [("expected f64", "expected a number"), ("a sequence", "an array")]
                .into_iter()
                .find_map(|(theirs, ours)| Some(text.strip_suffix(theirs)?.to_owned() + ours));
            format!("{prefix}{}", clock::clip_to(80, &plain.unwrap_or_else(|| text.to_owned())))
        }
        _ => format!("{prefix}not valid JSON: {}", clock::clip_to(80, text)),
    }
}
