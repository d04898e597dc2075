//! What a settlement may not do without being told so on purpose.

use super::typed;
use crate::exam::{Exam, Standing};
use crate::journal::{Chosen, Decision, Entry, Line, Settlement};
use crate::lexicon::Lexicon;
use crate::lexicon::model::ItemId;
use crate::problem::Problem;
use crate::reading::types::{FindingId, Side, Status};
use crate::report::words;

fn refused(what: &str, why: String, help: impl Into<String>) -> Problem {
    Problem::in_file(what, why).help(help)
}

/// What is implausible about the numbers of a choice, in words; `None` when nothing is.
pub fn implausible(c: &Chosen, lex: &Lexicon) -> Option<String> {
    let it = &lex.items[lex.item(&c.item)?];
    let n = it.number.as_ref()?;
    let [low, high] = n.plausible;
    let unit = &lex.units[n.unit].say;
    let far = [c.number, c.low, c.high].into_iter().flatten().find(|x| *x < low || *x > high)?;
    Some(format!(
        "{}{unit} is outside the plausible {} to {}{unit} of {}",
        words::number(far),
        words::number(low),
        words::number(high),
        words::item(lex.item(&c.item)?, lex)
    ))
}

/// Refuses a number nobody measures, unless it is meant.
///
/// # Errors
/// What stands in the way, and what to do.
pub fn plausible(c: &Chosen, anyway: bool, lex: &Lexicon) -> Result<(), Problem> {
    match implausible(c, lex).filter(|_| !anyway) {
        None => Ok(()),
        Some(why) => Err(refused(
            "--number",
            why,
            "give the number that was measured; --anyway keeps this one, and it stays flagged",
        )),
    }
}

/// The findings of an item at a side, those only said to be not done left out.
fn found(x: &Exam, item: ItemId, side: Option<Side>) -> Vec<&Standing> {
    x.of(item).filter(|s| s.finding.status != Status::Skipped && s.finding.covers(side)).collect()
}

/// Refuses to add a finding where one stands; `but` is settled by the same answer, and so not in the way.
///
/// # Errors
/// What stands in the way, and what to do.
pub fn nothing_there(
    c: &Chosen,
    but: Option<FindingId>,
    x: &Exam,
    lex: &Lexicon,
) -> Result<(), Problem> {
    let Some(item) = lex.item(&c.item) else { return Ok(()) };
    let side = c.side.as_deref().and_then(Side::named);
    let mut there = found(x, item, side);
    there.retain(|s| Some(s.finding.id) != but);
    let Some(first) = there.first() else { return Ok(()) };
    let list: Vec<String> = there
        .iter()
        .map(|s| format!("{} [{}]", words::finding(&s.finding, lex), s.finding.id))
        .collect();
    let id = first.finding.id;
    Err(refused(
        "--add",
        format!("there is a finding already: {}", list.join("; ")),
        format!(
            "to replace it on purpose, settle it by its number, such as `cotside settle EXAM {id} \
             --value V`, or set it aside with `cotside settle EXAM {id} --not-a-finding`, then add"
        ),
    ))
}

/// Refuses a reason for not doing what was done.
///
/// # Errors
/// What stands in the way, and what to do.
pub fn not_done(item: ItemId, side: Option<Side>, x: &Exam, lex: &Lexicon) -> Result<(), Problem> {
    let it = &lex.items[item];
    let wanted: Vec<Option<Side>> = match side {
        Some(Side::Left | Side::Right) => vec![side],
        _ if it.sided => vec![Some(Side::Left), Some(Side::Right)],
        _ => vec![None],
    };
    // A finding in the wrong state cannot count, and why it was not repeated is a reason too.
    let done = |side: Option<Side>| found(x, item, side).iter().any(|s| !s.in_wrong_state(lex));
    if !wanted.iter().all(|s| done(*s)) {
        return Ok(());
    }
    let list: Vec<String> =
        found(x, item, side).iter().map(|s| words::finding(&s.finding, lex)).collect();
    Err(refused(
        "--gap",
        format!("{} was done: {}", words::subject(item, side, lex), list.join("; ")),
        "a reason is for what was not done; to change a finding, settle it by its number",
    ))
}

/// Refuses a reason that reads as a finding, unless it is meant.
///
/// # Errors
/// What stands in the way, and what to do.
pub fn is_a_reason(text: &str, item: ItemId, anyway: bool, lex: &Lexicon) -> Result<(), Problem> {
    match typed::reads_as_found(text, item, lex).filter(|_| !anyway) {
        None => Ok(()),
        Some(f) => Err(refused(
            "--reason",
            format!("\"{text}\" reads as a finding: {}", words::finding(&f, lex)),
            format!(
                "if it was done: cotside settle EXAM --add {} --at m:ss ...; if this is why it was \
                 not done, --anyway keeps it as the reason",
                lex.items[item].id
            ),
        )),
    }
}

/// Refuses to take back what is no settlement, or is taken back already.
///
/// # Errors
/// What stands in the way, and what to do.
pub fn can_be_undone(seq: u64, x: &Exam, lines: &[Line]) -> Result<(), Problem> {
    let holding: Vec<String> =
        x.decided.iter().filter(|d| !d.undone).map(|d| d.seq.to_string()).collect();
    let help = match (x.decided.is_empty(), holding.is_empty()) {
        (true, _) => "nothing was settled in this exam yet".to_owned(),
        (false, true) => "nothing is left to take back".to_owned(),
        (false, false) => {
            format!("settlements that hold are in these entries: {}", holding.join(", "))
        }
    };
    match x.decision(seq) {
        None => Err(refused("--undo", format!("entry {seq} is no settlement"), help)),
        Some(d) if d.undone => {
            let by = lines.iter().rfind(|l| {
                matches!(&l.entry, Entry::Settlement(Settlement { decision: Decision::Undo { seq: s }, .. }) if *s == seq)
            });
            let by = by.map_or(String::new(), |l| format!(", by entry {}", l.seq));
            Err(refused("--undo", format!("entry {seq} is taken back already{by}"), help))
        }
        Some(_) => Ok(()),
    }
}
