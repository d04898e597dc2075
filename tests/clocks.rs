//! Clocks that misbehave in mid exam: what was said keeps its time, durations come from the
//! monotonic clock, wall times keep their offset.
//!
//! One exam is logged with a steady wall clock and again under every trouble; all that is rebuilt
//! from the journal must be equal but for the wall times themselves. The calendars checked against
//! are named beside each case.

mod in_memory;

use std::path::Path;
use std::sync::Arc;

use chrono::{DateTime, Datelike, FixedOffset, Timelike};
use cotside::capture::{Phrase, Source};
use cotside::exam::{Exam, build};
use cotside::gaps::gaps;
use cotside::grade::{Overview, ages::ages, grade, scales};
use cotside::journal::{self, Clock, Entry, Journal, ManualClock, SystemClock};
use cotside::report::json;
use in_memory::{ga, header, newborn, time};

/// What is said, and how many milliseconds after the phrase before.
const SAID: [(u64, &str); 12] = [
    (1_000, "quiet awake"),
    (5_000, "left popliteal angle"),
    (2_000, "hold"),
    (6_250, "release"),
    (1_500, "ninety degrees"),
    (4_000, "right popliteal angle one hundred degrees"),
    (9_000, "he's crying now"),
    (61_000, "he's settled now, quiet awake"),
    (3_000, "left scarf sign, elbow to the midline"),
    (2_000, "same on the other side"),
    (4_000, "head circumference thirty four point six"),
    (3_000, "end of exam"),
];

/// Logs [`SAID`] into a folder; `wall` gives the wall time before the phrase of that number.
fn log(dir: &Path, start: &str, wall: impl Fn(usize, &ManualClock)) {
    let clock = Arc::new(ManualClock::new(0, time(start)));
    let mut header = header(newborn());
    header.started = time(start);
    header.code = "CLOCKS-1".parse().unwrap();
    let mut journal = Journal::create(dir, header, clock.clone()).unwrap();
    for (k, (later, text)) in SAID.iter().enumerate() {
        clock.advance(*later);
        wall(k, &clock);
        let start_ms = clock.exam_ms();
        clock.advance(600);
        let phrase = Phrase {
            text: (*text).to_owned(),
            start_ms,
            end_ms: clock.exam_ms(),
            source: Source::Keys,
            line: None,
            speaker: None,
            alternatives: vec![],
            words: Vec::new(),
            certainty: None,
        };
        journal.append_now(&Entry::Phrase(phrase)).unwrap();
    }
    journal.append_now(&Entry::End).unwrap();
}

fn rebuilt(dir: &Path) -> Exam {
    let read = journal::read(dir).unwrap();
    build(read.header().unwrap(), &read.lines, newborn())
}

/// Everything the exam says, without the wall times of its lines.
fn said(x: &Exam) -> String {
    let lex = newborn();
    let graded = grade(x, lex);
    let overview = Overview::new(scales::of_lexicon(lex).unwrap(), x, &graded, lex);
    let mut all = json::export(x, lex, &graded, &overview, &gaps(x, lex));
    fn without_wall(v: &mut serde_json::Value) {
        match v {
            serde_json::Value::Object(map) => {
                map.remove("wall");
                map.values_mut().for_each(without_wall);
            }
            serde_json::Value::Array(list) => list.iter_mut().for_each(without_wall),
            _ => {}
        }
    }
    without_wall(&mut all);
    format!("{all:#}\n{:?}\n{:?}\n{:?}\n{}", x.holds, x.section_times, x.states, x.end_ms)
}

fn walls(dir: &Path) -> Vec<DateTime<FixedOffset>> {
    journal::read(dir).unwrap().lines.iter().map(|l| l.wall).collect()
}

const START: &str = "2031-04-06T15:26:00+02:00";

#[test]
fn a_wall_clock_that_steps_moves_no_duration_state_or_finding() {
    let temp = tempfile::tempdir().unwrap();
    let steady = temp.path().join("steady");
    log(&steady, START, |_, _| {});
    let right = rebuilt(&steady);
    assert_eq!(right.holds.len(), 1);
    // From the start of "hold" to the start of "release": the phrase's own 600 ms and the pause.
    assert_eq!(right.holds[0].ms, 6_850);
    assert_eq!(right.end_ms, SAID.iter().map(|s| s.0 + 600).sum::<u64>());
    assert!(right.findings.len() >= 5, "{:?}", right.findings.len());
    let expected = said(&right);

    let troubles: [(&str, &str); 5] = [
        ("an hour back", "2031-04-06T14:26:40+02:00"),
        ("a day on", "2031-04-07T15:26:40+02:00"),
        ("seventy years back, as with a flat battery", "1961-01-01T00:00:00+00:00"),
        ("another zone, the same instant", "2031-04-06T09:27:00-04:00"),
        ("a zone of half hours", "2031-04-06T19:12:00+05:45"),
    ];
    for (name, to) in troubles {
        for at in 1..SAID.len() {
            let dir = temp.path().join(format!("{at}-{}", name.replace([' ', ','], "-")));
            log(&dir, START, |k, clock| {
                if k == at {
                    clock.set_wall(time(to));
                }
            });
            assert_eq!(said(&rebuilt(&dir)), expected, "{name}, before phrase {at}");
            // The line says what the clock showed, offset and all.
            let wall = walls(&dir)[at + 1];
            assert_eq!(wall.offset(), time(to).offset(), "{name}");
            assert_eq!((wall - time(to)).num_milliseconds(), 600, "{name}");
        }
    }
}

#[test]
fn a_wall_clock_that_goes_back_and_forth_at_every_phrase_moves_nothing() {
    let temp = tempfile::tempdir().unwrap();
    let (steady, mad) = (temp.path().join("steady"), temp.path().join("mad"));
    log(&steady, START, |_, _| {});
    log(&mad, START, |k, clock| {
        let hours = if k % 2 == 0 { -7 } else { 9 } * (k as i64 + 1);
        clock.set_wall(time(START) + chrono::Duration::hours(hours));
    });
    assert_eq!(said(&rebuilt(&mad)), said(&rebuilt(&steady)));
}

/// Central European Summer Time begins at 01:00 UTC on the last Sunday of March: 30 March 2031
/// (Directive 2000/84/EC, articles 2 and 3).
#[test]
fn summer_time_beginning_in_mid_exam_is_no_hour_of_exam_and_none_of_age() {
    let temp = tempfile::tempdir().unwrap();
    let dir = temp.path().join("summer");
    let start = "2031-03-30T01:59:30+01:00";
    assert_eq!(time(start).date_naive().weekday(), chrono::Weekday::Sun);
    log(&dir, start, |_, clock| {
        let utc = clock.wall().with_timezone(&chrono::Utc);
        if utc >= time("2031-03-30T01:00:00Z") {
            clock.set_wall(utc.with_timezone(&FixedOffset::east_opt(2 * 3600).unwrap()));
        }
    });
    let walls = walls(&dir);
    let offsets: Vec<i32> = walls.iter().map(|w| w.offset().local_minus_utc() / 3600).collect();
    assert_eq!((offsets[0], offsets[walls.len() - 1]), (1, 2));
    // The clock on the wall jumps from 02:00 to 03:00; between lines no more goes by than was said.
    for pair in walls.windows(2) {
        assert!((pair[1] - pair[0]).num_seconds() < 70, "{pair:?}");
    }
    let x = rebuilt(&dir);
    assert_eq!(x.end_ms, SAID.iter().map(|s| s.0 + 600).sum::<u64>());
    // The offset of the first line is kept for moments computed on the exam clock.
    assert_eq!(x.wall(60_000), time("2031-03-30T02:00:30+01:00"));

    // Born at noon the day before: 14 hours, though the clocks show 15.
    let mut h = header(newborn());
    h.born = Some(time("2031-03-29T12:00:00+01:00"));
    h.started = time("2031-03-30T03:00:00+02:00");
    assert_eq!(ages(&h).hours, Some(14));
}

#[test]
fn an_exam_over_midnight_and_over_a_leap_day_counts_on() {
    let temp = tempfile::tempdir().unwrap();
    // 2028 is a leap year: divisible by 4, not by 100 (ISO 8601-1:2019, the Gregorian calendar).
    for (start, day_after) in [
        ("2028-02-28T23:59:00+00:00", (2, 29)),
        ("2028-02-29T23:59:00+00:00", (3, 1)),
        ("2031-02-28T23:59:00+00:00", (3, 1)),
        ("2031-12-31T23:59:00+00:00", (1, 1)),
    ] {
        let dir = temp.path().join(&start[..10]);
        log(&dir, start, |_, _| {});
        let walls = walls(&dir);
        let last = walls[walls.len() - 1];
        assert_eq!((last.month(), last.day()), day_after, "{start}");
        assert_eq!(last.hour(), 0, "{start}");
        let x = rebuilt(&dir);
        assert_eq!(x.holds[0].ms, 6_850, "{start}");
        assert_eq!((last - time(start)).num_milliseconds() as u64, x.end_ms, "{start}");
    }
    // An age over the leap day: 28 February noon to 1 March noon is 48 hours in 2028, 24 in 2031.
    for (born, seen, hours) in [
        ("2028-02-28T12:00:00Z", "2028-03-01T12:00:00Z", 48),
        ("2031-02-28T12:00:00Z", "2031-03-01T12:00:00Z", 24),
    ] {
        let mut h = header(newborn());
        (h.born, h.started, h.ga) = (Some(time(born)), time(seen), ga("40+0"));
        assert_eq!(ages(&h).hours, Some(hours), "{born}");
    }
}

/// A lid closed in mid exam. The clock counts the sleep (`clock_gettime(2)`, CLOCK_BOOTTIME), so a
/// sleep is a long pause between two phrases: nothing else moves.
#[test]
fn a_machine_that_slept_between_two_phrases_left_a_pause_and_nothing_else() {
    let temp = tempfile::tempdir().unwrap();
    let (steady, slept) = (temp.path().join("steady"), temp.path().join("slept"));
    log(&steady, START, |_, _| {});
    let sleep = 20 * 60 * 1000;
    log(&slept, START, |k, clock| {
        if k == 8 {
            clock.advance(sleep);
        }
    });
    let (a, b) = (rebuilt(&steady), rebuilt(&slept));
    assert_eq!(b.end_ms, a.end_ms + sleep);
    assert_eq!(b.holds, a.holds);
    assert_eq!(b.findings.len(), a.findings.len());
    for (x, y) in a.findings.iter().zip(&b.findings) {
        assert_eq!(x.finding.value, y.finding.value);
        assert_eq!(x.finding.is_sure(), y.finding.is_sure());
    }
}

/// Against the kernel's own account of the time since it was started, which counts sleep
/// (`proc(5)`, /proc/uptime, in hundredths of a second).
#[cfg(target_os = "linux")]
#[test]
fn the_system_clock_goes_with_the_time_since_the_machine_was_started() {
    let uptime = || {
        let text = std::fs::read_to_string("/proc/uptime").unwrap();
        let seconds: f64 = text.split(' ').next().unwrap().parse().unwrap();
        (seconds * 1000.0) as i64
    };
    let before = uptime();
    let clock = SystemClock::start();
    let after_start = uptime();
    std::thread::sleep(std::time::Duration::from_millis(120));
    let low = uptime() - after_start;
    let ms = clock.exam_ms() as i64;
    let high = uptime() - before;
    // Each reading of the file is cut to ten milliseconds.
    assert!(low - 10 <= ms && ms <= high + 10, "{low} {ms} {high}");
}
