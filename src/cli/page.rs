//! `cotside page`: the exam as one HTML file, or several exams of one infant beside each other.

use std::path::PathBuf;

use super::exit::{Exit, Outcome};
use super::{compare, open, output, review};
use crate::report::compare::Column;
use crate::report::page;
use crate::review::view::{Wish, with_page};

/// `cotside page`
#[derive(Debug, clap::Args)]
#[command(
    before_help = "\
Examples:
  cotside page exams/a1 -o exam.html
  cotside page exams/day1 exams/day2 -o course.html",
    after_help = "\
The file asks for nothing outside it and runs nothing; it can be read in any
browser and prints with the exam's code and the journal's digest on every sheet.
Several exams give small drawings over the hours of age, and head circumference
on the lines of its reference. To settle what is open, use `cotside review`."
)]
pub struct PageArgs {
    /// Folders of the exams, in any order
    #[arg(required = true, value_name = "EXAM")]
    exams: Vec<PathBuf>,
    /// Write to a new file instead of standard output
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// A growth reference to use before the shipped ones: a .csv table or a .toml of formulas
    #[arg(long, value_name = "FILE")]
    reference: Vec<PathBuf>,
    /// Folder of the lexicon, when the exams were recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// Runs the command.
pub fn run(args: &PageArgs) -> Outcome {
    let lexicon = args.lexicon.as_deref();
    let text = match args.exams.as_slice() {
        [one] => {
            let state =
                review::state(one, lexicon, open::measured(one, lexicon, &args.reference)?)?;
            let name = one.display().to_string();
            let wish = Wish { name: &name, ..Wish::default() };
            with_page(&state, &wish, page::file)
        }
        many => {
            let opened = compare::series(many, lexicon, &args.reference)?;
            let columns: Vec<Column<'_>> = opened
                .iter()
                .map(|(_, o)| Column { exam: &o.exam, graded: &o.graded, overview: &o.overview })
                .collect();
            let digests: Vec<String> =
                opened.iter().map(|(_, o)| o.read.digest().to_string()).collect();
            let Some((_, first)) = opened.first() else { return Ok(Exit::Ok) };
            page::compare::page(&columns, &digests, &first.lex)
        }
    };
    output::deliver(args.output.as_deref(), &text)?;
    Ok(Exit::Ok)
}
