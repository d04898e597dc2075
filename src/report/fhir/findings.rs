//! Observations: what was found, and what was not done.

use serde_json::{Value, json};

use super::names::{
    CATEGORY, CERTAINTY, GRADE, SIDE, absent, coding, not_performed, own, part, published,
    quantity, system,
};
use super::{Source, narrative_time};
use crate::exam::{How, Standing, Stretch};
use crate::gaps::Gap;
use crate::grade::growth::Outcome;
use crate::grade::{Grade, Ungraded};
use crate::lexicon::codes::Fact;
use crate::lexicon::model::ItemId;
use crate::reading::types::{Finding, Side, Status};
use crate::report::{deidentify, later, table, words};

/// An observation with what it is called among the names of the bundle, and its section.
pub struct Named {
    /// Its name; see [`super::names::Names`].
    pub name: String,
    /// Section of its item; `None` for what belongs to no section.
    pub section: Option<usize>,
    /// The resource.
    pub resource: Value,
}

/// What every observation begins with.
pub fn begun(s: &Source<'_>, name: &str, status: &str, code: Value) -> Value {
    let mut out = json!({
        "resourceType": "Observation",
        "id": s.names.id(name),
        "status": status,
        "category": [{ "coding": [coding(CATEGORY, "exam", "Exam")] }],
        "code": code,
        "subject": s.names.to("patient"),
        "device": s.names.to("device"),
    });
    if let Some(by) = s.examiner() {
        out["performer"] = json!([s.names.to(&format!("practitioner {by}"))]);
    }
    out
}

fn code_of(s: &Source<'_>, item: ItemId) -> Value {
    let it = &s.lex.items[item];
    let own = coding(&system(s.lex), &it.id, &it.name);
    let list: Vec<Value> =
        s.lex.codes.of_item(item).map(published).chain(std::iter::once(own)).collect();
    json!({ "coding": list, "text": it.name })
}

fn side_word(side: Side) -> &'static str {
    match side {
        Side::Unstated => "side not said",
        s => s.word(),
    }
}

/// Laterality, as a component.
fn side_part(side: Option<Side>) -> Option<Value> {
    let side = side?;
    Some(part("side", "Side", "valueCodeableConcept", own(SIDE, side.word(), side_word(side))))
}

fn method_part(s: &Source<'_>, item: ItemId) -> Option<Value> {
    let rule = s.lex.items[item].rule.trim();
    (!rule.is_empty()).then(|| part("method", "Method", "valueString", json!(rule)))
}

fn clock_part(ms: u64) -> Value {
    #[allow(clippy::cast_precision_loss)] // exams last minutes
    let seconds = ms as f64 / 1000.0;
    part("exam-clock", "Time since the exam started", "valueQuantity", quantity(seconds, "s"))
}

/// All observations of findings, in examination order.
pub fn all(s: &Source<'_>) -> Vec<Named> {
    let mut out: Vec<Named> =
        s.x.findings
            .iter()
            .enumerate()
            .map(|(k, f)| {
                let none = Grade::Ungraded(Ungraded::NoExpectation);
                finding(s, f, s.graded.grades.get(k).copied().unwrap_or(none))
            })
            .collect();
    if let Some(item) = s.lex.state_item {
        out.extend(s.x.states.iter().map(|stretch| state(s, item, stretch)));
    }
    out.extend(s.g.list.iter().filter(|g| table::is_absence(g, s.x)).filter_map(|g| missing(s, g)));
    out.sort_by_key(|n| n.section);
    out
}

/// Gestation at birth.
pub fn gestation(s: &Source<'_>) -> Option<Named> {
    let ga = s.x.header.ga?;
    let list: Vec<Value> = s.lex.codes.of_fact(Fact::GestationAtBirth).map(published).collect();
    if list.is_empty() {
        return None;
    }
    let name = "gestation".to_owned();
    let code = json!({ "coding": list, "text": "Gestational age at birth" });
    let mut out = begun(s, &name, s.status(), code);
    if s.shown.is_deidentified() {
        out["valueString"] = json!(deidentify::gestation_band(&s.x.header, s.lex)?);
    } else {
        out["valueQuantity"] = quantity(f64::from(ga.total_days()), "d");
        out["note"] = json!([{ "text": format!("{ga} weeks and days") }]);
        out["effectiveDateTime"] = json!(s.x.header.started.to_rfc3339());
    }
    Some(Named { name, section: None, resource: out })
}

/// The value of a finding under its key, and what else was said of it as components.
fn value(s: &Source<'_>, f: &Finding) -> (Option<(&'static str, Value)>, Vec<Value>) {
    let it = &s.lex.items[f.item];
    let ucum = f
        .unit
        .as_deref()
        .map_or("1", |u| s.lex.units.iter().find(|k| k.id == u).map_or(u, |k| k.ucum.as_str()));
    let number = match (f.number, f.range) {
        (Some(n), _) => Some(("valueQuantity", quantity(n, ucum))),
        (None, Some((a, b))) => {
            Some(("valueRange", json!({ "low": quantity(a, ucum), "high": quantity(b, ucum) })))
        }
        (None, None) => None,
    };
    let coded = f.value.as_deref().map(|v| {
        let say = f.wording.clone().unwrap_or_else(|| it.say(v).to_owned());
        let code = format!("{}/{v}", it.id);
        json!({ "coding": [coding(&system(s.lex), &code, it.say(v))], "text": say })
    });
    let vital = s.lex.codes.of_item(f.item).any(|c| c.vital_sign.is_some());
    match (number, coded) {
        (Some((key, n)), Some(v)) if !vital => {
            (Some(("valueCodeableConcept", v)), vec![part("number", "Number", key, n)])
        }
        (Some(n), Some(v)) => (Some(n), vec![part("value", "Value", "valueCodeableConcept", v)]),
        (Some(n), None) => (Some(n), Vec::new()),
        (None, Some(v)) => (Some(("valueCodeableConcept", v)), Vec::new()),
        (None, None) => (None, Vec::new()),
    }
}

/// Status of a standing finding: never final while anything about it is unsettled, and changed
/// after signing where it was.
fn status(s: &Source<'_>, f: &Standing) -> &'static str {
    match (f.finding.is_sure(), later::of(s.later, f.finding.id)) {
        (false, _) => "preliminary",
        (true, Some(l)) if s.seal.is_some() => match l.was {
            Some(_) => "corrected",
            None => "amended",
        },
        (true, _) => s.status(),
    }
}

fn finding(s: &Source<'_>, st: &Standing, grade: Grade) -> Named {
    let f = &st.finding;
    let it = &s.lex.items[f.item];
    let name = format!("finding {}", f.id);
    let mut out = begun(s, &name, status(s, st), code_of(s, f.item));
    let (value, mut parts) = value(s, f);
    let reason = || s.reason_text(table::reason(st, s.g).as_deref());
    match (f.status, value) {
        (Status::Observed, Some((key, v))) => out[key] = v,
        (Status::Observed, None) => {
            out["dataAbsentReason"] =
                absent("unknown", "Unknown", "examined, and no value was said");
        }
        (Status::NotObtained, _) => {
            let code = format!("{}/not-obtained", it.id);
            let list = [coding(&system(s.lex), &code, "tried and not elicited")];
            out["valueCodeableConcept"] =
                json!({ "coding": list, "text": "tried and not elicited" });
            if f.reason.is_some() {
                parts.push(part("reason", "Reason", "valueString", json!(reason())));
            }
        }
        (Status::Skipped, _) => out["dataAbsentReason"] = not_performed(&reason()),
    }
    time(s, &mut out, f.at_ms);
    vital_sign(s, &mut out, f);
    if f.status == Status::Observed && f.is_sure() && !matches!(grade, Grade::Ungraded(_)) {
        let word = words::grade(grade);
        let say = if grade == Grade::Expected { "as expected" } else { word };
        out["interpretation"] = json!([own(GRADE, word, say)]);
    }
    let certainty = if f.is_sure() { "sure" } else { "unsettled" };
    if !f.is_sure() {
        out["meta"]["tag"] = json!([coding(CERTAINTY, certainty, "unsettled: no finding yet")]);
    }
    let mut all: Vec<Value> = side_part(f.side).into_iter().collect();
    if let Some(k) = st.state {
        let state = &s.lex.states[k];
        let v = json!({
            "coding": [coding(&system(s.lex), &format!("state/{}", state.code), &state.name)],
            "text": state.name,
        });
        all.push(part("state", "State", "valueCodeableConcept", v));
    }
    if st.in_wrong_state(s.lex) {
        let say = "Can be judged in that state";
        all.push(part("judgeable", say, "valueBoolean", json!(false)));
    }
    all.extend(method_part(s, f.item));
    let v = own(CERTAINTY, certainty, certainty);
    all.push(part("certainty", "Certainty", "valueCodeableConcept", v));
    all.push(clock_part(f.at_ms));
    all.append(&mut parts);
    if st.trials.len() > 1 {
        all.extend(st.trials.iter().map(|t| {
            let text = format!("{}: {}", words::clock(t.at_ms), words::trial(t, f, s.lex));
            part("trial", "Trial", "valueString", json!(text))
        }));
    }
    all.extend(z_parts(s, f));
    out["component"] = json!(all);
    let notes = notes(s, st);
    if !notes.is_empty() {
        out["note"] = json!(notes.iter().map(|t| json!({ "text": t })).collect::<Vec<_>>());
    }
    Named { name, section: Some(it.section), resource: out }
}

/// A state of the one examined, which is kept as a track and not among the findings.
fn state(s: &Source<'_>, item: ItemId, stretch: &Stretch) -> Named {
    let name = format!("state {}", stretch.seq);
    let of = &s.lex.states[stretch.state];
    let mut out = begun(s, &name, s.status(), code_of(s, item));
    out["valueCodeableConcept"] = json!({
        "coding": [coding(&system(s.lex), &format!("state/{}", of.code), &of.name)],
        "text": of.name,
    });
    time(s, &mut out, stretch.from_ms);
    out["component"] = json!([clock_part(stretch.from_ms)]);
    if stretch.implied {
        out["note"] =
            json!([{ "text": "Taken from what happened; the state itself was not said." }]);
    }
    Named { name, section: Some(s.lex.items[item].section), resource: out }
}

/// Wall time; in a de-identified bundle the time since the start stands among the components alone.
fn time(s: &Source<'_>, out: &mut Value, at_ms: u64) {
    if !s.shown.is_deidentified() {
        out["effectiveDateTime"] = json!(s.x.wall(at_ms).to_rfc3339());
    }
}

/// What the profile of a vital sign asks for besides its codes.
fn vital_sign(s: &Source<'_>, out: &mut Value, f: &Finding) {
    let profile = s.lex.codes.of_item(f.item).find_map(|c| c.vital_sign.clone());
    let (Some(profile), true) = (profile, out.get("valueQuantity").is_some()) else { return };
    out["meta"]["profile"] = json!([profile]);
    out["category"] = json!([
        { "coding": [coding(CATEGORY, "vital-signs", "Vital Signs")] },
        { "coding": [coding(CATEGORY, "exam", "Exam")] },
    ]);
    if s.shown.is_deidentified() {
        out["_effectiveDateTime"] = json!({ "extension": [{
            "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason",
            "valueCode": "masked",
        }] });
    }
}

/// z-scores of a measurement, with the reference they are by.
fn z_parts(s: &Source<'_>, f: &Finding) -> Vec<Value> {
    let scored =
        s.graded.growth.iter().filter(|g| g.finding == f.id).find_map(|g| match &g.outcome {
            Outcome::Scored(scored) if scored.stands.is_some() => Some(scored),
            _ => None,
        });
    let Some(scored) = scored else { return Vec::new() };
    let by = &s.lex.references[scored.reference].name;
    let of = |n: f64| (n * 100.0).round() / 100.0;
    scored
        .points
        .iter()
        .map(|p| {
            let say = format!("z-score by {by}");
            part("z-score", &say, "valueQuantity", quantity(of(p.z), "{score}"))
        })
        .collect()
}

/// What is to be known of a finding besides its parts. De-identified, only what codes say.
fn notes(s: &Source<'_>, st: &Standing) -> Vec<String> {
    let f = &st.finding;
    let mut out = Vec::new();
    if !f.is_sure() {
        let doubts: Vec<String> = match s.shown.is_deidentified() {
            true => f.doubts.iter().map(|d| deidentify::doubt_code(d).to_owned()).collect(),
            false => f.doubts.iter().map(ToString::to_string).collect(),
        };
        out.push(format!("Unsettled, no finding yet: {}.", doubts.join("; ")));
    }
    if let Some(k) = st.state.filter(|_| st.in_wrong_state(s.lex)) {
        let during = words::during(k, s.lex);
        out.push(format!("Made {during}, a state in which the item cannot be judged."));
    }
    for g in s.x.gone.iter().filter(|g| g.by == Some(f.id)) {
        let at =
            s.x.event(g.at_seq)
                .map_or(String::new(), |e| format!(" at {}", words::clock(e.phrase.start_ms)));
        // The reason of what was not done would be free text.
        let was = Finding { reason: None, ..g.finding.clone() };
        let was = words::finding(&was, s.lex);
        match g.how {
            How::Corrected => out.push(format!("Corrected{at}; said before: {was}.")),
            How::Settled => out.push(format!("Settled by a person; read before: {was}.")),
            How::Struck | How::Superseded => {}
        }
    }
    for l in s.later.iter().filter(|l| l.finding == Some(f.id)) {
        let was = l.was.as_ref().map(|w| {
            let bare = Finding { reason: None, ..w.clone() };
            format!(" Signed as: {}.", words::finding(&bare, s.lex))
        });
        let was = was.unwrap_or_default();
        out.push(match s.shown.is_deidentified() {
            true => format!("{} after signing.{was}", words::upper_first(l.added.form.words())),
            false => format!(
                "{} by {} on {}: {}.{}{was}",
                words::upper_first(l.added.form.words()),
                l.added.who,
                narrative_time(&l.wall),
                l.added.reason,
                l.added.text.as_ref().map_or(String::new(), |t| format!(" {t}")),
            ),
        });
    }
    if let Some(d) = st.settled_in.and_then(|seq| s.x.decision(seq))
        && !s.shown.is_deidentified()
    {
        out.push(format!("Settled by {} on {}.", d.who, narrative_time(&d.wall)));
    }
    out
}

/// Something not done, of which there is no finding.
fn missing(s: &Source<'_>, gap: &Gap) -> Option<Named> {
    let item = gap.item?;
    let name = format!("missing {} {}", s.lex.items[item].id, table::side(gap.side).unwrap_or("-"));
    let mut out = begun(s, &name, s.status(), code_of(s, item));
    out["dataAbsentReason"] = not_performed(&s.reason_text(gap.reason.as_deref()));
    if !s.shown.is_deidentified() {
        out["effectiveDateTime"] = json!(s.x.header.started.to_rfc3339());
        out["note"] = json!([{ "text": format!("{}.", gap.text.trim_end_matches('.')) }]);
    }
    let parts: Vec<Value> = side_part(gap.side).into_iter().chain(method_part(s, item)).collect();
    if !parts.is_empty() {
        out["component"] = json!(parts);
    }
    Some(Named { name, section: Some(s.lex.items[item].section), resource: out })
}
