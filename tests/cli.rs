//! The commands end to end: from a timed text or typed phrases to show, gaps, note, export, settle.
//!
//! Whole outputs are compared on the bicycle lexicon, which belongs to the tests; on the shipped
//! lexicon only claims are checked, so that a better word in it breaks nothing here.

#[path = "cli/support.rs"]
mod support;

use serde_json::{Value, json};
use support::{Bench, Ran, bicycle, finish, root};

const CHECK: &str = "\
[0:02] headset notchy
[0:06] left pedal tight
[0:10] right pedal wobbles
[0:15] brake pads
[0:18] right three point five, left one and a half millimetres
[0:30] correction, right pad two point five millimetres
[0:40] what a lovely colour
[0:44] end of check
";

/// A bicycle read in from `CHECK`, as exam folder `b`.
fn bike() -> Bench {
    let bench = Bench::new();
    bench.file("check.txt", CHECK);
    read_bike(&bench, "check.txt", "b").code(0);
    bench
}

fn read_bike(bench: &Bench, file: &str, exam: &str) -> Ran {
    let lexicon = bicycle();
    bench.run(&[
        "read",
        file,
        "--exam",
        exam,
        "--lexicon",
        &lexicon,
        "--code",
        "BIKE-1",
        "--by",
        "AB",
        "--started",
        "2031-04-05T09:26:53+02:00",
        "--protocol",
        "stand",
        "--sex",
        "f",
        "--born",
        "2031-04-01T00:00:00+02:00",
    ])
}

fn on_bike(bench: &Bench, args: &[&str]) -> Ran {
    let lexicon = bicycle();
    bench.run(&[args, &["--lexicon", &lexicon]].concat())
}

fn narration(name: &str) -> String {
    root().join("tests/narrations/dev").join(name).display().to_string()
}

/// A shipped narration read in as exam folder `e`.
fn infant(name: &str) -> Bench {
    let bench = Bench::new();
    bench
        .run(&[
            "read",
            &narration(name),
            "--exam",
            "e",
            "--sex",
            "m",
            "--ga",
            "39+2",
            "--by",
            "AB",
            "--born",
            "2031-04-04T03:10:00+02:00",
            "--started",
            "2031-04-05T09:26:53+02:00",
            "--protocol",
            "full-term",
        ])
        .code(0);
    bench
}

#[test]
fn read_tells_what_was_read_and_the_next_command() {
    let bench = Bench::new();
    bench.file("check.txt", CHECK);
    let ran = read_bike(&bench, "check.txt", "deep/er/b").code(0);
    assert_eq!(
        ran.out,
        "exam BIKE-1 in deep/er/b: 8 phrases read (stamped lines)\n  5 findings, 0 unsettled; 0 gaps open\nnext: cotside gaps deep/er/b\n"
    );
    assert_eq!(ran.err, "");
}

#[test]
fn show_orders_by_section_and_grades_in_words() {
    let ran = on_bike(&bike(), &["show", "b"]).code(0);
    assert_eq!(
        ran.out,
        "\
exam BIKE-1  started 2031-04-05 09:26 +02:00
protocol: Stand check
examiner AB, female, born 2031-04-01 00:00 +02:00
105 hours old (4 completed days)

Frame
  Headset               notchy   outside      0:02

Drive
  Pedal        left     tight    expected     0:06
               right    loose    outside      0:10

Brakes
  Brake pad    left     1.5 mm   outside      0:18
               right    2.5 mm   expected     0:30

Sides
  Pedal: the sides differ by 1 step
  Brake pad: the sides differ by 1 mm

Corrections
  0:18     right brake pad 3.5 mm, corrected to 2.5 mm at 0:30

By domain
  Frame   1 outside
  Drive   1 outside
  Brakes  1 outside
  3 items: 3 outside

5 findings, 0 unsettled; 8 phrases, 45 s
"
    );
}

#[test]
fn a_met_protocol_ends_gaps_with_0_and_an_unmet_one_with_1() {
    let bench = bike();
    let met = on_bike(&bench, &["gaps", "b"]).code(0);
    assert!(met.out.ends_with("the protocol is met\n"), "{}", met.out);

    bench.file("less.txt", "[0:01] headset smooth\n[0:05] left pedal tight\n[0:09] pad glazed\n");
    read_bike(&bench, "less.txt", "l").code(0);
    let unmet = on_bike(&bench, &["gaps", "l"]).code(1);
    assert_eq!(
        unmet.out,
        "\
exam BIKE-1  started 2031-04-05 09:26 +02:00
protocol: Stand check
examiner AB, female, born 2031-04-01 00:00 +02:00
105 hours old (4 completed days)

Open (2)
 ! Pedal, right: not done, only the left
      cotside settle l --gap pedal --side right --reason \"...\"
 ! Brake pad, side not said: glazed (4.1) is not settled: no side was said
      cotside settle l 4.1 --side SIDE

Time by section
  Frame                                          4 s
  Drive                                          4 s
  Brakes                                         1 s

Stand check: 3 items required, 1 done, 0 left out with a reason, 2 gaps open
the protocol is not met
"
    );
}

#[test]
fn the_note_puts_what_is_outside_first_and_never_words_the_unsettled_as_found() {
    let bench = Bench::new();
    bench.file(
        "check.txt",
        "[0:01] headset smooth\n[0:05] left pedal tight\n[0:08] right pedal loose\n[0:12] pad glazed\n[0:15] end of check\n",
    );
    read_bike(&bench, "check.txt", "b").code(0);
    let ran = on_bike(&bench, &["note", "b"]).code(0);
    assert_eq!(
        ran.out,
        "\
BICYCLE CHECK ON THE STAND
Exam BIKE-1, started 2031-04-05 09:26 +02:00.
Examiner AB, female, born 2031-04-01 00:00 +02:00.
105 hours old (4 completed days).
Protocol: Stand check (2 of 3 required items done, 0 left out with a reason):
NOT MET, 1 gap open.

OUTSIDE, BORDERLINE OR DIFFERENT BETWEEN THE SIDES
- Pedal: tight on the left, loose on the right (outside what is expected); the
  sides differ.

AS EXPECTED
Frame. Headset: smooth.

UNSETTLED: TO BE DECIDED BEFORE SIGNING; NO FINDINGS
- 0:12 \"pad glazed\": [5.1] brake pad: glazed? Not settled: no side was said.

BY DOMAIN
Frame: 1 as expected.
Drive: 1 outside.
Brakes: 1 unsettled.
All together: 3 items: 1 outside, 1 as expected, 1 unsettled.

CAUTIONS
- Ride slowly round the yard before handing it back.

Signed: ____________________   Date and time: ____________________
"
    );
}

#[test]
fn a_settlement_changes_the_exam_and_undo_takes_it_back() {
    let bench = Bench::new();
    bench.file("check.txt", "[0:01] headset smooth\n[0:05] pedal tight\n");
    read_bike(&bench, "check.txt", "b").code(0);
    let before = bench.text("b/journal.jsonl");

    let ran = on_bike(&bench, &["settle", "b", "3.1", "--side", "left"]).code(0);
    assert_eq!(
        ran.out,
        "settled [3.1]: left pedal: tight (by AB, entry 5)\nto take it back: cotside settle b --undo 5\n"
    );
    let shown = on_bike(&bench, &["export", "b", "--as", "json"]).json();
    assert_eq!(shown["findings"][1]["side"], "left");
    assert_eq!(shown["findings"][1]["certainty"], "sure");

    on_bike(&bench, &["settle", "b", "--undo", "5", "--by", "CD"]).code(0);
    let back = on_bike(&bench, &["export", "b", "--as", "json"]).json();
    assert_eq!(back["findings"][1]["side"], "unstated");
    assert_eq!(back["unsettled"][0]["id"], "3.1");
    assert!(bench.text("b/journal.jsonl").starts_with(&before), "earlier lines stay as they were");
}

#[test]
fn a_finding_can_be_set_aside_added_or_given_another_value() {
    let bench = Bench::new();
    bench.file("check.txt", "[0:01] headset smooth\n[0:05] pedal tight\n");
    read_bike(&bench, "check.txt", "b").code(0);
    on_bike(&bench, &["settle", "b", "3.1", "--not-a-finding"]).code(0);
    on_bike(&bench, &["settle", "b", "2.1", "--value", "notchy"]).code(0);
    let added = on_bike(
        &bench,
        &[
            "settle",
            "b",
            "--add",
            "brake-pad",
            "--side",
            "right",
            "--number",
            "2.5",
            "--at",
            "0:09",
        ],
    )
    .code(0);
    assert!(
        added.out.starts_with("added at 0:09: right brake pad: 2.5 mm (by AB"),
        "{}",
        added.out
    );
    let got = on_bike(&bench, &["export", "b", "--as", "json"]).json();
    let got: Vec<Value> = got["findings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| json!([f["item"], f["side"], f["value"], f["number"], f["unit"], f["at_ms"]]))
        .collect();
    assert_eq!(
        got,
        [
            json!(["headset", null, "notchy", null, null, 1000]),
            json!(["brake-pad", "right", null, 2.5, "mm", 9000]),
        ]
    );
}

#[test]
fn the_walk_asks_side_and_reason_and_writes_one_entry_an_answer() {
    let bench = Bench::new();
    bench.file("check.txt", "[0:01] headset smooth\n[0:05] pedal tight\n");
    read_bike(&bench, "check.txt", "b").code(0);
    let lexicon = bicycle();
    // right pedal; left pedal: no spare part; an empty line is asked again; pads: seized.
    let ran = bench
        .typed(&["settle", "b", "--lexicon", &lexicon], "2\nr\nno spare part\n\nr\n1\n")
        .code(0);
    assert!(ran.out.contains("\"pedal tight\""), "the words are shown: {}", ran.out);
    assert!(ran.out.contains("settled [3.1]: right pedal: tight (by AB, entry 5)"), "{}", ran.out);
    assert!(
        ran.out.contains("reason for pedal, left: no spare part (by AB, entry 6)"),
        "{}",
        ran.out
    );
    assert!(ran.out.contains("reason for brake-pad: seized (by AB, entry 7)"), "{}", ran.out);
    assert!(
        ran.out.ends_with("3 decisions made; 0 unsettled, 0 gaps open\nnext: cotside gaps b\n")
    );
    on_bike(&bench, &["gaps", "b"]).code(0);
}

#[test]
fn the_walk_skips_and_stops_without_a_trace() {
    let bench = Bench::new();
    bench.file("check.txt", "[0:05] pedal tight\n");
    read_bike(&bench, "check.txt", "b").code(0);
    let before = bench.text("b/journal.jsonl");
    let lexicon = bicycle();
    bench.typed(&["settle", "b", "--lexicon", &lexicon], "s\ns\nq\n").code(0);
    bench.typed(&["settle", "b", "--lexicon", &lexicon], "").code(0);
    assert_eq!(bench.text("b/journal.jsonl"), before);
}

#[test]
fn a_header_is_changed_by_a_later_entry_and_can_be_cleared() {
    let bench = bike();
    let before = bench.text("b/journal.jsonl");
    let ran =
        on_bike(&bench, &["header", "b", "--by", "CD", "--sex", "m", "--clear", "born"]).code(0);
    assert!(ran.out.contains("examiner CD") && ran.out.contains("male"), "{}", ran.out);
    assert!(ran.out.contains("not told    time of birth"), "{}", ran.out);
    let after = bench.text("b/journal.jsonl");
    assert!(after.starts_with(&before));
    assert_eq!(after.lines().count(), before.lines().count() + 1);
    let shown = on_bike(&bench, &["header", "b"]).code(0);
    assert!(ran.out.ends_with(&shown.out), "without a change it is only shown");
    assert_eq!(bench.text("b/journal.jsonl"), after);
}

#[test]
fn explain_shows_words_reading_why_and_source() {
    let bench = bike();
    let by_item = on_bike(&bench, &["explain", "b", "brake pad"]).code(0);
    for part in [
        "0:18  \"right three point five, left one and a half millimetres\"",
        "read      right brake pad: 3.5 mm [6.1]",
        "now       stands no longer: corrected, see [7.1]",
        "expected  expected, by common practice, no single source (needs clinician\n            review)",
    ] {
        // Where a line is broken is beside the point.
        let plain = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(plain(&by_item.out).contains(&plain(part)), "{part} in\n{}", by_item.out);
    }
    let by_moment = on_bike(&bench, &["explain", "b", "0:40"]).code(0);
    assert!(by_moment.out.contains("\"what a lovely colour\""), "{}", by_moment.out);
    assert!(by_moment.out.contains("no finding"), "{}", by_moment.out);
    let by_id = on_bike(&bench, &["explain", "b", "6.1"]).code(0);
    assert!(by_id.out.starts_with("0:18"), "{}", by_id.out);
}

#[test]
fn the_timeline_holds_every_phrase_in_order() {
    let ran = on_bike(&bike(), &["show", "b", "--timeline"]).code(0);
    let mut from = 0;
    for line in CHECK.lines() {
        let words = line.split_once("] ").unwrap().1;
        let at = ran.out[from..].find(words).unwrap_or_else(|| panic!("{words} in {}", ran.out));
        from += at + words.len();
    }
}

// ---- export ----

fn schema() -> Value {
    Bench::new().run(&["export", "--schema"]).code(0).json()
}

/// Checked by a validator that shares no code with the export (crate `jsonschema`).
fn assert_keeps_to_schema(value: &Value) {
    let schema = schema();
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    let broken: Vec<String> =
        validator.iter_errors(value).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert_eq!(broken, Vec::<String>::new());
}

#[test]
fn the_schema_is_one_and_refuses_what_is_not_an_export() {
    let schema = schema();
    assert!(jsonschema::draft202012::meta::is_valid(&schema));
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    let good = on_bike(&bike(), &["export", "b", "--as", "json"]).json();
    assert!(validator.is_valid(&good));
    for (path, bad) in [
        ("/findings/0/side", json!("starboard")),
        ("/findings/0/at_ms", json!(-1)),
        ("/findings/0/certainty", json!("maybe")),
        ("/exam/lexicon/sha256", json!("abc")),
        ("/gaps", json!({})),
    ] {
        let mut broken = good.clone();
        *broken.pointer_mut(path).unwrap() = bad;
        assert!(!validator.is_valid(&broken), "{path}");
    }
    let mut more = good;
    more["diagnosis"] = json!("none of our business");
    assert!(!validator.is_valid(&more));
}

#[test]
fn every_development_narration_exports_to_the_schema() {
    let mut seen = 0;
    for entry in std::fs::read_dir(root().join("tests/narrations/dev")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if name.ends_with(".txt") {
            let out = infant(&name).run(&["export", "e", "--as", "json"]).code(0);
            assert_keeps_to_schema(&out.json());
            seen += 1;
        }
    }
    assert!(seen >= 4, "{seen} narrations");
}

#[test]
fn a_growth_reference_of_the_users_is_used_by_every_command_that_measures() {
    let bench = Bench::new();
    bench.file("e.txt", "[0:01] head circumference 36\n");
    let start = ["--started", "2031-04-05T09:26:00+02:00", "--born", "2031-04-05T08:00:00+02:00"];
    let read = ["read", "e.txt", "--exam", "e", "--sex", "f", "--ga", "39+2"];
    bench.run(&[&read[..], &start[..]].concat()).code(0);
    let head = "# name: Ward table\n# item: head-circumference\n# unit: cm\n# publisher: a ward\n# terms: none\n# source: invented\n# verified: false\n";
    bench.file("ward.csv", format!("{head}sex,age_days,mean,sd\nf,0,34,1\n"));
    bench.file("bad.csv", format!("{head}sex,age_days,mean,sd\nf,0,34,none\n"));
    for command in
        [&["show", "e"][..], &["note", "e"], &["explain", "e"], &["export", "e", "--as", "json"]]
    {
        let shipped = bench.run(command).code(0).out;
        assert!(shipped.contains("WHO Child Growth Standards"), "{shipped}");
        let own = bench.run(&[command, &["--reference", "ward.csv"]].concat()).code(0).out;
        assert!(own.contains("Ward table") && own.contains("ward.csv"), "{own}");
        let err = bench.run(&[command, &["--reference", "bad.csv"]].concat()).code(2).err;
        assert!(err.contains("bad.csv:9:8: `none` is no number"), "{err}");
        let err = bench.run(&[command, &["--reference", "no.csv"]].concat()).code(2).err;
        assert!(err.contains("no.csv: cannot be read"), "{err}");
    }
}

#[test]
fn an_export_has_exactly_the_promised_keys() {
    let out = infant("d01-terse.txt").run(&["export", "e", "--as", "json"]).code(0).json();
    let keys = |v: &Value| v.as_object().unwrap().keys().cloned().collect::<Vec<_>>();
    assert_eq!(
        keys(&out),
        [
            "exam",
            "findings",
            "states",
            "gaps",
            "corrections",
            "unsettled",
            "scales",
            "summary",
            "growth",
            "watch",
            "sides",
            "patterns",
            "positions_held",
            "digests",
            "journal"
        ]
    );
    let promised = [
        "item",
        "side",
        "status",
        "value",
        "number",
        "unit",
        "low",
        "high",
        "trials",
        "state",
        "at_ms",
        "until_ms",
        "certainty",
        "grade",
        "phrases",
        "line",
        "why",
    ];
    for f in out["findings"].as_array().unwrap() {
        assert_eq!(keys(f), promised);
    }
}

#[test]
fn an_export_says_line_and_correction_of_the_input() {
    let out = on_bike(&bike(), &["export", "b", "--as", "json"]).code(0).json();
    assert_keeps_to_schema(&out);
    let right = out["findings"].as_array().unwrap().iter().find(|f| f["number"] == 2.5).unwrap();
    assert_eq!(right["line"], 6);
    assert_eq!(out["corrections"][0]["old"]["number"], 3.5);
    assert_eq!(out["corrections"][0]["new"]["number"], 2.5);
    assert_eq!(out["corrections"][0]["line"], 6);
}

#[test]
fn show_as_json_is_the_export_but_for_the_journal_that_import_needs() {
    let bench = bike();
    let show = on_bike(&bench, &["show", "b", "--json"]).code(0).json();
    let mut export = on_bike(&bench, &["export", "b", "--as", "json"]).json();
    let parts = export.as_object_mut().unwrap();
    assert!(parts.remove("journal").is_some() && parts.remove("digests").is_some());
    assert_eq!(show, export);
}

#[test]
fn the_same_journal_gives_the_same_bytes() {
    let bench = infant("d01-terse.txt");
    for args in [&["note", "e"][..], &["show", "e"], &["export", "e", "--as", "json"]] {
        assert_eq!(bench.run(args).code(0).out, bench.run(args).code(0).out);
    }
}

#[test]
fn a_note_is_written_to_a_new_file_and_never_over_an_old_one() {
    let bench = bike();
    let first = on_bike(&bench, &["note", "b", "-o", "note.txt"]).code(0);
    assert_eq!((first.out.as_str(), first.err.as_str()), ("", "written to note.txt\n"));
    let kept = bench.text("note.txt");
    assert_eq!(kept, on_bike(&bench, &["note", "b"]).out);
    on_bike(&bench, &["note", "b", "-o", "note.txt"]).code(2);
    assert_eq!(bench.text("note.txt"), kept);
}

// ---- the note on the shipped lexicon ----

#[test]
fn notes_keep_to_80_columns_and_say_the_cautions() {
    for name in ["d01-terse.txt", "d07-plexus-crying.txt"] {
        let note = infant(name).run(&["note", "e"]).code(0).out;
        for line in note.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
        assert!(note.contains("It makes no\n  diagnosis."), "{note}");
        assert!(note.contains("39+2 weeks"), "{note}");
    }
}

#[test]
fn a_note_tells_differences_before_normals_and_gaps_last() {
    let note = infant("d07-plexus-crying.txt").run(&["note", "e"]).code(0).out;
    let place = |part: &str| note.find(part).unwrap_or_else(|| panic!("{part} in\n{note}"));
    let order = [
        place("OUTSIDE, BORDERLINE OR DIFFERENT BETWEEN THE SIDES"),
        place("- Arm traction: "),
        place("AS EXPECTED"),
        place("UNSETTLED:"),
        place("NOT DONE, NO REASON GIVEN"),
        place("CAUTIONS"),
    ];
    assert!(order.is_sorted(), "{order:?}\n{note}");
}

// ---- read again, listen ----

#[test]
fn an_exam_is_never_begun_over_another() {
    let bench = bike();
    let before = bench.text("b/journal.jsonl");
    let ran = read_bike(&bench, "check.txt", "b").code(2);
    assert!(ran.err.contains("add to this exam with --append"), "{}", ran.err);
    assert_eq!(bench.text("b/journal.jsonl"), before);
}

#[test]
fn append_takes_no_phrase_twice() {
    let bench = Bench::new();
    let all: Vec<&str> = CHECK.lines().collect();
    bench.file("part.txt", all[..3].join("\n")).file("check.txt", CHECK);
    read_bike(&bench, "part.txt", "b").code(0);
    let more = on_bike(&bench, &["read", "check.txt", "--exam", "b", "--append"]).code(0);
    assert!(more.out.contains("5 phrases read"), "{}", more.out);
    assert!(more.out.contains("3 phrases already there"), "{}", more.out);
    let once = on_bike(&bike(), &["export", "b", "--as", "json"]).json();
    let twice = on_bike(&bench, &["export", "b", "--as", "json"]).json();
    let values = |v: &Value| {
        let f = v["findings"].as_array().unwrap();
        f.iter().map(|f| json!([f["item"], f["side"], f["value"], f["number"]])).collect::<Vec<_>>()
    };
    assert_eq!(values(&once), values(&twice));
}

#[test]
fn a_faulty_text_makes_nothing() {
    let bench = Bench::new();
    bench.file("bad.txt", "[0:02] headset smooth\n[0:75] pedal tight\n[xx] what\n");
    let ran = read_bike(&bench, "bad.txt", "b").code(2);
    assert!(ran.err.contains("bad.txt:2:") && ran.err.contains("bad.txt:3:"), "{}", ran.err);
    assert!(!bench.path("b").exists());
}

#[test]
fn standard_input_is_read_as_a_file_is() {
    let bench = Bench::new();
    let lexicon = bicycle();
    let args = ["read", "-", "--exam", "b", "--lexicon", &lexicon, "--json"];
    let ran = bench.typed(&args, CHECK).code(0).json();
    assert_eq!(ran["phrases"], 8);
    assert_eq!(ran["findings"], 5);
    assert_eq!(ran["next"], "cotside gaps b");
}

const TYPED: &str = "headset smooth\npedal tight\nmy my\n?\n\nleft pedal loose\nend of check\n";

#[test]
fn typed_phrases_are_answered_one_line_each() {
    let bench = Bench::new();
    let lexicon = bicycle();
    let ran =
        bench.typed(&["listen", "--keys", "--exam", "b", "--lexicon", &lexicon], TYPED).code(0);
    // Times are the clock's; what follows them is not.
    let answers: Vec<&str> =
        ran.out.lines().map(|l| l.trim_start().trim_start_matches("0:00  ")).collect();
    assert_eq!(
        answers[2..],
        [
            "headset: smooth",
            "pedal: tight - needs you: no side was said",
            "? not understood",
            "Brakes: brake pad",
            "left pedal: loose",
            "exam finished",
            "finished: 5 phrases, 3 findings, 1 unsettled",
            "next: cotside gaps b",
        ]
    );
}

#[test]
fn an_interrupted_log_is_taken_up_again_with_its_context() {
    let bench = Bench::new();
    let lexicon = bicycle();
    let args = ["listen", "--keys", "--exam", "b", "--lexicon", &lexicon];
    bench.typed(&args, "headset smooth\nbrake pads\n").code(0);
    // The item at hand comes from before.
    let ran = bench.typed(&args, "left three millimetres").code(0);
    assert!(ran.out.contains("taken up again"), "{}", ran.out);
    assert!(ran.out.contains("left brake pad: 3 mm"), "{}", ran.out);
    let journal = bench.text("b/journal.jsonl");
    assert_eq!(journal.matches(r#""kind":"phrase""#).count(), 3);
    assert_eq!(journal.matches(r#""kind":"echo""#).count(), 3);
}

#[test]
fn every_answer_is_in_the_journal_word_for_word() {
    let bench = Bench::new();
    let lexicon = bicycle();
    let ran =
        bench.typed(&["listen", "--keys", "--exam", "b", "--lexicon", &lexicon], TYPED).code(0);
    let echoes: Vec<String> = bench
        .text("b/journal.jsonl")
        .lines()
        .map(|l| serde_json::from_str::<Value>(l).unwrap())
        .filter(|v| v["kind"] == "echo")
        .map(|v| v["text"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(echoes.len(), 5);
    for e in echoes {
        assert!(ran.out.contains(&e), "{e} in {}", ran.out);
    }
}

// ---- manners ----

#[test]
fn output_into_a_closed_pipe_is_no_failure() {
    let bench = infant("d01-terse.txt");
    for args in [&["show", "e"][..], &["note", "e"], &["export", "e", "--as", "json"], &["--help"]]
    {
        let mut child = bench
            .command(args)
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        drop(child.stdout.take());
        let done = child.wait_with_output().unwrap();
        assert_eq!(done.status.code(), Some(0), "{args:?}");
        assert_eq!(String::from_utf8_lossy(&done.stderr), "", "{args:?}");
    }
}

#[test]
fn colour_is_for_terminals_and_no_color_wins_over_auto() {
    let bench = bike();
    let lexicon = bicycle();
    let plain = on_bike(&bench, &["show", "b"]).code(0).out;
    assert!(!plain.contains('\u{1b}'));
    let forced = bench.run(&["show", "b", "--lexicon", &lexicon, "--color", "always"]).code(0).out;
    assert!(forced.contains('\u{1b}'));
    // Colour says nothing that words do not: without the codes it is the same text.
    let codes = regex::Regex::new("\u{1b}\\[[0-9;]*m").unwrap();
    assert_eq!(codes.replace_all(&forced, ""), plain);
    let mut quiet = bench.command(&["show", "b", "--lexicon", &lexicon]);
    quiet.env("NO_COLOR", "1").env("CLICOLOR_FORCE", "1");
    assert_eq!(finish(quiet, "").out, plain);
}

#[test]
fn help_begins_with_examples_and_lists_the_exit_codes() {
    let bench = Bench::new();
    let full = bench.run(&["--help"]).code(0).out;
    assert!(full.starts_with("Examples:\n  cotside read"), "{full}");
    for code in
        ["0  all went well", "1  the exam", "2  the command", "3  the disk", "4  the journal"]
    {
        assert!(full.contains(code), "{code}");
    }
    for command in [
        "read",
        "listen",
        "show",
        "gaps",
        "note",
        "settle",
        "explain",
        "export",
        "header",
        "lexicon",
        "completions",
        "manual",
    ] {
        assert!(full.contains(&format!("\n  {command} ")), "{command}");
        let of = bench.run(&[command, "--help"]).code(0).out;
        assert!(of.starts_with("Examples:\n  "), "{command}: {of}");
    }
}

#[test]
fn manual_and_completions_know_every_command() {
    let bench = Bench::new();
    let page = bench.run(&["manual"]).code(0).out;
    assert!(page.contains(".TH cotside 1"), "{page}");
    let settle = bench.run(&["manual", "settle"]).code(0).out;
    assert!(settle.contains("not\\-a\\-finding"), "{settle}");
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = bench.run(&["completions", shell]).code(0).out;
        for command in ["read", "listen", "settle", "explain", "lexicon"] {
            assert!(script.contains(command), "{shell} {command}");
        }
    }
}

#[test]
fn a_lexicon_is_checked_and_listed() {
    let bench = Bench::new();
    let ok = bench.run(&["lexicon", "check", &bicycle()]).code(0);
    assert!(
        ok.out.starts_with("bicycle 1 (Bicycle check on the stand): no problem found\n"),
        "{}",
        ok.out
    );
    let list = on_bike(&bench, &["lexicon", "items", "pad"]).code(0);
    assert_eq!(
        list.out,
        "Brakes\n  brake-pad                Brake pad (left, right, both)\n      glazed, a number in mm\n"
    );
}

#[test]
fn a_changed_lexicon_is_said_and_can_be_adopted() {
    let bench = bike();
    let text = std::fs::read_to_string(root().join("tests/lexicons/bicycle/lexicon.toml")).unwrap();
    bench.file("other/bicycle/lexicon.toml", format!("{text}\n# a later word\n"));
    let other = ["--lexicon", "other/bicycle"];
    let shown = bench.run(&[&["show", "b"], &other[..]].concat()).code(0);
    assert!(shown.err.contains("readings may differ"), "{}", shown.err);
    bench.run(&[&["gaps", "b"], &other[..]].concat()).code(1);
    bench.run(&[&["header", "b", "--adopt-lexicon"], &other[..]].concat()).code(0);
    let after = bench.run(&[&["gaps", "b"], &other[..]].concat()).code(0);
    assert_eq!(after.err, "");
}
