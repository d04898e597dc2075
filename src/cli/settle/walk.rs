//! The walk through all that is open: one question at a time, one journal entry an answer.

use std::collections::HashSet;
use std::io::{self, BufRead, Write};

use super::super::exit::{Exit, Failure, Outcome};
use super::super::{SettleArgs, open, output};
use super::{as_read, checked, told, write};
use crate::exam::Standing;
use crate::gaps::{Gap, GapKind, gaps};
use crate::journal::{Chosen, Decision, Settlement, Target};
use crate::lexicon::Lexicon;
use crate::lexicon::model::ItemId;
use crate::reading::types::{Doubt, FindingId, Side, Status};
use crate::report::explain::printable;
use crate::report::style::{DIM, HEAD, paint};
use crate::report::words;

/// What an answer comes to.
enum Answer {
    /// A decision to be written.
    Decide(Box<Settlement>),
    /// Left as it is.
    Skip,
    /// The walk ends here.
    Stop,
}

/// A gap, for telling those already passed over.
type Passed = (GapKind, Option<ItemId>, Option<Side>);

/// Runs the walk.
pub fn run(args: &SettleArgs, who: &str) -> Outcome {
    let mut skipped: HashSet<FindingId> = HashSet::new();
    let mut passed: Vec<Passed> = Vec::new();
    let mut made = 0;
    let mut listed = false;
    loop {
        // Built anew after each answer: one decision can settle, or open, another question.
        let o = open::exam(&args.exam, args.lexicon.as_deref())?;
        let next = o.exam.unsettled().find(|s| !skipped.contains(&s.finding.id));
        let answer = if let Some(s) = next {
            let left = o.exam.unsettled().count() - skipped.len();
            let answer = ask_finding(s, left, who, &o)?;
            if matches!(answer, Answer::Skip) {
                skipped.insert(s.finding.id);
            }
            answer
        } else {
            let all = gaps(&o.exam, &o.lex);
            let key = |g: &Gap| (g.kind, g.item, g.side);
            let wants_reason = |g: &&Gap| g.item.is_some() && g.settle.contains("--reason");
            let mut rest = all.open().filter(wants_reason).filter(|g| !passed.contains(&key(g)));
            let Some(gap) = rest.next() else { return closing(made, args, &o) };
            let left = 1 + rest.count();
            let answer = ask_gap(gap, left, who, &o.lex, listed)?;
            listed = true;
            if matches!(answer, Answer::Skip) {
                passed.push(key(gap));
            }
            answer
        };
        match answer {
            Answer::Skip => {}
            Answer::Stop => return closing(made, args, &o),
            Answer::Decide(s) => {
                let seq = write(&args.exam, &s)?;
                made += 1;
                let after = open::exam(&args.exam, args.lexicon.as_deref())?;
                let text = told(&s, seq, &args.exam, &after);
                output::line(text.lines().next().unwrap_or_default())?;
            }
        }
    }
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

/// A line of the answer; nothing at the end of the input.
fn answer_line() -> io::Result<Option<String>> {
    output::put("> ")?;
    io::stdout().flush()?;
    let mut line = String::new();
    let got = io::stdin().lock().read_line(&mut line)?;
    Ok((got > 0).then(|| line.trim().to_owned()))
}

/// Shows numbered choices and takes one. Letters stand for the answers every question has.
fn choose(choices: &[String], letters: &[(char, &str)]) -> io::Result<Picked> {
    let mut text = numbered(choices);
    let row: Vec<String> = letters.iter().map(|(c, what)| format!("{c} {what}")).collect();
    text += &format!("   {}\n", row.join(", "));
    output::put(&text)?;
    loop {
        let Some(line) = answer_line()? else { return Ok(Picked::End) };
        if let Ok(n) = line.parse::<usize>()
            && (1..=choices.len()).contains(&n)
        {
            return Ok(Picked::Choice(n - 1));
        }
        let mut chars = line.chars();
        match (chars.next(), chars.next()) {
            (Some(c), None) if letters.iter().any(|l| l.0 == c) => return Ok(Picked::Letter(c)),
            _ => output::line(&format!("type a number from 1 to {}, or a letter", choices.len()))?,
        }
    }
}

fn numbered(choices: &[String]) -> String {
    choices.iter().enumerate().map(|(k, c)| format!("  {:>2} {c}\n", k + 1)).collect()
}

/// What was answered.
enum Picked {
    Choice(usize),
    Letter(char),
    End,
}

fn ask_finding(s: &Standing, left: usize, who: &str, o: &open::Opened) -> Result<Answer, Failure> {
    let f = &s.finding;
    let lex = &o.lex;
    let it = &lex.items[f.item];
    let said = o.exam.event(f.id.phrase).map_or("", |e| e.phrase.text.as_str());
    let mut text = format!(
        "\n{}  {}\n",
        paint(HEAD, &format!("{}  \"{}\"", words::clock(f.at_ms), printable(said))),
        paint(DIM, &format!("[{}], {left} unsettled", f.id)),
    );
    text += &format!("  read as {}\n", words::finding(f, lex));
    for d in &f.doubts {
        text += &format!("  ? {d}\n");
    }
    output::put(&text)?;

    let target = Some(Target { phrase: f.id.phrase, index: f.id.index });
    let decided =
        |decision| Answer::Decide(Box::new(Settlement { who: who.to_owned(), target, decision }));
    let mut chosen = as_read(f, lex);
    let common = [('n', "not a finding"), ('s', "skip"), ('q', "stop")];
    let side_doubt = |d: &Doubt| matches!(d, Doubt::SideNotSaid | Doubt::SidesNotNamed);
    if it.sided && chosen.side.is_none() {
        output::line("which side?")?;
        let sides = [Side::Left, Side::Right, Side::Both];
        let names: Vec<String> = sides.iter().map(|s| s.word().to_owned()).collect();
        match choose(&names, &common)? {
            Picked::Choice(k) => chosen.side = Some(names[k].clone()),
            Picked::Letter('n') => return Ok(decided(Decision::NotAFinding)),
            Picked::Letter('s') => return Ok(Answer::Skip),
            _ => return Ok(Answer::Stop),
        }
    }
    if f.doubts.iter().all(side_doubt) {
        return Ok(decided(Decision::Choose(checked(chosen, lex)?)));
    }

    output::line("what holds?")?;
    let options = options(&chosen, f.item, lex);
    let names: Vec<String> = options.iter().map(|o| o.0.clone()).collect();
    let mut letters = common.to_vec();
    if it.number.is_some() {
        letters.insert(0, ('#', "another number"));
    }
    if it.sided {
        letters.insert(0, ('x', "as read, on the other side"));
    }
    let picked = match choose(&names, &letters)? {
        Picked::Choice(k) => options[k].1.clone(),
        Picked::Letter('#') => match ask_number(&chosen)? {
            Some(c) => c,
            None => return Ok(Answer::Stop),
        },
        Picked::Letter('x') => {
            let other = chosen.side.as_deref().and_then(Side::named).and_then(Side::opposite);
            let Some(other) = other else {
                output::line("only left and right have another side")?;
                return Ok(Answer::Skip);
            };
            Chosen { side: Some(other.word().to_owned()), ..chosen }
        }
        Picked::Letter('n') => return Ok(decided(Decision::NotAFinding)),
        Picked::Letter('s') => return Ok(Answer::Skip),
        _ => return Ok(Answer::Stop),
    };
    match checked(picked, lex) {
        Ok(c) => Ok(decided(Decision::Choose(c))),
        Err(f) => {
            // Not to be lost in the walk: said, and asked again another time.
            f.problems.iter().for_each(|p| output::tell(&format!("error: {p}")));
            Ok(Answer::Skip)
        }
    }
}

/// The choices for a finding: as read, every other value, not elicited, not done.
fn options(chosen: &Chosen, item: ItemId, lex: &Lexicon) -> Vec<(String, Chosen)> {
    let it = &lex.items[item];
    let mut out = Vec::new();
    let observed = chosen.status == Status::Observed.word();
    let empty = chosen.value.is_none() && chosen.number.is_none() && chosen.low.is_none();
    if !(observed && empty) {
        out.push(("as read".to_owned(), chosen.clone()));
    }
    for v in it.values.iter().filter(|v| chosen.value.as_deref() != Some(v.code.as_str())) {
        let c = Chosen {
            value: Some(v.code.clone()),
            status: Status::Observed.word().to_owned(),
            ..chosen.clone()
        };
        out.push((v.say.clone(), c));
    }
    for (status, say) in
        [(Status::NotObtained, "tried, not elicited"), (Status::Skipped, "not done")]
    {
        if chosen.status != status.word() {
            out.push((
                say.to_owned(),
                Chosen { status: status.word().to_owned(), ..chosen.clone() },
            ));
        }
    }
    out
}

fn ask_number(chosen: &Chosen) -> io::Result<Option<Chosen>> {
    output::line("the number?")?;
    loop {
        let Some(line) = answer_line()? else { return Ok(None) };
        match line.replace(',', ".").parse::<f64>() {
            Ok(n) if n.is_finite() => {
                return Ok(Some(Chosen {
                    number: Some(n),
                    low: None,
                    high: None,
                    status: Status::Observed.word().to_owned(),
                    ..chosen.clone()
                }));
            }
            _ => output::line("type a plain number, such as 34.6")?,
        }
    }
}

/// Asks why something was not done. The reasons are listed once in a walk: `listed`.
fn ask_gap(
    gap: &Gap,
    left: usize,
    who: &str,
    lex: &Lexicon,
    listed: bool,
) -> Result<Answer, Failure> {
    let Some(item) = gap.item else { return Ok(Answer::Skip) };
    output::put(&format!(
        "\n{}  {}\nwhy?\n",
        paint(HEAD, &printable(&gap.text)),
        paint(DIM, &words::count(left, "open gap", "open gaps")),
    ))?;
    let reasons: Vec<String> = lex.reasons.iter().map(|r| r.say.clone()).collect();
    if !listed {
        output::put(&numbered(&reasons))?;
    }
    let row = match reasons.len() {
        0 => "type the reason in words, s skip, q stop".to_owned(),
        n => format!("1 to {n} as listed, or type the reason in words; s skip, q stop"),
    };
    output::line(&format!("  {row}"))?;
    let reason = loop {
        let Some(line) = answer_line()? else { return Ok(Answer::Stop) };
        match (line.as_str(), line.parse::<usize>()) {
            ("s", _) => return Ok(Answer::Skip),
            ("q", _) => return Ok(Answer::Stop),
            (_, Ok(n)) if (1..=reasons.len()).contains(&n) => break reasons[n - 1].clone(),
            // A number or a letter alone is a slip of the keys, no reason.
            (text, Err(_)) if text.chars().count() > 1 => break text.to_owned(),
            _ => output::line(&row)?,
        }
    };
    let side = gap.side.filter(|s| matches!(s, Side::Left | Side::Right));
    let decision = Decision::GapReason {
        item: lex.items[item].id.clone(),
        side: side.map(|s| s.word().to_owned()),
        reason,
    };
    Ok(Answer::Decide(Box::new(open::settlement(who, decision))))
}
