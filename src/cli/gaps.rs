//! `cotside gaps`: the gate. Exit code 1 when the protocol is not met.

use super::exit::{Exit, Outcome};
use super::{GapsArgs, open, output};
use crate::gaps::gaps;
use crate::report::{json, text};

/// Runs the command.
pub fn run(args: &GapsArgs) -> Outcome {
    let o = open::measured(
        &args.exam.exam.exam,
        args.exam.exam.lexicon.as_deref(),
        &args.exam.reference,
    )?;
    let mut g = gaps(&o.exam, &o.lex);
    let signed = o.read.signing().is_some();
    if signed {
        // No command settles anything in it any more.
        g.list.iter_mut().for_each(|gap| gap.settle.clear());
    }
    if args.json {
        output::json(&json::gaps(&o.exam, &o.lex, &g, &o.graded, &o.overview))?;
    } else {
        let exam = args.exam.exam.exam.display().to_string();
        output::put(&text::gaps(&o.exam, &o.lex, &g, &o.graded.ages, &o.overview, &exam))?;
        if signed {
            output::put(&format!(
                "\nsigned: what is left to say is added with cotside addendum {exam}\n"
            ))?;
        }
    }
    Ok(if g.met { Exit::Ok } else { Exit::Gate })
}
