//! `cotside score` and `cotside compare` end to end.

#[path = "cli/support.rs"]
mod support;

use serde_json::{Value, json};
use support::{Bench, bicycle};

const FIRST: &str = "\
[0:02] quiet awake
[0:05] lethargic
[0:09] spontaneous activity decreased
[0:13] posture fully flexed
[0:20] tone normal
[0:25] suck weak
[0:30] moro incomplete
[0:35] pupils equal and reactive
[0:40] heart rate one hundred thirty
[0:45] breathing regular
[0:50] no seizures
";

const SECOND: &str = "\
[0:02] drowsy
[0:05] level of consciousness alert
[0:09] spontaneous activity normal
[0:20] tone not done, just fed
[0:25] suck strong
[0:30] moro complete
";

/// The words alone: where a line is broken is beside the point.
fn plain(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Two exams of one invented infant, `a` at 5 hours and `b` a day later.
fn watch() -> Bench {
    let bench = Bench::new();
    bench.file("a.txt", FIRST).file("b.txt", SECOND);
    read(&bench, "a", "W-1", "39+2", "2031-04-04T08:10:00+02:00");
    read(&bench, "b", "W-2", "39+2", "2031-04-05T03:40:00+02:00");
    bench
}

fn read(bench: &Bench, name: &str, code: &str, ga: &str, started: &str) {
    let born = "2031-04-04T03:10:00+02:00";
    let file = format!("{name}.txt");
    bench
        .run(&[
            "read",
            &file,
            "--exam",
            name,
            "--code",
            code,
            "--sex",
            "f",
            "--ga",
            ga,
            "--by",
            "AB",
            "--born",
            born,
            "--started",
            started,
            "--protocol",
            "encephalopathy-watch",
        ])
        .code(0);
}

fn scale<'v>(value: &'v Value, id: &str, at: Option<u32>) -> &'v Value {
    let list = value["scales"].as_array().unwrap();
    list.iter().find(|s| s["id"] == id && s["at"] == json!(at)).unwrap()
}

#[test]
fn score_prints_result_signs_findings_and_source() {
    let out = watch().run(&["score", "a", "--only", "encephalopathy-2005"]).code(0).out;
    for part in [
        "moderate (3 of 6 categories show a sign, 3 needed)",
        "lethargic in quiet awake [3.1]",
        "Primitive reflexes: moderate",
        "Shankaran S et al. N Engl J Med 2005",
        "Eligibility and treatment are decided by the treating team under local protocol.",
    ] {
        assert!(plain(&out).contains(&plain(part)), "{part} in\n{out}");
    }
    assert!(!out.contains("INDETERMINATE") && !out.contains("Apgar"), "{out}");
    assert!(out.lines().all(|l| l.chars().count() <= 80), "{out}");
}

#[test]
fn what_is_missing_is_named_and_the_result_is_a_range() {
    let out = watch().run(&["score", "b", "--only", "encephalopathy-2005"]).code(0).out;
    assert!(out.contains("INDETERMINATE: criteria not met or moderate or severe"), "{out}");
    assert!(out.contains("not done [5.1]"), "{out}");
    assert!(out.contains("entry was decided within 6 hours of birth"), "past six hours: {out}");
}

#[test]
fn an_entered_value_is_a_journal_entry_that_undo_takes_back() {
    let bench = watch();
    let before = bench.text("b/journal.jsonl");
    bench.run(&["score", "b", "--input", "skin=3", "--input", "total@5=8", "--by", "CD"]).code(0);
    let after = bench.text("b/journal.jsonl");
    assert!(after.starts_with(&before));
    assert_eq!(after.lines().count(), before.lines().count() + 2);
    let got = bench.run(&["score", "b", "--json"]).code(0).json();
    let apgar = scale(&got, "apgar", Some(5));
    assert_eq!((&apgar["status"], &apgar["low"]), (&json!("determined"), &json!(8)));
    let skin = &scale(&got, "new-ballard", None)["signs"][6];
    assert_eq!(skin["id"], "skin");
    assert_eq!(skin["possible"], json!([3]));
    assert_eq!(skin["entered"]["by"], "CD");
    let entry = skin["entered"]["entry"].to_string();
    bench.run(&["settle", "b", "--undo", &entry]).code(0);
    let got = bench.run(&["score", "b", "--json"]).code(0).json();
    assert_eq!(scale(&got, "new-ballard", None)["signs"][6]["entered"], Value::Null);
    bench.run(&["gaps", "b"]); // an entry is no gap and no finding
    assert_eq!(
        bench.run(&["export", "b", "--as", "json"]).json()["findings"].as_array().unwrap().len(),
        5
    );
}

#[test]
fn a_wrong_input_is_told_with_all_others_and_nothing_is_written() {
    let bench = watch();
    let before = bench.text("b/journal.jsonl");
    let ran = bench
        .run(&[
            "score",
            "b",
            "--input",
            "skin=2",
            "--input",
            "posture=1",
            "--input",
            "skinn=2",
            "--input",
            "pulse=2",
            "--input",
            "pulse@3=2",
            "--input",
            "skin=9",
            "--input",
            "skin@5=1",
            "--input",
            "new-balard/skin=1",
            "--input",
            "x",
        ])
        .code(2);
    assert_eq!(ran.out, "");
    for part in [
        "--input posture=1: several scales take `posture`\n  help: name the scale: new-ballard/posture or encephalopathy-2005/posture",
        "--input skinn=2: there is no sign `skinn`\n  help: did you mean `skin`?",
        "--input pulse=2: Apgar score is scored at several times",
        "--input pulse@3=2: Apgar score is not scored at 3 min",
        "--input skin=9: `9` is no score of skin (scores: -1, 0, 1, 2, 3, 4, 5)",
        "--input skin@5=1: Maturity score, extended to extreme prematurity has no times",
        "--input new-balard/skin=1: there is no scale `new-balard`",
        "--input x: there is no `=`",
    ] {
        assert!(ran.err.contains(part), "{part} in\n{}", ran.err);
    }
    assert_eq!(bench.text("b/journal.jsonl"), before);
    bench.run(&["score", "b", "--only", "new-balard"]).code(2);
}

#[test]
fn a_scale_of_ones_own_works_on_another_lexicon_and_a_wrong_one_is_told_by_its_place() {
    let bench = Bench::new();
    let lexicon = bicycle();
    bench.file("c.txt", "[0:01] headset notchy\n[0:05] left pedal tight\n");
    bench.run(&["read", "c.txt", "--exam", "c", "--lexicon", &lexicon, "--by", "AB"]).code(0);
    let text = r#"[scale]
id = "stand-points"
name = "Points on the stand"
method = "sum"
source = "shop"
verified = false
[[source]]
id = "shop"
cite = "shop practice, invented"
[[sign]]
id = "headset"
name = "Headset"
item = "headset"
score = [
    { score = 1, say = "turns freely", values = ["smooth"] },
    { score = 0, say = "does not", values = ["notchy"] },
]
[[sign]]
id = "pedal"
name = "Pedal"
item = "pedal"
sides = "lower"
score = [
    { score = 2, say = "tight", values = ["tight"] },
    { score = 0, say = "loose", values = ["loose"] },
]
"#;
    bench.file("own.toml", text);
    let ran =
        bench.run(&["score", "c", "--lexicon", &lexicon, "--scale", "own.toml", "--json"]).code(0);
    let got = ran.json();
    let own = scale(&got, "stand-points", None);
    assert_eq!((&own["low"], &own["high"]), (&json!(0), &json!(2)), "the right pedal is missing");
    bench.file("bad.toml", text.replace("item = \"pedal\"", "item = \"pedall\""));
    let ran = bench.run(&["score", "c", "--lexicon", &lexicon, "--scale", "bad.toml"]).code(2);
    assert!(ran.err.starts_with("error: bad.toml:21:8: there is no item `pedall`"), "{}", ran.err);
    assert!(ran.err.contains("did you mean `pedal`?"), "{}", ran.err);
    bench.run(&["score", "c", "--lexicon", &lexicon, "--scale", "none.toml"]).code(2);
}

#[test]
fn list_names_every_sign_and_what_its_scores_mean() {
    let out = watch().run(&["score", "a", "--list", "--only", "new-ballard"]).code(0).out;
    assert!(out.contains("  skin  (entered)\n     -1  sticky, fragile, see-through\n"), "{out}");
    assert!(out.contains("  scarf-sign  (from a finding, or entered)"), "{out}");
}

#[test]
fn compare_orders_by_time_marks_changes_and_puts_the_states_beside_them() {
    let out = watch().run(&["compare", "b", "a"]).code(0).out;
    for part in [
        "(1)  5 h          exam W-1",
        "(2)  24 h 30 min  exam W-2",
        "weak, borderline, quiet awake",
        "CHANGED; STATES DIFFER: quiet awake,",
        "6 of 11 items not assessed",
        "bar: criteria not met | moderate | severe",
        "[............############............]",
        "[====================================]",
        "missing: posture, tone, pupils, heart rate, respiration, seizure",
    ] {
        assert!(plain(&out).contains(&plain(part)), "{part} in\n{out}");
    }
    assert!(out.lines().all(|l| l.chars().count() <= 80), "{out}");
}

#[test]
fn compare_as_json_holds_cells_changes_and_ranges_over_age() {
    let got = watch().run(&["compare", "a", "b", "--json"]).code(0).json();
    assert_eq!(got["exams"][0]["age_hours"], json!(5.0));
    assert_eq!(got["exams"][1]["age_hours"], json!(24.5));
    let suck = got["items"].as_array().unwrap().iter().find(|i| i["item"] == "suck").unwrap();
    assert_eq!(suck["changed"], true);
    assert_eq!(suck["exams"][1]["change"], "changed");
    assert_eq!(suck["exams"][1]["state_differs"], true);
    assert_eq!(suck["exams"][1]["state"], "drowsy");
    let tone = got["items"].as_array().unwrap().iter().find(|i| i["item"] == "tone").unwrap();
    assert_eq!(
        (&tone["changed"], &tone["exams"][1]["change"]),
        (&json!(false), &json!("not-found"))
    );
    let criteria = scale(&got, "encephalopathy-2005", None);
    let points: Vec<Value> = criteria["exams"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| json!([p["age_hours"], p["status"], p["low"], p["high"]]))
        .collect();
    assert_eq!(points, [json!([5.0, "determined", 1, 1]), json!([24.5, "indeterminate", 0, 2])]);
}

#[test]
fn exams_of_two_infants_or_one_twice_are_not_compared() {
    let bench = watch();
    bench.file("c.txt", SECOND);
    read(&bench, "c", "W-3", "37+0", "2031-04-06T03:40:00+02:00");
    let ran = bench.run(&["compare", "a", "b", "c"]).code(2);
    assert_eq!(ran.out, "");
    assert!(
        ran.err.contains("c: tells another `ga` than a: hardly the same infant"),
        "{}",
        ran.err
    );
    let ran = bench.run(&["compare", "a", "a"]).code(2);
    assert!(ran.err.contains("has the same code"), "{}", ran.err);
    bench.run(&["compare", "a", "none"]).code(2);
    bench.run(&["compare", "a"]).code(0);
}

#[test]
fn show_note_and_export_carry_scales_and_counts() {
    let bench = watch();
    let show = bench.run(&["show", "a"]).code(0).out;
    for part in [
        "2005 form: moderate (3 of 6 categories show a sign",
        "11 items: 3 outside, 1 borderline, 6 as expected",
    ] {
        assert!(plain(&show).contains(part), "{part} in\n{show}");
    }
    assert!(!show.contains("Apgar"), "nobody entered one: {show}");
    let note = bench.run(&["note", "b"]).code(0).out;
    assert!(note.contains("INDETERMINATE: criteria"), "{note}");
    assert!(note.contains("Missing: posture, tone, pupils"), "{note}");
    assert!(note.contains("BY DOMAIN"), "{note}");
    let export = bench.run(&["export", "b", "--as", "json"]).code(0).json();
    assert_eq!(scale(&export, "encephalopathy-2005", None)["status"], "indeterminate");
    assert_eq!(export["summary"]["all"]["missing"], 6);
    assert_eq!(export["summary"]["all"]["items"], 11);
    let schema = bench.run(&["export", "--schema"]).code(0).json();
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    let broken: Vec<String> = validator.iter_errors(&export).map(|e| e.to_string()).collect();
    assert_eq!(broken, Vec::<String>::new());
}

#[test]
fn explain_goes_through_a_scale_sign_by_sign_to_the_rule() {
    let bench = watch();
    let out = bench.run(&["explain", "a", "encephalopathy-2005"]).code(0).out;
    for part in [
        "gate passed: for infants of 36 weeks and more; born at 39+2 weeks",
        "Level of consciousness: score 1",
        "found: lethargic in quiet awake [3.1], which scores 1",
        "1 is \"lethargic\"",
        "category Level of consciousness: the highest of its signs, moderate; with a sign so far: 1",
        "Categories with a sign: 3 of 6; 3 are needed",
        "Of these moderate: 3",
        "Of these severe: 0",
        "adds nothing",
        "Result: moderate (3 of 6 categories show a sign, 3 needed)",
        "source: Shankaran",
    ] {
        assert!(plain(&out).contains(&plain(part)), "{part} in\n{out}");
    }
    // Of a sum: the total so far after every sign, and the straight line between two rows.
    bench.run(&["score", "a", "--input", "skin=3", "--by", "AB"]).code(0);
    let out = bench.run(&["explain", "a", "new-ballard"]).code(0).out;
    for part in
        ["Posture: score 4", "so far: 0 plus 4 is 4", "lacking: not examined", "entered: 3 by AB"]
    {
        assert!(plain(&out).contains(&plain(part)), "{part} in\n{out}");
    }
    // 4 for posture and 3 for skin; the rest from its least, -12 less the least of these two, up.
    assert!(out.contains("Total: -4 to 48"), "{out}");
    assert!(
        out.contains("Table: a total of -4 lies between -5 (22.0 weeks) and 0 (24.0 weeks)"),
        "{out}"
    );
    assert!(out.replace("\n    ", " ").contains("(-4 - -5) / (0 - -5) = 22.4 weeks"), "{out}");
    let ran = bench.run(&["explain", "a", "new-balard"]).code(2);
    assert!(ran.err.contains("did you mean the scale `new-ballard`?"), "{}", ran.err);
}

#[test]
fn explain_shows_the_arithmetic_of_a_z_score_step_by_step() {
    let bench = watch();
    bench.file("h.txt", "[0:02] quiet awake\n[0:05] head circumference thirty five point two\n");
    read(&bench, "h", "W-9", "39+2", "2031-04-05T03:40:00+02:00");
    let out = bench.run(&["explain", "h", "head-circumference"]).code(0).out;
    // WHO Child Growth Standards 2006, girls, day 1: L 1, M 33.9787, S 0.03477 or so; the last line
    // follows from the numbers printed above it.
    let at = |label: &str| {
        let rest =
            &out[out.find(label).unwrap_or_else(|| panic!("{label} in\n{out}")) + label.len()..];
        rest.split([' ', ',', ';', '\n']).next().unwrap().parse::<f64>().unwrap()
    };
    let (m, s, z) = (at("M = "), at("S = "), at("            z = "));
    assert!(((35.2 - m) / (m * s) - z).abs() < 1e-4, "{out}");
    assert!(out.contains("L is 1, so z = (y - M) / (M x S) = (35.2 - "), "{out}");
    // Before term the equation stands there with its terms.
    read_preterm(&bench);
    let out = bench.run(&["explain", "p", "head-circumference"]).code(0).out;
    assert!(out.contains("mean = 55.53617 - 852.0059 x^-1"), "{out}");
}

fn read_preterm(bench: &Bench) {
    bench.file("p.txt", "[0:02] quiet awake\n[0:05] head circumference twenty nine\n");
    read(bench, "p", "W-8", "31+0", "2031-04-05T03:40:00+02:00");
}

const TABLE: &str = "\
# name: Our ward's heads
# item: head-circumference
# unit: cm
# publisher: our ward, invented
# terms: free
# source: common-practice
# verified: false
# first_day: 0
# last_day: 28
sex,age_days,mean,sd
f,0,34.0,1.0
f,28,37.0,1.0
";

#[test]
fn compare_and_score_take_a_growth_reference_as_show_and_note_do() {
    let bench = watch();
    bench.file("ward.csv", TABLE);
    bench.file("h.txt", "[0:02] quiet awake\n[0:05] head circumference thirty five\n");
    read(&bench, "h", "W-9", "39+2", "2031-04-04T05:40:00+02:00");
    for command in [
        &["show", "h"][..],
        &["note", "h"],
        &["score", "h"],
        &["compare", "h", "a"],
        &["explain", "h", "head-circumference"],
    ] {
        let plain = bench.run(command).code(0).out;
        assert!(!plain.contains("z +1.00"), "{command:?} {plain}");
        let own = bench.run(&[command, &["--reference", "ward.csv"]].concat()).code(0).out;
        assert!(own.contains("z +1.00"), "{command:?} {own}");
    }
}

#[test]
fn the_clock_from_birth_stands_in_show_note_gaps_score_export_and_compare() {
    // Born 03:10; the exam starts at 08:10, five hours later.
    let bench = watch();
    for command in ["show", "note", "gaps", "score", "compare"] {
        let out = bench.run(&[command, "a"]).out;
        let out = plain(&out);
        for part in [
            "Six hours from birth end 2031-04-04 09:10 +02:00: 1 h left when this exam started",
            "Next exam due at 6 h from birth, 2031-04-04 09:10 +02:00",
            "Eligibility and treatment are decided by the treating team under local protocol",
        ] {
            assert!(out.contains(part), "{command}: {part} in\n{out}");
        }
    }
    let w = &bench.run(&["export", "a", "--as", "json"]).json()["watch"];
    assert_eq!(w["left_minutes"], 60);
    assert_eq!(w["next_due_hours"], json!(6.0));
    let w = &bench.run(&["export", "b", "--as", "json"]).json()["watch"];
    assert_eq!(w["left_minutes"], -18 * 60 - 30);
    assert_eq!(w["next_due_hours"], json!(48.0));
    // Without a time of birth there is no clock, and it is said.
    bench.run(&["header", "b", "--clear", "born", "--who", "AB"]).code(0);
    let out = bench.run(&["show", "b"]).code(0).out;
    assert!(out.contains("not known, the time of birth is not given"), "{out}");
    assert!(out.contains("Eligibility and treatment"), "{out}");
}

#[test]
fn compare_marks_the_categories_that_moved() {
    let bench = watch();
    let out = bench.run(&["compare", "a", "b"]).code(0).out;
    assert!(out.contains("Level of consciousness: (1) moderate; (2) no sign - BETTER"), "{out}");
    let got = bench.run(&["compare", "a", "b", "--json"]).code(0).json();
    let list = scale(&got, "encephalopathy-2005", None)["categories"].as_array().unwrap();
    let moved: Vec<(&str, &str)> = list
        .iter()
        .map(|c| (c["name"].as_str().unwrap(), c["exams"][1]["moved"].as_str().unwrap()))
        .collect();
    assert_eq!(
        moved,
        [
            ("Level of consciousness", "better"),
            ("Spontaneous activity", "better"),
            ("Posture", "open"),
            ("Tone", "open"),
            ("Primitive reflexes", "better"),
            ("Autonomic system", "open"),
            ("Seizure", "open"),
        ]
    );
}

#[test]
fn gaps_tell_the_scales_that_can_still_change_and_what_would_settle_them() {
    let bench = watch();
    let ran = bench.run(&["gaps", "b"]).code(1);
    assert!(ran.out.contains("Scales that can still change"), "{}", ran.out);
    assert!(ran.out.contains("missing: posture, tone, pupils"), "{}", ran.out);
    let got = bench.run(&["gaps", "b", "--json"]).code(1).json();
    assert_eq!(got["scales_open"][0]["id"], "encephalopathy-2005");
    let ran = bench.run(&["gaps", "a"]);
    assert!(!ran.out.contains("Scales that can still change"), "{}", ran.out);
}

#[test]
fn no_line_of_a_scored_exam_is_longer_than_80_characters() {
    let bench = watch();
    read_preterm(&bench);
    for command in [
        &["show", "a"][..],
        &["show", "a", "--timeline"],
        &["note", "a"],
        &["gaps", "a"],
        &["gaps", "b"],
        &["score", "a"],
        &["explain", "a"],
        &["explain", "a", "encephalopathy-2005"],
        &["explain", "a", "new-ballard"],
        &["compare", "a", "b"],
        &["show", "p"],
        &["gaps", "p"],
        &["explain", "p", "head-circumference"],
    ] {
        let out = bench.run(command).out;
        for line in out.lines() {
            assert!(line.chars().count() <= 80, "{command:?}: {line}");
        }
    }
}
