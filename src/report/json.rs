//! The exam for other programs: one JSON object, kept to by `exam.schema.json` beside this file.
//!
//! Ids and codes are the lexicon's; times are milliseconds on the exam clock, wall times RFC 3339.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};

use crate::exam::{Exam, Gone, Held, How, Standing, Trial};
use crate::gaps::{Gap, GapKind, Gaps};
use crate::grade::{Against, Asymmetry, Graded, Growth, Outcome, Overview, Pattern, asymmetries};
use crate::journal::{Digest, Entry, JournalRead, Sex};
use crate::lexicon::Lexicon;
use crate::reading::types::{Finding, Side};

use super::deidentify::{self, Shown};
use super::later::Later;
use super::table::{self, Cell};
use super::{measures, words};

/// The JSON Schema (draft 2020-12) that exports keep to.
pub const SCHEMA: &str = include_str!("exam.schema.json");

/// The JSON Schema that de-identified exports keep to.
pub const DEIDENTIFIED_SCHEMA: &str = include_str!("deidentified.schema.json");

/// The whole exam.
pub fn export(x: &Exam, lex: &Lexicon, graded: &Graded, o: &Overview, g: &Gaps) -> Value {
    let findings: Vec<Value> = x
        .findings
        .iter()
        .enumerate()
        .map(|(k, s)| {
            finding(s, graded.grades.get(k).map_or("ungraded", |g| words::grade(*g)), lex)
        })
        .collect();
    let states: Vec<Value> = x
        .states
        .iter()
        .map(|s| {
            json!({
                "state": lex.states[s.state].code,
                "from_ms": s.from_ms,
                "to_ms": s.to_ms,
                "implied": s.implied,
                "phrase": s.seq,
                "line": x.event(s.seq).and_then(|e| e.phrase.line),
            })
        })
        .collect();
    let corrections: Vec<Value> = x.gone.iter().filter_map(|g| correction(g, x, lex)).collect();
    let unsettled: Vec<Value> = x.unsettled().map(|s| unsettled(s, x, lex)).collect();
    json!({
        "exam": exam(x, lex, graded, g),
        "findings": findings,
        "states": states,
        "gaps": g.list.iter().map(|g| gap(g, lex)).collect::<Vec<_>>(),
        "corrections": corrections,
        "unsettled": unsettled,
        "scales": super::scales::json(o, x, lex),
        "summary": super::summary::json(&o.summary, lex),
        "growth": growths(graded, lex),
        "watch": super::watch::json(x, &graded.ages, lex),
        "sides": asymmetries(x, lex).iter().map(|a| apart(a, lex)).collect::<Vec<_>>(),
        "patterns": graded.patterns.iter().map(|p| pattern(p, lex)).collect::<Vec<_>>(),
        "positions_held": x.holds.iter().map(|h| hold(h, lex)).collect::<Vec<_>>(),
    })
}

/// The export with the journal as it stands on disk, and a digest of each part: what it takes to
/// have the exam back, and to see that nothing was changed on the way ([`super::returned`]).
///
/// `files`: what else the exam's folder holds that must come back, by name.
pub fn with_journal(
    mut export: Value,
    journal: &JournalRead,
    files: &[(String, Vec<u8>)],
) -> Value {
    let Some(parts) = export.as_object_mut() else { return export };
    let added = journal.lines.iter().filter_map(|l| match &l.entry {
        Entry::Addendum(a) => {
            Some(json!({ "entry": l.seq, "wall": l.wall.to_rfc3339(), "addendum": a }))
        }
        _ => None,
    });
    let added: Vec<Value> = added.collect();
    if !added.is_empty() {
        parts.insert("since_signing".into(), json!(added));
    }
    if !files.is_empty() {
        let of = |(name, bytes): &(String, Vec<u8>)| (name.clone(), json!(STANDARD.encode(bytes)));
        let all: serde_json::Map<String, Value> = files.iter().map(of).collect();
        parts.insert("files".into(), Value::Object(all));
    }
    let digests: serde_json::Map<String, Value> = parts
        .iter()
        .map(|(name, part)| (name.clone(), json!(Digest::of(part.to_string().as_bytes()))))
        .collect();
    parts.insert("digests".into(), Value::Object(digests));
    let lines: Vec<&str> = journal.lines.iter().map(|l| l.raw.as_str()).collect();
    parts.insert(
        "journal".into(),
        json!({
            "file": crate::journal::FILE_NAME,
            "sha256": Digest::of(&journal.bytes()),
            "exported_by": env!("CARGO_PKG_VERSION"),
            "lines": lines,
        }),
    );
    export
}

/// The de-identified exam: rows of findings, states, results of scales. Nothing that was said or
/// typed, no wall time, nobody's name and not the exam's own code.
pub fn deidentified(
    x: &Exam,
    lex: &Lexicon,
    graded: &Graded,
    o: &Overview,
    g: &Gaps,
    later: &[Later],
    shown: &Shown,
) -> Value {
    let rows: Vec<Value> = table::rows(x, lex, graded, g, later, shown)
        .into_iter()
        .map(|row| {
            let cells = table::COLUMNS.iter().zip(row).filter(|(c, _)| ROW_PARTS.contains(&c.0));
            Value::Object(cells.map(|(c, cell)| (c.0.to_owned(), cell_json(cell))).collect())
        })
        .collect();
    let states: Vec<Value> = x
        .states
        .iter()
        .map(|s| json!({ "state": lex.states[s.state].code, "from_ms": s.from_ms, "to_ms": s.to_ms }))
        .collect();
    let scales: Vec<Value> = o
        .scored
        .iter()
        .map(|r| {
            let ends = r.outcome.as_ref().filter(|_| r.conflict.is_none()).map(|o| o.ends());
            json!({
                "id": o.scales[r.scale].id,
                "at": r.at,
                "status": r.status.word(),
                "low": ends.map(|e| e.0),
                "high": ends.map(|e| e.1),
            })
        })
        .collect();
    json!({
        "deidentified": true,
        "exam": {
            "code": shown.code(&x.header),
            "sex": x.header.sex.map(|s| match s { Sex::Female => "f", Sex::Male => "m" }),
            "gestation_band": deidentify::gestation_band(&x.header, lex),
            "age_band": deidentify::age_band(&graded.ages, lex),
            "duration_ms": x.end_ms,
            "ended": x.ended,
            "protocol": g.protocol_id,
            "protocol_met": g.met,
            "required": g.required,
            "done": g.done,
            "left_out": g.with_reason,
            "lexicon": { "name": lex.name, "version": lex.version, "sha256": lex.digest },
            "tool": x.header.tool,
        },
        "findings": rows,
        "states": states,
        "scales": scales,
    })
}

/// The columns of a row that the exam as a whole does not tell already.
const ROW_PARTS: &[&str] = &[
    "section",
    "item",
    "item_name",
    "side",
    "status",
    "value",
    "value_text",
    "number",
    "low",
    "high",
    "unit",
    "state",
    "judgeable",
    "certainty",
    "doubts",
    "grade",
    "trials",
    "exam_clock_s",
    "reason_code",
    "required",
    "came_to",
    "finding",
    "since_signing",
];

fn cell_json(cell: Cell) -> Value {
    match cell {
        Cell::Empty => Value::Null,
        Cell::Text(t) => json!(t),
        Cell::Int(n) => json!(n),
        Cell::Number(n) => json!(n),
        Cell::Bool(b) => json!(b),
    }
}

/// All measurements against their growth references.
pub fn growths(graded: &Graded, lex: &Lexicon) -> Vec<Value> {
    graded.growth.iter().map(|g| growth(g, lex)).collect()
}

/// A measurement against its growth reference.
fn growth(g: &Growth, lex: &Lexicon) -> Value {
    let scored = match &g.outcome {
        Outcome::Scored(s) => Some(s),
        _ => None,
    };
    let lacks: Vec<&str> = match &g.outcome {
        Outcome::Lacks(list) => list.iter().map(|l| l.text()).collect(),
        _ => Vec::new(),
    };
    let outcome = match &g.outcome {
        Outcome::Scored(s) if s.stands.is_none() => "implausible",
        Outcome::Scored(_) => "scored",
        Outcome::Lacks(_) => "lacks",
        Outcome::BeforeBirth => "before-birth",
        Outcome::NoReference => "no-reference",
        Outcome::Unsettled => "unsettled",
        Outcome::WrongState => "wrong-state",
    };
    let reference = scored.map(|s| {
        let r = &lex.references[s.reference];
        json!({
            "name": r.name,
            "source": r.source,
            "publisher": r.publisher,
            "terms": r.terms,
            "verified": r.verified,
            "supplied": r.supplied,
            "by": r.axis.column(),
            "x": s.x,
            "between_rows": s.between_rows,
        })
    });
    let points: Vec<Value> = scored
        .into_iter()
        .flat_map(|s| &s.points)
        .map(|p| json!({ "number": p.y, "z": p.z, "centile": p.centile }))
        .collect();
    json!({
        "item": lex.items[g.item].id,
        "finding": g.finding.to_string(),
        "outcome": outcome,
        "lacks": lacks,
        "reference": reference,
        "points": points,
        "text": measures::growth(g, lex),
    })
}

/// Left and right said differently.
fn apart(a: &Asymmetry, lex: &Lexicon) -> Value {
    let it = &lex.items[a.item];
    json!({
        "item": it.id,
        "left": a.left.to_string(),
        "right": a.right.to_string(),
        "steps": a.size.steps,
        "low": a.size.number.map(|n| n.0),
        "high": a.size.number.map(|n| n.1),
        "unit": a.size.number.and(it.number.as_ref()).map(|n| &lex.units[n.unit].id),
        "settled": a.settled,
        "weight": a.weight,
        "error_below": it.noise.as_ref().map(|n| n.below),
        "text": measures::apart(a, lex),
    })
}

/// Two groups of findings held against each other.
fn pattern(p: &Pattern, lex: &Lexicon) -> Value {
    let rule = &lex.patterns[p.pattern];
    let group = |k: usize| {
        json!({
            "name": rule.groups[k],
            "findings": p.fed[k]
                .iter()
                .map(|f| json!({
                    "item": lex.items[f.item].id,
                    "finding": f.finding.to_string(),
                    "level": f.level,
                }))
                .collect::<Vec<_>>(),
            "missing": p.missing[k].iter().map(|i| &lex.items[*i].id).collect::<Vec<_>>(),
        })
    };
    let against = match p.against {
        Against::Less => "less",
        Against::More => "more",
        Against::Same => "same",
        Against::Mixed => "overlap",
        Against::Unknown => "unknown",
    };
    json!({
        "id": rule.id,
        "first": group(0),
        "second": group(1),
        "first_against_second": against,
        "source": lex.cite(&rule.basis),
    })
}

fn hold(h: &Held, lex: &Lexicon) -> Value {
    json!({
        "item": lex.items[h.item].id,
        "side": side(h.side),
        "ms": h.ms,
        "at_least_s": lex.items[h.item].hold.as_ref().map(|r| r.at_least),
        "too_short": h.too_short,
        "phrase": h.seq,
    })
}

/// The gaps alone, with whether the protocol is met.
pub fn gaps(x: &Exam, lex: &Lexicon, g: &Gaps, graded: &Graded, o: &Overview) -> Value {
    let times: Vec<Value> = x
        .section_times
        .iter()
        .map(|t| json!({ "section": lex.sections[t.section].id, "ms": t.ms }))
        .collect();
    json!({
        "exam": x.header.code,
        "protocol": g.protocol_id,
        "met": g.met,
        "required": g.required,
        "done": g.done,
        "with_reason": g.with_reason,
        "gaps": g.list.iter().map(|g| gap(g, lex)).collect::<Vec<_>>(),
        "scales_open": super::scales::still_open_json(x, lex, o),
        "watch": super::watch::json(x, &graded.ages, lex),
        "section_times": times,
    })
}

fn exam(x: &Exam, lex: &Lexicon, graded: &Graded, g: &Gaps) -> Value {
    let h = &x.header;
    let a = &graded.ages;
    json!({
        "code": h.code,
        "started": h.started.to_rfc3339(),
        "duration_ms": x.end_ms,
        "ended": x.ended,
        "sex": h.sex.map(|s| match s { Sex::Female => "f", Sex::Male => "m" }),
        "born": h.born.map(|b| b.to_rfc3339()),
        "ga": h.ga.map(|ga| ga.to_string()),
        "by": h.by,
        "protocol": g.protocol_id,
        "protocol_met": g.met,
        "ages": {
            "hours": a.hours,
            "days": a.days,
            "postmenstrual": a.postmenstrual.map(|(w, d)| format!("{w}+{d}")),
            "corrected_days": a.corrected_days,
            "text": a.text(lex.gestation),
        },
        "lexicon": {
            "name": lex.name,
            "version": lex.version,
            "sha256": lex.digest,
            "as_recorded": x.same_lexicon,
        },
        "tool": h.tool,
        "phrases": x.timeline.len(),
    })
}

fn side(s: Option<Side>) -> Option<&'static str> {
    s.map(Side::word)
}

fn finding(s: &Standing, grade: &str, lex: &Lexicon) -> Value {
    let f = &s.finding;
    json!({
        "item": lex.items[f.item].id,
        "side": side(f.side),
        "status": f.status.word(),
        "value": f.value,
        "number": f.number,
        "unit": f.unit,
        "low": f.range.map(|r| r.0),
        "high": f.range.map(|r| r.1),
        "trials": s.trials.iter().map(|t| trial(t, lex)).collect::<Vec<_>>(),
        "state": s.state.map(|k| &lex.states[k].code),
        "at_ms": f.at_ms,
        "until_ms": s.until_ms,
        "certainty": if f.is_sure() { "sure" } else { "unsettled" },
        "grade": grade,
        "phrases": s.phrases,
        "line": s.line,
        "why": f.why,
    })
}

fn trial(t: &Trial, lex: &Lexicon) -> Value {
    json!({
        "status": t.status.word(),
        "value": t.value,
        "number": t.number,
        "low": t.range.map(|r| r.0),
        "high": t.range.map(|r| r.1),
        "at_ms": t.at_ms,
        "state": t.state.map(|k| &lex.states[k].code),
    })
}

fn gap(g: &Gap, lex: &Lexicon) -> Value {
    let kind = serde_json::to_value(g.kind).unwrap_or(Value::Null);
    // Kinds about a field of the header carry the field; here it stands beside the kind.
    let (kind, field) = match (&g.kind, kind) {
        (GapKind::HeaderMissing(_) | GapKind::HeaderWrong(_), Value::Object(o)) => {
            o.into_iter().next().map_or((Value::Null, Value::Null), |(k, v)| (Value::String(k), v))
        }
        (_, kind) => (kind, Value::Null),
    };
    json!({
        "kind": kind,
        "field": field,
        "item": g.item.map(|i| &lex.items[i].id),
        "side": side(g.side),
        "reason": g.reason,
        "text": g.text,
        "settle": if g.settle.is_empty() { None } else { Some(&g.settle) },
        "open": g.open,
    })
}

fn worth(f: &Finding) -> Value {
    json!({
        "side": side(f.side),
        "status": f.status.word(),
        "value": f.value,
        "number": f.number,
        "unit": f.unit,
        "low": f.range.map(|r| r.0),
        "high": f.range.map(|r| r.1),
    })
}

fn correction(g: &Gone, x: &Exam, lex: &Lexicon) -> Option<Value> {
    let how = match g.how {
        How::Corrected => "corrected",
        How::Struck => "struck",
        How::Settled => "settled",
        // A repeat is among the trials.
        How::Superseded => return None,
    };
    let event = x.event(g.at_seq);
    Some(json!({
        "item": lex.items[g.finding.item].id,
        "how": how,
        "old": worth(&g.finding),
        "new": g.by.and_then(|id| x.named(id)).map(worth),
        "entry": g.at_seq,
        "at_ms": event.map(|e| e.phrase.start_ms),
        "line": event.and_then(|e| e.phrase.line),
    }))
}

fn unsettled(s: &Standing, x: &Exam, lex: &Lexicon) -> Value {
    let f = &s.finding;
    json!({
        "id": f.id.to_string(),
        "item": lex.items[f.item].id,
        "side": side(f.side),
        "doubts": f.doubts.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "words": x.event(f.id.phrase).map(|e| &e.phrase.text),
        "at_ms": f.at_ms,
        "line": s.line,
    })
}
