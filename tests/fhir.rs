//! FHIR documents against readers of other hands (`reference/fhir`), and against the rules those
//! leave out (`bundle`). Exams are the demo's and the developed narrations'; all invented.

mod bundle;
mod made;
mod outside;
#[path = "cli/support.rs"]
mod support;

use std::path::Path;
use std::process::Command;

use bundle::broken;
use chrono::DateTime;
use cotside::report::deidentify::Shown;
use cotside::report::fhir;
use serde_json::{Value, json};
use support::{Bench, root};

/// An exam of these lines, in a folder `e`.
fn exam(lines: &str) -> Bench {
    let bench = Bench::new();
    made::write(&bench.path("e"), lines.as_bytes(), made::header());
    bench
}

fn exported(bench: &Bench, name: &str) -> Value {
    made::open(&bench.path(name)).fhir(None, &Shown::Whole)
}

/// The bundle of an exam as it would be signed.
fn sealed(dir: &Path, seal: &fhir::Seal) -> Value {
    made::open(dir).fhir(Some(seal), &Shown::Whole)
}

fn a_seal(entries: u64) -> fhir::Seal {
    fhir::Seal {
        who: "KT".into(),
        when: DateTime::parse_from_rfc3339("2031-04-05T11:00:00+02:00").unwrap(),
        entries,
        journal_sha256: "00".repeat(32),
        key: "an invented key".into(),
        signature: vec![7; 64],
        method: "Ed25519".into(),
        incomplete: Some("infant asleep".into()),
    }
}

/// What the readers of other hands say of each bundle: their objections in one list.
fn asked(bundles: &[Value]) -> Option<Vec<Vec<String>>> {
    if !outside::there("node", "--version") {
        outside::without("the FHIR validators", "there is no node on this machine");
        return None;
    }
    let here = match outside::npm("fhir") {
        Ok(dir) => dir,
        Err(why) => {
            outside::without("the FHIR validators", &why);
            return None;
        }
    };
    let dir = tempfile::tempdir().unwrap();
    let files: Vec<_> = (0..bundles.len()).map(|n| dir.path().join(format!("{n}.json"))).collect();
    for (file, b) in files.iter().zip(bundles) {
        std::fs::write(file, b.to_string()).unwrap();
    }
    let done = Command::new("node")
        .arg(root().join("tests/reference/fhir/validate.js"))
        .arg(&here)
        .args(&files)
        .output()
        .unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let text = String::from_utf8(done.stdout).unwrap();
    let said: Vec<Vec<String>> = text
        .lines()
        .map(|line| {
            let v: Value = serde_json::from_str(line).unwrap();
            ["profile", "schema", "ucum"]
                .into_iter()
                .flat_map(|who| {
                    let list = v[who].as_array().unwrap().clone();
                    list.into_iter().map(move |m| format!("{who}: {}", m.as_str().unwrap()))
                })
                .collect()
        })
        .collect();
    assert_eq!(said.len(), bundles.len());
    Some(said)
}

fn observations(b: &Value) -> impl Iterator<Item = &Value> {
    let resources = b["entry"].as_array().unwrap().iter().map(|e| &e["resource"]);
    resources.filter(|r| r["resourceType"] == "Observation")
}

fn local(r: &Value) -> &str {
    let list = r["code"]["coding"].as_array().unwrap();
    let own = list.iter().find(|c| c["system"].as_str().unwrap().starts_with("urn:cotside:"));
    own.map_or("", |c| c["code"].as_str().unwrap())
}

#[test]
fn every_exam_passes_readers_of_other_hands_whole_deidentified_and_signed() {
    let bench = Bench::new();
    let mut bundles = Vec::new();
    let names = made::narrations();
    for (name, path) in &names {
        let dir = bench.path(name);
        made::write(&dir, &std::fs::read(path).unwrap(), made::header());
        let o = made::open(&dir);
        bundles.push(o.fhir(None, &Shown::Whole));
        bundles.push(o.fhir(None, &made::hidden()));
        bundles.push(o.fhir(Some(&a_seal(1000)), &Shown::Whole));
    }
    for b in &bundles {
        assert_eq!(broken(b), Vec::<String>::new());
    }
    let Some(said) = asked(&bundles) else { return };
    for (k, said) in said.iter().enumerate() {
        assert_eq!(said, &Vec::<String>::new(), "{} kind {}", names[k / 3].0, k % 3);
    }
}

#[test]
fn the_program_writes_the_same_document() {
    let bench = exam("[0:02] quiet awake\n[0:05] left arm recoil slow\n");
    let args = ["export", "e", "--as", "fhir"];
    let mut ours: Value = bench.run(&args).code(0).json();
    assert_eq!(broken(&ours), Vec::<String>::new());
    let mut theirs = exported(&bench, "e");
    for b in [&mut ours, &mut theirs] {
        // When it was made, and the digest, which covers that.
        b["timestamp"] = Value::Null;
        b["meta"] = Value::Null;
        first(b, |r| kind(r, "Provenance"))["recorded"] = Value::Null;
    }
    assert_eq!(ours, theirs);
    let hidden = bench.run(&[&args[..], &["--deidentify"]].concat()).code(0).json();
    assert_eq!(broken(&hidden), Vec::<String>::new());
}

#[test]
fn every_finding_and_every_absence_of_the_exam_is_an_observation() {
    let bench = Bench::new();
    for (name, path) in made::narrations() {
        made::write(&bench.path(&name), &std::fs::read(path).unwrap(), made::header());
        let o = made::open(&bench.path(&name));
        let (b, j) = (o.fhir(None, &Shown::Whole), o.json());
        let findings = j["findings"].as_array().unwrap();
        let states = j["states"].as_array().unwrap().len();
        for item in made::newborn().items.iter().map(|i| i.id.as_str()) {
            let with_value = observations(&b)
                .filter(|o| local(o) == item && o.get("dataAbsentReason").is_none())
                .count();
            let bare = |f: &Value| {
                ["value", "number", "low"].iter().all(|k| f[*k].is_null())
                    && f["status"] == "observed"
            };
            let found = findings
                .iter()
                .filter(|f| f["item"] == item && f["status"] != "skipped" && !bare(f));
            let track = if item == "behavioural-state" { states } else { 0 };
            assert_eq!(with_value, found.count() + track, "{name} {item}");
        }
        for g in j["gaps"].as_array().unwrap() {
            let kind = g["kind"].as_str().unwrap();
            if ["not-done", "skipped-without-reason", "announced"].contains(&kind) {
                let item = g["item"].as_str().unwrap();
                let told = observations(&b).any(|o| {
                    local(o) == item
                        && o["dataAbsentReason"]["coding"][0]["code"] == "not-performed"
                });
                assert!(told, "{name}: {item} is not told as not performed");
            }
        }
    }
}

#[test]
fn sides_state_and_reasons_are_told_with_the_finding() {
    let bench = exam(
        "[0:02] quiet awake\n[0:05] left arm recoil slow\n[0:09] right arm recoil brisk\n\
         [0:14] head circumference thirty four point six\n[0:20] skip gag reflex, just fed\n\
         [0:25] popliteal angle left eighty to ninety degrees\n[0:31] arm recoil, I think brisk\n",
    );
    let b = exported(&bench, "e");
    let part = |o: &Value, code: &str| -> Value {
        let list = o["component"].as_array().unwrap();
        list.iter().find(|c| c["code"]["coding"][0]["code"] == code).cloned().unwrap_or(Value::Null)
    };
    let of = |item: &str| -> Vec<Value> {
        observations(&b).filter(|o| local(o) == item).cloned().collect()
    };
    let popliteal = &of("popliteal-angle")[0];
    assert_eq!(popliteal["valueRange"]["low"]["value"], 80);
    assert_eq!(popliteal["valueRange"]["high"]["code"], "deg");
    assert_eq!(part(popliteal, "side")["valueCodeableConcept"]["text"], "left");
    assert_eq!(
        part(popliteal, "state")["valueCodeableConcept"]["text"],
        "quiet awake (quiet alert)"
    );
    let method = part(popliteal, "method");
    assert!(method["valueString"].as_str().unwrap().len() > 10, "{method}");
    let head = &of("head-circumference")[0];
    assert_eq!(
        head["valueQuantity"],
        json!({
            "value": 34.6, "unit": "cm", "system": "http://unitsofmeasure.org", "code": "cm",
        })
    );
    assert_eq!(part(head, "z-score")["valueQuantity"]["code"], "{score}");
    let gag = &of("gag")[0];
    assert_eq!(gag["dataAbsentReason"]["coding"][0]["code"], "not-performed");
    assert!(gag["dataAbsentReason"]["text"].as_str().unwrap().contains("fed"), "{gag}");
    let doubted: Vec<Value> = of("arm-recoil")
        .into_iter()
        .filter(|o| o["meta"]["tag"][0]["code"] == "unsettled")
        .collect();
    assert!(!doubted.is_empty(), "the hedged finding is flagged");
    assert!(doubted.iter().all(|o| o["status"] == "preliminary"));
}

#[test]
fn only_what_is_sure_is_final_once_signed() {
    let bench = exam(
        "[0:02] quiet awake\n[0:05] suck strong\n[0:09] arm recoil, I think brisk\n\
         [0:14] palate intact\n[0:20] cry strong\n",
    );
    let before = sealed(&bench.path("e"), &a_seal(1000));
    let status = |b: &Value, item: &str| -> Vec<String> {
        let of = observations(b).filter(|o| local(o) == item);
        of.map(|o| o["status"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(status(&before, "suck"), ["final"]);
    assert!(status(&before, "arm-recoil").iter().all(|s| s == "preliminary"), "{before:#}");
}

#[test]
fn a_struck_finding_is_nowhere_and_a_corrected_one_tells_what_was_said_before() {
    let bench = exam(
        "[0:02] quiet awake\n[0:05] suck strong\n[0:07] correction, suck weak\n\
         [0:14] palate intact\n[0:16] scratch that\n",
    );
    let b = exported(&bench, "e");
    let suck: Vec<&Value> = observations(&b).filter(|o| local(o) == "suck").collect();
    assert_eq!(suck.len(), 1);
    assert_eq!(suck[0]["valueCodeableConcept"]["coding"][0]["code"], "suck/weak");
    let note = suck[0]["note"].to_string();
    assert!(note.contains("Corrected at 0:07") && note.contains("strong"), "{note}");
    let palate: Vec<&Value> = observations(&b).filter(|o| local(o) == "palate").collect();
    assert!(palate.iter().all(|o| o.get("valueCodeableConcept").is_none()), "{palate:?}");
}

/// A way to spoil a bundle.
type Spoil = fn(&mut Value);

/// The first resource of that kind for which `is` holds.
fn first(b: &mut Value, is: impl Fn(&Value) -> bool) -> &mut Value {
    let list = b["entry"].as_array_mut().unwrap();
    &mut list.iter_mut().find(|e| is(&e["resource"])).expect("there is one")["resource"]
}

fn head(r: &Value) -> bool {
    r["resourceType"] == "Observation"
        && local(r) == "head-circumference"
        && r.get("valueQuantity").is_some()
}

fn coded(r: &Value) -> bool {
    r["resourceType"] == "Observation" && r.get("valueCodeableConcept").is_some()
}

fn absent(r: &Value) -> bool {
    r["resourceType"] == "Observation" && r.get("dataAbsentReason").is_some()
}

fn unsettled(r: &Value) -> bool {
    r["resourceType"] == "Observation" && r["meta"]["tag"][0]["code"] == "unsettled"
}

fn kind(r: &Value, kind: &str) -> bool {
    r["resourceType"] == kind
}

const MUTANTS: &[(&str, Spoil)] = &[
    ("a value beside the reason for having none", |b| {
        first(b, absent)["valueString"] = json!("normal");
    }),
    ("neither value nor reason", |b| {
        first(b, coded).as_object_mut().unwrap().remove("valueCodeableConcept");
    }),
    ("no status", |b| {
        first(b, coded).as_object_mut().unwrap().remove("status");
    }),
    ("a status that is none", |b| first(b, coded)["status"] = json!("done")),
    ("an unsettled finding made final", |b| first(b, unsettled)["status"] = json!("final")),
    ("a unit that is no UCUM", |b| {
        let q = &mut first(b, head)["valueQuantity"];
        q["unit"] = json!("centimeter");
        q["code"] = json!("centimeter");
    }),
    ("another unit", |b| first(b, head)["valueQuantity"]["code"] = json!("mm")),
    ("a number as text", |b| first(b, head)["valueQuantity"]["value"] = json!("34.6")),
    ("one code of two", |b| {
        first(b, head)["code"]["coding"].as_array_mut().unwrap().remove(1);
    }),
    ("a time without a zone", |b| {
        first(b, coded)["effectiveDateTime"] = json!("2031-04-05T09:26:53");
    }),
    ("a reference to nothing", |b| {
        first(b, coded)["subject"]["reference"] =
            json!("urn:uuid:00000000-0000-8000-8000-000000000000");
    }),
    ("a reason that is none of the standard's", |b| {
        first(b, absent)["dataAbsentReason"]["coding"][0]["code"] = json!("not-done");
    }),
    ("a reason without words", |b| {
        first(b, absent)["dataAbsentReason"].as_object_mut().unwrap().remove("text");
    }),
    ("a narrative with a script", |b| {
        let s = &mut first(b, |r| kind(r, "Composition"))["section"][0]["text"]["div"];
        *s = json!("<div xmlns=\"http://www.w3.org/1999/xhtml\"><script>1</script></div>");
    }),
    ("a narrative that is no XML", |b| {
        let s = &mut first(b, |r| kind(r, "Composition"))["section"][0]["text"]["div"];
        *s = json!("<div xmlns=\"http://www.w3.org/1999/xhtml\">tone < normal</div>");
    }),
    ("a field that is none", |b| first(b, coded)["vallue"] = json!("normal")),
    ("no date of the document", |b| {
        first(b, |r| kind(r, "Composition")).as_object_mut().unwrap().remove("date");
    }),
    ("no author", |b| {
        first(b, |r| kind(r, "Composition")).as_object_mut().unwrap().remove("author");
    }),
    ("a later version's attester", |b| {
        first(b, |r| kind(r, "Composition"))["attester"] =
            json!([{ "mode": { "coding": [{ "code": "professional" }] } }]);
    }),
    ("two entries of one name", |b| {
        let twin = b["entry"][5].clone();
        b["entry"].as_array_mut().unwrap().push(twin);
    }),
    ("a code the lexicon does not have", |b| {
        let list = first(b, coded)["valueCodeableConcept"]["coding"].as_array_mut().unwrap();
        list[0]["code"] = json!("arm-recoil/super");
    }),
    ("an observation left out", |b| {
        let list = b["entry"].as_array_mut().unwrap();
        let k = list.iter().position(|e| coded(&e["resource"])).unwrap();
        list.remove(k);
    }),
    ("an observation nobody refers to", |b| {
        let mut stray = b["entry"][6].clone();
        let id = "00000000-0000-8000-8000-000000000001";
        stray["fullUrl"] = json!(format!("urn:uuid:{id}"));
        stray["resource"]["id"] = json!(id);
        b["entry"].as_array_mut().unwrap().push(stray);
    }),
    ("no composition", |b| {
        b["entry"].as_array_mut().unwrap().remove(0);
    }),
    ("a gender that is none", |b| first(b, |r| kind(r, "Patient"))["gender"] = json!("f")),
];

#[test]
fn every_spoilt_bundle_is_caught() {
    let bench = Bench::new();
    let text = std::fs::read(root().join("demo/exam.vtt")).unwrap();
    made::write(&bench.path("demo"), &text, made::header());
    let good = exported(&bench, "demo");
    assert_eq!(broken(&good), Vec::<String>::new());
    let spoilt: Vec<Value> = MUTANTS
        .iter()
        .map(|(name, spoil)| {
            let mut b = good.clone();
            spoil(&mut b);
            assert_ne!(b, good, "{name} changed nothing");
            b
        })
        .collect();
    let others = asked(&spoilt);
    let mut by_rules = 0;
    for (k, (name, _)) in MUTANTS.iter().enumerate() {
        let ours = broken(&spoilt[k]);
        let theirs = others.as_ref().map_or(&[][..], |o| &o[k]);
        by_rules += usize::from(!ours.is_empty());
        eprintln!("{name}: {} by the rules here, {} by others", ours.len(), theirs.len());
        // Without the others, what only they see cannot be asked for.
        if others.is_some() {
            assert!(!ours.is_empty() || !theirs.is_empty(), "{name} was seen by nobody");
        }
    }
    assert!(by_rules >= 10, "the rules here catch {by_rules}");
}
