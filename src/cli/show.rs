//! `cotside show`.

use super::exit::{Exit, Outcome};
use super::{ShowArgs, open, output};
use crate::gaps::gaps;
use crate::report::{json, text};

/// Runs the command.
pub fn run(args: &ShowArgs) -> Outcome {
    let o = open::measured(
        &args.exam.exam.exam,
        args.exam.exam.lexicon.as_deref(),
        &args.exam.reference,
    )?;
    if args.json {
        output::json(&json::export(
            &o.exam,
            &o.lex,
            &o.graded,
            &o.overview,
            &gaps(&o.exam, &o.lex),
        ))?;
    } else if args.timeline {
        output::put(&text::timeline(&o.exam, &o.lex, &o.graded.ages))?;
    } else {
        output::put(&text::show(&o.exam, &o.lex, &o.graded, &o.overview))?;
    }
    Ok(Exit::Ok)
}
