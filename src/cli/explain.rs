//! `cotside explain`.

use super::exit::{Exit, Failure, Outcome};
use super::{ExplainArgs, open, output};
use crate::report::explain::{About, explain, matching};

/// Runs the command.
pub fn run(args: &ExplainArgs) -> Outcome {
    let o = open::measured(
        &args.exam.exam.exam,
        args.exam.exam.lexicon.as_deref(),
        &args.exam.reference,
    )?;
    let about = match args.about.as_deref() {
        None => About::Everything,
        Some(word) => about(word, &o)?,
    };
    if matching(&o.exam, about).is_empty() {
        let what = args.about.as_deref().unwrap_or("this exam");
        output::tell(&format!("no phrase speaks of {what}"));
    }
    output::put(&explain(&o.exam, &o.lex, &o.graded, about))?;
    Ok(Exit::Ok)
}

fn about(word: &str, o: &open::Opened) -> Result<About, Failure> {
    if let Some(ms) = open::moment(word) {
        return Ok(About::Moment(ms));
    }
    let seq = word.split('.').next().and_then(|s| s.parse::<u64>().ok());
    match seq {
        Some(seq) if o.exam.event(seq).is_some() => Ok(About::Phrase(seq)),
        Some(seq) => Err(Failure::input(
            word,
            format!("entry {seq} is no phrase"),
            "give a finding's number as `cotside show` prints it, a moment (m:ss) or an item",
        )),
        None => open::item(word, &o.lex).map(About::Item),
    }
}
