//! The exam clock and the wall clock, and how an exam taken up again goes on counting.
//!
//! Durations come from a monotonic clock; wall time is recorded beside them and may jump (a clock
//! set right, a time zone crossed). On Linux the clock goes on while the machine sleeps
//! (`CLOCK_BOOTTIME`, `clock_gettime(2)`), so that a lid closed in mid exam is counted. Elsewhere it
//! is the standard library's, which may stand still meanwhile and then falls behind the wall; both
//! are in every journal line, so the gap can be seen.

use chrono::{DateTime, FixedOffset, Local, SecondsFormat, TimeDelta};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
#[cfg(not(target_os = "linux"))]
use std::time::Instant;

/// Longest absence, in hours, that is counted on the exam clock from wall time.
///
/// Beyond it a wall clock set wrong is likelier than an exam resumed. Common practice, no single
/// source.
pub const LONGEST_ABSENCE_H: i64 = 24;

/// Where an entry's two times come from.
pub trait Clock: Send + Sync {
    /// Milliseconds since the start of the exam; never less than an earlier answer.
    fn exam_ms(&self) -> u64;
    /// Wall time with its offset; may jump either way.
    fn wall(&self) -> DateTime<FixedOffset>;
}

/// The machine's clocks: monotonic since [`SystemClock::start`], and local wall time.
#[derive(Debug, Clone)]
pub struct SystemClock {
    #[cfg(target_os = "linux")]
    started: Duration,
    #[cfg(not(target_os = "linux"))]
    started: Instant,
}

impl SystemClock {
    /// An exam clock at 0 ms, now.
    pub fn start() -> Self {
        #[cfg(target_os = "linux")]
        let started = since_boot();
        #[cfg(not(target_os = "linux"))]
        let started = Instant::now();
        SystemClock { started }
    }

    fn elapsed(&self) -> Duration {
        #[cfg(target_os = "linux")]
        return since_boot().saturating_sub(self.started);
        #[cfg(not(target_os = "linux"))]
        return self.started.elapsed();
    }
}

/// Time since the machine was started, its sleep counted.
#[cfg(target_os = "linux")]
fn since_boot() -> Duration {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    // The kernel gives neither a negative time nor more than a thousand million nanoseconds.
    Duration::new(now.tv_sec.try_into().unwrap_or(0), now.tv_nsec.try_into().unwrap_or(0))
}

impl Clock for SystemClock {
    fn exam_ms(&self) -> u64 {
        u64::try_from(self.elapsed().as_millis()).unwrap_or(u64::MAX)
    }

    fn wall(&self) -> DateTime<FixedOffset> {
        Local::now().fixed_offset()
    }
}

/// A clock moved by hand, for tests and for replaying recorded times.
#[derive(Debug)]
pub struct ManualClock {
    now: Mutex<(u64, DateTime<FixedOffset>)>,
}

impl ManualClock {
    /// A clock standing at `exam_ms` and `wall`.
    pub fn new(exam_ms: u64, wall: DateTime<FixedOffset>) -> Self {
        ManualClock { now: Mutex::new((exam_ms, wall)) }
    }

    /// Moves both clocks on by `ms` milliseconds.
    pub fn advance(&self, ms: u64) {
        let mut now = self.now.lock().unwrap_or_else(PoisonError::into_inner);
        now.0 = now.0.saturating_add(ms);
        let step = TimeDelta::try_milliseconds(i64::try_from(ms).unwrap_or(i64::MAX));
        if let Some(wall) = step.and_then(|s| now.1.checked_add_signed(s)) {
            now.1 = wall;
        }
    }

    /// Sets wall time alone, as when somebody puts the clock right.
    pub fn set_wall(&self, wall: DateTime<FixedOffset>) {
        self.now.lock().unwrap_or_else(PoisonError::into_inner).1 = wall;
    }
}

impl Clock for ManualClock {
    fn exam_ms(&self) -> u64 {
        self.now.lock().unwrap_or_else(PoisonError::into_inner).0
    }

    fn wall(&self) -> DateTime<FixedOffset> {
        self.now.lock().unwrap_or_else(PoisonError::into_inner).1
    }
}

/// The clock of one exam: the given clock, shifted to where the exam stood when taken up again.
///
/// Cheap to clone, so that whoever stamps phrases can hold one.
#[derive(Clone)]
pub struct ExamClock {
    inner: Arc<dyn Clock>,
    /// Exam milliseconds at the moment of taking up.
    base_ms: u64,
    /// What `inner` showed at that moment.
    zero_ms: u64,
}

impl ExamClock {
    /// The given clock as it is: for a new exam.
    pub fn new(inner: Arc<dyn Clock>) -> Self {
        ExamClock { inner, base_ms: 0, zero_ms: 0 }
    }

    /// The given clock, shifted so that it shows `base_ms` now.
    pub fn from_ms(inner: Arc<dyn Clock>, base_ms: u64) -> Self {
        let zero_ms = inner.exam_ms();
        ExamClock { inner, base_ms, zero_ms }
    }
}

impl Clock for ExamClock {
    fn exam_ms(&self) -> u64 {
        self.base_ms.saturating_add(self.inner.exam_ms().saturating_sub(self.zero_ms))
    }

    fn wall(&self) -> DateTime<FixedOffset> {
        self.inner.wall()
    }
}

impl fmt::Debug for ExamClock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "ExamClock({} ms at {})", self.exam_ms(), self.wall())
    }
}

/// From where the exam clock goes on after the exam was taken up again, and why from there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "basis", rename_all = "kebab-case")]
pub enum Resumed {
    /// The wall clock says this much time has gone by, and it is counted.
    WallElapsed {
        /// Exam clock at the moment of taking up, milliseconds.
        at_ms: u64,
        /// Wall time since the last entry, milliseconds.
        away_ms: u64,
    },
    /// The wall clock stands before the last entry, so it is not believed: no time is counted.
    WallWentBack {
        /// Exam clock at the moment of taking up, milliseconds: that of the last entry.
        at_ms: u64,
        /// How far the wall clock stands before the last entry, milliseconds.
        back_ms: u64,
    },
    /// [`LONGEST_ABSENCE_H`] or more went by on the wall clock: no time is counted.
    TooLong {
        /// Exam clock at the moment of taking up, milliseconds: that of the last entry.
        at_ms: u64,
        /// Wall time since the last entry, milliseconds.
        away_ms: u64,
    },
}

impl Resumed {
    /// Works out where the exam clock goes on, from the last entry's two times and the wall now.
    pub fn after(
        last_ms: u64,
        last_wall: DateTime<FixedOffset>,
        now: DateTime<FixedOffset>,
    ) -> Self {
        let away = now.signed_duration_since(last_wall);
        let ms = away.num_milliseconds().unsigned_abs();
        if away < TimeDelta::zero() {
            Resumed::WallWentBack { at_ms: last_ms, back_ms: ms }
        } else if away < TimeDelta::hours(LONGEST_ABSENCE_H) {
            Resumed::WallElapsed { at_ms: last_ms.saturating_add(ms), away_ms: ms }
        } else {
            Resumed::TooLong { at_ms: last_ms, away_ms: ms }
        }
    }

    /// Exam clock at the moment of taking up, milliseconds.
    pub fn at_ms(self) -> u64 {
        match self {
            Resumed::WallElapsed { at_ms, .. }
            | Resumed::WallWentBack { at_ms, .. }
            | Resumed::TooLong { at_ms, .. } => at_ms,
        }
    }
}

impl fmt::Display for Resumed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Resumed::WallElapsed { at_ms, away_ms } => write!(
                f,
                "the exam clock goes on at {at_ms} ms: {away_ms} ms by the wall clock since the last entry are counted"
            ),
            Resumed::WallWentBack { at_ms, back_ms } => write!(
                f,
                "the exam clock goes on at {at_ms} ms, where the last entry left it: the wall clock stands {back_ms} ms before that entry"
            ),
            Resumed::TooLong { at_ms, away_ms } => write!(
                f,
                "the exam clock goes on at {at_ms} ms, where the last entry left it: {away_ms} ms by the wall clock is {LONGEST_ABSENCE_H} hours or more"
            ),
        }
    }
}

/// Reads an RFC 3339 time with its offset.
///
/// # Errors
/// A sentence saying what was found and what would be right.
pub fn parse_wall(text: &str) -> Result<DateTime<FixedOffset>, String> {
    DateTime::parse_from_rfc3339(text).map_err(|e| {
        format!(
            "`{text}` is not a time with its offset ({e}); write it as RFC 3339, such as 2031-04-05T09:26:53+02:00"
        )
    })
}

/// A line's wall time: always three decimals, so lines look alike.
///
/// RFC 3339 has no seconds in an offset; printed as it is, an offset with seconds would shift the
/// instant, so the same instant is given at the nearest whole minute below.
pub(super) fn format_wall(wall: &DateTime<FixedOffset>) -> String {
    let whole_minutes = wall.offset().local_minus_utc().div_euclid(60) * 60;
    let wall = match FixedOffset::east_opt(whole_minutes) {
        Some(offset) => wall.with_timezone(&offset),
        None => *wall,
    };
    wall.to_rfc3339_opts(SecondsFormat::Millis, false)
}

/// A time inside an entry, to as many decimals as it has.
fn format_stamp(stamp: &DateTime<FixedOffset>) -> String {
    stamp.to_rfc3339_opts(SecondsFormat::AutoSi, false)
}

/// Serde for a required time; chrono's own accepts more than RFC 3339.
pub(super) mod stamp {
    use super::{format_stamp, parse_wall};
    use chrono::{DateTime, FixedOffset};
    use serde::{Deserialize, Deserializer, Serializer, de::Error};

    pub fn serialize<S: Serializer>(
        value: &DateTime<FixedOffset>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&format_stamp(value))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<DateTime<FixedOffset>, D::Error> {
        let text = String::deserialize(deserializer)?;
        parse_wall(&text).map_err(D::Error::custom)
    }
}

/// Serde for a time that may be null.
pub(super) mod stamp_or_null {
    use super::{format_stamp, parse_wall};
    use chrono::{DateTime, FixedOffset};
    use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error};

    pub fn serialize<S: Serializer>(
        value: &Option<DateTime<FixedOffset>>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        value.as_ref().map(format_stamp).serialize(serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Option<DateTime<FixedOffset>>, D::Error> {
        let text = Option::<String>::deserialize(deserializer)?;
        text.map(|t| parse_wall(&t).map_err(D::Error::custom)).transpose()
    }
}
