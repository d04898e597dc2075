//! Ages of an infant by the published definitions.
//!
//! Definitions, names and the floor rule: Engle WA; AAP Committee on Fetus and Newborn. Age
//! terminology during the perinatal period. Pediatrics 2004;114:1362-1364.
//!
//! Two clocks are kept apart. Hours since birth are an exact duration. Days are the difference of
//! two calendar dates, both taken in the offset of the time of birth, the day of birth being day
//! 0. They carry the postmenstrual age, which the published worked cases count by dates; what is
//! printed of the age since birth is completed hours, and completed days of 24 hours, so that no
//! number depends on how a unit calls the day of birth.

use std::fmt;

use chrono::{DateTime, FixedOffset, Months};

use crate::journal::{Ga, Header};

/// Days from the first day of the last period to the due date: 40 weeks, the reference point of
/// corrected age (Engle 2004). Part of the definition, not an expectation.
const DUE_DAYS: i64 = 40 * 7;
/// Born before this many days of gestation is born preterm: 37 completed weeks (Engle 2004).
const PRETERM_BELOW_DAYS: i64 = 37 * 7;
/// Corrected age is a term for the first three years (Engle 2004).
const CORRECTED_UNTIL_MONTHS: u32 = 36;

/// Ages at the start of the exam. What cannot be computed is absent, and [`Ages`] says why when
/// printed; nothing is filled in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ages {
    /// Gestational age at birth, as told.
    pub gestational: Option<Ga>,
    /// Completed hours since birth.
    pub hours: Option<i64>,
    /// Days since birth by the calendar; the day of birth is day 0.
    pub days: Option<i64>,
    /// Postmenstrual age, completed weeks and days: gestational age plus `days`.
    pub postmenstrual: Option<(u32, u32)>,
    /// Corrected age, days: for infants born preterm, from the due date on.
    pub corrected_days: Option<i64>,
    /// Why there is no corrected age; `None` when there is one.
    pub not_corrected: Option<NotCorrected>,
    /// The exam starts before the time of birth: birth, start. Then no age since birth is given.
    pub before_birth: Option<(DateTime<FixedOffset>, DateTime<FixedOffset>)>,
    /// Whether the corrected age would be asked for at all: born preterm.
    preterm: bool,
}

/// Why no corrected age is reported.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotCorrected {
    /// No gestational age was told.
    NoGestation,
    /// No time of birth was told.
    NoBirthTime,
    /// The exam starts before the time of birth.
    BeforeBirth,
    /// Not born preterm: there is nothing to correct.
    NotPreterm,
    /// The due date is not reached, the difference would be negative: the postmenstrual age says it.
    BeforeDueDate,
    /// Older than the three years for which the term is meant.
    PastThreeYears,
}

impl NotCorrected {
    /// The reason in words.
    pub fn text(self) -> &'static str {
        match self {
            NotCorrected::NoGestation => "no corrected age: gestational age not given",
            NotCorrected::NoBirthTime => "no corrected age: birth time not given",
            NotCorrected::BeforeBirth => "no corrected age: the exam starts before birth",
            NotCorrected::NotPreterm => "no corrected age: not born before 37+0 weeks",
            NotCorrected::BeforeDueDate => {
                "no corrected age before the due date: the postmenstrual age holds"
            }
            NotCorrected::PastThreeYears => "no corrected age after three years",
        }
    }
}

/// Ages at the start of the exam, from its header.
pub fn ages(header: &Header) -> Ages {
    let mut out = Ages {
        gestational: header.ga,
        hours: None,
        days: None,
        postmenstrual: None,
        corrected_days: None,
        not_corrected: None,
        before_birth: None,
        preterm: header.ga.is_some_and(is_preterm),
    };
    let Some(born) = header.born else {
        out.not_corrected = Some(NotCorrected::NoBirthTime);
        return out;
    };
    let started = header.started.with_timezone(born.offset());
    if started < born {
        out.before_birth = Some((born, started));
        out.not_corrected = Some(NotCorrected::BeforeBirth);
        return out;
    }
    let days = (started.date_naive() - born.date_naive()).num_days();
    out.hours = Some((started - born).num_hours());
    out.days = Some(days);
    let Some(ga) = header.ga else {
        out.not_corrected = Some(NotCorrected::NoGestation);
        return out;
    };
    out.postmenstrual = postmenstrual(ga, days);
    let three_years = born.date_naive().checked_add_months(Months::new(CORRECTED_UNTIL_MONTHS));
    let corrected = corrected(ga, days);
    out.not_corrected = if !is_preterm(ga) {
        Some(NotCorrected::NotPreterm)
    } else if corrected < 0 {
        Some(NotCorrected::BeforeDueDate)
    } else if three_years.is_some_and(|limit| started.date_naive() > limit) {
        Some(NotCorrected::PastThreeYears)
    } else {
        out.corrected_days = Some(corrected);
        None
    };
    out
}

/// Postmenstrual age, weeks and days, `days` after birth; `None` when that is no age.
pub fn postmenstrual(ga: Ga, days: i64) -> Option<(u32, u32)> {
    let total = u32::try_from(days.checked_add(i64::from(ga.total_days()))?).ok()?;
    Some((total / 7, total % 7))
}

/// The formula of corrected age: days since birth minus (40 weeks minus gestational age), in days.
///
/// It is negative before the due date and runs ahead of the age since birth for those born after
/// it; [`ages`] reports it only where it is meant to be used.
pub fn corrected(ga: Ga, days: i64) -> i64 {
    days.saturating_sub(DUE_DAYS - i64::from(ga.total_days()))
}

fn is_preterm(ga: Ga) -> bool {
    i64::from(ga.total_days()) < PRETERM_BELOW_DAYS
}

/// Longest age printed in hours as well as days. A choice of display: in the first week an exam a
/// few hours later can differ, afterwards hours only clutter.
const HOURS_PRINTED_BELOW: i64 = 7 * 24;
/// Shortest age printed in days as well as hours.
const DAYS_PRINTED_FROM: i64 = 24;

fn count(n: i64, unit: &str) -> String {
    format!("{n} {unit}{}", if n == 1 { "" } else { "s" })
}

impl Ages {
    /// The age since birth alone, such as `30 hours old (1 completed day)`, or why there is none.
    pub fn since_birth(&self) -> String {
        if let Some((born, started)) = self.before_birth {
            let f = "%Y-%m-%d %H:%M %:z";
            return format!(
                "the exam starts ({}) before the birth time given ({}): one of the two is wrong",
                started.format(f),
                born.format(f)
            );
        }
        match self.hours {
            Some(h) if h < DAYS_PRINTED_FROM => format!("{} old", count(h, "hour")),
            Some(h) if h < HOURS_PRINTED_BELOW => {
                format!("{} old ({})", count(h, "hour"), count(h / 24, "completed day"))
            }
            Some(h) => format!("{} old", count(h / 24, "completed day")),
            None => "birth time not given".into(),
        }
    }

    /// Ages in one line. `gestation`: whether ages by gestation apply, as the lexicon says.
    pub fn text(&self, gestation: bool) -> String {
        let mut parts: Vec<String> = Vec::new();
        if gestation {
            parts.push(self.gestational.map_or_else(
                || "gestational age not given".into(),
                |ga| format!("gestational age {ga} weeks"),
            ));
        }
        parts.push(self.since_birth());
        if gestation {
            if let Some((w, d)) = self.postmenstrual {
                parts.push(format!("postmenstrual age {w}+{d} weeks"));
            }
            if let Some(d) = self.corrected_days {
                parts.push(format!("corrected age {}", count(d, "day")));
            } else if self.preterm
                && let Some(why) = self.not_corrected
                && self.before_birth.is_none()
            {
                parts.push(why.text().into());
            }
        }
        parts.join("; ")
    }
}

impl fmt::Display for Ages {
    /// As [`Ages::text`] where ages by gestation apply.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text(true))
    }
}
