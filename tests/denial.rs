//! What is denied is never a sure finding: every value that names itself, with every ending that
//! denies it (common practice, no single source). And corrections, omissions and states that a
//! first user found read the wrong way round.

mod support;

use std::collections::BTreeSet;

use cotside::lexicon::matcher::{Meaning, Saying};

const ENDINGS: &[&str] = &[
    "absent",
    "none",
    "nil",
    "not present",
    "not seen",
    "excluded",
    ", no",
    ", none",
    "ruled out",
];

#[test]
fn a_sign_denied_after_its_name_is_never_a_sure_finding() {
    let lex = support::lexicon();
    let mut wrong = BTreeSet::new();
    let mut tried = 0;
    for (i, e) in lex.matcher.entries.iter().enumerate() {
        let Meaning::Value { item, value, how: Saying::Alone } = e.meaning else { continue };
        let it = &lex.items[item];
        let v = &it.values[value];
        let phrase = lex.matcher.phrase(i);
        // A value that itself says "absent" or "none" is not denied by saying so again, and a
        // phrase that begins with a denial is another sentence with one more.
        let absent = v.concepts.iter().any(|&c| lex.concepts[c].id == "absent");
        let denies = phrase.split(' ').any(|w| {
            ["no", "not", "never", "without", "absent", "cannot", "nothing", "none", "doesn't"]
                .contains(&w)
        });
        if absent || denies || v.expect != Some(cotside::lexicon::Expect::Outside) {
            continue;
        }
        for ending in ENDINGS {
            let text = format!("{phrase} {ending}").replace(" ,", ",");
            tried += 1;
            for got in support::read(&lex, &text) {
                if got.starts_with(&it.id) && got.ends_with(&v.code) {
                    wrong.insert(format!("{text} => {got}"));
                }
            }
        }
    }
    assert!(tried > 2000, "only {tried} tried");
    let shown: Vec<&String> = wrong.iter().take(40).collect();
    assert!(wrong.is_empty(), "{} of {tried} denials read as findings: {shown:#?}", wrong.len());
}

#[test]
fn what_a_first_user_found_the_wrong_way_round_stays_right() {
    let lex = support::lexicon();
    for (words, want) in [
        (
            "popliteal angle ninety on the right, a hundred on the left / correction, left popliteal was ninety as well",
            "popliteal-angle left 90deg; popliteal-angle right 90deg",
        ),
        (
            "left pupil three, no reaction / make that two millimetres on the left",
            "pupils left non-reactive 2mm?",
        ),
        ("suck absent / skip the eyes", "suck absent"),
        ("suck absent / skip hearing", "suck absent"),
        ("suck absent, tube in so skip", "suck absent?"),
        ("palmar grasp right weak I think", "palmar-grasp right weak?"),
        ("the left popliteal is ten degrees more than the right", "-"),
        ("no seizures seen / now a seizure, left arm jerking, thirty seconds", "seizure none?"),
        (
            "right clavicle intact / right clavicle feels a bit lumpy, get an x-ray",
            "clavicles right intact?",
        ),
    ] {
        assert_eq!(support::read(&lex, words), support::wanted(want), "{words}");
    }
}

#[test]
fn eyes_that_drift_or_cross_are_brief_only_where_that_was_said() {
    let lex = support::lexicon();
    let brief = |words: &str| -> Vec<String> {
        let found = support::read(&lex, words);
        found.into_iter().filter(|f| f.contains("brief-dysconjugate")).collect()
    };
    for words in
        ["left eye drifts in, no nystagmus", "eyes cross", "eyes drift", "left eye wanders"]
    {
        assert!(brief(words).iter().all(|f| f.ends_with('?')), "{words}: {:?}", brief(words));
    }
    for words in ["eyes cross now and then", "eyes drift at times", "eyes cross briefly"] {
        assert_eq!(brief(words).len(), 1, "{words}");
    }
}
