//! The exam for the terminal: section by section, or phrase by phrase.

use std::fmt::Write;

use super::explain::printable;
use super::style::{ASK, DIM, HEAD, OUT, paint};
use super::{changes, measures, open_matters, words};
use crate::exam::{Exam, Held, Standing};
use crate::gaps::{Gaps, LeftToDo, ToDo};
use crate::grade::{Ages, Grade, Graded, Outcome, Overview, Ungraded, Weight, asymmetries};
use crate::lexicon::Lexicon;
use crate::lexicon::schema::Need;
use crate::reading::{Side, Status};

/// Header, ages, findings by section, holds, states, corrections.
pub fn show(x: &Exam, lex: &Lexicon, graded: &Graded, o: &Overview) -> String {
    let mut out = String::new();
    head(&mut out, x, lex, &graded.ages);
    super::watch::text(&mut out, x, &graded.ages, lex);
    findings(&mut out, x, lex, graded);
    ungraded(&mut out, graded);
    sides(&mut out, x, lex);
    patterns(&mut out, x, lex, graded);
    states(&mut out, x, lex);
    corrections(&mut out, x, lex);
    untold(&mut out, x, lex);
    scale_lines(&mut out, x, lex, o);
    super::summary::text(&mut out, &o.summary, lex);
    foot(&mut out, x);
    out
}

/// What was said and stands in no finding, the grave first.
fn untold(out: &mut String, x: &Exam, lex: &Lexicon) {
    let list = open_matters::quotations(x, lex);
    if list.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{}", paint(HEAD, "Said, and in no finding, or not all of it"));
    for (grave, text) in list {
        let style = if grave { OUT } else { ASK };
        let mark = if grave { " !" } else { "  " };
        let _ = writeln!(out, "{mark} {}", paint(style, &words::hung(&text, 3, 5)));
    }
}

/// The scales that belong to the exam, a line each; `cotside score` shows their arithmetic.
fn scale_lines(out: &mut String, x: &Exam, lex: &Lexicon, o: &Overview) {
    for (k, s) in o.in_note(x, lex).enumerate() {
        if k == 0 {
            let _ = writeln!(out, "\n{}", paint(HEAD, "Scales"));
        }
        let scale = &o.scales[s.scale];
        let line =
            format!("{}: {}", super::scales::title(s, scale), super::scales::headline(s, scale));
        let _ = writeln!(out, "  {}", words::hung(&line, 2, 4));
    }
}

/// Header and ages, the same on every output.
pub fn head(out: &mut String, x: &Exam, lex: &Lexicon, ages: &Ages) {
    let h = &x.header;
    let (told, missing) = words::header(h);
    let code = paint(HEAD, h.code.as_str());
    let _ = writeln!(out, "exam {code}  started {}", words::wall(&h.started));
    let _ = writeln!(out, "protocol: {}", words::protocol(x, lex));
    if !told.is_empty() {
        let _ = writeln!(out, "{}", told.join(", "));
    }
    if !missing.is_empty() {
        let _ = writeln!(out, "{} {}", paint(ASK, "not told:"), missing.join(", "));
    }
    let _ = writeln!(out, "{}", words::wrap(&ages.text(lex.gestation), words::WIDTH, 2));
    if let Some(text) = words::protocol_warning(x, ages, lex) {
        let _ = writeln!(out, "{} {}", paint(ASK, "warning:"), words::hung(&text, 9, 2));
    }
}

/// Pads a cell; a text too wide keeps one blank behind it.
fn cell(text: &str, width: usize) -> String {
    let len = text.chars().count();
    format!("{text}{}", " ".repeat(width.saturating_sub(len).max(1)))
}

/// Columns of the list of findings, as wide as what stands in them, within limits.
struct Widths {
    name: usize,
    value: usize,
}

impl Widths {
    fn of(x: &Exam, lex: &Lexicon) -> Self {
        let widest = |texts: &mut dyn Iterator<Item = usize>, least: usize, most: usize| {
            texts.max().unwrap_or(least).clamp(least, most)
        };
        let name = |s: &Standing| lex.items[s.finding.item].name.chars().count();
        let value = |s: &Standing| words::value(&s.finding, lex).chars().count();
        Widths {
            // The row as a whole keeps to `words::WIDTH`.
            name: widest(&mut x.findings.iter().map(name), 12, 23),
            value: widest(&mut x.findings.iter().map(value), 8, 24),
        }
    }
}

fn findings(out: &mut String, x: &Exam, lex: &Lexicon, graded: &Graded) {
    let grades = &graded.grades;
    let widths = Widths::of(x, lex);
    let mut section = None;
    let mut item = None;
    // A state is told where it is another than in the row before.
    let mut state = None;
    for (k, s) in x.findings.iter().enumerate() {
        let it = &lex.items[s.finding.item];
        let again = item == Some(s.finding.item);
        if let Some(i) = item.filter(|_| !again) {
            holds(out, x, lex, i);
        }
        if section != Some(it.section) {
            section = Some(it.section);
            let _ = writeln!(out, "\n{}", paint(HEAD, &lex.sections[it.section].name));
        }
        item = Some(s.finding.item);
        let name = if again { "" } else { &it.name };
        row(out, s, name, grades.get(k).map_or("ungraded", |g| words::grade(*g)), &widths, lex);
        if state != s.state && !told_wrong(s, lex) {
            state = s.state;
            let text = s.state.map_or("not said".to_owned(), |k| words::state_name(k, lex));
            let _ = writeln!(out, "      {}", paint(DIM, &format!("state: {text}")));
        }
        measured(out, s, graded, lex);
    }
    if let Some(i) = item {
        holds(out, x, lex, i);
    }
    if x.findings.is_empty() {
        let _ = writeln!(out, "\nno finding");
    }
}

fn row(out: &mut String, s: &Standing, name: &str, grade: &str, w: &Widths, lex: &Lexicon) {
    const SIDE: usize = 9;
    const GRADE: usize = 11;
    let f = &s.finding;
    let mark = if f.is_sure() { "  ".to_owned() } else { paint(ASK, "? ") };
    let graded = match grade {
        "outside" => paint(OUT, grade),
        "borderline" => paint(ASK, grade),
        g => paint(DIM, g),
    };
    // Padding is counted on the bare word: escape codes take no room on the screen.
    let pad = " ".repeat(GRADE.saturating_sub(grade.chars().count()));
    let names = words::wrap(name, w.name, 0);
    let values = words::wrap(&words::value(f, lex), w.value, 0);
    let (mut names, mut values) = (names.lines(), values.lines());
    let _ = write!(
        out,
        "{mark}{}{}{}{graded}{pad}{}",
        cell(names.next().unwrap_or_default(), w.name + 1),
        cell(words::side(f.side), SIDE),
        cell(values.next().unwrap_or_default(), w.value + 1),
        paint(DIM, &format!("{:>6}", words::clock(f.at_ms))),
    );
    out.push('\n');
    loop {
        let (name, value) = (names.next(), values.next());
        if name.is_none() && value.is_none() {
            break;
        }
        let left = cell(name.unwrap_or_default(), w.name + 1);
        let line = format!("  {left}{}{}", " ".repeat(SIDE), value.unwrap_or_default());
        let _ = writeln!(out, "{}", line.trim_end());
    }
    let mut under = |style, text: &str| {
        let _ = writeln!(out, "      {}", paint(style, &words::hung(text, 6, 6)));
    };
    // What a person may have to name is named only where something is to be done.
    for (k, d) in f.doubts.iter().enumerate() {
        let id = if k == 0 { format!("[{}] ", f.id) } else { String::new() };
        under(ASK, &format!("? {id}{}", printable(&d.to_string())));
    }
    if told_wrong(s, lex) {
        let now = words::state(s, lex);
        let valid = words::valid_states(f.item, lex);
        under(ASK, &format!("not valid in this state ({now}); judged in {valid}"));
    }
    if s.trials.len() > 1 {
        let all: Vec<String> = s
            .trials
            .iter()
            .map(|t| {
                let state = match t.state {
                    Some(k) if t.state != s.state => format!(", {}", words::state_name(k, lex)),
                    _ => String::new(),
                };
                format!("{} at {}{state}", words::trial(t, f, lex), words::clock(t.at_ms))
            })
            .collect();
        under(DIM, &format!("{} observations: {}", all.len(), all.join("; ")));
    }
    if let Some(who) = &s.settled_by {
        under(DIM, &format!("[{}] settled by {who}", f.id));
    }
}

/// Whether a row says that its finding was made in a state in which it cannot be judged.
fn told_wrong(s: &Standing, lex: &Lexicon) -> bool {
    s.finding.status != Status::Skipped && s.in_wrong_state(lex)
}

/// What a measurement comes to, under its row.
fn measured(out: &mut String, s: &Standing, graded: &Graded, lex: &Lexicon) {
    let growth = graded.growth_of(s.finding.id);
    let text = growth.map(|g| measures::growth(g, lex));
    let odd =
        growth.is_some_and(|g| !matches!(&g.outcome, Outcome::Scored(s) if s.stands.is_some()));
    let mean = measures::mean(s.finding.item, s.finding.number, &graded.ages, lex);
    for (style, line) in
        [(if odd { ASK } else { DIM }, text), (DIM, mean.filter(|_| s.finding.is_sure()))]
    {
        if let Some(line) = line {
            let _ = writeln!(out, "      {}", paint(style, &words::hung(&line, 6, 6)));
        }
    }
}

fn sides(out: &mut String, x: &Exam, lex: &Lexicon) {
    let list = asymmetries(x, lex);
    if list.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{}", paint(HEAD, "Sides"));
    for a in list {
        let unsure = if a.settled { "" } else { " (not settled)" };
        let text = format!("{}: {}{unsure}", lex.items[a.item].name, measures::apart(&a, lex));
        let style = if a.weight == Weight::WithinError { DIM } else { ASK };
        let _ = writeln!(out, "  {}", paint(style, &words::hung(&text, 2, 4)));
    }
}

fn patterns(out: &mut String, x: &Exam, lex: &Lexicon, graded: &Graded) {
    let list: Vec<String> =
        graded.patterns.iter().filter_map(|p| measures::pattern(p, x, lex)).collect();
    if list.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{}", paint(HEAD, "Patterns"));
    for text in list {
        let _ = writeln!(out, "  {}", words::hung(&text, 2, 4));
    }
}

fn holds(out: &mut String, x: &Exam, lex: &Lexicon, item: usize) {
    for h in x.holds.iter().filter(|h| h.item == item) {
        let style = if h.too_short { ASK } else { DIM };
        let _ = writeln!(out, "      {}", paint(style, &held(h, lex)));
    }
}

/// Why findings are ungraded, where the reason lies with the exam and not with the finding.
fn ungraded(out: &mut String, graded: &Graded) {
    use Ungraded::{BeforeBirth, BeforeTerm, NoBirthTime, NoGestation, NotTerm, TooOld};
    let whys: Vec<&str> = graded
        .grades
        .iter()
        .filter_map(|g| match g {
            Grade::Ungraded(
                u @ (BeforeBirth | BeforeTerm | NoBirthTime | NoGestation | NotTerm | TooOld),
            ) => Some(u.text()),
            _ => None,
        })
        .collect();
    if let Some(why) = whys.first() {
        let n = words::count(whys.len(), "finding", "findings");
        let _ = writeln!(out, "\n{} {n}: {why}", paint(ASK, "ungraded:"));
    }
}

/// How long a position was held, against the rule.
pub fn held(h: &Held, lex: &Lexicon) -> String {
    let rule = match &lex.items[h.item].hold {
        Some(r) => format!(
            "; rule: {} s, at least {} s",
            words::number(r.seconds),
            words::number(r.at_least)
        ),
        None => String::new(),
    };
    let short = if h.too_short { ", too short" } else { "" };
    let side = match h.side {
        Some(Side::Both) => " on both sides".to_owned(),
        Some(s) => format!(" on the {}", s.word()),
        None => String::new(),
    };
    format!("held{side} {}{short}{rule}", words::duration(h.ms))
}

fn states(out: &mut String, x: &Exam, lex: &Lexicon) {
    if x.states.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{}", paint(HEAD, "States"));
    for s in &x.states {
        let how = if s.implied { " (implied)" } else { "" };
        let span = format!("{} to {}", words::clock(s.from_ms), words::clock(s.to_ms));
        let _ = writeln!(out, "  {}{}{how}", cell(&span, 18), words::state_name(s.state, lex));
    }
}

fn corrections(out: &mut String, x: &Exam, lex: &Lexicon) {
    let list = changes::spoken_and_settled(x, lex);
    if list.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{}", paint(HEAD, "Corrections"));
    for (at, text) in list {
        let _ = writeln!(out, "  {}{}", cell(&at, 9), words::hung(&text, 11, 11));
    }
}

fn foot(out: &mut String, x: &Exam) {
    let unsettled = x.unsettled().count();
    out.push('\n');
    let _ = write!(
        out,
        "{}, {} unsettled; {}",
        words::count(x.findings.len(), "finding", "findings"),
        unsettled,
        words::count(x.timeline.len(), "phrase", "phrases")
    );
    let _ = writeln!(out, ", {}", words::duration(x.end_ms));
    if !x.ended {
        let _ = writeln!(out, "{}", paint(ASK, "the log was not finished"));
    }
}

/// Phrase by phrase.
pub fn timeline(x: &Exam, lex: &Lexicon, ages: &Ages) -> String {
    let mut out = String::new();
    head(&mut out, x, lex, ages);
    out.push('\n');
    for e in &x.timeline {
        let quoted = format!("\"{}\"", printable(&e.phrase.text));
        let quoted = words::hung(&quoted, 9, 9);
        let _ = writeln!(out, "{:>7}  {quoted}", words::clock(e.phrase.start_ms));
        let mut under = |mark: &str, text: &str| {
            let style = if mark == "?" { ASK } else { DIM };
            let line = words::hung(&format!("{mark} {text}"), 9, 11);
            let _ = writeln!(out, "         {}", paint(style, &line));
        };
        if e.paused {
            under("-", "said while the log was paused: kept, not read");
            continue;
        }
        for s in &e.reading.strikes {
            under("-", &format!("takes back [{}]", s.target));
        }
        for s in &e.reading.stimuli {
            under("=", &words::stimulus(s));
        }
        for f in &e.reading.findings {
            let text = format!("{} [{}]", words::finding(f, lex), f.id);
            match f.is_sure() {
                true => under("=", &text),
                false => under("?", &format!("{text}: {}", words::doubts(f))),
            }
        }
        for s in &e.reading.states {
            under("=", &format!("state: {}", words::state_name(s.state, lex)));
        }
        for &i in &e.reading.announced {
            under("-", &format!("announces {}", words::subject(i, None, lex)));
        }
        for s in &e.reading.set_aside {
            under("-", &format!("set aside, {}", printable(s)));
        }
        if let Some(u) = &e.reading.untold {
            under("?", &format!("in no finding, or not all of it: {}", u.why));
        }
    }
    out
}

/// What is missing: open gaps with the command that settles each, then those with a reason, then
/// the time by section. `exam` is the exam as the user names it.
pub fn gaps(x: &Exam, lex: &Lexicon, g: &Gaps, ages: &Ages, o: &Overview, exam: &str) -> String {
    let mut out = String::new();
    head(&mut out, x, lex, ages);
    super::watch::text(&mut out, x, ages, lex);
    let open = g.open().count();
    if open > 0 {
        let _ = writeln!(out, "\n{}", paint(HEAD, &format!("Open ({open})")));
    }
    for gap in g.open() {
        let text = words::hung(&printable(&gap.text), 3, 4);
        let _ = writeln!(out, "{} {text}", paint(ASK, " !"));
        if !gap.settle.is_empty() {
            let _ = writeln!(out, "      {}", paint(DIM, &gap.settle.replace("EXAM", exam)));
        }
    }
    let closed: Vec<_> = g.list.iter().filter(|gap| !gap.open).collect();
    if !closed.is_empty() {
        let title = format!("Not open: a reason is given, or it needs none ({})", closed.len());
        let _ = writeln!(out, "\n{}", paint(HEAD, &title));
    }
    for gap in closed {
        let _ = writeln!(out, " - {}", words::hung(&printable(&gap.text), 3, 4));
    }
    untold(&mut out, x, lex);
    super::scales::still_open(&mut out, x, lex, o);
    if !x.section_times.is_empty() {
        let _ = writeln!(out, "\n{}", paint(HEAD, "Time by section"));
    }
    for t in &x.section_times {
        let name = &lex.sections[t.section].name;
        let _ = writeln!(out, "  {}{:>10}", cell(name, 40), words::duration(t.ms));
    }
    let sum = format!(
        "{}: {} required, {} done, {} left out with a reason, {} open",
        if g.protocol.is_empty() { "no protocol" } else { &g.protocol },
        words::count(g.required, "item", "items"),
        g.done,
        g.with_reason,
        words::count(open, "gap", "gaps"),
    );
    let _ = writeln!(out, "\n{}", words::wrap(&sum, words::WIDTH, 2));
    let verdict = if g.met { "the protocol is met" } else { "the protocol is not met" };
    let _ = writeln!(out, "{}", paint(if g.met { HEAD } else { ASK }, verdict));
    out
}

/// What is left to do, one line a section: the required items, then how many optional ones.
pub fn left(list: &[LeftToDo], lex: &Lexicon) -> Vec<String> {
    let mut out = Vec::new();
    let mut optional = 0;
    for l in list {
        let (must, may): (Vec<&ToDo>, Vec<&ToDo>) =
            l.items.iter().partition(|t| t.need == Need::Required || t.later);
        optional += may.len();
        let names: Vec<String> = must
            .iter()
            .map(|t| {
                let later = if t.later { " (left for later)" } else { "" };
                format!("{}{later}", words::subject(t.item, t.side, lex))
            })
            .collect();
        if !names.is_empty() {
            out.push(format!("{}: {}", lex.sections[l.section].name, names.join(", ")));
        }
    }
    if out.is_empty() {
        out.push("nothing required is left".to_owned());
    }
    if optional > 0 {
        out.push(words::count(optional, "optional item", "optional items"));
    }
    out
}
