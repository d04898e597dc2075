//! `kill -9` at random moments: the exam opens, all that was confirmed is there, and at most the
//! phrase in flight is lost.
//!
//! Moments are drawn by progress (so many phrases seen on disk or answered) and then by a random
//! pause below a millisecond, so that they fall before, in and behind writes and syncs on fast and
//! slow disks alike. What this does not cover: a machine that loses power; `tests/journal.rs` does
//! that with a disk that forgets what was not synced.

#[path = "cli/support.rs"]
mod support;

use std::hash::{BuildHasher, RandomState};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use cotside::journal::{self, Entry, JournalError};
use support::{Bench, bicycle};

const ROUNDS: u64 = 6;
/// Enough that the writing outlasts the random pause even where a sync costs nothing.
const PHRASES: usize = 500;

/// A number below `below`, from the standard library's seeded hasher: no crate needed for that.
fn random(below: u64) -> u64 {
    RandomState::new().hash_one(below) % below
}

/// Words of the phrases, each told from all others by its number.
fn words(k: usize) -> String {
    let side = if k.is_multiple_of(2) { "left" } else { "right" };
    format!("{side} brake pad {k} millimetres")
}

/// The texts of the phrases on disk; nothing when there is no journal yet.
fn on_disk(exam: &Path) -> Vec<String> {
    match journal::read(exam) {
        Ok(read) => read
            .lines
            .into_iter()
            .filter_map(|l| match l.entry {
                Entry::Phrase(p) => Some(p.text),
                _ => None,
            })
            .collect(),
        Err(JournalError::Missing(_) | JournalError::Empty(_)) => Vec::new(),
        Err(e) => panic!("the journal does not open: {e}"),
    }
}

fn spawn(mut command: Command) -> Child {
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap()
}

fn kill(mut child: Child) {
    std::thread::sleep(Duration::from_micros(random(900)));
    // SIGKILL on Unix: nothing in the program can put anything right.
    child.kill().unwrap();
    child.wait().unwrap();
}

#[test]
fn a_read_killed_at_any_moment_keeps_all_it_had_written_and_is_finished_by_append() {
    let lexicon = bicycle();
    let expected: Vec<String> = (0..PHRASES).map(words).collect();
    let lines: Vec<String> = expected
        .iter()
        .enumerate()
        .map(|(k, w)| format!("[{}:{:02}] {w}\n", k / 60, k % 60))
        .collect();
    let mut stopped_within = 0;
    for round in 0..ROUNDS {
        let bench = Bench::new();
        let exam = bench.path("k");
        let args = ["read", "-", "--exam", "k", "--lexicon", &lexicon];
        let mut child = spawn(bench.command(&args));
        let mut pipe = child.stdin.take().unwrap();
        // The first round is killed while it is still being fed.
        let fed = if round == 0 { PHRASES / 2 } else { PHRASES };
        for line in &lines[..fed] {
            pipe.write_all(line.as_bytes()).unwrap();
            if round == 0 {
                std::thread::sleep(Duration::from_micros(random(200)));
            }
        }
        let pipe = (round == 0).then_some(pipe);
        let goal = random(PHRASES as u64 / 2) as usize;
        let mut seen = on_disk(&exam);
        while round > 0 && seen.len() < goal && child.try_wait().unwrap().is_none() {
            seen = on_disk(&exam);
        }
        kill(child);
        drop(pipe);

        let kept = on_disk(&exam);
        assert!(kept.len() >= seen.len(), "round {round}: {} then {}", seen.len(), kept.len());
        assert_eq!(kept, expected[..kept.len()], "round {round}: in order, none left out");
        stopped_within += usize::from(!kept.is_empty() && kept.len() < PHRASES);

        let input = lines.concat();
        let again = match journal::read(&exam) {
            Ok(_) => bench
                .typed(&["read", "-", "--exam", "k", "--append", "--lexicon", &lexicon], &input),
            Err(_) => bench.typed(&args, &input),
        };
        again.code(0);
        assert_eq!(on_disk(&exam), expected, "round {round}: whole, and nothing twice");
    }
    assert!(stopped_within > 0, "no round was stopped in the midst of writing");
}

#[test]
fn a_log_killed_at_any_moment_keeps_every_phrase_it_answered() {
    let lexicon = bicycle();
    for round in 0..ROUNDS {
        let bench = Bench::new();
        let exam = bench.path("k");
        let args = ["listen", "--keys", "--exam", "k", "--lexicon", &lexicon];
        let mut child = spawn(bench.command(&args));
        let mut pipe = child.stdin.take().unwrap();
        let mut answers = BufReader::new(child.stdout.take().unwrap()).lines();
        // The greeting is two lines.
        answers.next().unwrap().unwrap();
        answers.next().unwrap().unwrap();
        let goal = random(20) as usize;
        let mut answered = 0;
        for k in 0..goal {
            writeln!(pipe, "{}", words(k)).unwrap();
            let answer = answers.next().unwrap().unwrap();
            assert!(answer.contains("brake pad"), "{answer}");
            answered += 1;
        }
        // One more, in flight when the end comes.
        writeln!(pipe, "{}", words(goal)).unwrap();
        kill(child);
        answered += answers.map_while(Result::ok).count();

        let kept = on_disk(&exam);
        assert!(kept.len() >= answered, "round {round}: {answered} answered, {} kept", kept.len());
        assert!(kept.len() >= goal, "round {round}: at most the one in flight is lost");
        let expected: Vec<String> = (0..kept.len()).map(words).collect();
        assert_eq!(kept, expected, "round {round}");

        bench.typed(&args, "headset smooth\n").code(0);
        assert_eq!(on_disk(&exam).len(), kept.len() + 1, "round {round}: the log goes on");
        bench.run(&["show", "k", "--lexicon", &lexicon]).code(0);
    }
}
