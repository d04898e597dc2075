//! `cargo bench --bench archive`: many exams summed up in one run. Prints seconds and memory for
//! each thousand, and how both grow from one thousand to ten.
//!
//! The exams are made up from the narrations under `tests/narrations/dev`: another code, start,
//! examiner and protocol for each, and some phrases left out, so that no two are alike. They are
//! written under `target/tmp` and deleted afterwards. `-- 2000` makes that many instead of 10,000.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use cotside::capture::timed_text::read_timed_text;
use cotside::journal::Digest;
use serde_json::{Value, json};

/// Exams in a folder of their own.
const THOUSAND: usize = 1000;

fn narrations() -> Vec<Vec<Value>> {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/narrations/dev");
    let mut files: Vec<PathBuf> = std::fs::read_dir(dir)
        .expect("the narrations are there")
        .map(|e| e.expect("a file").path())
        .filter(|p| p.extension().is_some_and(|e| e == "txt"))
        .collect();
    files.sort();
    files
        .iter()
        .map(|f| {
            let bytes = std::fs::read(f).expect("the narration is there");
            let text = read_timed_text("narration", &bytes).expect("the narration reads");
            text.phrases.iter().map(|p| serde_json::to_value(p).expect("a phrase")).collect()
        })
        .collect()
}

/// The journal of exam `n`: lines chained as the journal's documentation says.
fn journal(n: usize, phrases: &[Value], lexicon: &Value) -> String {
    let day = 1 + n % 28;
    let month = 1 + n / 28 % 12;
    let wall = format!("2031-{month:02}-{day:02}T09:26:53.000+02:00");
    let protocol = ["full-term", "short-discharge"][usize::from(n.is_multiple_of(3))];
    let mut lines: Vec<Value> = vec![json!({
        "exam_ms": 0,
        "kind": "header",
        "schema": 1,
        "code": format!("SYN-{n:05}"),
        "sex": (["f", "m"][n % 2]),
        "born": format!("2031-{month:02}-{day:02}T01:10:00.000+02:00"),
        "ga": "39+2",
        "by": (["KT", "QF", "LW"][n % 3]),
        "protocol": protocol,
        "lexicon": lexicon,
        "tool": env!("CARGO_PKG_VERSION"),
        "started": wall,
    })];
    // Every exam leaves out other phrases.
    for (_, p) in phrases.iter().enumerate().filter(|(k, _)| !(k * 7 + n * 13).is_multiple_of(11)) {
        let mut line = json!({ "exam_ms": p["end_ms"], "kind": "phrase" });
        let of = line.as_object_mut().expect("an object");
        of.extend(p.as_object().expect("a phrase").clone());
        lines.push(line);
    }
    let mut prev = Digest::ZERO;
    let mut out = String::new();
    for (k, body) in lines.into_iter().enumerate() {
        let mut line = json!({ "seq": k + 1, "exam_ms": body["exam_ms"], "wall": wall });
        let of = line.as_object_mut().expect("an object");
        of.extend(body.as_object().expect("an object").clone());
        of.insert("prev".into(), json!(prev));
        let raw = line.to_string();
        prev = Digest::of(raw.as_bytes());
        out.push_str(&raw);
        out.push('\n');
    }
    out
}

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
