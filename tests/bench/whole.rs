//! `cargo bench --bench whole [-- EXAMS]`: the speed of the whole, as ratios in one run: from the
//! start of the program to its first answer, making lexicon and index of sounds, rebuilding an exam
//! and making its page at 1, 10 and 100 times the phrases, and summing up an archive.
//!
//! `COTSIDE_BEFORE=PROGRAM` names an earlier build of the program; where the program is run, that one
//! is run in turn with it, and the ratio of both is printed.

#[path = "exams.rs"]
mod exams;

use std::hint::black_box;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use cotside::exam;
use cotside::grade::{Overview, grade, scales};
use cotside::journal;
use cotside::lexicon::Files;
use cotside::reading::ears::Ears;
use cotside::report::page;
use cotside::review::State;
use cotside::review::view::{Wish, with_page};
use serde_json::{Value, json};

fn median(runs: usize, mut f: impl FnMut() -> Duration) -> Duration {
    let mut all: Vec<Duration> = (0..runs).map(|_| f()).collect();
    all.sort();
    all[all.len() / 2]
}

fn timed(f: impl FnOnce()) -> Duration {
    let begun = Instant::now();
    f();
    begun.elapsed()
}

fn ratio(a: Duration, b: Duration) -> f64 {
    a.as_secs_f64() / b.as_secs_f64()
}

/// The programs to run: this one, and the earlier build when one is named.
fn programs() -> Vec<PathBuf> {
    let own = PathBuf::from(env!("CARGO_BIN_EXE_cotside"));
    let before = std::env::var_os("COTSIDE_BEFORE").map(PathBuf::from);
    std::iter::once(own).chain(before).collect()
}

/// Medians of the programs, run in turn, so that a busy machine treats them alike.
fn in_turn(runs: usize, mut f: impl FnMut(&Path) -> Duration) -> Vec<Duration> {
    let programs = programs();
    let mut all: Vec<Vec<Duration>> = vec![Vec::new(); programs.len()];
    for _ in 0..runs {
        for (list, program) in all.iter_mut().zip(&programs) {
            list.push(f(program));
        }
    }
    let middle = |mut list: Vec<Duration>| {
        list.sort();
        list[list.len() / 2]
    };
    all.into_iter().map(middle).collect()
}

fn against_before(times: &[Duration]) -> String {
    match times {
        [now, before] => format!("; {:.2} times the earlier build", ratio(*now, *before)),
        _ => String::new(),
    }
}

/// From the start of `listen` to the answer to the first phrase.
fn first_answer(program: &Path, dir: &Path, phrase: &str) -> Duration {
    let exam = tempfile::tempdir_in(dir).expect("a folder");
    let begun = Instant::now();
    let mut child = Command::new(program)
        .args(["listen", "--keys", "--exam"])
        .arg(exam.path().join("e"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program runs");
    let mut keys = child.stdin.take().expect("its input");
    writeln!(keys, "{phrase}").expect("it reads");
    let mut lines = BufReader::new(child.stdout.take().expect("its output")).lines();
    let answer = lines.find(|l| l.as_ref().is_ok_and(|l| l.contains("moro"))).is_some();
    let took = begun.elapsed();
    assert!(answer, "{phrase}: no answer");
    drop(keys);
    child.wait().expect("it ends");
    took
}

fn run(program: &Path, args: &[&str]) -> Duration {
    timed(|| {
        let done = Command::new(program)
            .args(args)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .expect("the program runs");
        assert!(done.success(), "{args:?}");
    })
}

fn main() {
    let wanted = std::env::args().skip(1).find_map(|a| a.parse::<usize>().ok()).unwrap_or(1000);
    let tmp = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let dir = tempfile::Builder::new().prefix("whole-").tempdir_in(tmp).expect("a folder");

    println!("from the start of the program");
    let bare = in_turn(9, |p| run(p, &["--version"]));
    for (what, phrase) in [
        ("to the answer to a phrase", "Moro complete"),
        ("the same with a word looked for by sound", "Moro compleet"),
    ] {
        let t = in_turn(9, |p| first_answer(p, dir.path(), phrase));
        let times = ratio(t[0], bare[0]);
        println!("  {what}: {times:.0} times --version{}", against_before(&t));
    }

    println!("lexicon and sounds");
    let files = Files::shipped("newborn").expect("it is shipped");
    let toml = median(5, || {
        timed(|| {
            for f in &files.files {
                black_box(toml::from_str::<toml::Table>(&f.text).expect("TOML"));
            }
        })
    });
    let compiled = median(5, || {
        timed(|| drop(black_box(cotside::lexicon::compile(&files).expect("it compiles"))))
    });
    let lex = Arc::new(cotside::lexicon::shipped("newborn").expect("it compiles"));
    black_box(Ears::new(&lex)); // unpacks the dictionary
    let index = median(5, || timed(|| drop(black_box(Ears::new(&lex)))));
    println!(
        "  compiling the lexicon:   {:.2} times reading its files as TOML",
        ratio(compiled, toml)
    );
    println!(
        "  making the sound index:  {:.2} times compiling the lexicon",
        ratio(index, compiled)
    );

    println!("one exam, at times the phrases");
    let lexicon = json!({ "name": lex.name, "sha256": lex.digest });
    let base = exams::narrations();
    let longest = base.iter().max_by_key(|n| n.len()).expect("a narration");
    let length = longest.last().map_or(0, |p| p["end_ms"].as_u64().unwrap_or(0)) + 60_000;
    let mut first: Option<[Duration; 3]> = None;
    for n in [1_u64, 10, 100] {
        let phrases: Vec<Value> = (0..n)
            .flat_map(|k| {
                longest.iter().map(move |p| {
                    let mut p = p.clone();
                    for key in ["start_ms", "end_ms"] {
                        p[key] = (p[key].as_u64().unwrap_or(0) + k * length).into();
                    }
                    p
                })
            })
            .collect();
        let text = exams::journal(1, &phrases, &lexicon);
        let runs = if n == 100 { 1 } else { 5 };
        let path = Path::new("journal.jsonl");
        let lines = journal::read_bytes(path, text.as_bytes()).expect("a journal");
        let read =
            median(runs, || timed(|| drop(black_box(journal::read_bytes(path, text.as_bytes())))));
        let header = || lines.header().expect("a header");
        let rebuilt =
            median(runs, || timed(|| drop(black_box(exam::build(header(), &lines.lines, &lex)))));
        let exam = exam::build(header(), &lines.lines, &lex);
        let graded = grade(&exam, &lex);
        let list = scales::of_lexicon(&lex).expect("its scales are good");
        let overview = Overview::new(list, &exam, &graded, &lex);
        let (digest, lex) = (lines.digest().to_string(), Arc::clone(&lex));
        let s = State { exam, graded, overview, lex, lines: lines.lines, digest, signed: None };
        let wish = Wish { name: "e", ..Wish::default() };
        let page = median(runs, || timed(|| drop(black_box(with_page(&s, &wish, page::file)))));
        let now = [read, rebuilt, page];
        let of = *first.get_or_insert(now);
        let per: Vec<f64> = now.iter().zip(of).map(|(t, o)| ratio(*t, o) / n as f64).collect();
        println!(
            "  {n:>3}x ({} phrases): a phrase costs {:.2} times reading the journal, {:.2} times \
             rebuilding, {:.2} times making the page; rebuilding is {:.1} times reading the journal",
            phrases.len(),
            per[0],
            per[1],
            per[2],
            ratio(rebuilt, read)
        );
    }

    let all = dir.path().join("all");
    let mut bytes = 0;
    let mut texts = Vec::new();
    for n in 0..wanted {
        let exam = all.join(format!("{n:05}"));
        std::fs::create_dir_all(&exam).expect("a folder");
        let text = exams::journal(n, &base[n % base.len()], &lexicon);
        bytes += text.len();
        std::fs::write(exam.join("journal.jsonl"), &text).expect("room on the disk");
        texts.push(text);
    }
    println!("archive of {wanted} exams, {:.1} MB of journals", bytes as f64 / 1e6);
    let read = timed(|| {
        for text in &texts {
            drop(black_box(journal::read_bytes(Path::new("journal.jsonl"), text.as_bytes())));
        }
    });
    let all = all.display().to_string();
    let t = in_turn(3, |p| run(p, &["archive", &all]));
    println!(
        "  archive: {:.1} times checking the journals one after the other{}",
        ratio(t[0], read),
        against_before(&t)
    );
    let out = dir.path().join("t.csv");
    let t = in_turn(3, |p| {
        let _ = std::fs::remove_file(&out);
        run(p, &["gather", &all, "-o", &out.display().to_string()])
    });
    println!(
        "  gather:  {:.1} times checking the journals one after the other{}",
        ratio(t[0], read),
        against_before(&t)
    );
}
