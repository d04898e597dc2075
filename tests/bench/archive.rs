//! `cargo bench --bench archive`: many exams summed up in one run. Prints seconds and memory for
//! each thousand, and how both grow from one thousand to ten.
//!
//! The exams are made up (`exams.rs`), written under `target/tmp` and deleted afterwards. `-- 2000` makes that many instead of 10,000.

#[path = "exams.rs"]
mod exams;

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use exams::{journal, narrations};
use serde_json::json;

/// Exams in a folder of their own.
const THOUSAND: usize = 1000;

/// Runs the program to its end: how long it took, and the most memory it held, in megabytes.
fn timed(args: &[&str]) -> (Duration, Option<f64>, i32) {
    let t = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_cotside"))
        .args(args)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program runs");
    let status = format!("/proc/{}/status", child.id());
    let mut peak = None;
    let done = loop {
        // The kernel keeps the peak; what is read last before the end is near enough.
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let kb = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
        let kb = kb.and_then(|l| l.trim().trim_end_matches("kB").trim().parse::<f64>().ok());
        peak = kb.map(|kb| kb / 1024.0).or(peak);
        if let Some(done) = child.try_wait().expect("it can be waited for") {
            break done;
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    (t.elapsed(), peak, done.code().unwrap_or(-1))
}

fn main() {
    let wanted = std::env::args().skip(1).find_map(|a| a.parse::<usize>().ok());
    let thousands = wanted.unwrap_or(10 * THOUSAND).div_ceil(THOUSAND);
    let tmp = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let dir = tempfile::Builder::new().prefix("archive-").tempdir_in(tmp).expect("a folder");
    let lex = cotside::lexicon::shipped("newborn").expect("the shipped lexicon compiles");
    let lexicon = json!({ "name": lex.name, "sha256": lex.digest });
    let base = narrations();
    for n in 0..thousands * THOUSAND {
        let exam = dir.path().join(format!("all/{:02}/{n:05}", n / THOUSAND));
        std::fs::create_dir_all(&exam).expect("a folder");
        let text = journal(n, &base[n % base.len()], &lexicon);
        std::fs::write(exam.join("journal.jsonl"), text).expect("room on the disk");
    }
    println!("{} exams made from {} narrations", thousands * THOUSAND, base.len());
    let mut first: Option<(f64, f64)> = None;
    let steps: Vec<usize> =
        [1, 2, 5, 10].into_iter().filter(|k| *k < thousands).chain([thousands]).collect();
    for k in steps {
        // The first k thousand, under a folder of their own.
        let some = dir.path().join(format!("first-{k}"));
        std::fs::create_dir(&some).expect("a folder");
        for t in 0..k {
            let (from, to) = (format!("all/{t:02}"), some.join(format!("{t:02}")));
            #[cfg(unix)]
            std::os::unix::fs::symlink(dir.path().join(from), to).expect("a link");
            #[cfg(not(unix))]
            std::fs::rename(dir.path().join(from), to).expect("a folder that can be moved");
        }
        let (took, peak, code) = timed(&["archive", &some.display().to_string()]);
        assert_eq!(code, 0, "every exam can be read");
        #[allow(clippy::cast_precision_loss)] // some thousands
        let per = took.as_secs_f64() / k as f64;
        let peak = peak.unwrap_or(f64::NAN);
        let (base_time, base_memory) = *first.get_or_insert((per, peak));
        println!(
            "  archive {:>6} exams: {per:>6.2} s a thousand ({:.2} times the first), \
             {peak:>6.1} MB at most ({:.2} times)",
            k * THOUSAND,
            per / base_time,
            peak / base_memory
        );
    }
    let out = dir.path().join("all.parquet");
    let all = dir.path().join(format!("first-{thousands}"));
    let (took, peak, code) =
        timed(&["gather", &all.display().to_string(), "-o", &out.display().to_string()]);
    assert_eq!(code, 0);
    let size = std::fs::metadata(&out).map_or(0, |m| m.len());
    #[allow(clippy::cast_precision_loss)]
    let (per, mb) = (took.as_secs_f64() / thousands as f64, size as f64 / 1e6);
    println!(
        "  gather  {:>6} exams: {per:>6.2} s a thousand, {:>6.1} MB at most, file of {mb:.1} MB",
        thousands * THOUSAND,
        peak.unwrap_or(f64::NAN)
    );
}
