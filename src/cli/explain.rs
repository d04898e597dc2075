//! `cotside explain`.

use super::exit::{Exit, Failure, Outcome};
use super::{ExplainArgs, open, output, score};
use crate::grade::Overview;
use crate::grade::scales::Scale;
use crate::problem::nearest;
use crate::report::explain::{About, explain, matching};
use crate::report::{arithmetic, words};

/// Runs the command.
pub fn run(args: &ExplainArgs) -> Outcome {
    let o = open::measured(
        &args.exam.exam.exam,
        args.exam.exam.lexicon.as_deref(),
        &args.exam.reference,
    )?;
    let known = score::with_own(&o.lex, &args.scale)?;
    if let Some(word) = args.about.as_deref()
        && open::item(word, &o.lex).is_err()
        && let Some(k) = known.iter().position(|s| s.id == word || s.name == word)
    {
        let overview = Overview::new(known, &o.exam, &o.graded, &o.lex);
        output::put(&arithmetic::text(&o.exam, &o.lex, &overview, k))?;
        return Ok(Exit::Ok);
    }
    let about = match args.about.as_deref() {
        None => About::Everything,
        Some(word) => about(word, &o, &known)?,
    };
    if matching(&o.exam, about).is_empty() {
        let what = args.about.as_deref().unwrap_or("this exam");
        output::tell(&format!("no phrase speaks of {what}"));
    }
    output::put(&explain(&o.exam, &o.lex, &o.graded, about))?;
    Ok(Exit::Ok)
}

fn about(word: &str, o: &open::Opened, scales: &[Scale]) -> Result<About, Failure> {
    if let Some(ms) = words::moment(word) {
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
        None => open::item(word, &o.lex).map(About::Item).map_err(|f| {
            match nearest(word, scales.iter().map(|s| s.id.as_str())) {
                Some(id) => Failure::input(
                    word,
                    "there is no item and no scale of this name",
                    format!("did you mean the scale `{id}`?"),
                ),
                None => f,
            }
        }),
    }
}
