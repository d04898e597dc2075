//! The exams that the page is tested with.

#![allow(dead_code)] // each test target uses a part of it

use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use cotside::journal::{AudioMark, Entry, Journal, Mark, SystemClock};

use super::support::{Bench, root};

/// Samples a second of the sound made for tests.
pub const RATE: u32 = 8_000;

/// The demo exam as `e`.
pub fn demo() -> Bench {
    let bench = Bench::new();
    let text = std::fs::read(root().join("demo/exam.vtt")).unwrap();
    read(&bench, "e", "exam.vtt", &text);
    bench
}

/// An exam of these words, by KT, of a girl of 30 hours.
pub fn read(bench: &Bench, exam: &str, file: &str, text: &[u8]) {
    started(bench, exam, file, text, "2026-03-04T08:30:00+00:00");
}

/// As [`read`], started at another time.
pub fn started(bench: &Bench, exam: &str, file: &str, text: &[u8], at: &str) {
    bench.file(file, text);
    bench
        .run(&[
            "read",
            file,
            "--exam",
            exam,
            "--sex",
            "f",
            "--ga",
            "39+2",
            "--born",
            "2026-03-03T02:30:00+00:00",
            "--started",
            at,
            "--by",
            "KT",
            "--protocol",
            "full-term",
        ])
        .code(0);
}

/// A sample of the sound made for tests: told by its place, so that a slice can be told, too.
pub fn sample(at: u32) -> i16 {
    i16::try_from(at % 20_000).unwrap() - 10_000
}

/// Puts sound of that many seconds into an exam folder, and says in its journal that it begins at
/// `from_ms`.
pub fn with_sound(exam: &Path, seconds: u32, from_ms: u64) {
    std::fs::create_dir_all(exam.join("audio")).unwrap();
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut w = hound::WavWriter::create(exam.join("audio/1.wav"), spec).unwrap();
    for at in 0..seconds * RATE {
        w.write_sample(sample(at)).unwrap();
    }
    w.finalize().unwrap();
    let file = Some("audio/1.wav".to_owned());
    let mark = |mark, from_ms, to_ms| AudioMark { mark, file: file.clone(), from_ms, to_ms };
    note(
        exam,
        &[
            mark(Mark::Start, from_ms, from_ms),
            mark(Mark::GapInHearing, 190_000, 199_000),
            mark(Mark::OwnPlayback, 242_000, 248_000),
        ],
    );
}

/// Writes audio marks into an exam's journal.
pub fn note(exam: &Path, marks: &[AudioMark]) {
    let mut opened = Journal::open_to_append(exam, Arc::new(SystemClock::start())).unwrap();
    for m in marks {
        opened.journal.append_now(&Entry::AudioMark(m.clone())).unwrap();
    }
}

/// A made-up exam of `n` phrases: the demo's, over and over, with other talk in between.
pub fn long(n: usize) -> String {
    let demo = std::fs::read_to_string(root().join("demo/exam.vtt")).unwrap();
    let said: Vec<&str> = demo
        .lines()
        .skip_while(|l| !l.contains("-->"))
        .filter(|l| !l.is_empty() && !l.contains("-->") && !l.starts_with("End of exam"))
        .collect();
    let mut out = String::new();
    for k in 0..n {
        let at = k * 4;
        let words = match k % 7 {
            6 => "and how did she feed this morning, did she sleep well",
            _ => said[k % said.len()],
        };
        let _ = writeln!(out, "[{}:{:02}] {words}", at / 60, at % 60);
    }
    out
}
