//! `cotside archive`.

use chrono::{DateTime, FixedOffset, NaiveDate};
use rayon::prelude::*;

use super::exit::{Exit, Failure, Outcome};
use super::many::{self, Lexicons};
use super::{ArchiveArgs, open, output};
use crate::gaps::gaps;
use crate::lexicon::Lexicon;
use crate::report::archive::{self, Counted, Damaged, Line, Sums};

/// What a part of the exams comes to.
#[derive(Default)]
struct Part {
    sums: Sums,
    lines: Vec<Line>,
    damaged: Vec<Damaged>,
}

impl Part {
    fn join(mut self, other: Part) -> Part {
        self.sums = self.sums.join(other.sums);
        self.lines.extend(other.lines);
        self.damaged.extend(other.damaged);
        self
    }
}

/// A day, or a moment.
pub fn day(text: &str) -> Result<NaiveDate, String> {
    NaiveDate::parse_from_str(text.trim(), "%Y-%m-%d")
        .map_err(|_| "write a day as year, month and day, such as 2031-04-05".into())
}

/// Whether an exam is one of those asked for.
fn wanted(args: &ArchiveArgs, c: &Counted, lex: &Lexicon) -> bool {
    let l = &c.line;
    // A day is a day where the exam was made.
    let day = |t: &DateTime<FixedOffset>| t.date_naive();
    let in_time = args.from.is_none_or(|d| day(&l.started) >= d)
        && args.to.is_none_or(|d| day(&l.started) <= d);
    let same = |given: &Option<String>, has: &Option<String>| {
        given.as_ref().is_none_or(|g| has.as_ref().is_some_and(|h| h.eq_ignore_ascii_case(g)))
    };
    let holds = |id: &String| lex.item(id).is_some_and(|i| c.holds(i));
    in_time
        && same(&args.protocol, &l.protocol)
        && same(&args.by, &l.by)
        && (!args.complete || l.complete)
        && (!args.incomplete || !l.complete)
        && args.item.as_ref().is_none_or(holds)
        && args.without.as_ref().is_none_or(|id| !holds(id))
}

/// Runs the command.
pub fn run(args: &ArchiveArgs) -> Outcome {
    let found = many::find(&args.folder)?;
    let lexicons = Lexicons::new(args.lexicon.as_deref());
    let lex = main_lexicon(&lexicons)?;
    let mut args = args.clone();
    for item in [&mut args.item, &mut args.without].into_iter().flatten() {
        *item = lex.items[open::item(item, &lex)?].id.clone();
    }
    if let Some(p) = &args.protocol {
        open::check_protocol(p, &lex)?;
    }
    let keep = args.list || args.json;
    let one = |mut part: Part, folder: &std::path::PathBuf| {
        match many::rebuild(folder, &lexicons) {
            Ok(many::Rebuilt { exam: x, lex, .. }) => {
                let c = Counted::new(folder.display().to_string(), &x, &lex, &gaps(&x, &lex));
                if wanted(&args, &c, &lex) {
                    part.sums.add(&c);
                    if keep {
                        part.lines.push(c.line);
                    }
                }
            }
            Err(d) => part.damaged.push(d),
        }
        part
    };
    let mut all = found.exams.par_iter().fold(Part::default, one).reduce(Part::default, Part::join);
    all.lines.sort_by(|a, b| (a.started, &a.folder).cmp(&(b.started, &b.folder)));
    all.damaged.sort_by(|a, b| a.folder.cmp(&b.folder));
    let locked = found.locked_names();
    if args.json {
        output::json(&archive::json(&all.sums, &all.lines, &all.damaged, &locked, &lex))?;
    } else {
        for l in &all.lines {
            output::line(&archive::line(l))?;
        }
        if !all.lines.is_empty() {
            output::line("")?;
        }
        output::put(&archive::text(&all.sums, &all.damaged, &locked, &lex))?;
    }
    Ok(many::exit(all.damaged.len()))
}

/// The lexicon by which items are named: that of `--lexicon`, or the shipped one.
fn main_lexicon(lexicons: &Lexicons) -> Result<std::sync::Arc<Lexicon>, Failure> {
    lexicons.get(open::DEFAULT_LEXICON).map_err(|why| Failure {
        exit: Exit::Input,
        problems: vec![crate::problem::Problem::in_file("--lexicon", why)],
    })
}
