//! `cotside import`.

use std::io::ErrorKind;
use std::path::Path;

use super::exit::{Exit, Failure, Outcome};
use super::{Format, ImportArgs, export, open, output};
use crate::exam;
use crate::gaps::gaps;
use crate::journal::{self, Digest, FileSystem};
use crate::problem::Problem;
use crate::report::json;
use crate::report::returned::{self, Returned};

/// Runs the command.
pub fn run(args: &ImportArgs) -> Outcome {
    let name = args.file.display().to_string();
    let bytes = match name.as_str() {
        "-" => {
            let mut all = Vec::new();
            std::io::Read::read_to_end(&mut std::io::stdin(), &mut all)?;
            all
        }
        _ => std::fs::read(&args.file)
            .map_err(|e| Failure::file(&args.file, "read this file", &e))?,
    };
    let text = String::from_utf8(bytes).map_err(|_| {
        Problem::in_file(&name, "this file is not UTF-8, so it is no export of an exam")
            .help("import takes what `cotside export --as json` or `--as fhir` wrote")
    })?;
    let back = returned::journal(&name, &text).map_err(|p| placed(p, &name, &text))?;
    open::make_parents(&args.exam)?;
    put(&args.exam, &back)?;
    let code = back.journal.header().map_or_else(String::new, |h| h.code.to_string());
    let entries = back.journal.lines.len();
    output::line(&format!("exam {code}: {entries} entries, byte for byte as exported"))?;
    output::line(&format!("journal SHA-256 {}", Digest::of(&back.bytes)))?;
    output::line(&format!("next: cotside show {}", args.exam.display()))?;
    Ok(Exit::Ok)
}

/// Where an export was changed, when that can be found by exporting its journal once more. What
/// cannot be found that way stays told as it was.
fn placed(p: Problem, name: &str, text: &str) -> Problem {
    let place = || {
        let given: serde_json::Value = serde_json::from_str(text).ok()?;
        let (bytes, files) = returned::carried(&given)?;
        let read = journal::read_bytes(Path::new(name), &bytes).ok()?;
        let header = read.header()?;
        let lex = std::sync::Arc::new(open::lexicon(None, &header.lexicon.name).ok()?);
        let x = exam::build(header, &read.lines, &lex);
        let graded = crate::grade::grade(&x, &lex);
        let scales = crate::grade::scales::of_lexicon(&lex).ok()?;
        let overview = crate::grade::Overview::new(scales, &x, &graded, &lex);
        let again = if given["resourceType"] == "Bundle" {
            let o = open::Opened { read, lex, exam: x, graded, overview };
            let shown = crate::report::deidentify::Shown::Whole;
            serde_json::from_slice(
                &export::made(Format::Fhir, &o, &shown, &files, &export::Signed::default()).ok()?,
            )
            .ok()?
        } else {
            let g = gaps(&x, &lex);
            json::with_journal(json::export(&x, &lex, &graded, &overview, &g), &read, &files)
        };
        // When a bundle was made, and what follows from that, differs in any case.
        let pointer = returned::first_difference(&timeless(again), &timeless(given.clone()))?;
        Some((returned::line_at(text, &pointer), pointer))
    };
    match (p.line, place()) {
        (_, Some((line, pointer))) if line > 0 && !pointer.starts_with("/journal") => {
            Problem { line, message: format!("{} (at {pointer})", p.message), ..p }
        }
        _ => p,
    }
}

fn timeless(mut v: serde_json::Value) -> serde_json::Value {
    if v["resourceType"] == "Bundle" {
        v["timestamp"] = serde_json::Value::Null;
        v["meta"] = serde_json::Value::Null;
        for e in v["entry"].as_array_mut().into_iter().flatten() {
            if e["resource"]["resourceType"] == "Provenance" {
                e["resource"]["recorded"] = serde_json::Value::Null;
            }
        }
    }
    v
}

/// Makes the exam's folder with its journal, whole or not at all.
fn put(exam: &Path, back: &Returned) -> Result<(), Failure> {
    journal::restore(&FileSystem, exam, &back.bytes, &back.files).map_err(|e| match e.kind() {
        ErrorKind::AlreadyExists => Failure::input(
            exam.display().to_string(),
            "there is something of this name, or of this name and .part, already; nothing was changed",
            "name a folder that is not there yet",
        ),
        _ => Failure::file(exam, "write the exam to", &e),
    })
}
