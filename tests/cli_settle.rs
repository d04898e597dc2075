//! `cotside settle`: the walk with what is typed into it, and what a settlement refuses.

#[path = "cli/support.rs"]
mod support;

use serde_json::Value;
use support::{Bench, Ran, bicycle};

/// An infant's exam `e` of these lines, examined by KT.
fn exam(lines: &str) -> Bench {
    let bench = Bench::new();
    bench.file("e.txt", lines);
    bench
        .run(&[
            "read",
            "e.txt",
            "--exam",
            "e",
            "--by",
            "KT",
            "--protocol",
            "short-discharge",
            "--ga",
            "39+2",
            "--sex",
            "f",
            "--born",
            "2031-04-04T03:10:00+02:00",
            "--started",
            "2031-04-05T09:26:53+02:00",
        ])
        .code(0);
    bench
}

/// The walk with these lines typed.
fn walk(bench: &Bench, typed: &str) -> Ran {
    bench.typed(&["settle", "e"], typed).code(0)
}

fn findings(bench: &Bench) -> Vec<String> {
    let out = bench.run(&["export", "e"]).code(0).json();
    let word = |v: &Value| v.as_str().map(str::to_owned).or(v.as_f64().map(|n| n.to_string()));
    out["findings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| {
            ["item", "side", "status", "value", "number", "certainty"]
                .iter()
                .filter_map(|k| word(&f[*k]))
                .collect::<Vec<_>>()
                .join(" ")
        })
        .collect()
}

fn entries(bench: &Bench) -> usize {
    bench.text("e/journal.jsonl").lines().count()
}

// ---- the walk ----

#[test]
fn a_typed_value_becomes_a_finding_shown_back_and_never_a_reason() {
    let bench = exam("[0:02] quiet awake\n[0:05] now arm recoil\n");
    // Questions in protocol order; skipped until the one that is typed at.
    let menu = walk(&bench, "?\nq\n").out;
    assert!(menu.contains("type what was found of") && menu.contains("skip for now"), "{menu}");
    let skips = skips_until(&bench, "Arm recoil");
    let ran = walk(&bench, &format!("{skips}left brisk, right slow\ny\nq\n"));
    assert!(ran.out.contains("= left arm recoil: brisk"), "{}", ran.out);
    assert!(ran.out.contains("= right arm recoil: slow"), "{}", ran.out);
    let found = findings(&bench);
    assert!(found.contains(&"arm-recoil left observed brisk sure".into()), "{found:?}");
    assert!(found.contains(&"arm-recoil right observed slow sure".into()), "{found:?}");
    assert!(!bench.text("e/journal.jsonl").contains("gap-reason"), "no reason was written");
}

/// As many `s` as pass over the questions before the one about an item.
fn skips_until(bench: &Bench, heading: &str) -> String {
    let out = bench.typed(&["settle", "e"], &"s\n".repeat(60)).out;
    let questions: Vec<&str> = out
        .lines()
        .filter(|l| l.contains("questions left)") || l.contains("question left)"))
        .collect();
    match questions.iter().position(|q| q.starts_with(heading)) {
        Some(n) => "s\n".repeat(n),
        None => panic!("no question about {heading} in {questions:#?}"),
    }
}

#[test]
fn both_sides_fine_is_a_finding_of_both_sides() {
    let bench = exam("[0:02] quiet awake\n");
    let skips = skips_until(&bench, "Red reflex");
    let ran = walk(&bench, &format!("{skips}both left and right fine\ny\nq\n"));
    let found = findings(&bench);
    assert!(
        found.iter().any(|f| f.starts_with("red-reflex both observed")),
        "{found:?}\n{}",
        ran.out
    );
}

#[test]
fn what_is_shown_back_and_denied_leaves_no_trace() {
    let bench = exam("[0:02] quiet awake\n");
    let before = entries(&bench);
    let skips = skips_until(&bench, "Suck");
    walk(&bench, &format!("{skips}strong\nn\nq\n"));
    assert_eq!(entries(&bench), before);
}

#[test]
fn a_reason_that_reads_as_a_value_is_questioned() {
    let bench = exam("[0:02] quiet awake\n");
    let before = entries(&bench);
    let skips = skips_until(&bench, "Suck");
    let asked = walk(&bench, &format!("{skips}r\nstrong\n\nq\n"));
    assert!(
        asked.out.contains("reads as a finding, not as a reason: suck: strong"),
        "{}",
        asked.out
    );
    assert_eq!(entries(&bench), before, "an answer of nothing writes nothing");
    walk(&bench, &format!("{skips}r\nstrong\ny\ny\nq\n"));
    assert!(
        findings(&bench).contains(&"suck observed strong sure".into()),
        "{:?}",
        findings(&bench)
    );
}

#[test]
fn a_reason_is_chosen_by_number_or_typed() {
    let bench = exam("[0:02] quiet awake\n");
    let skips = skips_until(&bench, "Suck");
    let ran = walk(&bench, &format!("{skips}r\n1\nr\nbecause the tube is in\nq\n"));
    assert!(ran.out.contains("reason for suck: just fed (by KT"), "{}", ran.out);
    assert!(ran.out.contains(": the tube is in (by KT"), "{}", ran.out);
}

#[test]
fn the_reading_is_accepted_set_aside_or_given_its_side_by_plain_choices() {
    let bench =
        exam("[0:02] quiet awake\n[0:05] arm recoil brisk\n[0:09] I think the spine is normal\n");
    let ran = walk(&bench, "2\na\nq\n");
    for shown in [
        "1  left arm recoil: brisk",
        "2  right arm recoil: brisk",
        "3  arm recoil, both sides: brisk",
        "n  not a finding",
        "a  accept the reading as it stands: spine and sacrum: normal",
        "u  undo my last decision",
        "b  back one step",
    ] {
        assert!(ran.out.contains(shown), "{shown} in\n{}", ran.out);
    }
    let found = findings(&bench);
    assert!(found.contains(&"arm-recoil right observed brisk sure".into()), "{found:?}");
    assert!(found.contains(&"spine observed normal sure".into()), "{found:?}");
}

#[test]
fn back_asks_the_question_before_again_and_undo_takes_the_last_decision_back() {
    let bench =
        exam("[0:02] quiet awake\n[0:05] arm recoil brisk\n[0:09] I think the spine is normal\n");
    // Decided, then back: the first question comes again, and is answered otherwise.
    let ran = walk(&bench, "2\nb\n1\nq\n");
    assert!(ran.out.contains("taken back: settled ["), "{}", ran.out);
    assert!(findings(&bench).contains(&"arm-recoil left observed brisk sure".into()));
    // Skipped, then back, is asked again; undo with nothing decided in this walk says so.
    let again = walk(&bench, "s\nb\nu\nq\n");
    // First, after back, and after the undo that undid nothing.
    assert_eq!(again.out.matches("I think the spine is normal").count(), 3, "{}", again.out);
    assert!(again.out.contains("nothing was decided in this walk"), "{}", again.out);
    // Decided, another skipped, undone.
    walk(&bench, "a\ns\nu\nq\n");
    assert!(
        findings(&bench).contains(&"spine observed normal unsettled".into()),
        "{:?}",
        findings(&bench)
    );
}

#[test]
fn every_decision_of_the_walk_is_an_entry_with_who_and_when() {
    let bench = exam("[0:02] quiet awake\n[0:05] arm recoil brisk\n");
    let before = entries(&bench);
    bench.typed(&["settle", "e", "--by", "RH"], "1\nq\n").code(0);
    let text = bench.text("e/journal.jsonl");
    let line: Value = serde_json::from_str(text.lines().last().unwrap()).unwrap();
    assert_eq!(entries(&bench), before + 1);
    assert_eq!(line["who"], "RH");
    assert!(line["wall"].as_str().unwrap().len() > 20, "{line}");
}

#[test]
fn an_implausible_number_typed_into_the_walk_is_asked_about() {
    let bench = exam("[0:02] quiet awake\n");
    let skips = skips_until(&bench, "Head circumference");
    let no = walk(&bench, &format!("{skips}345\nn\nq\n"));
    assert!(no.out.contains("outside the plausible"), "{}", no.out);
    assert!(!findings(&bench).iter().any(|f| f.starts_with("head-circumference")));
    walk(&bench, &format!("{skips}34.5\ny\nq\n"));
    assert!(
        findings(&bench).iter().any(|f| f.starts_with("head-circumference observed 34.5")),
        "{:?}",
        findings(&bench)
    );
}

// ---- one decision on the command line ----

#[test]
fn an_implausible_number_is_refused_unless_it_is_meant_and_then_stays_flagged() {
    let bench = exam("[0:02] quiet awake\n[0:05] left popliteal angle ninety\n");
    let before = entries(&bench);
    let settle = ["settle", "e", "3.1", "--number", "395"];
    let ran = bench.run(&settle).code(2);
    assert!(ran.err.contains("395° is outside the plausible"), "{}", ran.err);
    assert!(ran.err.contains("--anyway"), "{}", ran.err);
    assert_eq!(entries(&bench), before);
    bench.run(&[&settle[..], &["--anyway"]].concat()).code(0);
    let gaps = bench.run(&["gaps", "e"]).out;
    assert!(gaps.contains("outside the plausible") && gaps.contains("kept by KT"), "{gaps}");
    assert!(bench.run(&["note", "e"]).out.contains("TO BE CHECKED"));
}

#[test]
fn adding_never_replaces_a_finding_silently() {
    let bench = exam("[0:02] quiet awake\n[0:05] left arm recoil brisk\n");
    let add = |side: &str| {
        bench.run(&[
            "settle",
            "e",
            "--add",
            "arm-recoil",
            "--side",
            side,
            "--value",
            "slow",
            "--at",
            "0:09",
        ])
    };
    for side in ["left", "both"] {
        let ran = add(side).code(2);
        assert!(
            ran.err.contains("there is a finding already: left arm recoil: brisk [3.1]"),
            "{}",
            ran.err
        );
        assert!(ran.err.contains("settle e 3.1 --value"), "{}", ran.err);
    }
    add("right").code(0);
}

#[test]
fn a_reason_is_refused_for_what_was_done_and_for_what_reads_as_a_finding() {
    let bench = exam("[0:02] quiet awake\n[0:05] suck strong\n[0:09] left arm recoil brisk\n");
    let gap = |more: &[&str]| bench.run(&[&["settle", "e", "--gap"][..], more].concat());
    let done = gap(&["suck", "--reason", "no time"]).code(2);
    assert!(done.err.contains("suck was done: suck: strong"), "{}", done.err);
    gap(&["arm-recoil", "--side", "left", "--reason", "no time"]).code(2);
    gap(&["arm-recoil", "--side", "right", "--reason", "arm splinted"]).code(0);
    let value = gap(&["moro", "--reason", "normal"]).code(2);
    assert!(value.err.contains("reads as a finding"), "{}", value.err);
    gap(&["moro", "--reason", "normal", "--anyway"]).code(0);
}

#[test]
fn undo_says_what_it_takes_back_and_a_second_one_is_an_error() {
    let bench = exam("[0:02] quiet awake\n[0:05] arm recoil brisk\n");
    bench.run(&["settle", "e", "3.1", "--side", "left"]).code(0);
    let seq = entries(&bench).to_string();
    let ran = bench.run(&["settle", "e", "--undo", &seq]).code(0);
    assert!(
        ran.out.contains("taken back: [3.1] as arm-recoil left brisk (was decided by KT"),
        "{}",
        ran.out
    );
    let again = bench.run(&["settle", "e", "--undo", &seq]).code(2);
    assert!(again.err.contains("is taken back already"), "{}", again.err);
    // The taking back can itself be taken back, on purpose and said.
    let undo = entries(&bench).to_string();
    let redo = bench.run(&["settle", "e", "--undo", &undo]).code(0);
    assert!(redo.out.contains(&format!("entry {seq} holds again")), "{}", redo.out);
    assert!(findings(&bench).contains(&"arm-recoil left observed brisk sure".into()));
}

// ---- header ----

#[test]
fn a_birth_after_the_start_is_refused_and_nothing_is_written() {
    let bench = exam("[0:02] quiet awake\n");
    let before = entries(&bench);
    let ran = bench.run(&["header", "e", "--born", "2031-04-05T10:00:00+02:00"]).code(2);
    assert!(ran.err.contains("would be after the start of the exam"), "{}", ran.err);
    assert_eq!(entries(&bench), before);
    let read = ["read", "e.txt", "--exam", "n", "--born", "2031-04-05T10:00:00+02:00"];
    bench.run(&[&read[..], &["--started", "2031-04-05T09:00:00+02:00"]].concat()).code(2);
    assert!(!bench.path("n").exists());
}

#[test]
fn a_birth_without_its_offset_is_taken_by_the_local_clock_and_that_is_said() {
    let bench = exam("[0:02] quiet awake\n");
    let mut command = bench.command(&["header", "e", "--born", "2031-04-04 06:20"]);
    command.env("TZ", "UTC");
    let ran = support::finish(command, "").code(0);
    assert!(ran.err.contains("taken by the local clock: 2031-04-04 06:20 +00:00"), "{}", ran.err);
    assert!(ran.out.contains("born 2031-04-04 06:20 +00:00"), "{}", ran.out);
}

#[test]
fn reading_without_a_start_warns_when_ages_depend_on_it() {
    let bench = exam("[0:02] quiet awake\n");
    let ran =
        bench.run(&["read", "e.txt", "--exam", "n", "--born", "2021-04-05T10:00:00+02:00"]).code(0);
    assert!(ran.err.contains("no --started: now,"), "{}", ran.err);
    let quiet = bench.run(&["read", "e.txt", "--exam", "m"]).code(0);
    assert!(!quiet.err.contains("--started"), "{}", quiet.err);
}

// ---- listening ----

fn listen(typed: &str, more: &[&str]) -> String {
    let bench = Bench::new();
    bench.typed(&[&["listen", "--keys", "--exam", "e"][..], more].concat(), typed).code(0).out
}

#[test]
fn words_near_a_command_name_the_command() {
    for (typed, command) in [
        ("undo", "takes the last entry back"),
        ("pause", "pauses: nothing is kept"),
        ("resume", "reads again after a pause"),
        ("read back", "reads the last entry back"),
    ] {
        let out = listen(&format!("{typed}\n"), &[]).replace('\n', " ");
        let out = out.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(out.contains(command), "{typed}: {out}");
    }
    let all = listen("help\n", &[]).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        all.contains("takes the last entry back") && all.contains("finishes the exam"),
        "{all}"
    );
    // What is no command is told as before.
    assert!(listen("what a lovely colour you are\n", &[]).contains("? not understood\n"));
}

#[test]
fn the_echo_says_at_once_when_a_state_makes_a_finding_worthless() {
    let out = listen("crying hard\noverall tone normal\npupils non-reactive\n", &[]);
    assert!(out.contains("overall tone: normal (not valid while crying)"), "{out}");
    assert!(!out.contains("non-reactive (not valid"), "{out}");
}

#[test]
fn a_folder_without_a_journal_offers_the_command_that_makes_one() {
    let bench = Bench::new();
    let ran = bench.run(&["show", "nowhere"]).code(2);
    assert!(ran.err.contains("cotside read FILE --exam nowhere"), "{}", ran.err);
}

// ---- help ----

#[test]
fn every_command_and_its_manual_page_has_an_example() {
    let bench = Bench::new();
    for command in [
        &["read"][..],
        &["listen"],
        &["show"],
        &["gaps"],
        &["note"],
        &["score"],
        &["compare"],
        &["settle"],
        &["explain"],
        &["export"],
        &["header"],
        &["lexicon"],
        &["lexicon", "check"],
        &["lexicon", "items"],
        &["completions"],
        &["manual"],
    ] {
        let help = bench.run(&[command, &["--help"]].concat()).code(0).out;
        assert!(help.starts_with("Examples:\n  cotside "), "{command:?}: {help}");
        let page = bench.run(&[&["manual"], command].concat()).code(0).out;
        assert!(
            page.contains(".SH EXAMPLES") && page.contains("  cotside "),
            "{command:?}: {page}"
        );
    }
}

#[test]
fn export_is_json_unless_told_otherwise() {
    let bench = exam("[0:02] quiet awake\n");
    let plain = bench.run(&["export", "e"]).code(0).json();
    assert_eq!(plain, bench.run(&["export", "e", "--as", "json"]).code(0).json());
}

#[test]
fn the_tests_own_lexicon_settles_as_well() {
    let bench = Bench::new();
    let lexicon = bicycle();
    bench.file("c.txt", "[0:01] headset smooth\n[0:05] pedal tight\n");
    bench.run(&["read", "c.txt", "--exam", "b", "--lexicon", &lexicon, "--by", "AB"]).code(0);
    let ran = bench.typed(&["settle", "b", "--lexicon", &lexicon], "3\nleft 2 mm\ny\nq\n").code(0);
    assert!(ran.out.contains("settled [3.1]: pedal, both sides: tight"), "{}", ran.out);
    assert!(ran.out.contains("left brake pad: 2 mm (by AB"), "{}", ran.out);
}

#[test]
fn a_state_that_was_missed_or_misheard_is_given_afterwards_and_taken_back_like_any_decision() {
    let bench = exam(
        "[0:02] crying\n[1:00] arm recoil brisk both sides\n[2:00] suck strong\n\
         [3:00] quiet awake\n[3:10] palate intact\n",
    );
    let state_of = |item: &str| {
        let v = bench.run(&["export", "e"]).code(0).json();
        let of = v["findings"].as_array().unwrap().iter().find(|f| f["item"] == item).cloned();
        of.unwrap()["state"].as_str().unwrap().to_owned()
    };
    let invalid = || bench.run(&["note", "e"]).code(0).out.contains("NOT VALID IN THE STATE");
    assert_eq!((state_of("arm-recoil"), state_of("suck")), ("crying".into(), "crying".into()));
    let before = bench.run(&["show", "e"]).code(0).out;
    let gave_up = bench.run(&["note", "e"]).code(0).out;
    // He had settled at 0:50, and nobody said so.
    let give = |state: &str, at: &str| {
        bench.run(&["settle", "e", "--add", "behavioural-state", "--value", state, "--at", at])
    };
    let out = give("quiet-awake", "0:50").code(0).out;
    assert!(out.starts_with("quiet awake from 0:50 on (by KT, entry 8)"), "{out}");
    assert_eq!(state_of("arm-recoil"), "quiet-awake");
    assert_eq!(state_of("suck"), "quiet-awake");
    assert_ne!(bench.run(&["note", "e"]).code(0).out, gave_up);
    assert!(!invalid());
    let note = bench.run(&["note", "e"]).code(0).out;
    assert!(note.contains("0:50 quiet awake given as the state from then on (KT, "), "{note}");
    // A second one splits the stretch; what was heard at the very moment gives way.
    give("drowsy", "2:00").code(0);
    assert_eq!(state_of("arm-recoil"), "quiet-awake");
    assert_eq!(state_of("suck"), "drowsy");
    give("active-awake", "3:00").code(0);
    assert_eq!(state_of("palate"), "active-awake");
    for entry in ["10", "9", "8"] {
        bench.run(&["settle", "e", "--undo", entry]).code(0);
    }
    assert_eq!(bench.run(&["show", "e"]).code(0).out, before);
    // What is no state is refused as a value of any item is.
    let err = give("cross", "0:50").code(2).err;
    assert!(err.contains("has no value `cross`") && err.contains("quiet-awake"), "{err}");
}

#[test]
fn a_reading_of_both_sides_is_settled_side_by_side_in_one_answer() {
    let bench = exam("[0:02] quiet awake\n[0:08] palmar grasps, I think strong\n");
    let ran = walk(&bench, "left strong, right weak\ny\nq\n");
    assert!(ran.out.contains("left palmar grasp: strong (by KT"), "{}", ran.out);
    assert!(ran.out.contains("right palmar grasp: weak (by KT"), "{}", ran.out);
    assert_eq!(
        findings(&bench),
        ["palmar-grasp left observed strong sure", "palmar-grasp right observed weak sure"]
    );
    // What the item does not take is not spread over both sides.
    let bench = exam("[0:02] quiet awake\n[0:08] ankle clonus maybe absent\n");
    let ran = walk(&bench, "left strong right absent\nn\nq\n");
    assert!(ran.out.contains("= right ankle clonus: 0 beats"), "{}", ran.out);
    assert!(ran.out.contains("? words not understood: strong"), "{}", ran.out);
}
