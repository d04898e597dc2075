//! `kill -9` away from the keys: while decisions are made on the page, while a microphone is heard,
//! and while files are made for others. What was answered is kept; what has its name is whole.
//!
//! Moments are drawn by progress and then by a random pause, as in `tests/kill.rs`; what is in
//! flight may be there or not, and nothing else may differ.

mod browser;
#[path = "cli/support.rs"]
mod support;

#[cfg(target_os = "linux")]
mod ears;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::hash::{BuildHasher, RandomState};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

use browser::Review;
use cotside::journal::{self, Decision, Entry};
use support::{Bench, bicycle};

/// A number below `below`, from the standard library's seeded hasher.
fn random(below: u64) -> u64 {
    RandomState::new().hash_one(below) % below.max(1)
}

fn said(bench: &Bench, exam: &str, phrases: usize) {
    let mut text = String::new();
    for k in 0..phrases {
        let _ = writeln!(text, "[{}:{:02}] left brake pad {k} millimetres", k / 60, k % 60);
    }
    let lexicon = bicycle();
    let args = ["read", "-", "--exam", exam, "--by", "KT", "--lexicon", &lexicon];
    bench.typed(&args, &text).code(0);
}

/// Asks, and gives the open connection.
fn ask(r: &Review, request: &str) -> TcpStream {
    let mut s = TcpStream::connect(r.host()).unwrap();
    s.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    s.write_all(request.as_bytes()).unwrap();
    s
}

/// What came back, whole or cut off.
fn answer(mut s: TcpStream) -> String {
    let mut all = Vec::new();
    let _ = s.read_to_end(&mut all);
    String::from_utf8_lossy(&all).into_owned()
}

fn enter(r: &Review) -> String {
    let (host, token) = (r.host(), r.token());
    let a = answer(ask(
        r,
        &format!("GET /?token={token} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"),
    ));
    let cookie = a.split_once("set-cookie: ").expect("a cookie").1;
    cookie.split(';').next().unwrap().to_owned()
}

/// The decision that the brake pad measured so many millimetres, on the journal as it stands.
fn decision(r: &Review, cookie: &str, exam: &Path, millimetres: f64) -> String {
    let (host, digest) = (r.host(), journal::read(exam).unwrap().digest());
    let body =
        format!("about=finding%3A2.1&act=number&number={millimetres}&side=left&digest={digest}");
    format!(
        "POST /decide HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nCookie: {cookie}\r\n\
         Accept: application/json\r\nContent-Type: application/x-www-form-urlencoded\r\n\
         Content-Length: {}\r\nConnection: close\r\n\r\n{body}",
        body.len()
    )
}

/// The numbers decided on, as the journal holds them.
fn decided(exam: &Path) -> Vec<f64> {
    let read = journal::read(exam).unwrap();
    assert_eq!(read.torn, None);
    read.lines
        .iter()
        .filter_map(|l| match &l.entry {
            Entry::Settlement(s) => match &s.decision {
                Decision::Choose(c) => c.number,
                other => panic!("nobody decided {other:?}"),
            },
            _ => None,
        })
        .collect()
}

#[test]
fn every_decision_the_page_answered_is_in_the_journal_after_a_kill() {
    let lexicon = bicycle();
    let number = |k: usize| 1.0 + k as f64 / 4.0;
    let (mut last_kept, mut last_lost) = (0, 0);
    for round in 0..10 {
        let bench = Bench::new();
        said(&bench, "k", 1);
        let exam = bench.path("k");
        let review = || Review::start(bench.command(&["review", "k", "--lexicon", &lexicon]));
        let r = review();
        let cookie = enter(&r);
        let goal = random(8) as usize;
        let mut took = Duration::ZERO;
        for k in 0..=goal {
            let begun = Instant::now();
            let a = answer(ask(&r, &decision(&r, &cookie, &exam, number(k))));
            assert!(a.starts_with("HTTP/1.1 200 "), "round {round}: {a}");
            took = begun.elapsed();
        }
        let done = goal + 1;
        // One more, in flight when the end comes.
        let open = ask(&r, &decision(&r, &cookie, &exam, number(done)));
        std::thread::sleep(Duration::from_micros(random(took.as_micros() as u64)));
        // SIGKILL on Unix.
        drop(r);
        let answered = usize::from(answer(open).starts_with("HTTP/1.1 200 "));

        let kept = decided(&exam);
        assert!(kept.len() >= done + answered, "round {round}: answered and not kept");
        let all: Vec<f64> = (0..=done).map(number).collect();
        assert_eq!(kept, all[..kept.len()], "round {round}: in order, at most the one in flight");
        last_kept += usize::from(kept.len() > done);
        last_lost += usize::from(kept.len() == done);

        let r = review();
        let cookie = enter(&r);
        let a = answer(ask(&r, &decision(&r, &cookie, &exam, 9.0)));
        assert!(a.starts_with("HTTP/1.1 200 "), "round {round}: the page goes on: {a}");
        assert_eq!(decided(&exam).last(), Some(&9.0));
    }
    println!("in flight: {last_kept} kept, {last_lost} lost");
}

#[cfg(target_os = "linux")]
#[test]
fn what_was_heard_and_answered_is_kept_after_a_kill_with_its_sound() {
    use ears::{Listening, Microphone, voice};
    let lexicon = bicycle();
    let mut sound = vec![0i16; 8_000];
    for _ in 0..20 {
        sound.extend(voice(0.7));
        sound.resize(sound.len() + 14_000, 0);
    }
    for round in 0..3 {
        let bench = Bench::new();
        let said = r#"{"text":"headset smooth","start_ms":0,"end_ms":900000,"source":"voice","certainty":"sure"}"#;
        bench.file("said.jsonl", said);
        let dir = bench.path("");
        let microphone = Microphone::begin(&dir, sound.clone());
        let more = ["--transcript", "said.jsonl", "--lexicon", &lexicon];
        let mut live = Listening::begin(&dir, &more);
        live.wait("status: RECORDING");
        live.wait("headset: smooth");
        std::thread::sleep(Duration::from_millis(random(2_500)));
        live.key("left pedal loose");
        std::thread::sleep(Duration::from_millis(random(60)));
        let seen = live.kill();

        let read = journal::read(bench.path("a")).unwrap();
        let heard = read
            .lines
            .iter()
            .filter(|l| matches!(&l.entry, Entry::Phrase(p) if p.text == "headset smooth"));
        let end_ms = heard.clone().filter_map(|l| match &l.entry {
            Entry::Phrase(p) => Some(p.end_ms),
            _ => None,
        });
        let (count, end_ms) = (heard.clone().count(), end_ms.max().unwrap());
        let shown = |words: &str| seen.iter().filter(|l| l.contains(words)).count();
        assert!(count >= shown("headset: smooth"), "round {round}: {count} kept: {seen:#?}");
        let keyed = read
            .lines
            .iter()
            .filter(|l| matches!(&l.entry, Entry::Phrase(p) if p.text == "left pedal loose"));
        assert!(keyed.count() >= shown("left pedal: loose"), "round {round}: {seen:#?}");
        let start_ms = read.lines.iter().find_map(|l| match &l.entry {
            Entry::AudioMark(m) => Some(m.from_ms),
            _ => None,
        });
        // The file has a good header, and lacks no more than the last second.
        let wav = hound::WavReader::open(bench.path("a/audio/1.wav")).unwrap();
        let holds_ms = u64::from(wav.duration()) * 1000 / 16_000;
        let due_ms = (end_ms - start_ms.unwrap()).saturating_sub(1_200);
        assert!(holds_ms >= due_ms, "round {round}: {holds_ms} ms of sound, {due_ms} due");

        let mut live = Listening::begin(&dir, &more);
        live.wait("status: RECORDING");
        live.key("end of check");
        let (code, seen) = live.end();
        assert_eq!(code, Some(0), "round {round}: it is taken up again: {seen:#?}");
        assert!(bench.path("a/audio/2.wav").exists(), "the first recording is not written over");
        bench.run(&["show", "a", "--lexicon", &lexicon]).code(0);
        drop(microphone);
    }
}

/// Every file under a folder.
fn files(dir: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut out = BTreeMap::new();
    for e in std::fs::read_dir(dir).unwrap() {
        let path = e.unwrap().path();
        if path.is_dir() {
            out.extend(files(&path));
        } else {
            out.insert(path.display().to_string(), std::fs::read(&path).unwrap());
        }
    }
    out
}

/// Runs a command that is killed at some moment of it; gives whether it was done by then.
fn killed(bench: &Bench, args: &[&str], whole: Duration) -> bool {
    let mut child = bench
        .command(args)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    // Half of the moments fall into the last fifth, where files get their names.
    let all = whole.as_micros() as u64;
    let at = if random(2) == 0 { random(all) } else { all * 4 / 5 + random(all * 2 / 5) };
    std::thread::sleep(Duration::from_micros(at));
    let done = child.try_wait().unwrap().is_some();
    child.kill().unwrap();
    child.wait().unwrap();
    done
}

#[test]
fn a_table_an_export_and_an_exam_taken_back_are_whole_or_not_there_after_a_kill() {
    let lexicon = bicycle();
    let bench = Bench::new();
    said(&bench, "all/1", 300);
    let journal = std::fs::read(bench.path("all/1/journal.jsonl")).unwrap();
    for n in 2..=12 {
        bench.file(&format!("all/{n}/journal.jsonl"), &journal);
    }
    let of = ["--lexicon", &lexicon];
    let json = ["export", "all/1", "--as", "json", "-o"];
    bench.run(&[&json[..], &["e.json"], &of].concat()).code(0);
    let before = files(&bench.path("all"));
    for (args, out) in [
        (&["gather", "all", "-o", "t.csv", "--lexicon", &lexicon][..], "t.csv"),
        (&["gather", "all", "-o", "t.parquet", "--lexicon", &lexicon], "t.parquet"),
        (&["export", "all/1", "--as", "json", "-o", "x.json", "--lexicon", &lexicon], "x.json"),
        (&["import", "e.json", "--exam", "back"], "back/journal.jsonl"),
        (&["archive", "all", "--lexicon", &lexicon], ""),
    ] {
        let take_away = || {
            let _ = std::fs::remove_file(bench.path(out));
            let _ = std::fs::remove_dir_all(bench.path("back"));
        };
        let begun = Instant::now();
        bench.run(args).code(0);
        let took = begun.elapsed();
        let whole = (!out.is_empty()).then(|| std::fs::read(bench.path(out)).unwrap());
        let (mut absent, mut there) = (0, 0);
        for round in 0..8 {
            if !out.is_empty() {
                take_away();
            }
            let done = killed(&bench, args, took);
            assert_eq!(files(&bench.path("all")), before, "the exams are not touched");
            let Some(whole) = &whole else { continue };
            match std::fs::read(bench.path(out)) {
                Ok(found) => {
                    assert!(found == *whole, "{args:?}, round {round}: half a file has the name");
                    there += 1;
                }
                Err(_) => {
                    assert!(!done, "{args:?}: done, and nothing is there");
                    assert!(!bench.path("back").exists(), "half an exam has the name");
                    // What was left on the way is in nobody's way.
                    bench.run(args).code(0);
                    assert!(std::fs::read(bench.path(out)).unwrap() == *whole);
                    absent += 1;
                }
            }
            let left = std::fs::read_dir(bench.path("")).unwrap();
            let parts = left
                .filter(|e| e.as_ref().unwrap().path().extension().is_some_and(|e| e == "part"));
            assert!(parts.count() <= 1);
        }
        println!("{}: {absent} times not there, {there} times whole", args[0]);
    }
}
