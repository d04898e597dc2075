//! Several exams of one infant: what is called a change, and what is not.

mod in_memory;

use chrono::Duration;
use cotside::exam::Exam;
use cotside::grade::serial::{Change, Course, Identity, Visit, courses, strangers};
use cotside::grade::{Graded, grade};
use in_memory::Value::{NotObtained, Number, Skipped, Word};
use in_memory::{Log, Value, ga, newborn};

/// An exam of one item, in a state, some hours after the usual start.
fn visit(hours: i64, state: &str, item: &str, side: Option<&str>, value: Option<Value>) -> Exam {
    let mut log = Log::new(newborn());
    log.header.started += Duration::hours(hours);
    if !state.is_empty() {
        log.say(state);
    }
    if let Some(v) = value {
        log.add(item, side, v);
    }
    log.exam()
}

fn changes(item: &str, exams: &[Exam]) -> Vec<(Change, bool)> {
    let graded: Vec<Graded> = exams.iter().map(|x| grade(x, newborn())).collect();
    let visits: Vec<Visit<'_>> =
        exams.iter().zip(&graded).map(|(exam, graded)| Visit { exam, graded }).collect();
    let item = newborn().item(item).unwrap();
    let all: Vec<Course<'_>> = courses(&visits, newborn());
    let one: Vec<&Course<'_>> = all.iter().filter(|c| c.item == item).collect();
    assert_eq!(one.len(), 1);
    one[0].cells.iter().map(|c| (c.change, c.state_differs)).collect()
}

fn suck(hours: i64, state: &str, value: Value) -> Exam {
    visit(hours, state, "suck", None, Some(value))
}

#[test]
fn the_same_and_another_value_are_told_apart() {
    let exams = [
        suck(0, "quiet awake", Word("weak")),
        suck(6, "quiet awake", Word("weak")),
        suck(24, "quiet awake", Word("strong")),
    ];
    assert_eq!(
        changes("suck", &exams),
        [(Change::First, false), (Change::Same, false), (Change::Changed, false)]
    );
}

#[test]
fn from_absent_to_present_is_newly_elicited_and_back_is_lost() {
    let exams = [
        suck(0, "quiet awake", Word("absent")),
        suck(6, "quiet awake", Word("weak")),
        suck(24, "quiet awake", NotObtained),
    ];
    let got: Vec<Change> = changes("suck", &exams).iter().map(|c| c.0).collect();
    assert_eq!(got, [Change::First, Change::Elicited, Change::Lost]);
}

#[test]
fn a_finding_in_the_wrong_state_is_no_change_and_is_passed_over() {
    let exams = [
        suck(0, "quiet awake", Word("strong")),
        suck(6, "deep sleep", Word("absent")),
        suck(24, "quiet awake", Word("strong")),
    ];
    let got: Vec<Change> = changes("suck", &exams).iter().map(|c| c.0).collect();
    assert_eq!(got, [Change::First, Change::NotComparable, Change::Same]);
}

#[test]
fn states_that_differ_or_were_not_said_stand_beside_the_change() {
    let exams = [suck(0, "drowsy", Word("weak")), suck(6, "quiet awake", Word("strong"))];
    assert_eq!(changes("suck", &exams)[1], (Change::Changed, true));
    let exams = [suck(0, "", Word("weak")), suck(6, "", Word("strong"))];
    assert_eq!(changes("suck", &exams)[1], (Change::Changed, true), "nobody knows the states");
}

#[test]
fn what_was_skipped_or_left_out_is_not_found_and_not_lost() {
    let exams = [
        suck(0, "quiet awake", Word("strong")),
        suck(6, "quiet awake", Skipped),
        visit(12, "quiet awake", "suck", None, None),
    ];
    let got: Vec<Change> = changes("suck", &exams).iter().map(|c| c.0).collect();
    assert_eq!(got, [Change::First, Change::NotFound, Change::NotFound]);
}

#[test]
fn what_is_not_settled_is_compared_with_nothing() {
    let mut log = Log::new(newborn());
    log.header.started += Duration::hours(3);
    log.say("suck strong");
    log.say("suck absent");
    let exams = [suck(0, "", Word("absent")), log.exam(), suck(6, "", Word("absent"))];
    let got: Vec<Change> = changes("suck", &exams).iter().map(|c| c.0).collect();
    assert_eq!(got, [Change::First, Change::NotComparable, Change::Same]);
}

#[test]
fn a_number_that_differs_is_a_change_and_zero_beats_are_absence() {
    let clonus = |h, n| visit(h, "quiet awake", "ankle-clonus", Some("both"), Some(Number(n)));
    let exams = [clonus(0, 0.0), clonus(6, 4.0), clonus(12, 6.0), clonus(24, 0.0)];
    let got: Vec<Change> = changes("ankle-clonus", &exams).iter().map(|c| c.0).collect();
    assert_eq!(got, [Change::First, Change::Elicited, Change::Changed, Change::Lost]);
}

#[test]
fn sides_are_followed_apart_unless_they_tell_the_same() {
    let both = |h, l: &'static str, r: &'static str| {
        let mut log = Log::new(newborn());
        log.header.started += Duration::hours(h);
        log.say("quiet awake");
        log.add("knee-jerk", Some("left"), Word(l));
        log.add("knee-jerk", Some("right"), Word(r));
        log.exam()
    };
    let exams = [both(0, "normal", "normal"), both(6, "normal", "brisk")];
    let graded: Vec<Graded> = exams.iter().map(|x| grade(x, newborn())).collect();
    let visits: Vec<Visit<'_>> =
        exams.iter().zip(&graded).map(|(exam, graded)| Visit { exam, graded }).collect();
    let item = newborn().item("knee-jerk").unwrap();
    let of: Vec<Change> = courses(&visits, newborn())
        .iter()
        .filter(|c| c.item == item)
        .map(|c| c.cells[1].change)
        .collect();
    assert_eq!(of, [Change::Same, Change::Changed], "left, then right");
}

#[test]
fn exams_that_tell_another_birth_weeks_or_sex_are_strangers() {
    let a = Log::new(newborn()).exam();
    let mut other = Log::new(newborn());
    other.header.ga = ga("38+0");
    other.header.sex = None;
    let b = other.exam();
    assert_eq!(strangers(&[&a, &a]), []);
    assert_eq!(strangers(&[&a, &b]), [(Identity::Ga, 0, 1)], "what is not told is no difference");
}
