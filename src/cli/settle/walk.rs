//! The walk through all that is open: one question at a time, every answer shown in plain words, and
//! one journal entry a decision.

use std::io::{self, BufRead, Write};

use super::super::exit::{Exit, Failure, Outcome};
use super::super::{SettleArgs, open, output};
use super::{as_read, checked, checks, told, typed, write};
use crate::exam::{Exam, Standing};
use crate::gaps::{Gap, GapKind, gaps};
use crate::journal::{Chosen, Decision, Settlement, Target};
use crate::lexicon::Lexicon;
use crate::lexicon::matcher::Meaning;
use crate::lexicon::model::ItemId;
use crate::lexicon::text::tokenize;
use crate::reading::types::{Finding, FindingId, Side, Status};
use crate::report::explain::printable;
use crate::report::style::{ASK, DIM, HEAD, paint};
use crate::report::words;

/// A question, for telling those already passed over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Key {
    Finding(FindingId),
    Gap(GapKind, ItemId, Option<Side>),
}

/// One question of the walk.
struct Question {
    key: Key,
    item: ItemId,
    /// The side asked about, when it is known.
    side: Option<Side>,
    /// The reading it is about; none for what was never read.
    reading: Option<Finding>,
    /// When what is typed is taken as seen, milliseconds; for what no phrase holds.
    at_ms: u64,
    /// What is shown of it.
    text: String,
}

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
        let mut questions =
            questions(&o).into_iter().filter(|q| !skipped(&q.key)).collect::<Vec<_>>().into_iter();
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
                    said += &told(&s, seq, &o);
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

/// All that is open, in the order it is asked.
fn questions(o: &open::Opened) -> Vec<Question> {
    let (x, lex) = (&o.exam, &o.lex);
    let mut out: Vec<Question> = x.unsettled().map(|s| of_finding(s, x, lex)).collect();
    let all = gaps(x, lex);
    out.extend(all.open().filter_map(|g| of_gap(g, x)));
    out
}

fn of_finding(s: &Standing, x: &Exam, lex: &Lexicon) -> Question {
    let f = &s.finding;
    let said = x.event(f.id.phrase).map_or("", |e| e.phrase.text.as_str());
    let mut text = format!(
        "{}  {}\n  read as {}\n",
        paint(HEAD, &format!("{}  \"{}\"", words::clock(f.at_ms), printable(said))),
        paint(DIM, &format!("[{}]", f.id)),
        words::finding(f, lex)
    );
    for d in &f.doubts {
        text += &format!("  {}\n", paint(ASK, &format!("? {}", printable(&d.to_string()))));
    }
    Question {
        key: Key::Finding(f.id),
        item: f.item,
        side: f.side.filter(|s| *s != Side::Unstated),
        reading: Some(f.clone()),
        at_ms: f.at_ms,
        text,
    }
}

fn of_gap(g: &Gap, x: &Exam) -> Option<Question> {
    let item = g.item?;
    let reading = match g.kind {
        GapKind::NotDone
        | GapKind::SkippedWithoutReason
        | GapKind::OneSideOnly
        | GapKind::Announced
        | GapKind::LeftForLater
        | GapKind::WrongState => None,
        GapKind::NoValue => {
            let empty = |f: &&Finding| {
                f.status == Status::Observed
                    && f.value.is_none()
                    && f.number.is_none()
                    && f.range.is_none()
                    && f.side == g.side
            };
            Some(x.of(item).map(|s| &s.finding).find(empty)?.clone())
        }
        _ => return None,
    };
    let begun = x.announced.iter().find(|a| a.item == item);
    let mut text = format!("{}\n", paint(HEAD, &printable(&g.text)));
    if let Some(e) = begun.and_then(|a| x.event(a.seq)) {
        let at = words::clock(e.phrase.start_ms);
        text += &format!("  {at}  \"{}\"\n", printable(&e.phrase.text));
    }
    Some(Question {
        key: Key::Gap(g.kind, item, g.side),
        item,
        side: g.side.filter(|s| matches!(s, Side::Left | Side::Right)),
        at_ms: reading.as_ref().map(|f| f.at_ms).or(begun.map(|a| a.at_ms)).unwrap_or(x.end_ms),
        reading,
        text,
    })
}

/// A line of the answer; nothing at the end of the input.
fn answer_line() -> io::Result<Option<String>> {
    output::put("> ")?;
    io::stdout().flush()?;
    let mut line = String::new();
    let got = io::stdin().lock().read_line(&mut line)?;
    Ok((got > 0).then(|| line.trim().to_owned()))
}

/// The reading as a choice may say it, in words.
fn say(c: &Chosen, of: &Finding, lex: &Lexicon) -> String {
    let status = [Status::Observed, Status::NotObtained, Status::Skipped]
        .into_iter()
        .find(|s| s.word() == c.status)
        .unwrap_or(of.status);
    let f = Finding {
        side: c.side.as_deref().and_then(Side::named),
        status,
        value: c.value.clone(),
        wording: of.wording.clone().filter(|_| c.value == of.value),
        number: c.number,
        range: c.low.zip(c.high),
        ..of.clone()
    };
    words::finding(&f, lex)
}

/// Whether a choice lacks nothing.
fn is_whole(c: &Chosen, lex: &Lexicon) -> bool {
    checked(c.clone(), lex).is_ok()
}

/// The numbered choices: sides where none was said, else the item's values.
fn choices(q: &Question, lex: &Lexicon) -> Vec<(String, Chosen)> {
    let it = &lex.items[q.item];
    let blank = blank(q, lex);
    let start = match &q.reading {
        Some(f) => as_read(f, lex),
        None => blank.chosen.clone(),
    };
    if it.sided && start.side.is_none() && is_whole(&with_side(&start, Side::Left), lex) {
        return [Side::Left, Side::Right, Side::Both]
            .map(|s| with_side(&start, s))
            .into_iter()
            .map(|c| (say(&c, &blank.finding, lex), c))
            .collect();
    }
    let read = q.reading.as_ref().map(|f| (f.status, f.value.clone()));
    let mut out = Vec::new();
    for v in &it.values {
        let value = Some(v.code.clone());
        if read != Some((Status::Observed, value.clone())) {
            let status = Status::Observed.word().to_owned();
            out.push(Chosen { value, status, ..start.clone() });
        }
    }
    if read.as_ref().map(|r| r.0) != Some(Status::NotObtained) {
        let status = Status::NotObtained.word().to_owned();
        out.push(Chosen { value: None, number: None, low: None, high: None, status, ..start });
    }
    // Where no side is to tell, the value alone is plain enough.
    let label = |c: &Chosen| match (it.sided, c.status == Status::NotObtained.word()) {
        (true, _) => say(c, &blank.finding, lex),
        (false, true) => "tried, not elicited".to_owned(),
        (false, false) => c.value.as_deref().map_or(String::new(), |v| it.say(v).to_owned()),
    };
    out.into_iter().map(|c| (label(&c), c)).collect()
}

fn with_side(c: &Chosen, side: Side) -> Chosen {
    Chosen { side: Some(side.word().to_owned()), ..c.clone() }
}

/// A finding that says nothing yet, and the choice that goes with it.
struct Blank {
    finding: Finding,
    chosen: Chosen,
}

fn blank(q: &Question, lex: &Lexicon) -> Blank {
    let finding = q.reading.clone().unwrap_or(Finding {
        id: FindingId { phrase: 0, index: 0 },
        item: q.item,
        side: q.side,
        status: Status::Observed,
        value: None,
        wording: None,
        number: None,
        range: None,
        unit: None,
        reason: None,
        doubts: Vec::new(),
        why: String::new(),
        corrects: Vec::new(),
        again: false,
        at_ms: q.at_ms,
    });
    let chosen = as_read(&finding, lex);
    Blank { finding, chosen }
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
    let (head, below) = q.text.split_once('\n').unwrap_or((&q.text, ""));
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

fn target(q: &Question) -> Option<Target> {
    q.reading.as_ref().map(|f| Target { phrase: f.id.phrase, index: f.id.index })
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
    match checks::implausible(c, lex) {
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
            return Ok(Some(give(q, said.unwrap_or_else(|| line.to_owned()), who, lex)));
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
    let of = blank(q, lex).finding;
    let mut whole = Vec::new();
    for (c, doubts) in list {
        let c = match checked(c, lex) {
            Ok(c) => c,
            Err(f) => {
                f.problems.iter().for_each(|p| output::tell(&format!("error: {p}")));
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
    for (c, _) in whole {
        match target.take() {
            Some(t) => out.push(Settlement {
                who: who.to_owned(),
                target: Some(t),
                decision: Decision::Choose(c),
            }),
            None => {
                // What was seen in the wrong state is done again on purpose.
                if !again && let Err(f) = checks::nothing_there(&c, &o.exam, lex) {
                    f.problems.iter().for_each(|p| output::tell(&format!("error: {p}")));
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
        match (line.to_lowercase().as_str(), open::moment(&line)) {
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
                return Ok(Some(give(q, lex.reasons[n - 1].say.clone(), who, lex)));
            }
            // A number or a letter alone is a slip of the keys, no reason.
            Ok(_) => output::put(&text)?,
            Err(_) if line.chars().count() == 1 => output::put(&text)?,
            Err(_) => match typed::reads_as_found(&line, q.item, lex) {
                None => return Ok(Some(give(q, line, who, lex))),
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
                        "r" => Ok(Some(give(q, line, who, lex))),
                        _ => Ok(None),
                    };
                }
            },
        }
    }
}

/// The reason as decisions: a reading that was no finding is set aside with it.
fn give(q: &Question, reason: String, who: &str, lex: &Lexicon) -> Answer {
    let side = q.side.filter(|s| matches!(s, Side::Left | Side::Right));
    let given = Decision::GapReason {
        item: lex.items[q.item].id.clone(),
        side: side.map(|s| s.word().to_owned()),
        reason: words::bare_reason(&reason, lex),
    };
    let mut out = Vec::new();
    if let Some(t) = target(q) {
        let decision = Decision::NotAFinding;
        out.push(Settlement { who: who.to_owned(), target: Some(t), decision });
    }
    out.push(open::settlement(who, given));
    Answer::Decide(out)
}
