//! Wrong arguments and wrong exam folders: the whole text of each error, its exit code, and that
//! nothing was changed.
//!
//! `tests/bad/arguments.txt` is the table. `BLESS=1 cargo test --test bad_input` writes it anew from
//! what the program says; the difference is then to be read before it is kept.

#[path = "cli/support.rs"]
mod support;

use std::collections::BTreeMap;
use std::path::Path;

use support::{Bench, bicycle, root};

/// One row of the table.
struct Row {
    title: String,
    command: String,
    expected: String,
}

fn table(text: &str) -> (String, Vec<Row>) {
    let mut parts = text.split("\n## ");
    let head = parts.next().unwrap().to_owned();
    let rows = parts
        .map(|part| {
            let (title, rest) = part.split_once('\n').unwrap();
            let (command, expected) = rest.split_once('\n').unwrap();
            Row {
                title: title.to_owned(),
                command: command.strip_prefix("$ cotside").unwrap().trim().to_owned(),
                expected: expected.trim_end().to_owned(),
            }
        })
        .collect();
    (head, rows)
}

/// Splits at blanks; what stands in single quotes stays together.
fn words(command: &str) -> Vec<String> {
    let mut out = Vec::new();
    for (k, part) in command.split('\'').enumerate() {
        match k % 2 {
            0 => out.extend(part.split_whitespace().map(str::to_owned)),
            _ => out.push(part.to_owned()),
        }
    }
    out
}

/// The exams and files that the rows speak of.
fn bench() -> Bench {
    let bench = Bench::new();
    let lexicon = std::fs::read_to_string(Path::new(&bicycle()).join("lexicon.toml")).unwrap();
    bench
        .file("bicycle/lexicon.toml", &lexicon)
        .file("broken/lexicon.toml", lexicon.replace("section = \"drive\"", "section = \"drve\""))
        .file("nothing-in-it/readme.txt", "no lexicon\n")
        .file("check.txt", "[0:01] headset smooth\n[0:05] pedal tight\n[0:09] left pad glazed\n")
        .file("prose.txt", "headset smooth, pedal tight\n");
    let read = |exam: &str, more: &[&str]| {
        let args = ["read", "check.txt", "--exam", exam, "--lexicon", "bicycle", "--code", "B-1"];
        bench.run(&[&args[..], more].concat()).code(0);
    };
    let started = ["--started", "2031-04-05T09:26:53+02:00"];
    read("b", &[&["--by", "AB"][..], &started].concat());
    read("unsigned", &started);
    let journal = bench.text("b/journal.jsonl");
    let (header, rest) = journal.split_once('\n').unwrap();
    bench
        .file("damaged/journal.jsonl", journal.replacen("headset", "handset", 1))
        .file("garbled/journal.jsonl", format!("{header}\nnot JSON\n{rest}"))
        .file("empty/journal.jsonl", "");
    // Made for the journal's own tests: its header names a later schema.
    let later = root().join("tests/bad/journal/later-schema/journal.jsonl");
    bench.file("later/journal.jsonl", std::fs::read(later).unwrap());
    bench.run(&["settle", "b", "4.1", "--value", "glazed", "--lexicon", "bicycle"]).code(0);
    bench
}

/// Digests and the present time differ from run to run; everything else is compared.
fn masked(text: &str) -> String {
    let digest =
        regex::Regex::new("[0-9a-f]{64}").unwrap().replace_all(text, "DIGEST").into_owned();
    regex::Regex::new("\"wall\":\"[^\"]*\"")
        .unwrap()
        .replace_all(&digest, "\"wall\":\"NOW\"")
        .into_owned()
}

/// All files and their bytes.
fn snapshot(dir: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut out = BTreeMap::new();
    for e in std::fs::read_dir(dir).unwrap() {
        let path = e.unwrap().path();
        let name = path.display().to_string();
        if path.is_dir() {
            out.insert(name, Vec::new());
            out.extend(snapshot(&path));
        } else {
            out.insert(name, std::fs::read(&path).unwrap());
        }
    }
    out
}

#[test]
fn every_error_reads_as_in_the_table_and_changes_nothing() {
    let file = root().join("tests/bad/arguments.txt");
    let text = std::fs::read_to_string(&file).unwrap();
    let (head, rows) = table(&text);
    assert!(rows.len() >= 40, "{} rows", rows.len());
    let bench = bench();
    let before = snapshot(&bench.path("."));
    let (mut wrong, mut blessed) = (Vec::new(), head);
    for row in &rows {
        let args = words(&row.command);
        let ran = bench.run(&args.iter().map(String::as_str).collect::<Vec<_>>());
        let code = ran.code.unwrap_or(-1);
        let got = masked(format!("exit {code}\n{}", ran.err).trim_end());
        blessed += &format!("\n## {}\n$ cotside {}\n{got}\n", row.title, row.command);
        if got != row.expected || !ran.out.is_empty() || code < 2 {
            wrong.push(format!(
                "## {}\nexpected:\n{}\ngot:\n{got}\nout:\n{}",
                row.title, row.expected, ran.out
            ));
        }
    }
    assert_eq!(snapshot(&bench.path(".")), before, "something was changed");
    if std::env::var_os("BLESS").is_some() {
        std::fs::write(&file, blessed).unwrap();
    }
    assert!(wrong.is_empty(), "{} of {} rows:\n\n{}", wrong.len(), rows.len(), wrong.join("\n\n"));
}
