//! The exam as an HL7 FHIR R4 (4.0.1) document: a Bundle of a Composition with the note's parts,
//! an Observation for every finding and for everything not done, and who and what made them.
//!
//! - Nothing is `final` before the exam is signed, and what is unsettled never is.
//! - An item's code is the lexicon's own, under a URN of the lexicon, beside those of a published
//!   terminology where the lexicon names them. The codes used are spelt out in a CodeSystem.
//! - The journal travels along as it stands on disk, so that the exam can be had back.
//!
//! Rules and value sets: <http://hl7.org/fhir/R4/>. `tests/fhir.rs` holds bundles against two
//! validators of other hands and against rules that both leave out.

mod findings;
mod names;
mod narrative;
mod scales;

use std::collections::BTreeMap;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chrono::{DateTime, Datelike, FixedOffset};
use serde_json::{Value, json};

use self::findings::Named;
pub use self::names::{EXPORT, SHA256};
use self::names::{Names, coding, published, system};
use super::deidentify::Shown;
use super::later::Later;
use super::note::Block;
use super::{sheet, words};
use crate::exam::Exam;
use crate::gaps::Gaps;
use crate::grade::{Graded, Overview};
use crate::journal::{Digest, Sex};
use crate::lexicon::Lexicon;
use crate::lexicon::codes::Fact;

/// What is to be known of a signature on the exam.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seal {
    /// Initials of whoever signed.
    pub who: String,
    /// When.
    pub when: DateTime<FixedOffset>,
    /// The last journal entry that was signed.
    pub entries: u64,
    /// Digest of the journal up to there, hexadecimal.
    pub journal_sha256: String,
    /// The public key, as text.
    pub key: String,
    /// The signature's bytes.
    pub signature: Vec<u8>,
    /// Name of how it was made, such as `Ed25519`.
    pub method: String,
    /// Why it was signed although something was missing.
    pub incomplete: Option<String>,
}

/// What a bundle is made from.
pub struct Given<'a> {
    /// The exam, with what was added after signing applied.
    pub x: &'a Exam,
    /// What was added after signing.
    pub later: &'a [Later],
    /// Its lexicon.
    pub lex: &'a Lexicon,
    /// Its grades.
    pub graded: &'a Graded,
    /// Its scales.
    pub o: &'a Overview,
    /// Its gaps.
    pub g: &'a Gaps,
    /// The note; not looked at for a de-identified bundle.
    pub note: &'a [Block],
    /// The journal's file; not looked at for a de-identified bundle.
    pub journal: &'a [u8],
    /// Other files of the exam that must come back with the journal, by name; not looked at for a
    /// de-identified bundle.
    pub files: &'a [(String, Vec<u8>)],
    /// The signature, when there is one.
    pub seal: Option<&'a Seal>,
    /// How it is shown.
    pub shown: &'a Shown,
    /// When the bundle is made.
    pub made: DateTime<FixedOffset>,
}

/// [`Given`] with the names of the resources.
struct Source<'a> {
    x: &'a Exam,
    later: &'a [Later],
    lex: &'a Lexicon,
    graded: &'a Graded,
    o: &'a Overview,
    g: &'a Gaps,
    seal: Option<&'a Seal>,
    shown: &'a Shown,
    names: Names,
}

impl Source<'_> {
    /// Whoever examined, unless that must not be told.
    fn examiner(&self) -> Option<&str> {
        let by = self.x.header.by.as_deref().map(str::trim).filter(|b| !b.is_empty());
        by.filter(|_| !self.shown.is_deidentified())
    }

    /// Status of what is sure.
    fn status(&self) -> &'static str {
        if self.seal.is_some() { "final" } else { "preliminary" }
    }

    /// A reason in words that may be told.
    fn reason_text(&self, reason: Option<&str>) -> String {
        match (self.shown.is_deidentified(), reason) {
            (false, Some(words)) => words.to_owned(),
            (_, reason) => sheet::reason(reason, self.lex),
        }
    }
}

/// A wall time as a narrative says it.
fn narrative_time(t: &DateTime<FixedOffset>) -> String {
    words::wall(t)
}

/// The bundle.
pub fn bundle(given: &Given<'_>) -> Value {
    let s = Source {
        x: given.x,
        later: given.later,
        lex: given.lex,
        graded: given.graded,
        o: given.o,
        g: given.g,
        seal: given.seal.filter(|_| !given.shown.is_deidentified()),
        shown: given.shown,
        names: Names::new(given.shown.code(&given.x.header)),
    };
    let observed: Vec<Named> = findings::gestation(&s)
        .into_iter()
        .chain(findings::all(&s))
        .chain(scales::all(&s))
        .collect();
    let terms = terms(&s, &observed);
    let mut entries: Vec<(String, Value)> = Vec::new();
    entries.push(("composition".into(), composition(&s, given, &observed)));
    entries.push(("patient".into(), patient(&s)));
    entries.push(("device".into(), device(&s)));
    for who in people(&s) {
        entries.push((format!("practitioner {who}"), practitioner(&s, &who)));
    }
    entries.extend(observed.into_iter().map(|n| (n.name, n.resource)));
    entries.push(("terms".into(), terms));
    if !s.shown.is_deidentified() {
        entries.push(("journal".into(), journal(&s, given)));
        entries.push(("provenance".into(), provenance(&s, given)));
    }
    let entry: Vec<Value> = entries
        .into_iter()
        .map(|(name, resource)| json!({ "fullUrl": s.names.url(&name), "resource": resource }))
        .collect();
    let kind = match s.shown.is_deidentified() {
        true => coding(EXPORT, "deidentified", "de-identified"),
        false => coding(EXPORT, "whole", "whole exam"),
    };
    let mut out = json!({
        "resourceType": "Bundle",
        "id": s.names.id("bundle"),
        "meta": { "tag": [kind] },
        "identifier": { "system": "urn:ietf:rfc:3986", "value": s.names.url("document") },
        "type": "document",
        "timestamp": instant(&s, &given.made),
        "entry": entry,
    });
    let digest = super::returned::bundle_digest(&out);
    if let Some(tags) = out["meta"]["tag"].as_array_mut() {
        tags.push(coding(SHA256, &digest, "SHA-256 of the bundle without this tag"));
    }
    out
}

/// When the bundle was made; of a de-identified one the year alone is told.
fn instant(s: &Source<'_>, t: &DateTime<FixedOffset>) -> String {
    match s.shown.is_deidentified() {
        true => format!("{:04}-01-01T00:00:00Z", t.year()),
        false => t.to_rfc3339_opts(chrono::SecondsFormat::Secs, false),
    }
}

fn text(blocks: &[Block]) -> Value {
    json!({ "status": "generated", "div": narrative::div(blocks) })
}

/// The parts of a note under their titles; what stands before the first one is its heading.
fn parts(note: &[Block], heading: &str) -> Vec<(String, Vec<Block>)> {
    let mut out: Vec<(String, Vec<Block>)> = vec![(heading.to_owned(), Vec::new())];
    for b in note {
        match b {
            Block::Title(t) => out.push((t.clone(), Vec::new())),
            // The line for a signature by hand belongs to paper.
            Block::Sign(_) => {}
            other => {
                if let Some((_, list)) = out.last_mut() {
                    list.push(other.clone());
                }
            }
        }
    }
    out.retain(|(_, list)| !list.is_empty());
    out
}

fn composition(s: &Source<'_>, given: &Given<'_>, observed: &[Named]) -> Value {
    let hidden = s.shown.is_deidentified();
    let sheet = || sheet::blocks(s.x, s.lex, s.graded, s.o, s.g, s.shown);
    let note = if hidden { sheet() } else { given.note.to_vec() };
    let mut sections: Vec<Value> = parts(&note, "Exam")
        .into_iter()
        .map(|(title, list)| json!({ "title": title, "text": text(&list) }))
        .collect();
    sections.push(coded(s, observed));
    let notices = s.lex.codes.systems.iter().filter(|c| !c.notice.is_empty());
    let mut notices: Vec<Block> = notices.map(|c| Block::Para(c.notice.clone())).collect();
    notices.insert(0, Block::Para(format!("Codes of the lexicon {}.", s.lex.name)));
    sections.push(json!({
        "title": "Codes used",
        "text": text(&notices),
        "entry": [s.names.to("terms")],
    }));
    if !hidden {
        let line = Block::Para("The journal of the exam, as it stands on disk.".into());
        sections.push(json!({
            "title": "Journal",
            "text": text(&[line]),
            "entry": [s.names.to("journal")],
        }));
    }
    let status = match (s.seal.is_some(), !s.later.is_empty()) {
        (false, _) => "preliminary",
        (true, false) => "final",
        (true, true) => "amended",
    };
    let author = match s.examiner() {
        Some(by) => s.names.to(&format!("practitioner {by}")),
        None => s.names.to("device"),
    };
    let codes: Vec<Value> = s
        .lex
        .codes
        .of_fact(Fact::Document)
        .map(published)
        .chain([coding(&system(s.lex), "document", &s.lex.title)])
        .collect();
    let date = match hidden {
        true => format!("{:04}", given.made.year()),
        false => s.x.header.started.to_rfc3339_opts(chrono::SecondsFormat::Secs, false),
    };
    let mut out = json!({
        "resourceType": "Composition",
        "id": s.names.id("composition"),
        "text": text(&[
            Block::Para(s.lex.title.clone()),
            Block::Para(format!("Exam {}, {status}.", s.shown.code(&s.x.header))),
        ]),
        "status": status,
        "type": { "coding": codes, "text": s.lex.title },
        "subject": s.names.to("patient"),
        "date": date,
        "author": [author],
        "title": s.lex.title,
        "confidentiality": "N",
        "section": sections,
    });
    if let Some(seal) = s.seal {
        out["attester"] = json!([{
            "mode": "professional",
            "time": seal.when.to_rfc3339(),
            "party": s.names.to(&format!("practitioner {}", seal.who)),
        }]);
    }
    out
}

/// All observations under the sections of the lexicon.
fn coded(s: &Source<'_>, observed: &[Named]) -> Value {
    let mut by: BTreeMap<usize, Vec<Value>> = BTreeMap::new();
    let mut rest = Vec::new();
    for n in observed {
        match n.section {
            Some(k) => by.entry(k).or_default().push(s.names.to(&n.name)),
            None => rest.push(s.names.to(&n.name)),
        }
    }
    let one = |title: &str, entry: Vec<Value>| {
        let line = words::count(entry.len(), "observation", "observations");
        json!({ "title": title, "text": text(&[Block::Para(format!("{line}."))]), "entry": entry })
    };
    let mut sections: Vec<Value> =
        by.into_iter().map(|(k, entry)| one(&s.lex.sections[k].name, entry)).collect();
    if !rest.is_empty() {
        sections.push(one("Scales and measures", rest));
    }
    let line = Block::Para("What was found and what was not done, as coded observations.".into());
    let mut out = json!({ "title": "Coded", "text": text(&[line]) });
    if !sections.is_empty() {
        out["section"] = json!(sections);
    }
    out
}

/// The one examined: a code and no name.
fn patient(s: &Source<'_>) -> Value {
    let h = &s.x.header;
    let mut out = json!({
        "resourceType": "Patient",
        "id": s.names.id("patient"),
        "identifier": [{ "system": "urn:cotside:exam", "value": s.shown.code(h) }],
        "gender": match h.sex {
            Some(Sex::Female) => "female",
            Some(Sex::Male) => "male",
            None => "unknown",
        },
    });
    if let Some(born) = h.born.filter(|_| !s.shown.is_deidentified()) {
        out["birthDate"] = json!(born.format("%Y-%m-%d").to_string());
        out["_birthDate"] = json!({ "extension": [{
            "url": "http://hl7.org/fhir/StructureDefinition/patient-birthTime",
            "valueDateTime": born.to_rfc3339(),
        }] });
    }
    out
}

/// The program, with its version and the lexicon it read by.
fn device(s: &Source<'_>) -> Value {
    let lexicon = format!("SHA-256 of the lexicon {}", s.lex.name);
    let mut versions = vec![
        json!({ "type": { "text": "program" }, "value": env!("CARGO_PKG_VERSION") }),
        json!({ "type": { "text": "lexicon version" }, "value": s.lex.version }),
        json!({ "type": { "text": lexicon }, "value": s.lex.digest }),
    ];
    if s.x.header.tool != env!("CARGO_PKG_VERSION") {
        versions.push(json!({ "type": { "text": "recorded by" }, "value": s.x.header.tool }));
    }
    json!({
        "resourceType": "Device",
        "id": s.names.id("device"),
        "deviceName": [{ "name": env!("CARGO_PKG_NAME"), "type": "model-name" }],
        "type": { "text": "logger of spoken and keyed examinations" },
        "version": versions,
    })
}

/// Initials of everybody the resources name.
fn people(s: &Source<'_>) -> Vec<String> {
    let signer = s.seal.map(|seal| seal.who.clone());
    let mut out: Vec<String> = s.examiner().map(str::to_owned).into_iter().chain(signer).collect();
    out.dedup();
    out
}

fn practitioner(s: &Source<'_>, initials: &str) -> Value {
    json!({
        "resourceType": "Practitioner",
        "id": s.names.id(&format!("practitioner {initials}")),
        "identifier": [{ "system": "urn:cotside:initials", "value": initials }],
        "name": [{ "text": initials }],
    })
}

/// The lexicon's codes that the observations use, so that a bundle can be read by itself.
fn terms(s: &Source<'_>, observed: &[Named]) -> Value {
    let own = system(s.lex);
    let mut used: BTreeMap<String, String> = BTreeMap::new();
    used.insert("document".into(), s.lex.title.clone());
    for n in observed {
        gather(&n.resource, &own, &mut used);
    }
    let concepts: Vec<Value> =
        used.into_iter().map(|(code, say)| json!({ "code": code, "display": say })).collect();
    json!({
        "resourceType": "CodeSystem",
        "id": s.names.id("terms"),
        "url": own,
        "version": s.lex.version,
        "name": "Lexicon",
        "title": s.lex.title,
        "status": "active",
        "caseSensitive": true,
        "content": "fragment",
        "concept": concepts,
    })
}

fn gather(v: &Value, system: &str, out: &mut BTreeMap<String, String>) {
    match v {
        Value::Array(list) => list.iter().for_each(|v| gather(v, system, out)),
        Value::Object(o) => {
            let word = |k: &str| o.get(k).and_then(Value::as_str);
            if word("system") == Some(system)
                && let (Some(code), Some(say)) = (word("code"), word("display"))
            {
                out.insert(code.to_owned(), say.to_owned());
            }
            o.values().for_each(|v| gather(v, system, out));
        }
        _ => {}
    }
}

/// The journal, byte for byte, and what else belongs to the exam.
fn journal(s: &Source<'_>, given: &Given<'_>) -> Value {
    let attached = |kind: &str, name: &str, bytes: &[u8]| {
        json!({ "attachment": {
            "contentType": kind,
            "title": name,
            "size": bytes.len(),
            "data": STANDARD.encode(bytes),
        } })
    };
    let mut content = vec![attached("application/jsonl", crate::journal::FILE_NAME, given.journal)];
    content.extend(given.files.iter().map(|(name, bytes)| {
        let json = name.ends_with(".json");
        attached(if json { "application/json" } else { "text/plain" }, name, bytes)
    }));
    json!({
        "resourceType": "DocumentReference",
        "id": s.names.id("journal"),
        "masterIdentifier": {
            "system": SHA256,
            "value": Digest::of(given.journal).to_string(),
        },
        "status": "current",
        "docStatus": s.status(),
        "type": { "text": "journal of the exam" },
        "subject": s.names.to("patient"),
        "content": content,
    })
}

/// Who made it from what, and the signature.
fn provenance(s: &Source<'_>, given: &Given<'_>) -> Value {
    let kind = |code: &str, say: &str| {
        let system = "http://terminology.hl7.org/CodeSystem/provenance-participant-type";
        json!({ "coding": [coding(system, code, say)] })
    };
    let mut agents =
        vec![json!({ "type": kind("assembler", "Assembler"), "who": s.names.to("device") })];
    if let Some(by) = s.examiner() {
        let who = s.names.to(&format!("practitioner {by}"));
        agents.push(json!({ "type": kind("author", "Author"), "who": who }));
    }
    let mut out = json!({
        "resourceType": "Provenance",
        "id": s.names.id("provenance"),
        "target": [s.names.to("composition")],
        "recorded": instant(s, &given.made),
        "agent": agents,
        "entity": [{ "role": "source", "what": s.names.to("journal") }],
    });
    if let Some(seal) = s.seal {
        let who = s.names.to(&format!("practitioner {}", seal.who));
        if let Some(list) = out["agent"].as_array_mut() {
            list.push(json!({ "type": kind("attester", "Attester"), "who": who }));
        }
        let mut said = format!(
            "{} signature, by the key {}, over a statement that covers the journal up to entry {} \
             (SHA-256 {}); the statement travels with the journal.",
            seal.method, seal.key, seal.entries, seal.journal_sha256
        );
        if let Some(why) = &seal.incomplete {
            said += &format!(" Signed incomplete: {why}.");
        }
        out["text"] = text(&[Block::Para(said)]);
        out["signature"] = json!([{
            "type": [{
                "system": "urn:iso-astm:E1762-95:2013",
                "code": "1.2.840.10065.1.12.1.1",
                "display": "Author's Signature",
            }],
            "when": seal.when.to_rfc3339(),
            "who": who,
            "targetFormat": "application/json",
            "sigFormat": "application/octet-stream",
            "data": STANDARD.encode(&seal.signature),
        }]);
    }
    out
}
