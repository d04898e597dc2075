//! Plays back what fuzzing found, and seeds of every kind, through the fuzz targets' own bodies.
//!
//! `tests/fuzz/kept/TARGET/` holds one input a file; one that once broke something is named after
//! what it broke. Finding new ones: DEVELOPERS.md, *Fuzzing*.

#[path = "fuzz/bodies.rs"]
mod bodies;

use std::path::Path;

/// Runs every kept input of a target; a broken one ends the test with its name.
fn play(target: &str, body: fn(&[u8])) {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/kept").join(target);
    let mut files: Vec<_> = std::fs::read_dir(&dir)
        .unwrap_or_else(|e| panic!("{}: {e}", dir.display()))
        .map(|f| f.unwrap().path())
        .collect();
    files.sort();
    assert!(files.len() >= 3, "{} holds {} inputs", dir.display(), files.len());
    for file in files {
        let bytes = std::fs::read(&file).unwrap();
        println!("{}", file.display());
        body(&bytes);
    }
}

#[test]
fn kept_timed_texts() {
    play("timed_text", bodies::timed_text);
}

#[test]
fn kept_lexicons() {
    play("lexicon", bodies::lexicon);
}

#[test]
fn kept_journals() {
    play("journal", bodies::journal);
}

#[test]
fn kept_phrases() {
    play("reading", bodies::reading);
}

#[test]
fn kept_sounds() {
    play("wav", bodies::wav);
}

#[test]
fn kept_models() {
    play("model", bodies::model);
}

#[test]
fn kept_requests() {
    play("request", bodies::request);
}

#[test]
fn kept_exports() {
    play("import", bodies::import);
}
