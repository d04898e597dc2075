//! Age arithmetic against the published definitions and worked cases.
//!
//! Source of the definitions: Engle WA; AAP Committee on Fetus and Newborn. Age terminology during
//! the perinatal period. Pediatrics 2004;114:1362-1364. The case 25+5 is its own example; the
//! others were computed from its definitions independently of this program.

mod in_memory;

use cotside::grade::ages::{corrected, postmenstrual};
use cotside::grade::{Ages, NotCorrected, ages};
use in_memory::{ga, header, newborn, time};
use proptest::prelude::*;

fn at(weeks: Option<&str>, born: Option<&str>, started: &str) -> Ages {
    let mut h = header(newborn());
    h.ga = weeks.and_then(ga);
    h.born = born.map(time);
    h.started = time(started);
    ages(&h)
}

/// Gestation, born, examined, days since birth, postmenstrual, corrected days by the formula.
type Worked = (&'static str, &'static str, &'static str, i64, (u32, u32), i64);

const WORKED: [Worked; 7] = [
    ("33+1", "2026-01-01", "2026-03-12", 70, (43, 1), 22),
    ("37+2", "2026-02-27", "2026-03-04", 5, (38, 0), -14),
    // Across a leap day.
    ("28+0", "2024-02-28", "2024-03-01", 2, (28, 2), -82),
    // Across the year's end; 25+5 is 25 completed weeks, never rounded to 26 (Engle 2004).
    ("25+5", "2025-12-31", "2026-01-01", 1, (25, 6), -99),
    ("40+0", "2026-03-04", "2026-03-04", 0, (40, 0), 0),
    ("24+6", "2026-01-01", "2026-04-16", 105, (39, 6), -1),
    ("41+3", "2026-06-01", "2026-06-15", 14, (43, 3), 24),
];

#[test]
fn worked_cases_give_their_days_and_postmenstrual_age() {
    for (weeks, born, examined, days, pma, _) in WORKED {
        let a = at(
            Some(weeks),
            Some(&format!("{born}T08:00:00+01:00")),
            &format!("{examined}T17:30:00+01:00"),
        );
        assert_eq!((a.days, a.postmenstrual), (Some(days), Some(pma)), "{weeks} {born}");
        assert_eq!(a.hours, Some(days * 24 + 9), "{weeks} {born}");
        assert_eq!(postmenstrual(ga(weeks).unwrap(), days), Some(pma));
    }
}

#[test]
fn worked_cases_give_their_corrected_days_by_the_formula() {
    for (weeks, _, _, days, _, want) in WORKED {
        assert_eq!(corrected(ga(weeks).unwrap(), days), want, "{weeks} {days}");
    }
}

#[test]
fn corrected_age_is_reported_for_those_born_preterm_from_the_due_date_on_and_for_no_other() {
    let of = |k: usize| {
        let (weeks, born, examined, ..) = WORKED[k];
        let a =
            at(Some(weeks), Some(&format!("{born}T08:00:00Z")), &format!("{examined}T17:30:00Z"));
        (a.corrected_days, a.not_corrected)
    };
    assert_eq!(of(0), (Some(22), None));
    assert_eq!(of(1), (None, Some(NotCorrected::NotPreterm)));
    assert_eq!(of(2), (None, Some(NotCorrected::BeforeDueDate)));
    assert_eq!(of(3), (None, Some(NotCorrected::BeforeDueDate)));
    assert_eq!(of(4), (None, Some(NotCorrected::NotPreterm)));
    assert_eq!(of(5), (None, Some(NotCorrected::BeforeDueDate)), "one day before");
    assert_eq!(of(6), (None, Some(NotCorrected::NotPreterm)), "post-term is not corrected");
    // 36+6 is preterm, 37+0 is not; on the due date the corrected age is 0.
    let due = at(Some("36+6"), Some("2026-01-01T08:00:00Z"), "2026-01-23T08:00:00Z");
    assert_eq!((due.corrected_days, due.postmenstrual), (Some(0), Some((40, 0))));
    let term = at(Some("37+0"), Some("2026-01-01T08:00:00Z"), "2026-03-01T08:00:00Z");
    assert_eq!(term.not_corrected, Some(NotCorrected::NotPreterm));
}

#[test]
fn born_at_28_weeks_and_24_months_old_is_21_months_corrected() {
    // Engle 2004: 24 - (40 - 28) / 4 = 21 months. Completed months of 365.25 / 12 days.
    let a = at(Some("28+0"), Some("2024-01-01T08:00:00Z"), "2026-01-01T08:00:00Z");
    let months = a.corrected_days.unwrap() as f64 / (365.25 / 12.0);
    assert_eq!(months.floor(), 21.0);
}

#[test]
fn corrected_age_ends_with_the_third_birthday() {
    let last = at(Some("28+0"), Some("2024-01-01T08:00:00Z"), "2027-01-01T08:00:00Z");
    assert!(last.corrected_days.is_some());
    let after = at(Some("28+0"), Some("2024-01-01T08:00:00Z"), "2027-01-02T08:00:00Z");
    assert_eq!(after.not_corrected, Some(NotCorrected::PastThreeYears));
}

#[test]
fn leap_days_follow_the_gregorian_rule() {
    // ISO 8601 calendar: 2000 and 2024 are leap years, 2100 and 2023 are not.
    for (year, days) in [(2000, 2), (2024, 2), (2023, 1), (2100, 1)] {
        let a = at(
            Some("39+0"),
            Some(&format!("{year}-02-28T12:00:00Z")),
            &format!("{year}-03-01T12:00:00Z"),
        );
        assert_eq!((a.days, a.hours), (Some(days), Some(days * 24)), "{year}");
    }
}

#[test]
fn the_day_of_birth_is_day_0_and_hours_are_completed_hours() {
    let a = at(Some("39+2"), Some("2031-04-05T09:26:00+02:00"), "2031-04-05T23:59:59+02:00");
    assert_eq!((a.days, a.hours), (Some(0), Some(14)));
    assert_eq!(
        a.to_string(),
        "gestational age 39+2 weeks; 14 hours old; postmenstrual age 39+2 weeks"
    );
    let b = at(Some("39+2"), Some("2031-04-05T23:50:00+02:00"), "2031-04-06T00:10:00+02:00");
    assert_eq!((b.days, b.hours), (Some(1), Some(0)), "another calendar day, twenty minutes later");
    let c = at(Some("39+2"), Some("2031-04-05T09:26:00+02:00"), "2031-04-05T10:26:00+02:00");
    assert!(c.to_string().contains("; 1 hour old;"), "{c}");
}

#[test]
fn days_are_counted_in_the_offset_of_birth_and_hours_by_duration() {
    // The same moment, written in another offset, gives the same ages.
    let here = at(Some("39+2"), Some("2026-03-10T23:30:00+02:00"), "2026-03-11T00:00:00+02:00");
    let utc = at(Some("39+2"), Some("2026-03-10T23:30:00+02:00"), "2026-03-10T22:00:00Z");
    let east = at(Some("39+2"), Some("2026-03-10T23:30:00+02:00"), "2026-03-11T07:00:00+09:00");
    assert_eq!((here.days, here.hours), (Some(1), Some(0)));
    assert_eq!(here, utc);
    assert_eq!(here, east);
    // Clocks put forward between birth and exam: noon to noon is 23 hours.
    let spring = at(Some("39+2"), Some("2026-03-28T12:00:00+01:00"), "2026-03-29T12:00:00+02:00");
    assert_eq!((spring.days, spring.hours), (Some(1), Some(23)));
}

#[test]
fn an_exam_before_birth_is_said_and_gives_no_age() {
    let a = at(Some("39+2"), Some("2031-04-05T09:26:00+02:00"), "2031-04-05T09:25:59+02:00");
    assert!(a.before_birth.is_some());
    assert_eq!((a.hours, a.days, a.postmenstrual, a.corrected_days), (None, None, None, None));
    assert_eq!(a.not_corrected, Some(NotCorrected::BeforeBirth));
    assert_eq!(
        a.to_string(),
        "gestational age 39+2 weeks; the exam starts (2031-04-05 09:25 +02:00) before the birth \
         time given (2031-04-05 09:26 +02:00): one of the two is wrong"
    );
    let same = at(Some("39+2"), Some("2031-04-05T09:26:00+02:00"), "2031-04-05T07:26:00Z");
    assert_eq!((same.hours, same.days), (Some(0), Some(0)), "born as it starts is no error");
}

#[test]
fn the_line_for_people_prints_every_age_and_what_is_missing() {
    let born = Some("2031-04-05T09:26:00+02:00");
    let started = "2031-04-06T15:26:00+02:00";
    assert_eq!(
        at(Some("39+2"), born, started).to_string(),
        "gestational age 39+2 weeks; 30 hours old (1 completed day); postmenstrual age 39+3 weeks"
    );
    assert_eq!(
        at(None, born, started).to_string(),
        "gestational age not given; 30 hours old (1 completed day)"
    );
    assert_eq!(
        at(Some("39+2"), None, started).to_string(),
        "gestational age 39+2 weeks; birth time not given"
    );
    assert_eq!(
        at(None, None, started).to_string(),
        "gestational age not given; birth time not given"
    );
    assert_eq!(
        at(Some("33+1"), Some("2026-01-01T08:00:00Z"), "2026-03-12T08:00:00Z").to_string(),
        "gestational age 33+1 weeks; 70 completed days old; postmenstrual age 43+1 weeks; corrected age 22 days"
    );
    assert_eq!(
        at(Some("28+0"), Some("2024-02-28T08:00:00Z"), "2024-03-01T08:00:00Z").to_string(),
        "gestational age 28+0 weeks; 48 hours old (2 completed days); postmenstrual age 28+2 weeks; no \
         corrected age before the due date: the postmenstrual age holds"
    );
    assert_eq!(at(None, born, started).text(false), "30 hours old (1 completed day)");
}

proptest! {
    #[test]
    fn postmenstrual_age_is_gestation_plus_days_and_corrected_age_its_distance_from_40_weeks(
        weeks in 20u32..=45, days in 0u32..=6, born in 0i64..2_000_000_000, after in 0i64..100_000_000,
    ) {
        let g = cotside::journal::Ga::new(weeks, days).unwrap();
        let mut h = header(newborn());
        h.ga = Some(g);
        let utc = |s: i64| chrono::DateTime::from_timestamp(s, 0).unwrap().fixed_offset();
        h.born = Some(utc(born));
        h.started = utc(born + after);
        let a = ages(&h);
        // Days by the count of midnights passed, from the seconds alone.
        let midnights = (born + after).div_euclid(86_400) - born.div_euclid(86_400);
        prop_assert_eq!(a.days, Some(midnights));
        prop_assert_eq!(a.hours, Some(after / 3600));
        let (w, d) = a.postmenstrual.unwrap();
        prop_assert_eq!(i64::from(w * 7 + d), midnights + i64::from(weeks * 7 + days));
        prop_assert!(d < 7);
        if let Some(c) = a.corrected_days {
            prop_assert_eq!(c, i64::from(w * 7 + d) - 280);
            prop_assert!(c >= 0 && weeks < 37);
        }
    }
}
