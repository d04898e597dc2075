//! Findings counted by domain: every item once, and never more said than the parts say.

mod in_memory;

use cotside::grade::{Counts, Summary, grade, summary};
use cotside::lexicon::model::Need;
use in_memory::Value::{NotObtained, Number, Skipped, Word};
use in_memory::{Log, newborn};

fn of(log: &Log<'_>) -> Summary {
    let x = log.exam();
    summary(&x, &grade(&x, newborn()), newborn())
}

fn required() -> usize {
    let p = newborn().protocol(None).unwrap();
    p.items.iter().filter(|(_, need, _)| *need == Need::Required).count()
}

fn domain(s: &Summary, id: &str) -> Counts {
    let section = newborn().sections.iter().position(|s| s.id == id).unwrap();
    s.domains.iter().find(|d| d.section == section).map(|d| d.counts).unwrap_or_default()
}

#[test]
fn an_empty_exam_is_all_not_assessed() {
    let s = of(&Log::new(newborn()));
    assert_eq!(s.all, Counts { missing: required(), ..Counts::default() });
    let n = required();
    assert_eq!(s.line(), format!("{n} items: {n} of {n} items not assessed"));
}

#[test]
fn each_item_is_counted_once_and_the_domains_add_up_to_the_whole() {
    let mut log = Log::new(newborn());
    log.say("quiet awake");
    log.add("suck", None, Word("strong"));
    log.add("moro", Some("both"), Word("absent"));
    log.add("arm-recoil", Some("left"), Word("slow"));
    log.add("arm-recoil", Some("right"), Word("brisk"));
    log.add("gag", None, Word("weak"));
    let s = of(&log);
    let sum = s.domains.iter().map(|d| d.counts.items()).sum::<usize>();
    assert_eq!(sum, s.all.items());
    // The gag is not required, yet it was found; the state is required and kept as a track.
    assert_eq!(s.all.items(), required() + 1);
    assert_eq!(domain(&s, "primitive-reflexes").outside, 1);
    let passive = domain(&s, "passive-tone");
    assert_eq!((passive.borderline, passive.expected), (1, 0), "one item, two sides");
}

#[test]
fn one_side_only_is_not_counted_as_expected() {
    let mut log = Log::new(newborn());
    log.add("palmar-grasp", Some("left"), Word("strong"));
    let s = of(&log);
    assert_eq!((s.all.expected, s.all.one_side), (0, 1));
    log.add("palmar-grasp", Some("right"), Word("strong"));
    let s = of(&log);
    assert_eq!((s.all.expected, s.all.one_side), (1, 0));
}

#[test]
fn a_worse_side_counts_even_where_the_other_was_not_looked_at() {
    let mut log = Log::new(newborn());
    log.add("palmar-grasp", Some("left"), Word("absent"));
    assert_eq!(of(&log).all.outside, 1);
}

#[test]
fn skipped_is_not_assessed_and_not_elicited_is_recorded_ungraded() {
    let mut log = Log::new(newborn());
    log.add("suck", None, Skipped);
    log.add("rooting", Some("both"), NotObtained);
    let s = of(&log);
    assert_eq!((s.all.ungraded, s.all.missing), (1, required() - 1));
}

#[test]
fn all_unsettled_or_all_in_the_wrong_state_is_none_as_expected() {
    let mut log = Log::new(newborn());
    log.say("popliteal angle ninety");
    log.say("scarf sign to midline");
    let s = of(&log);
    assert_eq!((s.all.unsettled, s.all.expected), (2, 0));

    let mut log = Log::new(newborn());
    log.say("deep sleep");
    log.add("suck", None, Word("strong"));
    log.add("knee-jerk", Some("both"), Word("absent"));
    let s = of(&log);
    assert_eq!((s.all.invalid, s.all.expected, s.all.outside), (2, 0, 0));
    assert!(s.line().contains("2 not valid as examined"), "{}", s.line());
}

#[test]
fn without_an_age_everything_found_is_ungraded() {
    let mut log = Log::new(newborn());
    log.header.born = None;
    log.add("suck", None, Word("strong"));
    log.add("heart-rate", None, Number(130.0));
    let s = of(&log);
    assert_eq!((s.all.ungraded, s.all.expected), (2, 0));
}
