//! Made-up exams for measuring: the narrations under `tests/narrations/dev`, with another code,
//! start, examiner and protocol for each, and some phrases left out, so that no two are alike.

use std::path::{Path, PathBuf};

use cotside::capture::timed_text::read_timed_text;
use cotside::journal::Digest;
use serde_json::{Value, json};

/// The phrases of each narration.
pub fn narrations() -> Vec<Vec<Value>> {
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
pub fn journal(n: usize, phrases: &[Value], lexicon: &Value) -> String {
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
