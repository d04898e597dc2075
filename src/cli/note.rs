//! `cotside note`.

use super::exit::{Exit, Outcome};
use super::{NoteArgs, open, output, sealing};
use crate::gaps::gaps;
use crate::grade::asymmetries;
use crate::report::note;

/// Runs the command.
pub fn run(args: &NoteArgs) -> Outcome {
    open::not_a_file(&args.exam.exam.exam)?;
    if let Some(text) =
        sealing::note::signed(&args.exam.exam.exam, args.exam.exam.lexicon.as_deref())?
    {
        if !args.exam.reference.is_empty() {
            output::warn("--reference is not used: the note is printed as it was signed");
        }
        return put(args, &text);
    }
    let o = open::measured(
        &args.exam.exam.exam,
        args.exam.exam.lexicon.as_deref(),
        &args.exam.reference,
    )?;
    let g = gaps(&o.exam, &o.lex);
    let apart = asymmetries(&o.exam, &o.lex);
    let text = note::note(&o.exam, &o.lex, &o.graded, &o.overview, &apart, &g);
    put(args, &text)
}

fn put(args: &NoteArgs, text: &str) -> Outcome {
    match &args.output {
        Some(_) => output::deliver(args.output.as_deref(), text)?,
        None => output::put(text)?,
    }
    Ok(Exit::Ok)
}
