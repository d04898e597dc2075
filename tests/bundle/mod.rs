//! The rules of HL7 FHIR R4 that validators by shape leave out, and those this program adds:
//! <http://hl7.org/fhir/R4/>, the section beside each. Written against the standard's text, without
//! a look at the exporting code.

#![allow(dead_code)] // each test program uses what it needs

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

/// Codes of <http://terminology.hl7.org/CodeSystem/data-absent-reason>.
const ABSENT: [&str; 15] = [
    "unknown",
    "asked-unknown",
    "temp-unknown",
    "not-asked",
    "asked-declined",
    "masked",
    "not-applicable",
    "unsupported",
    "as-text",
    "error",
    "not-a-number",
    "negative-infinity",
    "positive-infinity",
    "not-performed",
    "not-permitted",
];

fn walk<'a>(v: &'a Value, path: &str, see: &mut dyn FnMut(&str, &'a Value)) {
    see(path, v);
    match v {
        Value::Object(o) => o.iter().for_each(|(k, v)| walk(v, &format!("{path}/{k}"), see)),
        Value::Array(l) => {
            l.iter().enumerate().for_each(|(n, v)| walk(v, &format!("{path}/{n}"), see));
        }
        _ => {}
    }
}

fn word<'a>(v: &'a Value, key: &str) -> &'a str {
    v[key].as_str().unwrap_or_default()
}

fn list(v: &Value) -> impl Iterator<Item = &Value> {
    v.as_array().into_iter().flatten()
}

fn values(v: &Value) -> Vec<&String> {
    v.as_object().map_or(Vec::new(), |o| o.keys().filter(|k| k.starts_with("value")).collect())
}

/// A date and time with its zone where it has a time (datatypes, dateTime).
fn moment(text: &str) -> bool {
    match text.len() {
        4 | 7 | 10 => text.bytes().enumerate().all(|(n, b)| match n {
            4 | 7 => b == b'-',
            _ => b.is_ascii_digit(),
        }),
        _ => chrono::DateTime::parse_from_rfc3339(text).is_ok(),
    }
}

/// What breaks a rule, with where it stands.
pub fn broken(bundle: &Value) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut say = |place: &str, what: &str| out.push(format!("{place}: {what}"));
    // bundle, bdl-9 to bdl-11: a document has an identifier, a time, and begins with its composition.
    if word(bundle, "type") != "document" {
        say("", "is no document");
    }
    if word(&bundle["identifier"], "system").is_empty() {
        say("/identifier", "a document has one, with a system");
    }
    if chrono::DateTime::parse_from_rfc3339(word(bundle, "timestamp")).is_err() {
        say("/timestamp", "a document has one, an instant");
    }
    if word(&bundle["entry"][0]["resource"], "resourceType") != "Composition" {
        say("/entry/0", "a document begins with its Composition");
    }
    // bundle, bdl-7: full URLs are unique; of a resource with an id they end in it.
    let mut resources: BTreeMap<&str, &Value> = BTreeMap::new();
    for (n, e) in list(&bundle["entry"]).enumerate() {
        let (url, id) = (word(e, "fullUrl"), word(&e["resource"], "id"));
        if url != format!("urn:uuid:{id}") || uuid(id).is_none() {
            say(&format!("/entry/{n}"), "the full URL is not that of the resource");
        }
        if resources.insert(url, &e["resource"]).is_some() {
            say(&format!("/entry/{n}"), "two entries have one full URL");
        }
    }
    // bundle, resolving references; documents: all that is in it is reached from the composition,
    // or is a Provenance whose target is.
    let mut reached: BTreeSet<&str> = BTreeSet::new();
    let mut ahead: Vec<&str> = list(&bundle["entry"]).take(1).map(|e| word(e, "fullUrl")).collect();
    for e in list(&bundle["entry"]) {
        if word(&e["resource"], "resourceType") == "Provenance" {
            ahead.push(word(e, "fullUrl"));
        }
    }
    while let Some(url) = ahead.pop() {
        if let (true, Some(r)) = (reached.insert(url), resources.get(url)) {
            walk(r, "", &mut |_, v| ahead.extend(v["reference"].as_str()));
        }
    }
    for url in resources.keys().filter(|u| !reached.contains(*u)) {
        say(url, "nothing in the document leads to it");
    }
    for url in reached.iter().filter(|u| !resources.contains_key(*u)) {
        say(url, "is referred to and is not in the bundle");
    }
    walk(bundle, "", &mut |path, v| {
        element(path, v, &mut say);
    });
    for (n, e) in list(&bundle["entry"]).enumerate() {
        let r = &e["resource"];
        let place = format!("/entry/{n}/resource");
        match word(r, "resourceType") {
            "Observation" => observation(&place, r, bundle, &mut say),
            "Composition" => composition(&place, r, &mut say),
            _ => {}
        }
    }
    out
}

fn uuid(text: &str) -> Option<u8> {
    // RFC 9562, section 4: 8-4-4-4-12 hexadecimal digits, the version and the variant in place.
    let groups: Vec<&str> = text.split('-').collect();
    let right = groups.iter().map(|g| g.len()).eq([8, 4, 4, 4, 12])
        && groups.iter().all(|g| g.bytes().all(|b| b.is_ascii_hexdigit()))
        && groups[3].starts_with(['8', '9', 'a', 'b']);
    right.then(|| groups[2].as_bytes()[0])
}

/// Rules that hold wherever an element stands.
fn element(path: &str, v: &Value, say: &mut dyn FnMut(&str, &str)) {
    if let Some(text) = v.as_str() {
        let key = path.rsplit('/').next().unwrap_or_default();
        let timed =
            key.ends_with("DateTime") || ["date", "recorded", "when", "time"].contains(&key);
        if timed && !moment(text) {
            say(path, "a date with a time has a zone");
        }
        if text.trim().is_empty() {
            say(path, "a string holds something (datatypes, string)");
        }
    }
    let Some(o) = v.as_object() else { return };
    if o.is_empty() {
        say(path, "an element has content (ele-1)");
    }
    // datatypes, Quantity qty-3, and UCUM for what is measured.
    if o.contains_key("value") && o.contains_key("unit") {
        if word(v, "system") != "http://unitsofmeasure.org" || word(v, "code").is_empty() {
            say(path, "a quantity has its unit as UCUM code");
        }
        if !v["value"].is_number() {
            say(path, "a quantity has a number");
        }
    }
    if let Some(c) = o.get("coding") {
        for c in list(c) {
            if word(c, "system").is_empty() || word(c, "code").is_empty() {
                say(path, "a coding has system and code");
            }
        }
    }
    // Observation obs-6, and the same of a component.
    let mut steps = path.rsplit('/');
    let is_component = steps.next().is_some_and(|n| n.parse::<usize>().is_ok())
        && steps.next() == Some("component");
    if is_component || word(v, "resourceType") == "Observation" {
        let n = values(v).len();
        let absent = o.contains_key("dataAbsentReason");
        if n > 1 {
            say(path, "one value and no more");
        }
        if n > 0 && absent {
            say(path, "a reason for having no value beside a value (obs-6)");
        }
        if n == 0 && !absent && word(v, "status") != "entered-in-error" {
            say(path, "neither a value nor a reason for having none");
        }
    }
    if let Some(why) = o.get("dataAbsentReason") {
        let known = list(&why["coding"]).any(|c| {
            word(c, "system") == "http://terminology.hl7.org/CodeSystem/data-absent-reason"
                && ABSENT.contains(&word(c, "code"))
        });
        if !known {
            say(path, "the reason for having no value is none of the 15");
        }
        if word(why, "text").trim().is_empty() {
            say(path, "the reason for having no value is told in words");
        }
    }
    // narrative, txt-1 and txt-2.
    if let Some(div) = o.get("div").and_then(Value::as_str) {
        narrative(path, div, say);
    }
}

fn narrative(path: &str, div: &str, say: &mut dyn FnMut(&str, &str)) {
    let doc = match roxmltree::Document::parse(div) {
        Ok(doc) => doc,
        Err(e) => return say(path, &format!("the narrative is no XML: {e}")),
    };
    let root = doc.root_element();
    let xhtml = "http://www.w3.org/1999/xhtml";
    if root.tag_name().name() != "div" || root.tag_name().namespace() != Some(xhtml) {
        say(path, "a narrative is a div of XHTML");
    }
    for n in root.descendants().filter(roxmltree::Node::is_element) {
        if !["div", "p", "ul", "li", "h2"].contains(&n.tag_name().name()) {
            say(path, &format!("<{}> in a narrative", n.tag_name().name()));
        }
        if n.attributes().next().is_some() {
            say(path, "an attribute in a narrative");
        }
    }
    if !root.descendants().any(|n| n.text().is_some_and(|t| !t.trim().is_empty())) {
        say(path, "a narrative says something (txt-2)");
    }
}

fn codes<'a>(v: &'a Value, system: &str) -> Vec<&'a str> {
    list(&v["coding"]).filter(|c| word(c, "system") == system).map(|c| word(c, "code")).collect()
}

fn observation(place: &str, r: &Value, bundle: &Value, say: &mut dyn FnMut(&str, &str)) {
    let loinc = codes(&r["code"], "http://loinc.org");
    let categories: Vec<&str> = list(&r["category"])
        .flat_map(|c| codes(c, "http://terminology.hl7.org/CodeSystem/observation-category"))
        .collect();
    if !categories.contains(&"exam") {
        say(place, "is of the exam");
    }
    // profile headcircum: the code, cm, a time or why there is none.
    if loinc.contains(&"9843-4") || loinc.contains(&"8287-5") {
        if !(loinc.contains(&"9843-4") && loinc.contains(&"8287-5")) {
            say(place, "head circumference has both codes");
        }
        if r.get("valueQuantity").is_some() {
            if !categories.contains(&"vital-signs") {
                say(place, "a vital sign says that it is one");
            }
            if r["valueQuantity"]["code"] != "cm" {
                say(place, "head circumference is in cm");
            }
            let masked = r["_effectiveDateTime"]["extension"][0]["valueCode"] == "masked";
            if r.get("effectiveDateTime").is_none() && !masked {
                say(place, "a vital sign has a time (vs-1)");
            }
        }
    }
    let certain = list(&r["component"])
        .filter(|c| codes(&c["code"], "urn:cotside:part").contains(&"certainty"))
        .flat_map(|c| codes(&c["valueCodeableConcept"], "urn:cotside:certainty"))
        .collect::<Vec<_>>();
    let status = word(r, "status");
    if certain.contains(&"unsettled") {
        if status != "preliminary" {
            say(place, "what is unsettled is preliminary and nothing else");
        }
        let tagged = list(&r["meta"]["tag"]).any(|t| word(t, "system") == "urn:cotside:certainty");
        if !tagged {
            say(place, "what is unsettled says so at its head");
        }
    }
    let doc = word(&bundle["entry"][0]["resource"], "status");
    if doc == "preliminary" && status != "preliminary" {
        say(place, "nothing is final before the document is");
    }
    // The codes of the lexicon are spelt out in the bundle.
    let terms: BTreeSet<&str> = list(&bundle["entry"])
        .filter(|e| word(&e["resource"], "resourceType") == "CodeSystem")
        .flat_map(|e| list(&e["resource"]["concept"]))
        .map(|c| word(c, "code"))
        .collect();
    walk(r, place, &mut |path, v| {
        if word(v, "system").starts_with("urn:cotside:lexicon:") && !terms.contains(word(v, "code"))
        {
            say(path, "a code that no code system of the bundle holds");
        }
    });
}

fn composition(place: &str, r: &Value, say: &mut dyn FnMut(&str, &str)) {
    if list(&r["section"]).count() < 3 {
        say(place, "a note has parts");
    }
    // Composition cmp-1: a section holds text, entries or sections; and here every one has a title.
    walk(&r["section"], place, &mut |path, v| {
        let Some(o) = v.as_object().filter(|_| {
            let mut steps = path.rsplit('/');
            steps.next().is_some_and(|s| s.parse::<usize>().is_ok())
                && steps.next().is_some_and(|s| s == "section" || s == "resource")
        }) else {
            return;
        };
        if !o.contains_key("text") {
            say(path, "a section has a narrative");
        }
        if word(v, "title").is_empty() {
            say(path, "a section has a title");
        }
    });
    let signed = list(&r["attester"]).next().is_some();
    let done = ["final", "amended"].contains(&word(r, "status"));
    if signed != done {
        say(place, "signed and final, or neither");
    }
}
