//! `cotside compare`: several exams of one subject side by side.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::exit::{Exit, Failure, Outcome};
use super::{CompareArgs, open, output, score};
use crate::exam::Exam;
use crate::grade::Overview;
use crate::grade::serial::strangers;
use crate::lexicon::Lexicon;
use crate::problem::Problem;
use crate::report::compare::{Column, json, text};

/// Runs the command.
pub fn run(args: &CompareArgs) -> Outcome {
    let mut opened = series(&args.exams, args.lexicon.as_deref(), &args.reference)?;
    for (_, o) in &mut opened {
        if !args.scale.is_empty() {
            let known = score::with_own(&o.lex, &args.scale)?;
            o.overview = Overview::new(known, &o.exam, &o.graded, &o.lex);
        }
    }
    let columns: Vec<Column<'_>> = opened
        .iter()
        .map(|(_, o)| Column { exam: &o.exam, graded: &o.graded, overview: &o.overview })
        .collect();
    let Some((_, first)) = opened.first() else { return Ok(Exit::Ok) };
    match args.json {
        true => output::json(&json(&columns, &first.lex))?,
        false => output::put(&text(&columns, &first.lex))?,
    }
    Ok(Exit::Ok)
}

/// Exams of one infant in order of their start, each with its folder as the user names it.
pub fn series(
    exams: &[PathBuf],
    lexicon: Option<&Path>,
    references: &[PathBuf],
) -> Result<Vec<(String, open::Opened)>, Failure> {
    let mut opened: Vec<(String, open::Opened)> = Vec::new();
    let mut lex: Option<Arc<Lexicon>> = None;
    for dir in exams {
        let o = open::exam_by(dir, lexicon, lex.as_ref(), references)?;
        lex.get_or_insert_with(|| Arc::clone(&o.lex));
        opened.push((dir.display().to_string(), o));
    }
    opened.sort_by_key(|(_, o)| o.exam.header.started);
    check(&opened)?;
    Ok(opened)
}

/// Exams of two subjects, or read by two lexicons, are not laid side by side.
fn check(opened: &[(String, open::Opened)]) -> Result<(), Failure> {
    let Some((_, first)) = opened.first() else { return Ok(()) };
    let mut problems: Vec<Problem> = Vec::new();
    for (dir, o) in opened.iter().filter(|(_, o)| o.lex.digest != first.lex.digest) {
        problems.push(
            Problem::in_file(
                dir,
                format!("read with lexicon {}, the others with {}", o.lex.name, first.lex.name),
            )
            .help("compare exams recorded with the same lexicon"),
        );
    }
    let exams: Vec<&Exam> = opened.iter().map(|(_, o)| &o.exam).collect();
    for (field, a, b) in strangers(&exams) {
        let word = field.word();
        problems.push(
            Problem::in_file(
                &opened[b].0,
                format!("tells another `{word}` than {}: hardly the same infant", opened[a].0),
            )
            .help(format!("if one of the two is wrong: cotside header EXAM --{word} ...")),
        );
    }
    for pair in opened.windows(2).filter(|p| p[0].1.exam.header.code == p[1].1.exam.header.code) {
        problems.push(
            Problem::in_file(&pair[1].0, format!("has the same code as {}", pair[0].0))
                .help("name each exam once; a copy is no second exam"),
        );
    }
    if problems.is_empty() { Ok(()) } else { Err(problems.into()) }
}
