//! `cotside settle`: what a person decides, each decision an entry of its own in the journal.

mod walk;

use std::path::Path;

use super::exit::{Exit, Failure, Outcome};
use super::{SettleArgs, open, output};
use crate::exam::Exam;
use crate::journal::{Chosen, Decision, Entry, Settlement, Target};
use crate::lexicon::Lexicon;
use crate::problem::nearest;
use crate::reading::types::{FindingId, Side, Status};
use crate::report::words;
use crate::settle::told::told;
use crate::settle::{as_read, checked, rules};

/// Runs the command.
pub fn run(args: &SettleArgs) -> Outcome {
    // Commands offered in a help name this exam, so that they can be copied.
    settle(args).map_err(|mut failure| {
        let exam = args.exam.display().to_string();
        for p in &mut failure.problems {
            p.help =
                p.help.take().map(|help| help.replace("settle EXAM", &format!("settle {exam}")));
        }
        failure
    })
}

fn settle(args: &SettleArgs) -> Outcome {
    open::not_signed(&args.exam)?;
    let o = open::exam(&args.exam, args.lexicon.as_deref())?;
    let who = open::who("--by", args.by.as_deref(), &o.exam)?;
    let settlement = if let Some(seq) = args.undo {
        no_values(args, "--undo", false)?;
        rules::can_be_undone(seq, &o.exam, &o.read.lines)?;
        open::settlement(&who, Decision::Undo { seq })
    } else if let Some(item) = &args.gap {
        no_values(args, "--gap", true)?;
        gap(item, args, &who, &o)?
    } else if let Some(item) = &args.add {
        add(item, args, &who, &o)?
    } else if let Some(id) = &args.id {
        decide(id, args, &who, &o)?
    } else {
        no_values(args, "no finding named", false)?;
        return walk::run(args, &who);
    };
    let seq = write(&args.exam, &settlement)?;
    let after = open::exam(&args.exam, args.lexicon.as_deref())?;
    output::put(&told(&settlement, seq, &after.after()))?;
    output::put(&way_back(seq, &args.exam))?;
    Ok(Exit::Ok)
}

/// How to take a decision back.
fn way_back(seq: u64, exam: &Path) -> String {
    format!("to take it back: cotside settle {} --undo {seq}\n", exam.display())
}

/// Values given where none can be used are a slip worth stopping at.
fn no_values(args: &SettleArgs, with: &str, side_fits: bool) -> Result<(), Failure> {
    let given = [
        ("--value", args.value.is_some()),
        ("--number", args.number.is_some()),
        ("--low", args.low.is_some()),
        ("--status", args.status.is_some()),
        ("--side", args.side.is_some() && !side_fits),
    ];
    match given.iter().find(|g| g.1) {
        Some((flag, _)) => Err(Failure::input(
            *flag,
            format!("means nothing with {with}"),
            "name a finding, such as 12.1, or add one with --add ITEM --at m:ss",
        )),
        None => Ok(()),
    }
}

/// Appends a settlement; it is on disk when this returns.
fn write(dir: &Path, s: &Settlement) -> Result<u64, Failure> {
    let mut taken = open::for_writing(dir)?;
    Ok(taken.journal.append_now(&Entry::Settlement(s.clone()))?)
}

fn gap(word: &str, args: &SettleArgs, who: &str, o: &open::Opened) -> Result<Settlement, Failure> {
    let lex = &o.lex;
    let item = open::item(word, lex)?;
    let it = &lex.items[item];
    let side = match args.side.as_deref() {
        None => None,
        Some(s) if !it.sided => {
            return Err(Failure::input(
                "--side",
                format!("{} has no sides, so not `{s}`", it.name),
                "leave --side out",
            ));
        }
        Some(s) => Some(side(s)?),
    };
    let reason = args.reason.clone().unwrap_or_default();
    if reason.trim().is_empty() {
        return Err(Failure::input("--reason", "the reason is blank", "say why it was not done"));
    }
    let reason = words::bare_reason(reason.trim(), lex);
    rules::not_done(item, side, &o.exam, lex)?;
    rules::is_a_reason(&reason, item, args.anyway, lex)?;
    let side = side.map(|s| s.word().to_owned());
    Ok(open::settlement(who, Decision::GapReason { item: it.id.clone(), side, reason }))
}

fn side(word: &str) -> Result<Side, Failure> {
    let known = ["left", "right", "both", "midline"];
    Side::named(word).filter(|s| *s != Side::Unstated).ok_or_else(|| {
        let near = nearest(word, known).map_or(String::new(), |n| format!("did you mean `{n}`? "));
        Failure::input(
            "--side",
            format!("there is no side `{word}`"),
            format!("{near}sides: {}", known.join(", ")),
        )
    })
}

fn add(word: &str, args: &SettleArgs, who: &str, o: &open::Opened) -> Result<Settlement, Failure> {
    let lex = &o.lex;
    let item = open::item(word, lex)?;
    let at = args.at.as_deref().unwrap_or_default();
    let at_ms = words::moment(at).ok_or_else(|| {
        Failure::input(
            "--at",
            format!("`{at}` is no moment"),
            "write minutes and seconds, such as 4:36",
        )
    })?;
    let blank = Chosen {
        item: lex.items[item].id.clone(),
        side: None,
        value: None,
        number: None,
        low: None,
        high: None,
        unit: None,
        status: Status::Observed.word().into(),
    };
    let chosen = filled(blank, args, lex)?;
    rules::nothing_there(&chosen, None, &o.exam, lex)?;
    Ok(open::settlement(who, Decision::Add { chosen, at_ms }))
}

fn decide(
    word: &str,
    args: &SettleArgs,
    who: &str,
    o: &open::Opened,
) -> Result<Settlement, Failure> {
    let id = parse_id(word)?;
    let standing = o.exam.finding(id).ok_or_else(|| no_such(word, id, &o.exam))?;
    let target = Some(Target { phrase: id.phrase, index: id.index });
    let decision = match args.not_a_finding {
        true => Decision::NotAFinding,
        false => Decision::Choose(filled(as_read(&standing.finding, &o.lex), args, &o.lex)?),
    };
    Ok(Settlement { who: who.to_owned(), target, decision })
}

fn parse_id(word: &str) -> Result<FindingId, Failure> {
    let parsed = word.split_once('.').and_then(|(p, i)| Some((p.parse().ok()?, i.parse().ok()?)));
    match parsed {
        Some((phrase, index)) => Ok(FindingId { phrase, index }),
        None => Err(Failure::input(
            word,
            "this is no finding's number",
            "give phrase and place as `cotside show` prints them, such as 12.1; \
             to add a finding, use --add ITEM --at m:ss",
        )),
    }
}

fn no_such(word: &str, id: FindingId, x: &Exam) -> Failure {
    if let Some(g) = x.gone.iter().find(|g| g.finding.id == id) {
        let by = g.by.map_or(String::new(), |by| format!(", see {by}"));
        return Failure::input(
            word,
            format!("this finding stands no longer{by}"),
            "settle the one that stands, or take a settlement back with --undo ENTRY",
        );
    }
    let open: Vec<String> = x.unsettled().map(|s| s.finding.id.to_string()).collect();
    let help = match open.is_empty() {
        true => "nothing is unsettled; `cotside explain EXAM` shows the numbers".to_owned(),
        false => format!("unsettled: {}", open.join(", ")),
    };
    Failure::input(word, "there is no finding of this number", help)
}

/// The choice with what the command line gives instead, checked against the lexicon.
fn filled(mut c: Chosen, args: &SettleArgs, lex: &Lexicon) -> Result<Chosen, Failure> {
    if let Some(s) = &args.side {
        c.side = Some(side(s)?.word().to_owned());
    }
    if let Some(v) = &args.value {
        c.value = Some(v.clone());
    }
    if args.number.is_some() {
        (c.number, c.low, c.high) = (args.number, None, None);
    }
    if args.low.is_some() {
        (c.number, c.low, c.high) = (None, args.low, args.high);
    }
    let any_value = args.value.is_some() || args.number.is_some() || args.low.is_some();
    match &args.status {
        Some(s) => s.clone_into(&mut c.status),
        // A value given for what was read as not done is an observation.
        None if any_value => Status::Observed.word().clone_into(&mut c.status),
        None => {}
    }
    let c = checked(c, lex)?;
    rules::plausible(&c, args.anyway, lex)?;
    Ok(c)
}
