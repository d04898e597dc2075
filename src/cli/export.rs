//! `cotside export`.

use super::exit::{Exit, Outcome};
use super::{ExportArgs, Format, open, output};
use crate::gaps::gaps;
use crate::report::json;

/// Runs the command.
pub fn run(args: &ExportArgs) -> Outcome {
    let to = args.output.as_deref();
    // clap asks for an exam unless the schema is wanted.
    let Some(exam) = &args.exam else {
        output::deliver(to, json::SCHEMA)?;
        return Ok(Exit::Ok);
    };
    let Format::Json = args.format;
    let o = open::measured(exam, args.lexicon.as_deref(), &args.reference)?;
    let value = json::export(&o.exam, &o.lex, &o.graded, &o.overview, &gaps(&o.exam, &o.lex));
    output::deliver(to, &format!("{value:#}\n"))?;
    Ok(Exit::Ok)
}
