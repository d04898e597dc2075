//! The clinical note end to end: how it reads, what stands first, and that nothing said is lost.
//!
//! Infants and exams are invented. What counts in any state and what does not: common practice, no
//! single source.

#[path = "cli/support.rs"]
mod support;

use support::{Bench, Ran, bicycle, root};

const HEADER: [&str; 10] = [
    "--sex",
    "f",
    "--ga",
    "39+2",
    "--by",
    "KT",
    "--born",
    "2031-04-04T03:10:00+02:00",
    "--started",
    "2031-04-05T09:26:53+02:00",
];

/// An exam `e` of these lines.
fn exam(lines: &str) -> Bench {
    with_header(lines, &HEADER)
}

fn with_header(lines: &str, header: &[&str]) -> Bench {
    let bench = Bench::new();
    bench.file("e.txt", lines);
    bench.run(&[&["read", "e.txt", "--exam", "e"][..], header].concat()).code(0);
    bench
}

/// The note as one line a paragraph or point, so that where it is broken does not matter.
fn note(bench: &Bench) -> String {
    let text = bench.run(&["note", "e"]).code(0).out;
    let mut out = String::new();
    for line in text.lines() {
        let heading = line == line.to_uppercase() && line.starts_with(char::is_alphabetic);
        let begins = line.is_empty() || line.starts_with("- ") || heading;
        out.push(if begins || out.ends_with("\n\n") { '\n' } else { ' ' });
        out.push_str(line.trim());
        if heading {
            out.push('\n');
        }
    }
    out
}

/// The part of a note under a heading.
fn part<'a>(note: &'a str, heading: &str) -> &'a str {
    let Some(from) = note.find(heading) else { return "" };
    let rest = &note[from + heading.len()..];
    let lines = rest.match_indices('\n').map(|(k, _)| k);
    let end = lines
        .filter(|k| {
            let line = rest[k + 1..].lines().next().unwrap_or_default();
            line.starts_with(char::is_alphabetic) && line == line.to_uppercase()
        })
        .find(|k| *k > 0);
    &rest[..end.unwrap_or(rest.len())]
}

const FIRST: &str = "OUTSIDE, BORDERLINE OR DIFFERENT";
const INVALID: &str = "NOT VALID AS EXAMINED";
const UNSETTLED: &str = "UNSETTLED:";
const NOT_DONE: &str = "NOT DONE, NO REASON GIVEN";
const WITH_REASON: &str = "NOT DONE, WITH A REASON";
const CONTEXT: &str = "CONTEXT";
const CHANGES: &str = "CORRECTIONS AND DECISIONS";

#[test]
fn findings_are_plain_sentences_without_quotation_marks() {
    let bench = exam(
        "[0:02] quiet awake\n[0:05] right arm recoil brisk\n[0:09] left arm recoil slow\n\
         [0:12] no seizures\n[0:15] pupils equal and reactive\n[0:20] face symmetrical\n\
         [0:24] left knee jerk two\n[0:26] right knee jerk two\n",
    );
    let note = note(&bench);
    assert!(
        part(&note, FIRST).contains(
            "- Arm recoil: slow on the left (borderline for term), brisk on the right; \
             the sides differ."
        ),
        "{note}"
    );
    for sentence in [
        "Pupils: equal and reactive.",
        "Face: symmetric.",
        "Knee jerk: normal (2) on both sides.",
        "No clinical seizure seen.",
    ] {
        assert!(part(&note, "AS EXPECTED").contains(sentence), "{sentence} in\n{note}");
    }
    for odd in
        ["was recorded", "->", "\"brisk\"", "seizure none", "symmetric at rest and crying on"]
    {
        assert!(!note.contains(odd), "{odd} in\n{note}");
    }
}

#[test]
fn a_sign_stays_in_the_first_part_whatever_the_state_it_was_seen_in() {
    let bench = exam(
        "[0:02] crying hard\n[0:05] left clavicle crepitus, fracture suspected\n\
         [0:08] pupils non-reactive\n[0:12] posture opisthotonus\n[0:16] left knee jerk absent\n\
         [0:20] overall tone normal\n",
    );
    let note = note(&bench);
    let first = part(&note, FIRST);
    // Counts in any state, and says in which it was seen.
    assert!(first.contains("Clavicles: ") && first.contains("on the left"), "{note}");
    assert!(
        first.contains(
            "Pupils: non-reactive (outside what is expected for term; seen while crying)"
        ),
        "{note}"
    );
    // Not said to count in any state: first all the same, with what speaks against it beside it.
    assert!(
        first.contains("Resting posture: opisthotonus (outside what is expected for term; seen while crying, a state in which it cannot be judged)"),
        "{note}"
    );
    // What a state does take away: a normal finding, and a response that did not come.
    let invalid = part(&note, INVALID);
    assert!(invalid.contains("Overall tone: normal, seen while crying"), "{note}");
    assert!(invalid.contains("Knee jerk: absent on the left, seen while crying"), "{note}");
    assert!(!first.contains("Overall tone") && !first.contains("Knee jerk"), "{note}");
}

#[test]
fn a_sign_seen_in_a_drowsy_infant_is_graded_and_the_item_counts_as_done() {
    let bench = exam("[0:02] drowsy\n[0:05] lip smacking, suspected seizure, movements\n");
    let note = note(&bench);
    let words = part(&note, FIRST).to_lowercase();
    assert!(
        words.contains("seizure") && words.contains("while drowsy")
            || words.contains("seizure suspected"),
        "{note}"
    );
    assert!(!part(&note, INVALID).contains("eizure"), "{note}");
}

#[test]
fn an_unsettled_reading_that_would_be_a_sign_is_pointed_out_where_the_signs_are() {
    let bench =
        exam("[0:02] quiet awake\n[0:05] clavicle, maybe a fracture\n[0:09] arm recoil brisk\n");
    let note = note(&bench);
    let first = part(&note, FIRST);
    assert!(
        first.contains("Not settled, and outside what is expected if it holds: clavicles"),
        "{note}"
    );
    assert!(first.contains("(at 0:05)") && !first.contains("arm recoil"), "{note}");
    // It is no finding yet, and is told as a reading among the unsettled.
    assert!(part(&note, UNSETTLED).contains("maybe a fracture"), "{note}");
}

#[test]
fn each_open_matter_stands_once() {
    let bench = exam(
        "[0:02] quiet awake\n[0:05] no prone, no ventral suspension, lines everywhere\n\
         [0:12] arm recoil brisk\n",
    );
    let note = note(&bench);
    let unsettled = part(&note, UNSETTLED);
    for item in ["prone position", "ventral suspension"] {
        assert!(unsettled.contains(item), "{item} in\n{note}");
        for other in [NOT_DONE, WITH_REASON] {
            assert!(!part(&note, other).to_lowercase().contains(item), "{item} twice in\n{note}");
        }
    }
    assert!(unsettled.contains("arm recoil: brisk"), "{note}");
    assert!(!part(&note, NOT_DONE).contains("arm recoil"), "{note}");
}

#[test]
fn an_announced_item_is_quoted_with_what_was_said_after_it() {
    let bench = exam(
        "[0:02] quiet awake\n[0:05] left knee jerk two\n[0:10] now the suck\n\
         [0:14] champs like a wee goat\n[0:30] spine normal\n",
    );
    let note = note(&bench);
    assert!(
        part(&note, UNSETTLED).contains(
            "- Suck: begun at 0:10, and no result was understood. Said: 0:14 \"champs like a wee goat\"."
        ),
        "{note}"
    );
    assert!(!part(&note, NOT_DONE).contains("suck"), "{note}");
}

#[test]
fn what_was_told_of_an_earlier_seizure_is_quoted_and_no_finding() {
    let said = "seizure at six this morning, lip smacking, nothing since";
    let note = note(&exam(&format!("[0:02] quiet awake\n[0:05] suck strong\n[0:10] {said}\n")));
    let unsettled = part(&note, UNSETTLED);
    assert!(unsettled.contains("Clinical seizure: begun at 0:10"), "{note}");
    assert!(unsettled.contains(said), "{note}");
    assert!(!note.contains("seizure seen"), "{note}");
}

#[test]
fn what_was_said_at_the_start_is_quoted_and_what_was_not_used_is_counted() {
    let bench = exam(
        "[0:02] on cooling for HIE, thirty-three point five, morphine running\n\
         [0:09] left knee jerk two\n[0:15] what a bonny wee thing\n",
    );
    let note = note(&bench);
    assert!(
        part(&note, CONTEXT)
            .contains("- 0:02 \"on cooling for HIE, thirty-three point five, morphine running\""),
        "{note}"
    );
    assert!(!part(&note, CONTEXT).contains("bonny"), "{note}");
    assert!(
        note.contains("2 of 3 phrases were read as nothing; `cotside show EXAM --timeline`"),
        "{note}"
    );
}

#[test]
fn reasons_are_told_without_because_and_with_who_gave_them() {
    let bench = exam(
        "[0:02] quiet awake\n[0:05] left knee jerk two\n[0:09] gag not done because she has just fed\n",
    );
    bench
        .run(&["settle", "e", "--gap", "suck", "--reason", "because she was tired", "--by", "RH"])
        .code(0);
    let note = note(&bench);
    let with = part(&note, WITH_REASON);
    assert!(with.contains("Gag and palate movement: not done (she has just fed)."), "{note}");
    assert!(with.contains("Suck: not done (she was tired; RH, 20"), "{note}");
    assert!(!note.contains("because"), "{note}");
}

#[test]
fn a_correction_says_what_it_changed_once_and_a_decision_who_made_it_and_when() {
    let bench = exam(
        "[0:02] quiet awake\n[0:05] right clavicle intact\n[0:08] correction, left clavicle\n\
         [0:20] arm recoil slow\n[0:24] left knee jerk two\n",
    );
    bench.run(&["settle", "e", "5.1", "--side", "right", "--by", "RH"]).code(0);
    bench.run(&["settle", "e", "5.1", "--side", "left", "--value", "brisk", "--by", "CD"]).code(0);
    let note = note(&bench);
    let changes = part(&note, CHANGES);
    assert!(changes.contains("- 0:05 right clavicle intact, corrected to left at 0:08."), "{note}");
    let settled: Vec<&str> = changes.lines().filter(|l| l.contains("settled as")).collect();
    assert_eq!(settled.len(), 2, "{note}");
    assert!(
        settled[0].contains("0:20 arm recoil slow (side not said), settled as right (RH, 20"),
        "{note}"
    );
    assert!(
        settled[1].contains("0:20 right arm recoil slow, settled as brisk on the left (CD, 20"),
        "{note}"
    );
    // The finding itself says so too.
    assert!(
        part(&note, "AS EXPECTED").contains("Arm recoil: brisk on the left (settled by CD, 20"),
        "{note}"
    );
}

#[test]
fn the_age_is_told_in_hours_and_days_and_names_no_day() {
    let note =
        note(&exam("[0:02] quiet awake\n[0:05] left knee jerk two\n[0:09] asleep, light sleep\n"));
    assert!(note.contains("30 hours old (1 completed day)"), "{note}");
    assert!(!note.contains("(day"), "{note}");
    assert!(note.contains("light sleep from 0:09"), "{note}");
}

#[test]
fn a_preterm_infant_against_the_term_protocol_is_warned_of_everywhere() {
    let header = [&HEADER[..2], &["--ga", "31+0"], &HEADER[4..]].concat();
    let bench = Bench::new();
    bench.file("e.txt", "[0:02] quiet awake\n[0:05] left knee jerk two\n");
    let read = bench.run(&[&["read", "e.txt", "--exam", "e"][..], &header].concat()).code(0);
    assert!(read.err.contains("warning: gestational age 31+0 weeks"), "{}", read.err);
    assert!(read.err.contains("short-discharge") && read.err.contains("ungraded"), "{}", read.err);
    for command in ["show", "gaps", "note"] {
        let out = bench.run(&[command, "e"]).out;
        assert!(out.to_lowercase().contains("warning: gestational age 31+0"), "{command}: {out}");
    }
    // An infant of term is not warned of.
    assert!(!exam("[0:05] left knee jerk two\n").run(&["show", "e"]).out.contains("warning"));
}

/// Commands whose output people read, each with what it needs.
fn readable(bench: &Bench) -> Vec<Ran> {
    let mut out = Vec::new();
    for args in [
        &["show", "e"][..],
        &["show", "e", "--timeline"],
        &["gaps", "e"],
        &["note", "e"],
        &["explain", "e"],
        &["score", "e"],
        &["score", "e", "--list"],
        &["header", "e"],
        &["compare", "e", "e"],
        &["lexicon", "items"],
        &["lexicon", "check"],
        &["--help"],
        &["-h"],
        &["settle", "e"],
    ] {
        out.push(bench.run(args));
    }
    for command in [
        "read",
        "listen",
        "show",
        "gaps",
        "note",
        "score",
        "compare",
        "settle",
        "explain",
        "export",
        "header",
        "lexicon",
        "completions",
        "manual",
    ] {
        out.push(bench.run(&[command, "--help"]));
    }
    out
}

#[test]
fn no_line_that_a_person_reads_is_wider_than_80_columns() {
    for name in ["d05-cooled-night.txt", "d07-plexus-crying.txt", "d02-teacher.txt"] {
        let text = std::fs::read_to_string(root().join("tests/narrations/dev").join(name)).unwrap();
        let bench = exam(&text);
        for ran in readable(&bench) {
            let wide: Vec<&str> = ran.out.lines().filter(|l| l.chars().count() > 80).collect();
            assert_eq!(wide, Vec::<&str>::new(), "{name}");
        }
    }
}

#[test]
fn a_long_command_is_broken_so_that_it_can_still_be_copied() {
    let bench = Bench::new();
    bench.file("c.txt", "[0:01] headset smooth\n[0:05] left pedal tight\n");
    let exam = "a-folder/with-a-long-name-of-many-words/that-goes-on-and-on";
    let lexicon = bicycle();
    bench.run(&["read", "c.txt", "--exam", exam, "--lexicon", &lexicon]).code(0);
    let gaps = bench.run(&["gaps", exam, "--lexicon", &lexicon]).code(1).out;
    assert!(gaps.contains(" \\\n"), "{gaps}");
    let joined = gaps.replace(" \\\n", " ");
    let words: Vec<&str> = joined.split_whitespace().collect();
    let whole = format!("cotside settle {exam} --gap pedal --side right --reason \"...\"");
    assert!(words.join(" ").contains(&whole), "{gaps}");
}

#[test]
fn what_was_told_of_the_night_and_trade_words_read_as_nothing_are_quoted_in_the_note() {
    let bench = exam(
        "[0:02] quiet awake\n[0:05] suck strong\n[0:10] jittery\n\
         [0:14] mum says she twitched in the night\n[0:20] what a lovely day\n\
         [0:26] couldn't do the gag, she'd just fed\n",
    );
    let note = bench.run(&["note", "e"]).code(0).out;
    let quoted = &note[note.find("HEARD AND NOT USED").unwrap()..];
    assert!(quoted.contains("- 0:10 \"jittery\""), "{note}");
    let first = &note[note.find(GRAVE).unwrap()..note.find("OUTSIDE, BORDERLINE").unwrap()];
    assert!(first.contains("- 0:14 \"mum says she twitched in the night\""), "{note}");
    assert!(!quoted.contains("lovely"), "{note}");
    assert!(note.contains("not done (she'd just fed)"), "{note}");
}

const GRAVE: &str = "SAID, AND IN NO FINDING: TO BE READ FIRST";

#[test]
fn grave_words_that_are_in_no_finding_are_quoted_first_with_their_time() {
    let said = "She's had a jerking of the left leg just now, it carried on when I held it";
    let bench = exam(&format!("[0:02] quiet awake\n[0:05] suck strong\n[1:10] {said}\n"));
    let text = note(&bench);
    let first = part(&text, GRAVE);
    assert!(first.contains(&format!("- 1:10 \"{said}\" Does it tell of a seizure")), "{text}");
    assert!(text.find(GRAVE) < text.find("OUTSIDE, BORDERLINE"), "{text}");
    for command in ["show", "gaps"] {
        let out = bench.run(&[command, "e"]).out;
        let out = out.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(out.contains(&format!("! 1:10 \"{said}\"")), "{command}: {out}");
    }
}

#[test]
fn every_kind_of_grave_words_is_quoted_first_and_what_only_looks_like_them_is_not() {
    let grave = [
        "there she goes again, a fit I think",
        "his eyes roll up and the hand is twitching",
        "she stopped breathing, and then",
        "he went quite blue round the mouth",
        "that was green vomit on the sheet",
        "I cannot wake her whatever I do",
        "there's bleeding from the cord stump",
        "she was dropped from the sofa on Tuesday",
    ];
    let not = [
        "the sister does not rush",
        "my finger fits in the hand nicely",
        "the tape fits round it",
        "what a bonny wee thing",
        "no bleeding anywhere that I can see",
    ];
    let lines = |list: &[&str]| -> String {
        list.iter().enumerate().map(|(k, w)| format!("[2:{k:02}] {w}\n")).collect()
    };
    let head = "[0:02] quiet awake\n[0:05] suck strong\n";
    let text =
        note(&exam(&format!("{head}{}{}", lines(&grave), lines(&not).replace("[2:", "[4:"))));
    let first = part(&text, GRAVE);
    // One of them is read, and asked.
    let asked = part(&text, UNSETTLED);
    for words in grave {
        let said = format!("\"{words}\"");
        assert!(first.contains(&said) || asked.contains(&said), "{words}\n{text}");
    }
    assert!(first.matches("Does it tell of").count() >= grave.len() - 1, "{text}");
    for words in not {
        assert!(!first.contains(words), "{words}\n{text}");
    }
    // Denied, and quoted all the same, further down.
    assert!(text.contains("4:04 \"no bleeding anywhere that I can see\""), "{text}");
}

#[test]
fn grave_words_of_which_a_finding_tells_are_not_quoted_beside_it() {
    let text = note(&exam("[0:02] quiet awake\n[0:05] no seizures seen\n[0:10] suck strong\n"));
    assert!(!text.contains(GRAVE), "{text}");
    assert!(text.contains("seizure"), "{text}");
}
