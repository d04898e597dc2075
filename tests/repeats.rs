//! Several observations of one item: which stands, and that none is lost.

mod in_memory;

use cotside::exam::fold::{Fold, Moment};
use cotside::exam::{Exam, Standing};
use cotside::grade::scales::{of_lexicon, score_all};
use cotside::grade::{Grade, ages, grade};
use cotside::lexicon::model::Expect;
use cotside::reading::{Doubt, Finding, FindingId, Reading, Side, Status};
use cotside::report::text;
use in_memory::{Log, newborn};
use proptest::prelude::*;

fn exam(phrases: &[&str]) -> Exam {
    let mut log = Log::new(newborn());
    for p in phrases {
        log.say(p);
    }
    log.exam()
}

fn of<'x>(x: &'x Exam, item: &str) -> Vec<&'x Standing> {
    x.of(newborn().item(item).unwrap()).collect()
}

/// The one finding of an item: value, whether it is sure, how many observations are kept.
fn one(x: &Exam, item: &str) -> (Option<String>, bool, usize) {
    let all = of(x, item);
    assert_eq!(all.len(), 1, "{item}");
    let s = all[0];
    (s.finding.value.clone(), s.finding.is_sure(), s.trials.len())
}

/// A reading of one finding without sides, with a doubt or without.
fn reading(item: &str, value: &str, phrase: u64, doubt: Option<Doubt>) -> Reading {
    let finding = Finding {
        id: FindingId { phrase, index: 1 },
        item: newborn().item(item).unwrap(),
        side: None,
        status: Status::Observed,
        value: Some(value.into()),
        wording: None,
        number: None,
        range: None,
        unit: None,
        reason: None,
        doubts: doubt.into_iter().collect(),
        why: String::new(),
        corrects: Vec::new(),
        again: false,
        at_ms: phrase * 1000,
    };
    Reading { findings: vec![finding], ..Reading::default() }
}

/// Scores still possible for a sign of the encephalopathy criteria.
fn possible(x: &Exam, sign: &str) -> Vec<i32> {
    let scales = of_lexicon(newborn()).unwrap();
    let k = scales.iter().position(|s| s.id == "encephalopathy-2005").unwrap();
    let scored = score_all(&scales, x, &ages(&x.header), newborn());
    let s = scored.iter().find(|s| s.scale == k).unwrap();
    s.signs[scales[k].sign(sign).unwrap()].possible.clone()
}

#[test]
fn a_seizure_seen_after_none_was_seen_stands_and_both_are_shown() {
    let x = exam(&["quiet awake", "no seizures seen", "witnessed seizure"]);
    assert_eq!(one(&x, "seizure"), (Some("witnessed".into()), true, 2));
    assert_eq!(possible(&x, "seizure"), [1]);
    let g = grade(&x, newborn());
    let o = cotside::grade::Overview::new(of_lexicon(newborn()).unwrap(), &x, &g, newborn());
    let shown = text::show(&x, newborn(), &g, &o);
    assert!(shown.contains("2 observations: none at"), "{shown}");
    assert!(shown.contains("witnessed at"), "{shown}");
}

#[test]
fn no_seizure_said_later_takes_none_away() {
    let x = exam(&["quiet awake", "witnessed seizure", "tone normal", "seizures none"]);
    assert_eq!(one(&x, "seizure"), (Some("witnessed".into()), true, 2));
    assert_eq!(possible(&x, "seizure"), [1]);
}

#[test]
fn a_word_of_correction_takes_away_what_was_seen() {
    let x = exam(&["witnessed seizure", "correction, no seizures seen"]);
    let (value, _, _) = one(&x, "seizure");
    assert_eq!(value.as_deref(), Some("none"));
}

#[test]
fn suspicious_movements_leave_a_seizure_open_where_none_was_said() {
    // "Seizure alone suffices": a sign of that weight is not settled by its own item alone.
    let x = exam(&["quiet awake", "no seizures seen", "lip smacking"]);
    assert_eq!(one(&x, "movement-quality").0.as_deref(), Some("suspected-seizure"));
    assert_eq!(possible(&x, "seizure"), [0, 1]);
    assert_eq!(possible(&exam(&["no seizures seen"]), "seizure"), [0]);
}

#[test]
fn a_sign_that_counts_once_seen_is_valid_in_every_state() {
    for state in ["deep sleep", "light sleep", "drowsy", "quiet awake", "active awake", "crying"] {
        let x = exam(&[state, "witnessed seizure", "high pitched cry", "sustained eye deviation"]);
        assert_eq!(possible(&x, "seizure"), [1], "{state}");
        for s in &x.findings {
            assert!(!s.in_wrong_state(newborn()), "{state}: {:?}", s.finding);
        }
        assert!(x.findings.len() >= 2, "{state}");
    }
    // A weak cry is judged while crying only.
    let x = exam(&["quiet awake", "cry weak"]);
    assert!(of(&x, "cry")[0].in_wrong_state(newborn()));
}

#[test]
fn what_a_wrong_state_hides_does_not_take_away_what_a_right_one_showed() {
    // The knee jerk is strongly reduced or abolished in active sleep (study of the knee jerk by sleep
    // state, abstract).
    for (first, then) in [(0, 1), (1, 0)] {
        let said = [["quiet awake", "knee jerks normal"], ["light sleep", "knee jerks absent"]];
        let x = exam(&[said[first], said[then]].concat());
        let (value, sure, kept) = one(&x, "knee-jerk");
        assert_eq!((value.as_deref(), sure, kept), (Some("normal"), true, 2), "{first} {then}");
        let states: Vec<_> = of(&x, "knee-jerk")[0].trials.iter().map(|t| t.state).collect();
        assert_ne!(states[0], states[1], "each observation keeps its state");
    }
}

#[test]
fn two_values_of_an_item_without_a_rule_are_unsettled_and_both_are_kept() {
    for said in [["tone normal", "tone decreased"], ["tone decreased", "tone normal"]] {
        let x = exam(&[&["quiet awake"][..], &said].concat());
        let (_, sure, kept) = one(&x, "tone");
        assert!(!sure, "{said:?}");
        assert_eq!(kept, 2, "{said:?}");
        assert_eq!(possible(&x, "tone"), [0, 1, 2], "nothing unsettled feeds a scale");
    }
}

#[test]
fn elicited_and_then_not_is_unsettled_and_not_elicited_and_then_elicited_is_not() {
    let x = exam(&["quiet awake", "suck strong", "cannot get a suck"]);
    let s = of(&x, "suck")[0];
    assert_eq!((s.finding.status, s.trials.len()), (Status::NotObtained, 2));
    assert!(!s.finding.is_sure());
    let x = exam(&["quiet awake", "cannot get a suck", "suck strong"]);
    assert_eq!(one(&x, "suck"), (Some("strong".into()), true, 2));
}

#[test]
fn the_rule_of_the_item_decides_and_a_side_it_does_not_decide_is_left() {
    // Largest of repeated head circumferences; best answer to sound: common practice.
    let x = exam(&[
        "head circumference 34.1 cm",
        "head circumference 34.6 cm",
        "head circumference 34.3 cm",
    ]);
    let s = of(&x, "head-circumference")[0];
    assert_eq!((s.finding.number, s.trials.len(), s.finding.is_sure()), (Some(34.6), 3, true));
    let x =
        exam(&["quiet awake", "turns to sound on the left", "no response to sound on both sides"]);
    let by_side: Vec<(Option<Side>, Option<String>)> = of(&x, "sound-response")
        .iter()
        .map(|s| (s.finding.side, s.finding.value.clone()))
        .collect();
    assert_eq!(by_side.len(), 2, "{by_side:?}");
    assert_ne!(by_side[0].1, by_side[1].1, "{by_side:?}");
}

#[test]
fn a_sign_that_counts_in_any_state_takes_no_graver_ones_place() {
    // Unequal pupils count in any state; constricted ones, further down the list, do not.
    for said in [["pupils unequal", "pupils constricted"], ["pupils constricted", "pupils unequal"]]
    {
        let x = exam(&[&["quiet awake"][..], &said].concat());
        let (_, sure, kept) = one(&x, "pupils");
        assert!(!sure, "{said:?}: two signs are left to a person");
        assert_eq!(kept, 2, "{said:?}");
    }
}

#[test]
fn what_lasts_and_is_then_said_not_to_be_there_is_left_to_a_person() {
    for (sign, reassures) in [
        ("pupils dilated", "pupils equal and reactive"),
        ("left ear low set", "left ear normal position"),
    ] {
        let x = exam(&["quiet awake", sign, reassures]);
        let first: Vec<_> =
            exam(&["quiet awake", sign]).findings.iter().map(|s| s.finding.value.clone()).collect();
        let all: Vec<_> = x.findings.iter().map(|s| s.finding.value.clone()).collect();
        assert_eq!(all, first, "the sign is not taken away");
        let s = x.findings.last().unwrap();
        assert!(!s.finding.is_sure(), "{sign}, {reassures}");
        assert_eq!(s.trials.len(), 2, "both are kept");
    }
}

#[test]
fn a_sign_in_a_wrong_state_is_not_hidden_by_what_a_right_one_showed() {
    let x = exam(&["quiet awake", "posture frog leg", "crying", "posture opisthotonus"]);
    let (_, sure, kept) = one(&x, "posture");
    assert_eq!((sure, kept), (false, 2), "left to a person");
}

#[test]
fn a_sign_half_heard_takes_no_sure_findings_place() {
    // A value said where the item was not named may be of another one.
    for (first, then) in [("none", "witnessed"), ("suspected", "witnessed")] {
        let sure = reading("seizure", first, 1, None);
        let half = reading("seizure", then, 2, Some(Doubt::ItemNotNamed));
        let moment = Moment { state: None, line: None, until_ms: 0 };
        let mut fold = Fold::default();
        fold.take(&sure, moment, newborn());
        fold.take(&half, moment, newborn());
        assert_eq!(fold.standing.len(), 1, "{first} {then}");
        let s = &fold.standing[0];
        assert_eq!(s.finding.value.as_deref(), Some(first), "{first} {then}");
        assert!(!s.finding.is_sure(), "what was said later is told beside it");
        // Heard for certain, it takes the place.
        fold.take(&reading("seizure", then, 3, None), moment, newborn());
        assert_eq!(fold.standing[0].finding.value.as_deref(), Some(then));
    }
}

#[test]
fn no_value_that_counts_once_seen_is_an_expected_one() {
    let mut marked = 0;
    for item in &newborn().items {
        for v in item.values.iter().filter(|v| v.any_state) {
            assert_ne!(v.expect, Some(Expect::Expected), "{} {}", item.id, v.code);
            marked += 1;
        }
    }
    assert!(marked >= 8, "{marked}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn in_whatever_order_it_is_said_the_worst_that_was_seen_stands_and_nothing_is_lost(
        order in Just(vec![0usize, 1, 2, 3]).prop_shuffle(),
    ) {
        let said = ["breathing regular", "breathing periodic", "apnoea", "breathing fast"];
        let phrases: Vec<&str> = order.iter().map(|&k| said[k]).collect();
        let x = exam(&phrases);
        let (value, sure, kept) = one(&x, "respiration");
        prop_assert_eq!(value.as_deref(), Some("apnoea"));
        prop_assert!(sure);
        prop_assert_eq!(kept, 4);
        let k = x.findings.iter().position(|s| s.finding.value.as_deref() == Some("apnoea"));
        prop_assert_eq!(grade(&x, newborn()).grades[k.unwrap()], Grade::Outside);
    }
}

#[test]
fn a_word_and_a_number_of_one_item_said_apart_are_one_finding() {
    let lex = in_memory::newborn();
    let pupils = lex.item("pupils").unwrap();
    let after = |words: &[&str]| -> Vec<String> {
        let mut log = in_memory::Log::new(lex);
        log.say("quiet awake");
        for w in words {
            log.say(w);
        }
        let x = log.exam();
        let told = |f: &cotside::reading::types::Finding| {
            let sure = if f.is_sure() { "" } else { "?" };
            format!("{} {:?}{sure}", f.value.as_deref().unwrap_or("-"), f.number)
        };
        x.of(pupils).map(|s| told(&s.finding)).collect()
    };
    let whole = ["equal-reactive Some(3.0)"];
    assert_eq!(after(&["pupils both 3 mm", "pupils equal and reactive"]), whole);
    assert_eq!(after(&["pupils equal and reactive", "pupils both 3 mm"]), whole);
    assert_eq!(
        after(&["pupils both 3 mm", "pupils equal and reactive", "pupils both 3 mm"]),
        whole
    );
    // Another number, or another word, is no completion.
    let other = after(&["pupils both 3 mm", "pupils equal and reactive", "pupils both 5 mm"]);
    assert_ne!(other, whole);
    // Nor is what was seen in another state.
    assert_ne!(after(&["pupils both 3 mm", "crying", "pupils equal and reactive"]), whole);
}
