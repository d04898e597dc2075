//! An export taken back: the journal it carries, once nothing in it was found changed.
//!
//! The journal's own chain names a changed line of it; a digest over each part of a JSON export,
//! and one over the whole of a FHIR bundle, shows a change anywhere else. Such a digest tells of
//! accidents and of careless hands. Whoever changes an export on purpose can compute it anew; what
//! comes back is made from the journal alone all the same, and a signature is what holds that.

use std::collections::BTreeMap;
use std::path::Path;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::Value;
use serde_json::value::RawValue;

use crate::journal::{self, Digest, JournalError, JournalRead};
use crate::problem::Problem;

/// The journal out of an export, and the files that came with it.
#[derive(Debug, Clone, PartialEq)]
pub struct Returned {
    /// Its lines.
    pub journal: JournalRead,
    /// The file's bytes.
    pub bytes: Vec<u8>,
    /// Other files of the exam's folder, by name.
    pub files: Vec<(String, Vec<u8>)>,
}

/// Files beside the journal that an export carries where an exam has them: the signature, and the
/// note as it was signed. No other name is written on the way back.
pub const CARRIED: [&str; 2] = ["seal.json", "note.txt"];

/// A place in the text of an export.
struct Text<'a> {
    name: &'a str,
    text: &'a str,
}

type Parts<'a> = BTreeMap<String, &'a RawValue>;

impl Text<'_> {
    /// Line of a part of the text, from 1; 0 for what is no part of it.
    fn line_of(&self, part: &str) -> usize {
        let from = (part.as_ptr() as usize).checked_sub(self.text.as_ptr() as usize);
        from.and_then(|n| self.text.get(..n))
            .map_or(0, |before| before.bytes().filter(|b| *b == b'\n').count() + 1)
    }

    fn at(&self, part: &str, message: impl Into<String>, help: &str) -> Problem {
        Problem::at(self.name, self.line_of(part), 0, message).help(help)
    }

    fn parts<'b>(&self, raw: &'b str, what: &str) -> Result<Parts<'b>, Problem> {
        serde_json::from_str(raw)
            .map_err(|e| self.at(raw, format!("{what} is not as it was exported: {e}"), AGAIN))
    }

    fn of<'b>(&self, raw: &'b str, parts: &Parts<'b>, key: &str) -> Result<&'b str, Problem> {
        let missing = || self.at(raw, format!("`{key}` is missing"), AGAIN);
        parts.get(key).map(|v| v.get()).ok_or_else(missing)
    }

    fn word(&self, raw: &str, what: &str) -> Result<String, Problem> {
        serde_json::from_str(raw).map_err(|_| self.at(raw, format!("{what} is not a text"), AGAIN))
    }
}

const AGAIN: &str = "the file was changed after it was exported: export the exam again";

/// Takes the journal out of an export of this program.
///
/// # Errors
/// With the line of the file: what is no export, was de-identified, or was changed.
pub fn journal(name: &str, text: &str) -> Result<Returned, Problem> {
    let t = Text { name, text };
    let parts: Parts<'_> = serde_json::from_str(text).map_err(|e| {
        Problem::at(name, e.line(), e.column(), format!("this is no export: {e}")).help(
            "import takes what `cotside export --as json` or `--as fhir` wrote; \
             CSV and PDF do not hold the journal",
        )
    })?;
    let fhir = parts.get("resourceType").is_some_and(|v| v.get() == "\"Bundle\"");
    match (fhir, parts.contains_key("deidentified")) {
        (true, _) => of_bundle(&t, &parts),
        (false, true) => Err(deidentified(name)),
        (false, false) => of_json(&t, &parts),
    }
}

fn deidentified(name: &str) -> Problem {
    Problem::in_file(name, "this export is de-identified: it does not hold the exam").help(
        "what was said, when and by whom was left out and cannot be had back; \
         import an export made without --deidentify",
    )
}

fn of_json(t: &Text<'_>, parts: &Parts<'_>) -> Result<Returned, Problem> {
    let Some(journal) = parts.get("journal").map(|v| v.get()) else {
        return Err(Problem::in_file(t.name, "this JSON holds no journal").help(
            "import takes what `cotside export --as json` wrote; `show --json` leaves it out",
        ));
    };
    let raw = t.of(t.text, parts, "digests")?;
    let digests = t.parts(raw, "the table of digests")?;
    for (key, value) in parts.iter().filter(|(k, _)| !["digests", "journal"].contains(&k.as_str()))
    {
        let text = value.get();
        let Some(wanted) = digests.get(key) else {
            return Err(t.at(text, format!("`{key}` was not in the export"), AGAIN));
        };
        let parsed: Value = serde_json::from_str(text)
            .map_err(|e| t.at(text, format!("`{key}` cannot be read: {e}"), AGAIN))?;
        let found = Digest::of(parsed.to_string().as_bytes()).to_string();
        if t.word(wanted.get(), "a digest")? != found {
            return Err(t.at(text, format!("`{key}` was changed: its SHA-256 is {found}"), AGAIN));
        }
    }
    if let Some((key, v)) = digests.iter().find(|(k, _)| !parts.contains_key(*k)) {
        return Err(t.at(v.get(), format!("`{key}` was taken out"), AGAIN));
    }
    let inner = t.parts(journal, "the journal")?;
    let sha = t.of(journal, &inner, "sha256")?;
    let list = t.of(journal, &inner, "lines")?;
    let lines: Vec<&RawValue> = serde_json::from_str(list)
        .map_err(|e| t.at(list, format!("the journal's lines cannot be read: {e}"), AGAIN))?;
    let mut bytes = Vec::new();
    for l in &lines {
        bytes.extend(t.word(l.get(), "a line of the journal")?.into_bytes());
        bytes.push(b'\n');
    }
    let place = |n: usize| match lines.get(n.wrapping_sub(1)) {
        Some(l) => t.line_of(l.get()),
        None => t.line_of(list),
    };
    let out = whole(t, bytes, &t.word(sha, "the journal's digest")?, place)?;
    let Some(raw) = parts.get("files").map(|v| v.get()) else { return Ok(out) };
    let files: BTreeMap<String, String> = serde_json::from_str(raw)
        .map_err(|e| t.at(raw, format!("the files cannot be read: {e}"), AGAIN))?;
    let files = files
        .into_iter()
        .map(|(name, data)| file(t, raw, name, &data))
        .collect::<Result<Vec<_>, _>>()?;
    Ok(Returned { files, ..out })
}

/// A file that came with the journal.
fn file(t: &Text<'_>, raw: &str, name: String, data: &str) -> Result<(String, Vec<u8>), Problem> {
    if !CARRIED.contains(&name.as_str()) {
        return Err(t.at(raw, format!("an exam has no file `{name}`"), AGAIN));
    }
    let bytes = STANDARD
        .decode(data)
        .map_err(|e| t.at(raw, format!("the base64 of {name} is damaged: {e}"), AGAIN))?;
    Ok((name, bytes))
}

/// The journal, when its chain and its digest hold.
fn whole(
    t: &Text<'_>,
    bytes: Vec<u8>,
    sha256: &str,
    place: impl Fn(usize) -> usize,
) -> Result<Returned, Problem> {
    let read = journal::read_bytes(Path::new(journal::FILE_NAME), &bytes).map_err(|e| {
        let p = e.problem();
        let newer = matches!(e, JournalError::Newer(_));
        let help = if newer { p.help.clone().unwrap_or_default() } else { AGAIN.to_owned() };
        let message = format!("line {} of the journal: {}", p.line, p.message);
        Problem::at(t.name, place(p.line), 0, message).help(help)
    })?;
    let found = Digest::of(&bytes).to_string();
    if read.torn.is_some() || found != sha256 {
        let n = read.lines.len();
        let message = format!(
            "line {n} of the journal, its last, was changed, or lines after it were taken out: \
             the journal's SHA-256 is {found}, and the export says {sha256}"
        );
        return Err(Problem::at(t.name, place(n), 0, message).help(AGAIN));
    }
    Ok(Returned { journal: read, bytes, files: Vec::new() })
}

/// The digest of a bundle: of its JSON with keys in order and without the digest itself.
pub fn bundle_digest(bundle: &Value) -> String {
    let mut bundle = bundle.clone();
    if let Some(tags) = bundle["meta"]["tag"].as_array_mut() {
        tags.retain(|tag| tag["system"] != super::fhir::SHA256);
    }
    let mut text = String::new();
    in_order(&bundle, &mut text);
    Digest::of(text.as_bytes()).to_string()
}

/// JSON without blanks, keys in the order of their bytes: programs that pass a bundle on may keep
/// them in another order.
fn in_order(v: &Value, out: &mut String) {
    match v {
        Value::Object(o) => {
            let mut keys: Vec<&String> = o.keys().collect();
            keys.sort();
            out.push('{');
            for (n, k) in keys.into_iter().enumerate() {
                if n > 0 {
                    out.push(',');
                }
                out.push_str(&Value::from(k.as_str()).to_string());
                out.push(':');
                in_order(&o[k], out);
            }
            out.push('}');
        }
        Value::Array(list) => {
            out.push('[');
            for (n, v) in list.iter().enumerate() {
                if n > 0 {
                    out.push(',');
                }
                in_order(v, out);
            }
            out.push(']');
        }
        other => out.push_str(&other.to_string()),
    }
}

fn of_bundle(t: &Text<'_>, parts: &Parts<'_>) -> Result<Returned, Problem> {
    let bundle: Value = serde_json::from_str(t.text)
        .map_err(|e| Problem::at(t.name, e.line(), e.column(), format!("cannot be read: {e}")))?;
    let tags = bundle["meta"]["tag"].as_array().cloned().unwrap_or_default();
    let tag = |system: &str| {
        tags.iter().find(|tag| tag["system"] == system).and_then(|tag| tag["code"].as_str())
    };
    match tag(super::fhir::EXPORT) {
        Some("whole") => {}
        Some("deidentified") => return Err(deidentified(t.name)),
        _ => {
            return Err(Problem::in_file(t.name, "this bundle was not made by cotside")
                .help("import takes back the program's own exports only"));
        }
    }
    let entry = t.of(t.text, parts, "entry")?;
    let entries: Vec<&RawValue> = serde_json::from_str(entry)
        .map_err(|e| t.at(entry, format!("the entries cannot be read: {e}"), AGAIN))?;
    let carrier = bundle["entry"].as_array().and_then(|list| {
        list.iter().position(|e| e["resource"]["masterIdentifier"]["system"] == super::fhir::SHA256)
    });
    let Some(k) = carrier else {
        return Err(t.at(entry, "no entry of the bundle holds the journal", AGAIN));
    };
    let (resource, raw) = (&bundle["entry"][k]["resource"], entries[k].get());
    let attached = resource["content"][0]["attachment"]["data"].as_str().unwrap_or_default();
    let bytes = STANDARD
        .decode(attached)
        .map_err(|e| t.at(raw, format!("the journal's base64 is damaged: {e}"), AGAIN))?;
    let sha256 = resource["masterIdentifier"]["value"].as_str().unwrap_or_default().to_owned();
    let line = t.line_of(raw);
    let mut out = whole(t, bytes, &sha256, |_| line)?;
    for c in resource["content"].as_array().into_iter().flatten().skip(1) {
        let word = |k: &str| c["attachment"][k].as_str().unwrap_or_default();
        out.files.push(file(t, raw, word("title").to_owned(), word("data"))?);
    }
    let found = bundle_digest(&bundle);
    if tag(super::fhir::SHA256) != Some(found.as_str()) {
        return Err(Problem::in_file(
            t.name,
            format!("something in the bundle was changed: its SHA-256 is {found}"),
        )
        .help(AGAIN));
    }
    Ok(out)
}

/// Files by their names within the exam folder.
pub type Beside = Vec<(String, Vec<u8>)>;

/// The journal an export carries, and the files beside it, whether or not anything was changed.
pub fn carried(export: &Value) -> Option<(Vec<u8>, Beside)> {
    let decoded =
        |name: &str, data: &Value| Some((name.to_owned(), STANDARD.decode(data.as_str()?).ok()?));
    if let Some(lines) = export["journal"]["lines"].as_array() {
        let texts: Option<Vec<&str>> = lines.iter().map(Value::as_str).collect();
        let journal = texts?.iter().flat_map(|l| l.bytes().chain([b'\n'])).collect();
        let files = export["files"].as_object().into_iter().flatten();
        return Some((journal, files.filter_map(|(k, v)| decoded(k, v)).collect()));
    }
    let content = export["entry"].as_array()?.iter().find_map(|e| {
        let r = &e["resource"];
        (r["masterIdentifier"]["system"] == super::fhir::SHA256).then(|| r["content"].as_array())?
    })?;
    let all = content.iter().filter_map(|c| {
        let a = &c["attachment"];
        decoded(a["title"].as_str()?, &a["data"])
    });
    let mut all: Vec<(String, Vec<u8>)> = all.collect();
    (!all.is_empty()).then(|| (all.remove(0).1, all))
}

/// The first place at which two JSON values differ, as a JSON pointer (RFC 6901).
pub fn first_difference(a: &Value, b: &Value) -> Option<String> {
    match (a, b) {
        (Value::Object(x), Value::Object(y)) => {
            let keys = x.keys().chain(y.keys().filter(|k| !x.contains_key(*k)));
            keys.into_iter().find_map(|k| {
                let step = k.replace('~', "~0").replace('/', "~1");
                match (x.get(k), y.get(k)) {
                    (Some(v), Some(w)) => {
                        first_difference(v, w).map(|rest| format!("/{step}{rest}"))
                    }
                    _ => Some(format!("/{step}")),
                }
            })
        }
        (Value::Array(x), Value::Array(y)) => {
            let inner =
                x.iter().zip(y).enumerate().find_map(|(n, (v, w))| {
                    first_difference(v, w).map(|rest| format!("/{n}{rest}"))
                });
            let shorter = x.len().min(y.len());
            inner.or_else(|| (x.len() != y.len()).then(|| format!("/{shorter}")))
        }
        _ => (a != b).then(String::new),
    }
}

/// The line of the file at which the value of a JSON pointer begins; 0 when there is none.
pub fn line_at(text: &str, pointer: &str) -> usize {
    let t = Text { name: "", text };
    let mut raw = text;
    for step in pointer.split('/').skip(1) {
        let step = step.replace("~1", "/").replace("~0", "~");
        let inner = match raw.trim_start().starts_with('[') {
            true => serde_json::from_str::<Vec<&RawValue>>(raw)
                .ok()
                .and_then(|list| list.get(step.parse::<usize>().ok()?).map(|v| v.get())),
            false => serde_json::from_str::<Parts<'_>>(raw)
                .ok()
                .and_then(|parts| parts.get(&step).map(|v| v.get())),
        };
        match inner {
            Some(v) => raw = v,
            // Taken out: the line of what it was in.
            None => break,
        }
    }
    t.line_of(raw)
}
