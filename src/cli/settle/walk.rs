//! The walk through all that is open: one question at a time, every answer shown in plain words, and
//! one journal entry a decision.

use std::io::{self, BufRead, Write};

use super::super::exit::{Exit, Failure, Outcome};
use super::super::{SettleArgs, open, output};
use super::write;
use crate::exam::Exam;
use crate::gaps::{GapKind, gaps};
use crate::journal::{Chosen, Decision, Settlement};
use crate::lexicon::Lexicon;
use crate::lexicon::matcher::Meaning;
use crate::lexicon::text::tokenize;
use crate::reading::types::{FindingId, Side, Status};
use crate::report::explain::printable;
use crate::report::style::{ASK, DIM, HEAD, paint};
use crate::report::words;
use crate::settle::choices::{blank, choices, say};
use crate::settle::questions::questions;
use crate::settle::told::told;
use crate::settle::{
    self, Key, Question, as_read, checked, is_whole, rules, target, typed, with_side,
};

/// What an answer comes to.
enum Answer {
    /// Decisions to be written.
    Decide(Vec<Settlement>),
    /// Left as it is.
    Skip,
    /// To the question before.
    Back,
    /// The last decision no longer holds.
    Undo,
    /// The walk ends here.
    Quit,
}

/// What was done so far.
enum Step {
    Skipped(Key),
    /// Entries of the journal, and what they decided.
    Decided(Vec<u64>, String),
}

/// Runs the walk.
pub fn run(args: &SettleArgs, who: &str) -> Outcome {
    let mut steps: Vec<Step> = Vec::new();
    let mut made = 0;
    output::line(&format!("Deciding as {who}; --by says who else decides."))?;
    // Built anew after each decision: one can settle, or open, another question.
    let again =
        |o: &open::Opened| open::exam_by(&args.exam, args.lexicon.as_deref(), Some(&o.lex), &[]);
    let mut o = open::exam(&args.exam, args.lexicon.as_deref())?;
    loop {
        let skipped = |k: &Key| steps.iter().any(|s| matches!(s, Step::Skipped(p) if p == k));
        let mut questions = questions(&o.exam, &o.lex)
            .into_iter()
            .filter(|q| !skipped(&q.key))
            .collect::<Vec<_>>()
            .into_iter();
        let Some(question) = questions.next() else { return closing(made, args, &o) };
        let left = 1 + questions.count();
        match ask(&question, left, who, &o)? {
            Answer::Skip => steps.push(Step::Skipped(question.key)),
            Answer::Quit => return closing(made, args, &o),
            Answer::Decide(list) => {
                let mut seqs = Vec::new();
                let mut said = String::new();
                for s in list {
                    let seq = write(&args.exam, &s)?;
                    o = again(&o)?;
                    said += &told(&s, seq, &o.after());
                    seqs.push(seq);
                }
                output::put(&said)?;
                made += seqs.len();
                steps.push(Step::Decided(seqs, said));
            }
            Answer::Back => match steps.pop() {
                None => output::line("this is the first question of this walk")?,
                Some(Step::Skipped(_)) => {}
                Some(Step::Decided(seqs, said)) => {
                    made -= seqs.len();
                    take_back(args, who, &seqs, &said)?;
                    o = again(&o)?;
                }
            },
            Answer::Undo => match steps.iter().rposition(|s| matches!(s, Step::Decided(..))) {
                None => output::line(
                    "nothing was decided in this walk; an earlier decision is taken back with \
                         cotside settle EXAM --undo ENTRY",
                )?,
                Some(k) => {
                    if let Step::Decided(seqs, said) = steps.remove(k) {
                        made -= seqs.len();
                        take_back(args, who, &seqs, &said)?;
                        o = again(&o)?;
                    }
                }
            },
        }
    }
}

/// Takes decisions of this walk back, the last first, and says which.
fn take_back(args: &SettleArgs, who: &str, seqs: &[u64], said: &str) -> Result<(), Failure> {
    for &seq in seqs.iter().rev() {
        write(&args.exam, &open::settlement(who, Decision::Undo { seq }))?;
    }
    let said: Vec<&str> = said.lines().collect();
    Ok(output::line(&format!("taken back: {}", said.join("; ")))?)
}

fn closing(made: usize, args: &SettleArgs, o: &open::Opened) -> Outcome {
    let open = gaps(&o.exam, &o.lex).open().count();
    output::put(&format!(
        "{} made; {} unsettled, {} open\nnext: cotside gaps {}\n",
        words::count(made, "decision", "decisions"),
        o.exam.unsettled().count(),
        words::count(open, "gap", "gaps"),
        args.exam.display()
    ))?;
    Ok(Exit::Ok)
}

/// What is shown of a question.
fn text(q: &Question, x: &Exam, lex: &Lexicon) -> String {
    let said = |seq: u64| x.event(seq).map(|e| (e.phrase.start_ms, printable(&e.phrase.text)));
    if let (Key::Finding(id), Some(f)) = (q.key, &q.reading) {
        let (_, said) = said(id.phrase).unwrap_or_default();
        let mut text = format!(
            "{}  {}\n  read as {}\n",
            paint(HEAD, &format!("{}  \"{said}\"", words::clock(f.at_ms))),
            paint(DIM, &format!("[{id}]")),
            words::finding(f, lex)
        );
        for d in &f.doubts {
            text += &format!("  {}\n", paint(ASK, &format!("? {}", printable(&d.to_string()))));
        }
        return text;
    }
    let mut text = format!("{}\n", paint(HEAD, &printable(&q.text)));
    if let Some((at, said)) = q.phrase.and_then(said) {
        text += &format!("  {}  \"{said}\"\n", words::clock(at));
    }
    text
}

/// A line of the answer; nothing at the end of the input.
fn answer_line() -> io::Result<Option<String>> {
    output::put("> ")?;
    io::stdout().flush()?;
    let mut line = String::new();
    let got = io::stdin().lock().read_line(&mut line)?;
    Ok((got > 0).then(|| line.trim().to_owned()))
}

/// Everything a person may answer, each with its meaning.
fn menu(q: &Question, list: &[(String, Chosen)], lex: &Lexicon) -> String {
    let name = words::item(q.item, lex);
    let mut out = format!("  type what was found of {name}, or choose:\n");
    for (k, (label, _)) in list.iter().enumerate() {
        out += &format!("  {:>3}  {label}\n", k + 1);
    }
    let mut row = |key: &str, what: &str| out += &format!("  {key:>3}  {what}\n");
    if let Some(f) = &q.reading {
        if is_whole(&as_read(f, lex), lex) {
            row("a", &format!("accept the reading as it stands: {}", words::finding(f, lex)));
        }
        row("n", "not a finding: the words meant nothing of the kind");
    }
    row("r", "it was not done: give the reason");
    row("s", "skip for now");
    row("b", "back one step, to the question before");
    row("u", "undo my last decision");
    row("q", "quit; what is decided is kept");
    row("?", "show these choices again");
    out
}

fn ask(q: &Question, left: usize, who: &str, o: &open::Opened) -> Result<Answer, Failure> {
    let lex = &o.lex;
    let list = choices(q, lex);
    let rest = words::count(left, "question left", "questions left");
    let text = text(q, &o.exam, lex);
    let (head, below) = text.split_once('\n').unwrap_or((&text, ""));
    output::put(&format!("\n{head}  {}\n{below}", paint(DIM, &format!("({rest})"))))?;
    output::put(&menu(q, &list, lex))?;
    loop {
        let Some(line) = answer_line()? else { return Ok(Answer::Quit) };
        let word = line.to_lowercase();
        let picked = match (word.as_str(), line.parse::<usize>()) {
            ("?" | "", _) => {
                output::put(&menu(q, &list, lex))?;
                None
            }
            ("s" | "skip", _) => Some(Answer::Skip),
            ("b" | "back", _) => Some(Answer::Back),
            ("u" | "undo", _) => Some(Answer::Undo),
            ("q" | "quit", _) => Some(Answer::Quit),
            ("a" | "accept", _) => accept(q, who, lex)?,
            ("n", _) => set_aside(q, who)?,
            ("r", _) => reason(q, who, o)?,
            (_, Ok(n)) if (1..=list.len()).contains(&n) => chosen(q, &list[n - 1].1, who, o)?,
            (text, Err(_)) if text.chars().count() == 1 => {
                output::line(&format!("there is no choice `{text}`; ? shows them"))?;
                None
            }
            _ => phrase(q, &line, who, o)?,
        };
        if let Some(answer) = picked {
            return Ok(answer);
        }
    }
}

fn accept(q: &Question, who: &str, lex: &Lexicon) -> Result<Option<Answer>, Failure> {
    let Some(f) = &q.reading else {
        output::line("there is no reading here to accept; ? shows the choices")?;
        return Ok(None);
    };
    let c = as_read(f, lex);
    if !is_whole(&c, lex) {
        output::line("the reading lacks something: say the side or the value first")?;
        return Ok(None);
    }
    if !plausible_or_meant(&c, lex)? {
        return Ok(None);
    }
    let decision = Decision::Choose(checked(c, lex)?);
    Ok(Some(Answer::Decide(vec![Settlement { who: who.to_owned(), target: target(q), decision }])))
}

fn set_aside(q: &Question, who: &str) -> Result<Option<Answer>, Failure> {
    if q.reading.is_none() {
        output::line("there is no reading here to set aside; ? shows the choices")?;
        return Ok(None);
    }
    let decision = Decision::NotAFinding;
    Ok(Some(Answer::Decide(vec![Settlement { who: who.to_owned(), target: target(q), decision }])))
}

/// A choice by its number. A side still lacking is asked for; where numbers are values too, and for
/// what no phrase holds, it is shown back first.
fn chosen(
    q: &Question,
    c: &Chosen,
    who: &str,
    o: &open::Opened,
) -> Result<Option<Answer>, Failure> {
    let lex = &o.lex;
    let mut c = c.clone();
    if lex.items[q.item].sided && c.side.is_none() {
        match ask_side()? {
            Some(side) => c = with_side(&c, side),
            None => return Ok(None),
        }
    }
    // A number typed for an item that takes numbers may have been meant as one, unless the choices
    // were sides.
    let sides = q.reading.as_ref().is_some_and(|f| f.side == Some(Side::Unstated));
    let shown_first = q.reading.is_none() || (lex.items[q.item].number.is_some() && !sides);
    confirmed(q, vec![(c, Vec::new())], shown_first, who, o)
}

/// Which side; nothing when the answer is none.
fn ask_side() -> Result<Option<Side>, Failure> {
    output::put("  which side?  1 left   2 right   3 both   Enter goes back\n")?;
    loop {
        let Some(line) = answer_line()? else { return Ok(None) };
        match line.to_lowercase().as_str() {
            "1" | "left" => return Ok(Some(Side::Left)),
            "2" | "right" => return Ok(Some(Side::Right)),
            "3" | "both" => return Ok(Some(Side::Both)),
            "" => return Ok(None),
            _ => output::line("type 1 for left, 2 for right, 3 for both")?,
        }
    }
}

/// Yes or no; the end of the input is no.
fn yes(question: &str) -> Result<bool, Failure> {
    output::line(&format!("  {question}  y yes   n no"))?;
    loop {
        let Some(line) = answer_line()? else { return Ok(false) };
        match line.to_lowercase().as_str() {
            "y" | "yes" => return Ok(true),
            "n" | "no" | "" => return Ok(false),
            _ => output::line("  y yes   n no")?,
        }
    }
}

fn plausible_or_meant(c: &Chosen, lex: &Lexicon) -> Result<bool, Failure> {
    match rules::implausible(c, lex) {
        None => Ok(true),
        Some(why) => yes(&format!("{why}. Keep it all the same? It stays flagged.")),
    }
}

/// A typed phrase, read as one at the bedside would be.
fn phrase(
    q: &Question,
    line: &str,
    who: &str,
    o: &open::Opened,
) -> Result<Option<Answer>, Failure> {
    let lex = &o.lex;
    let name = words::item(q.item, lex);
    let found = typed::findings(line, q.item, lex);
    let not_done = !found.is_empty() && found.iter().all(|f| f.status == Status::Skipped);
    if not_done || (found.is_empty() && names_a_reason(line, lex)) {
        if yes(&format!("Is \"{line}\" the reason why {name} was not done?"))? {
            let said = found.first().and_then(|f| f.reason.clone());
            return Ok(Some(give(q, said.as_deref().unwrap_or(line), who, lex)));
        }
        return Ok(None);
    }
    if found.is_empty() {
        output::line(&format!(
            "  \"{line}\" is read as nothing of {name}. Type it in other words, or r if it is why \
             it was not done; ? shows the choices."
        ))?;
        return Ok(None);
    }
    let mut list = Vec::new();
    for f in &found {
        let mut c = typed::chosen(f, lex);
        let mut doubts = typed::doubts(f);
        if !lex.items[q.item].sided && typed::names_a_side(line, lex) {
            doubts.push(format!("{name} has no sides: the side typed is not kept"));
        }
        if lex.items[q.item].sided && c.side.is_none() {
            let side = match q.side {
                Some(side) => Some(side),
                None => {
                    output::line(&format!("  {}", words::finding(f, lex)))?;
                    ask_side()?
                }
            };
            let Some(side) = side else { return Ok(None) };
            c = with_side(&c, side);
        }
        list.push((c, doubts));
    }
    confirmed(q, list, true, who, o)
}

/// Whether the lexicon knows the words as a reason for leaving something out.
fn names_a_reason(line: &str, lex: &Lexicon) -> bool {
    let hits = lex.matcher.scan(&tokenize(line));
    hits.iter().any(|h| matches!(lex.matcher.meaning(h), Meaning::Reason(_)))
}

/// Shows what would be written, and writes it when it is meant. The first choice settles the reading
/// that was asked about; others are added beside it.
fn confirmed(
    q: &Question,
    list: Vec<(Chosen, Vec<String>)>,
    shown_first: bool,
    who: &str,
    o: &open::Opened,
) -> Result<Option<Answer>, Failure> {
    let lex = &o.lex;
    let of = blank(q);
    let mut whole = Vec::new();
    for (c, doubts) in list {
        let c = match checked(c, lex) {
            Ok(c) => c,
            Err(p) => {
                output::tell(&format!("error: {p}"));
                return Ok(None);
            }
        };
        if !plausible_or_meant(&c, lex)? {
            return Ok(None);
        }
        whole.push((c, doubts));
    }
    let mut at_ms = q.at_ms;
    if shown_first {
        for (c, doubts) in &whole {
            output::line(&format!("  = {}", say(c, &of, lex)))?;
            for d in doubts {
                output::line(&format!("    ? {d}"))?;
            }
        }
        match q.reading {
            Some(_) if yes("Is that right?")? => {}
            Some(_) => return Ok(None),
            None => match ask_time(q, o)? {
                Some(ms) => at_ms = ms,
                None => return Ok(None),
            },
        }
    }
    let again = matches!(q.key, Key::Gap(GapKind::WrongState, ..));
    let mut out = Vec::new();
    let mut target = target(q);
    // "Left complete, right incomplete" for a reading of both: the first narrows it to the left.
    let settled = target.as_ref().map(|t| FindingId { phrase: t.phrase, index: t.index });
    for (c, _) in whole {
        match target.take() {
            Some(t) => out.push(Settlement {
                who: who.to_owned(),
                target: Some(t),
                decision: Decision::Choose(c),
            }),
            None => {
                // What was seen in the wrong state is done again on purpose.
                if !again && let Err(p) = rules::nothing_there(&c, settled, &o.exam, lex) {
                    output::tell(&format!("error: {p}"));
                    return Ok(None);
                }
                out.push(open::settlement(who, Decision::Add { chosen: c, at_ms }));
            }
        }
    }
    Ok(Some(Answer::Decide(out)))
}

/// When it was seen, for what no phrase holds; nothing when it is not right after all.
fn ask_time(q: &Question, o: &open::Opened) -> Result<Option<u64>, Failure> {
    let state = |ms: u64| {
        let at = o.exam.states.iter().rev().find(|s| s.from_ms <= ms);
        at.map_or(String::new(), |s| format!(" ({})", words::state_name(s.state, &o.lex)))
    };
    let at = words::clock(q.at_ms);
    output::line(&format!(
        "  Is that right, seen at {at}{}?  y yes   n no   m:ss yes, but seen at that time",
        state(q.at_ms)
    ))?;
    loop {
        let Some(line) = answer_line()? else { return Ok(None) };
        match (line.to_lowercase().as_str(), words::moment(&line)) {
            ("y" | "yes", _) => return Ok(Some(q.at_ms)),
            ("n" | "no" | "", _) => return Ok(None),
            (_, Some(ms)) => return Ok(Some(ms)),
            _ => output::line("  y yes   n no   or a time, such as 4:36")?,
        }
    }
}

/// Why it was not done: by number, or in words.
fn reason(q: &Question, who: &str, o: &open::Opened) -> Result<Option<Answer>, Failure> {
    let lex = &o.lex;
    let mut text = format!("  why was {} not done?\n", words::item(q.item, lex));
    for (k, r) in lex.reasons.iter().enumerate() {
        text += &format!("  {:>3}  {}\n", k + 1, r.say);
    }
    text += "  or type the reason in words; Enter goes back\n";
    output::put(&text)?;
    loop {
        let Some(line) = answer_line()? else { return Ok(Some(Answer::Quit)) };
        match line.parse::<usize>() {
            _ if line.is_empty() => {
                output::line("  no reason given; ? shows the choices")?;
                return Ok(None);
            }
            Ok(n) if (1..=lex.reasons.len()).contains(&n) => {
                return Ok(Some(give(q, &lex.reasons[n - 1].say, who, lex)));
            }
            // A number or a letter alone is a slip of the keys, no reason.
            Ok(_) => output::put(&text)?,
            Err(_) if line.chars().count() == 1 => output::put(&text)?,
            Err(_) => match typed::reads_as_found(&line, q.item, lex) {
                None => return Ok(Some(give(q, &line, who, lex))),
                Some(f) => {
                    output::put(&format!(
                        "  \"{line}\" reads as a finding, not as a reason: {}\n  \
                         y  it was done: record that   r  it is the reason all the same   \
                         Enter goes back\n",
                        words::finding(&f, lex)
                    ))?;
                    let Some(answer) = answer_line()? else { return Ok(Some(Answer::Quit)) };
                    return match answer.to_lowercase().as_str() {
                        "y" | "yes" => phrase(q, &line, who, o),
                        "r" => Ok(Some(give(q, &line, who, lex))),
                        _ => Ok(None),
                    };
                }
            },
        }
    }
}

/// The reason as decisions.
fn give(q: &Question, reason: &str, who: &str, lex: &Lexicon) -> Answer {
    Answer::Decide(settle::give_reason(q, reason, who, lex))
}
