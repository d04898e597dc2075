//! How long sound is kept, in the words of the header.

use std::fmt;
use std::str::FromStr;

use chrono::{DateTime, FixedOffset, TimeDelta};

/// How long sound is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Retention {
    /// Until the exam is signed: what holds where the header says nothing.
    UntilSigning,
    /// So many days from the start of the exam.
    Days(u32),
    /// Until somebody removes it.
    Keep,
}

impl FromStr for Retention {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let words = text.trim().to_lowercase();
        let days = words.strip_suffix("days").or_else(|| words.strip_suffix("day"));
        match (words.as_str(), days.map(|d| d.trim().parse())) {
            ("until signing", _) => Ok(Retention::UntilSigning),
            ("keep", _) => Ok(Retention::Keep),
            (_, Some(Ok(n))) if n > 0 && n <= 36_500 => Ok(Retention::Days(n)),
            _ => Err("write `until signing`, `keep`, or a number of days such as `30 days`".into()),
        }
    }
}

impl fmt::Display for Retention {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Retention::UntilSigning => f.write_str("until signing"),
            Retention::Days(1) => f.write_str("1 day"),
            Retention::Days(n) => write!(f, "{n} days"),
            Retention::Keep => f.write_str("keep"),
        }
    }
}

impl Retention {
    /// As the header's words say; none when they are not understood.
    pub fn of(words: Option<&str>) -> Option<Self> {
        words.map_or(Some(Retention::UntilSigning), |w| w.parse().ok())
    }

    /// Whether sound of an exam begun at `started` is still to be kept at `now`.
    pub fn holds(
        self,
        started: DateTime<FixedOffset>,
        signed: bool,
        now: DateTime<FixedOffset>,
    ) -> bool {
        match self {
            Retention::UntilSigning => !signed,
            Retention::Days(n) => now.signed_duration_since(started) < TimeDelta::days(n.into()),
            Retention::Keep => true,
        }
    }
}
