//! Observations of scales: the result, or the range it can still have, with every sign.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use super::Source;
use super::findings::{Named, begun};
use super::names::{absent, coding, own, part, published, score, system};
use crate::grade::scales::{Outcome, Rule, Scale, Scored, Sign, SignRead, Status};
use crate::report::scales::{headline, title};

/// How a result that is not known stands; codes of this program.
const RESULT: &str = "urn:cotside:result";

/// The scales that belong in the note, and all of which anything is known.
pub fn all(s: &Source<'_>) -> Vec<Named> {
    let in_note: BTreeSet<(usize, Option<u32>)> =
        s.o.in_note(s.x, s.lex).map(|r| (r.scale, r.at)).collect();
    s.o.scored
        .iter()
        .filter(|r| r.status != Status::Empty || in_note.contains(&(r.scale, r.at)))
        .map(|r| scale(s, r, &s.o.scales[r.scale]))
        .collect()
}

/// A score, or the range of those still possible; none where none is.
fn scores(possible: &[i32]) -> Option<(&'static str, Value)> {
    match (possible.iter().min(), possible.iter().max()) {
        (Some(a), Some(b)) if a == b => Some(("valueQuantity", score(*a))),
        (Some(a), Some(b)) => Some(("valueRange", json!({ "low": score(*a), "high": score(*b) }))),
        _ => None,
    }
}

fn scale(s: &Source<'_>, r: &Scored, scale: &Scale) -> Named {
    let name = format!("scale {} {:?}", scale.id, r.at);
    let own_code = match r.at {
        Some(at) => format!("scale/{}@{at}", scale.id),
        None => format!("scale/{}", scale.id),
    };
    let said = title(r, scale);
    let codes: Vec<Value> = s
        .lex
        .codes
        .of_scale(&scale.id, r.at)
        .map(published)
        .chain([coding(&system(s.lex), &own_code, &said)])
        .collect();
    let known = r.status == Status::Determined;
    let status = if known { s.status() } else { "preliminary" };
    let mut out = begun(s, &name, status, json!({ "coding": codes, "text": said }));
    if !s.shown.is_deidentified() {
        out["effectiveDateTime"] = json!(s.x.header.started.to_rfc3339());
    }
    let mut parts: Vec<Value> = Vec::new();
    let result = r
        .outcome
        .as_ref()
        .filter(|_| !matches!(r.status, Status::Empty | Status::Refused) && r.conflict.is_none());
    match (result, &scale.rule) {
        (Some(Outcome::Totals(t)), rule) => {
            let (low, high) = Outcome::Totals(t.clone()).ends();
            if let Some((key, v)) = scores(&[low, high]) {
                out[key] = v;
            }
            if let (Some(span), Rule::Sum(sum)) = (t.derived, rule)
                && let (Some(d), Some(low), Some(high)) = (&sum.derived, span.low, span.high)
            {
                let of = |n: f64| format!("{n:.*}", usize::from(d.decimals));
                let text = match low < high {
                    true => format!("{} to {}{}", of(low), of(high), d.unit),
                    false => format!("{}{}", of(low), d.unit),
                };
                parts.push(part("stands-for", &d.name, "valueString", json!(text)));
            }
        }
        (Some(Outcome::Levels(l)), _) => {
            let names = scale.outcomes();
            let possible: Vec<&str> =
                l.possible.iter().filter_map(|&k| names.get(k).copied()).collect();
            out["valueCodeableConcept"] = json!({ "text": possible.join(" or ") });
            let positive =
                [l.positive.0, l.positive.1].map(|n| i32::try_from(n).unwrap_or(i32::MAX));
            if let Some((key, v)) = scores(&positive) {
                parts.push(part("positive", "Categories with a sign", key, v));
            }
        }
        (None, _) => {
            // Why it was refused holds exact ages in its words.
            let why = match (r.status, s.shown.is_deidentified()) {
                (_, false) => headline(r, scale),
                (Status::Refused, true) => "not scored: outside what the scale is for".into(),
                (_, true) => "not scored".into(),
            };
            out["dataAbsentReason"] = match r.status {
                Status::Refused => absent("not-permitted", "Not Permitted", &why),
                _ => absent("not-performed", "Not Performed", &why),
            };
        }
    }
    if !known {
        out["interpretation"] = json!([own(RESULT, r.status.word(), r.status.word())]);
    }
    if r.total.is_none() && result.is_some() {
        parts
            .extend(scale.signs.iter().zip(&r.signs).map(|(sign, read)| one(s, scale, sign, read)));
    }
    if !parts.is_empty() {
        out["component"] = json!(parts);
    }
    let fed: BTreeSet<String> = r
        .signs
        .iter()
        .flat_map(|sign| &sign.fed)
        .filter(|f| s.x.finding(f.finding).is_some())
        .map(|f| format!("finding {}", f.finding))
        .collect();
    if !fed.is_empty() {
        out["derivedFrom"] = json!(fed.iter().map(|n| s.names.to(n)).collect::<Vec<_>>());
    }
    let cited = format!("Source: {}.", scale.cited.to_string().trim_end_matches('.'));
    let notes: Vec<Value> =
        std::iter::once(cited).chain(scale.notes.clone()).map(|t| json!({ "text": t })).collect();
    out["note"] = json!(notes);
    Named { name, section: None, resource: out }
}

/// One sign: its score, the range of those still possible, or that nothing is known of it.
fn one(s: &Source<'_>, scale: &Scale, sign: &Sign, read: &SignRead) -> Value {
    let code = format!("scale/{}/{}", scale.id, sign.id);
    let mut out = json!({
        "code": { "coding": [coding(&system(s.lex), &code, &sign.name)], "text": sign.name },
    });
    match scores(&read.possible).filter(|_| read.is_known() || read.possible.len() < read.all.len())
    {
        Some((key, v)) => out[key] = v,
        None => {
            let why = read.lacks.iter().map(|l| match s.shown.is_deidentified() {
                true => l.why.code().to_owned(),
                false => l.why.text(s.lex),
            });
            let why: Vec<String> = why.collect();
            let why = if why.is_empty() { "not known".to_owned() } else { why.join(", ") };
            out["dataAbsentReason"] = absent("unknown", "Unknown", &why);
        }
    }
    out
}
