//! `cotside review`: the page, served on this machine while a browser shows it.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::exit::{Exit, Failure, Outcome};
use super::{header, open, output, sealing};
use crate::journal::{Entry, Settlement};
use crate::lexicon::Lexicon;
use crate::problem::Problem;
use crate::report::words;
use crate::review::server::{Ended, serve};
use crate::review::{Desk, NotWritten, Signed, State};

/// `cotside review`
#[derive(Debug, clap::Args)]
#[command(
    before_help = "\
Examples:
  cotside review exams/a1
  cotside review exams/a1 --by AB
  cotside review exams/a1 --no-open",
    after_help = "\
The page shows what is open, the exam by section and side, the course of it
drawn to scale, the scores and the note, and plays each phrase whose sound is
kept. All of it works by keyboard; the keys are listed on the page. Every
decision is an entry of its own in the journal, and can be taken back. Only this
machine can reach the page, and only the browser the address is opened in first.
It ends a few seconds after its tab is closed, or with Ctrl-C."
)]
pub struct ReviewArgs {
    /// Folder of the exam
    exam: PathBuf,
    /// Initials of whoever decides; the examiner's, when not given
    #[arg(long, value_name = "INITIALS", value_parser = header::initials)]
    by: Option<String>,
    /// Print the address instead of opening it
    #[arg(long)]
    no_open: bool,
    /// A growth reference to use before the shipped ones: a .csv table or a .toml of formulas
    #[arg(long, value_name = "FILE")]
    reference: Vec<PathBuf>,
    /// Folder of the lexicon, when the exam was recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// Runs the command.
pub fn run(args: &ReviewArgs) -> Outcome {
    let o = open::measured(&args.exam, args.lexicon.as_deref(), &args.reference)?;
    let who = open::who("--by", args.by.as_deref(), &o.exam)?;
    let desk = OnDisk {
        exam: args.exam.clone(),
        lexicon: args.lexicon.clone(),
        references: args.reference.clone(),
        loaded: Arc::clone(&o.lex),
        who,
    };
    drop(o);
    let name = args.exam.display().to_string();
    let ended = serve(Box::new(desk), &name, |address| {
        if let Err(f) = show(address, args.no_open) {
            f.problems.iter().for_each(|p| output::tell(&format!("error: {p}")));
        }
    })?;
    output::tell(match ended {
        Ended::Away => "the page was closed",
        Ended::Idle => "nothing was asked for half an hour: the page is closed",
        Ended::Interrupted => "the page is closed",
    });
    Ok(Exit::Ok)
}

/// Opens the page, or says where it is.
fn show(address: &str, print: bool) -> Result<(), Failure> {
    let opened = match print {
        true => false,
        false => match open_page(address) {
            Ok(()) => true,
            Err(e) => {
                output::warn(&format!("no browser could be started ({e}); open this address:"));
                false
            }
        },
    };
    if opened {
        output::tell("the page is open in the browser; it ends with its tab, or with Ctrl-C");
    } else {
        // An address is copied whole: it is not broken into lines.
        output::raw(&format!("{address}\n"))?;
        output::tell("this address works once; the page ends with its tab, or with Ctrl-C");
    }
    Ok(())
}

fn open_page(address: &str) -> std::io::Result<()> {
    ::open::that_detached(address)
}

/// An exam opened for reading, as the page needs it. A signed one is told as it was signed.
pub fn state(dir: &Path, lexicon: Option<&Path>, o: open::Opened) -> Result<State, Failure> {
    let note = sealing::note::signed(dir, lexicon)?;
    let by = o.read.signing().map_or_else(
        || "the seal beside it tells by whom".to_owned(),
        |(line, signing)| format!("{}, {}", signing.who, words::wall(&line.wall)),
    );
    Ok(State {
        signed: note.map(|note| Signed { by, note }),
        digest: o.read.digest().to_string(),
        lines: o.read.lines,
        exam: o.exam,
        graded: o.graded,
        overview: o.overview,
        lex: o.lex,
    })
}

/// An exam in its folder.
struct OnDisk {
    exam: PathBuf,
    lexicon: Option<PathBuf>,
    references: Vec<PathBuf>,
    loaded: Arc<Lexicon>,
    who: String,
}

/// What a page can say of a failure: its last problem, the most important.
fn problem(f: Failure) -> Problem {
    let mut list = f.problems;
    list.pop().unwrap_or_else(|| Problem::in_file("review", "the exam cannot be used"))
}

impl Desk for OnDisk {
    fn state(&self) -> Result<State, Problem> {
        let lexicon = self.lexicon.as_deref();
        open::again(&self.exam, lexicon, &self.loaded, &self.references)
            .and_then(|o| state(&self.exam, lexicon, o))
            .map_err(problem)
    }

    fn write(&self, seen: &str, list: &[Settlement]) -> Result<Vec<u64>, NotWritten> {
        let failed = |f: Failure| NotWritten::Problem(problem(f));
        let mut taken = open::for_writing(&self.exam).map_err(failed)?;
        // Asked under the lock: from here on nobody else writes.
        if taken.read.digest().to_string() != seen {
            return Err(NotWritten::Changed);
        }
        list.iter()
            .map(|s| taken.journal.append_now(&Entry::Settlement(s.clone())))
            .collect::<Result<_, _>>()
            .map_err(|e| failed(e.into()))
    }

    fn folder(&self) -> &Path {
        &self.exam
    }

    fn who(&self) -> &str {
        &self.who
    }
}
