//! No printed value says more than was said: what note and show print of a phrase that says less
//! than the value it stands for. Which phrase says less is common practice, no single source.

#[path = "cli/support.rs"]
mod support;

use support::Bench;

/// What is said, what note and show must print of it, and what they must not.
const SAID: &[(&str, &str, &str)] = &[
    ("no facial palsy", "no facial palsy", "at rest and crying"),
    ("oculocephalic reflex present", "oculocephalic reflex present", "both directions"),
    ("cry normal pitch", "of normal pitch", "strong"),
    ("right knee jerk normal", "knee jerk normal", "normal (2)"),
    ("plantar grasp on the left present", "plantar grasp present", "curl"),
    ("gag present", "present", "palate rises"),
    ("palate no cleft", "no cleft", "intact"),
];

#[test]
fn note_and_show_print_no_more_of_a_value_than_was_said() {
    let bench = Bench::new();
    let text: String = SAID
        .iter()
        .enumerate()
        .map(|(i, (said, _, _))| format!("[{}:00] {said}\n", i + 1))
        .collect();
    bench.file("said.txt", text);
    bench
        .run(&["read", "said.txt", "--exam", "e", "--started", "2031-04-05T09:26:53+02:00"])
        .code(0);
    for command in ["note", "show"] {
        let out = bench.run(&[command, "e"]).code(0).out;
        // Lines are wrapped and parted in columns: a text is looked for across the spaces.
        let flat = out.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase();
        for (said, printed, more) in SAID {
            // The name of the item stands before the value in the note alone.
            let value = printed.rsplit(" reflex ").next().unwrap();
            let value = value.rsplit(" jerk ").next().unwrap().rsplit(" grasp ").next().unwrap();
            assert!(flat.contains(value), "{command} of `{said}` lacks `{value}`:\n{out}");
            assert!(!flat.contains(more), "{command} of `{said}` says `{more}`:\n{out}");
        }
    }
}

#[test]
fn a_phrase_that_says_the_whole_prints_the_whole_and_a_grade_given_is_kept() {
    let bench = Bench::new();
    bench.file(
        "said.txt",
        "[1:00] face symmetric at rest and crying\n[2:00] right knee jerk two plus\n",
    );
    bench
        .run(&["read", "said.txt", "--exam", "e", "--started", "2031-04-05T09:26:53+02:00"])
        .code(0);
    let out = bench.run(&["note", "e"]).code(0).out;
    let flat = out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("symmetric at rest and crying"), "{out}");
    assert!(flat.contains("normal (2)"), "{out}");
}

/// Shared meanings that do say the whole of a name made of several parts: item, value, meaning.
const WHOLE: &[(&str, &str, &str)] = &[];

#[test]
fn a_shared_meaning_never_prints_as_a_value_named_by_several_parts() {
    let lex = cotside::lexicon::shipped("newborn").unwrap();
    let mut over = vec![];
    let mut compound = 0;
    for item in &lex.items {
        for v in &item.values {
            if ![",", " and ", " or "].iter().any(|part| v.say.contains(part)) {
                continue;
            }
            compound += 1;
            for concept in v.concepts.iter().map(|&c| lex.concepts[c].id.as_str()) {
                let whole = WHOLE.contains(&(item.id.as_str(), v.code.as_str(), concept));
                if !v.less.contains_key(concept) && !whole {
                    over.push(format!("{} {}: {concept} prints `{}`", item.id, v.code, v.say));
                }
            }
        }
    }
    assert!(compound > 20, "only {compound} names of several parts were found");
    assert!(over.is_empty(), "{}", over.join("\n"));
}
