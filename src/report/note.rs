//! The clinical note in plain text: what a clinician reads over and signs.
//!
//! What is outside, borderline or different between the sides stands first; what is as expected is
//! grouped; what is unsettled is never worded as a finding. A state in which an item cannot be judged
//! takes away what would reassure, and never moves a sign out of the first part.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::open_matters;
use super::sentences::{self, Part};
use super::words::WIDTH;
use super::{changes, measures, scales, summary, text, watch, words};
use crate::exam::{Exam, Standing};
use crate::gaps::Gaps;
use crate::grade::{
    Against, Asymmetry, Grade, Graded, Overview, Ungraded, Weight, age_band, beyond, expectation,
    in_band,
};
use crate::lexicon::model::{Expect, ItemId, Lexicon, STATED_ABNORMAL};
use crate::reading::types::{Finding, FindingId, Side, Status};

/// What a note ends with: where it is signed by hand, when it is not signed otherwise.
pub const SIGN_HERE: &str = "Signed: ____________________   Date and time: ____________________";

/// A finding with its grade.
#[derive(Clone, Copy)]
struct Told<'a> {
    s: &'a Standing,
    grade: Grade,
    /// Made in a state in which it cannot be judged, and a sign all the same.
    sign: Option<Expect>,
}

impl Told<'_> {
    /// Whether it can reassure: observed, and in a state in which it can be judged.
    fn counts(&self) -> bool {
        self.s.finding.status == Status::Observed
            && self.grade != Grade::Ungraded(Ungraded::WrongState)
    }

    /// The order in which the first part tells its items.
    fn urgency(&self) -> u8 {
        match (self.grade, self.sign) {
            (Grade::Outside, _) => 0,
            (_, Some(Expect::Outside)) => 1,
            (Grade::Borderline, _) => 2,
            (_, Some(_)) => 3,
            (Grade::Expected | Grade::Ungraded(_), None) => 4,
        }
    }
}

/// The note as plain text.
pub fn note(
    x: &Exam,
    lex: &Lexicon,
    graded: &Graded,
    o: &Overview,
    apart: &[Asymmetry],
    g: &Gaps,
) -> String {
    text(&blocks(x, lex, graded, o, apart, g))
}

/// The note piece by piece, for whoever lays it out otherwise than as plain text.
pub fn blocks(
    x: &Exam,
    lex: &Lexicon,
    graded: &Graded,
    o: &Overview,
    apart: &[Asymmetry],
    g: &Gaps,
) -> Vec<Block> {
    let told: Vec<Told<'_>> = x
        .findings
        .iter()
        .zip(&graded.grades)
        .filter(|(s, _)| s.finding.is_sure())
        .map(|(s, grade)| Told {
            s,
            grade: *grade,
            sign: sign_in_any_state(s, *grade, graded, lex),
        })
        .collect();
    let shown: Vec<Told<'_>> =
        told.iter().filter(|t| t.counts() || t.sign.is_some()).copied().collect();
    let all_apart = apart;
    let (within, apart): (Vec<&Asymmetry>, Vec<&Asymmetry>) = all_apart
        .iter()
        .filter(|a| a.settled && both_valid(a, &shown))
        .partition(|a| a.weight == Weight::WithinError);
    let foremost = |t: &Told<'_>| {
        matches!(t.grade, Grade::Outside | Grade::Borderline)
            || t.sign.is_some()
            || t.s.finding.value.as_deref() == Some(STATED_ABNORMAL)
            || apart.iter().any(|a| a.item == t.s.finding.item)
    };
    let first_items: Vec<ItemId> =
        shown.iter().filter(|t| foremost(t)).map(|t| t.s.finding.item).collect();
    let (first, rest): (Vec<Told<'_>>, Vec<Told<'_>>) =
        shown.into_iter().partition(|t| first_items.contains(&t.s.finding.item));

    let mut out = String::new();
    heading(&mut out, x, lex, graded, g);
    grave(&mut out, x, lex);
    context(&mut out, x);
    foremost_part(&mut out, x, lex, graded, &first, &apart);
    measured(&mut out, x, lex, graded, &told);
    close_sides(&mut out, lex, &within);
    patterns(&mut out, x, lex, graded);
    scale_part(&mut out, x, lex, o);
    normals(&mut out, x, lex, &rest);
    not_valid(&mut out, x, lex, &told, all_apart);
    not_obtained(&mut out, x, lex, &told, &first_items);
    open_parts(&mut out, x, lex, g);
    domains(&mut out, lex, o);
    corrections(&mut out, x, lex);
    unused(&mut out, x, lex);
    cautions(&mut out, lex);
    let block = |piece: &str| {
        let mut chars = piece.chars();
        let kind = chars.next();
        let text = chars.as_str().to_owned();
        match kind {
            Some('T') => Block::Title(text),
            Some('-') => Block::Point(text),
            Some('S') => Block::Sign(text),
            _ => Block::Para(text),
        }
    };
    out.split(MARK).skip(1).map(block).collect()
}

/// How a finding made in a state in which its item cannot be judged would stand, when it is a sign
/// all the same; and a sign that holds in any state, where nothing could be graded. A response that
/// did not come tells nothing in the wrong state, and is no sign there.
fn sign_in_any_state(s: &Standing, grade: Grade, graded: &Graded, lex: &Lexicon) -> Option<Expect> {
    let Grade::Ungraded(why) = grade else { return None };
    let f = &s.finding;
    if f.status != Status::Observed {
        return None;
    }
    let it = &lex.items[f.item];
    let value = f.value.as_deref().and_then(|v| it.value(v)).map(|k| &it.values[k]);
    if value.is_some_and(|v| v.any_state) {
        return value.and_then(|v| v.expect).filter(|e| *e != Expect::Expected);
    }
    if why != Ungraded::WrongState {
        return None;
    }
    if f.value.as_deref() == Some(STATED_ABNORMAL) {
        return Some(Expect::Outside);
    }
    if value.is_some_and(|v| v.concepts.iter().any(|&c| lex.concepts[c].id == "absent")) {
        return None;
    }
    let weighed = match beyond(&graded.ages, lex) {
        None => expectation(f, lex),
        Some(Ungraded::BeforeTerm | Ungraded::NotTerm) => {
            in_band(f, age_band(f.item, &graded.ages, lex)?, lex)
        }
        Some(_) => return None,
    };
    weighed.ok().map(|(e, _)| e).filter(|e| *e != Expect::Expected)
}

fn both_valid(a: &Asymmetry, valid: &[Told<'_>]) -> bool {
    // A side tried and not elicited has no grade, yet it is a difference worth telling.
    valid.iter().any(|t| t.s.finding.id == a.left || t.s.finding.id == a.right)
}

/// A piece of a note, its lines not broken yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Block {
    /// The heading of a part.
    Title(String),
    /// A paragraph.
    Para(String),
    /// An entry of a list.
    Point(String),
    /// Where the note is signed by hand.
    Sign(String),
}

/// Begins a block in the text that [`blocks`] takes apart; no text printed holds it.
const MARK: char = '\u{1}';

fn put(out: &mut String, kind: char, text: &str) {
    out.extend([MARK, kind]);
    out.extend(text.chars().map(|c| if c.is_control() { ' ' } else { c }));
}

fn title(out: &mut String, text: &str) {
    put(out, 'T', text);
}

fn para(out: &mut String, text: &str) {
    put(out, 'P', text);
}

fn point(out: &mut String, text: &str) {
    put(out, '-', text);
}

/// The note as plain text, no line longer than [`WIDTH`].
pub fn text(blocks: &[Block]) -> String {
    let mut out = String::new();
    for b in blocks {
        let _ = match b {
            Block::Title(t) => writeln!(out, "\n{}", t.to_uppercase()),
            Block::Para(t) => writeln!(out, "{}", words::wrap(t, WIDTH, 0)),
            Block::Point(t) => writeln!(out, "- {}", words::wrap(t, WIDTH - 2, 2)),
            Block::Sign(t) => writeln!(out, "\n{t}"),
        };
    }
    out
}

fn heading(out: &mut String, x: &Exam, lex: &Lexicon, graded: &Graded, g: &Gaps) {
    let h = &x.header;
    let (facts, missing) = words::header(h);
    para(out, &lex.title.to_uppercase());
    para(out, &format!("Exam {}, started {}.", h.code, words::wall(&h.started)));
    if !facts.is_empty() {
        para(out, &format!("{}.", words::upper_first(&facts.join(", "))));
    }
    if !missing.is_empty() {
        para(out, &format!("NOT TOLD: {}.", missing.join(", ")));
    }
    para(out, &format!("{}.", words::upper_first(&graded.ages.text(lex.gestation))));
    for clock in watch::sentences(x, &graded.ages, lex) {
        para(out, &format!("{clock}."));
    }
    if let Some(text) = words::protocol_warning(x, &graded.ages, lex) {
        para(out, &format!("WARNING: {text}"));
    }
    let met = match g.met {
        true => "met".to_owned(),
        false => format!("NOT MET, {} open", words::count(g.open().count(), "gap", "gaps")),
    };
    let protocol = match g.protocol.is_empty() {
        true => "none".to_owned(),
        false => format!(
            "{} ({} of {} required items done, {} left out with a reason)",
            g.protocol, g.done, g.required, g.with_reason
        ),
    };
    para(out, &format!("Protocol: {protocol}: {met}."));
    let spans: Vec<String> = x
        .states
        .iter()
        .map(|s| {
            let name = words::state_name(s.state, lex);
            format!("{name} from {} to {}", words::clock(s.from_ms), words::clock(s.to_ms))
        })
        .collect();
    match (spans.is_empty(), lex.states.is_empty()) {
        (false, _) => para(out, &format!("States seen: {}.", spans.join(", "))),
        (true, false) => para(out, "States seen: none was said."),
        (true, true) => {}
    }
    if !x.ended {
        para(out, "THE LOG WAS NOT FINISHED: it ends where it was interrupted.");
    }
}

/// What was said before the first finding and understood as nothing: often the setting, which no
/// item asks for.
fn context(out: &mut String, x: &Exam) {
    let list = open_matters::context(x);
    if list.is_empty() {
        return;
    }
    title(out, "Context: said at the start, in the words used");
    for e in list {
        point(out, &format!("{} {}", words::clock(e.phrase.start_ms), open_matters::quoted(e)));
    }
}

/// Findings of one item, those of left and right that say the same joined into one.
fn joined<'a>(list: &[Told<'a>], x: &Exam, lex: &Lexicon) -> Vec<(Told<'a>, Option<Side>)> {
    let mut out: Vec<(Told<'a>, Option<Side>)> = Vec::new();
    let signed = |t: &Told<'_>| t.s.settled_in.and_then(|seq| changes::decided(seq, x));
    for t in list {
        let f = &t.s.finding;
        let twin = out.iter_mut().find(|(o, side)| {
            side.and_then(Side::opposite).is_some_and(|s| Some(s) == f.side)
                && o.s.finding.status == f.status
                && o.grade == t.grade
                && o.s.state == t.s.state
                && signed(o) == signed(t)
                && words::value(&o.s.finding, lex) == words::value(f, lex)
        });
        match twin {
            Some((_, side)) => *side = Some(Side::Both),
            None => out.push((*t, f.side)),
        }
    }
    out
}

fn by_item<'a>(list: &[Told<'a>]) -> Vec<(ItemId, Vec<Told<'a>>)> {
    let mut out: Vec<(ItemId, Vec<Told<'a>>)> = Vec::new();
    for t in list {
        match out.last_mut() {
            Some((i, of)) if *i == t.s.finding.item => of.push(*t),
            _ => out.push((t.s.finding.item, vec![*t])),
        }
    }
    out
}

/// Who settled a finding, when a person did.
fn settled_mark(s: &Standing, x: &Exam) -> Option<String> {
    Some(format!("settled by {}", changes::decided(s.settled_in?, x)?))
}

/// What stands in brackets behind a finding of the first part.
fn marks(t: &Told<'_>, x: &Exam, lex: &Lexicon, graded: &Graded) -> Vec<String> {
    let f = &t.s.finding;
    let held = match sentences::held_for(f.item, &graded.ages, lex) {
        "" => String::new(),
        age => format!(" for {age}"),
    };
    let stands = |e: Expect| match e {
        Expect::Expected => None,
        Expect::Borderline => Some(format!("borderline{held}")),
        Expect::Outside => Some(format!("outside what is expected{held}")),
    };
    let seen = t.s.state.map(|k| format!("seen {}", words::during(k, lex)));
    let mut out: Vec<String> = Vec::new();
    match t.grade {
        Grade::Expected => {}
        Grade::Borderline => out.extend(stands(Expect::Borderline)),
        Grade::Outside => out.extend(stands(Expect::Outside)),
        Grade::Ungraded(Ungraded::WrongState) => {
            if f.value.as_deref() != Some(STATED_ABNORMAL) {
                out.extend(t.sign.and_then(stands));
            }
            let seen = seen.clone().unwrap_or_default();
            out.push(format!("{seen}, a state in which it cannot be judged"));
        }
        // Told once, above the part.
        Grade::Ungraded(why) if lies_in_header(why) => {}
        Grade::Ungraded(why) => out.push(format!("not graded: {}", why.text())),
    }
    if t.s.outside_valid_states(lex) && !t.s.in_wrong_state(lex) {
        // It counts all the same; the state is told, for whoever reads it to weigh.
        out.extend(seen);
    }
    if t.s.trials.len() > 1 {
        out.push(format!("{} observations", t.s.trials.len()));
    }
    out.extend(settled_mark(t.s, x));
    out
}

/// Whether a finding is ungraded for what the exam's header says, as all of them are then.
fn lies_in_header(why: Ungraded) -> bool {
    use Ungraded::{BeforeBirth, BeforeTerm, NoBirthTime, NoGestation, NotTerm, TooOld};
    matches!(why, BeforeBirth | BeforeTerm | NoBirthTime | NoGestation | NotTerm | TooOld)
}

/// The unsettled readings that would be outside, or a sign in any state, if they hold: pointed out
/// where the signs are told, and told as what they are among the unsettled.
fn would_be_outside(x: &Exam, lex: &Lexicon, graded: &Graded) -> Vec<String> {
    let outside = |f: &Finding| {
        let it = &lex.items[f.item];
        let value = f.value.as_deref().and_then(|v| it.value(v)).map(|k| &it.values[k]);
        let weighed = match beyond(&graded.ages, lex) {
            Some(Ungraded::BeforeTerm | Ungraded::NotTerm) => {
                age_band(f.item, &graded.ages, lex).map(|band| in_band(f, band, lex))
            }
            // Without an age the rows for term are all there is to tell a sign by.
            _ => Some(expectation(f, lex)),
        };
        f.status == Status::Observed
            && (f.value.as_deref() == Some(STATED_ABNORMAL)
                || value.is_some_and(|v| v.any_state)
                || matches!(weighed, Some(Ok((Expect::Outside, _)))))
    };
    x.unsettled()
        .map(|s| &s.finding)
        .filter(|f| outside(f))
        .map(|f| {
            let subject = sentences::subject(f.item, f.side, lex);
            format!("{subject} (at {})", words::clock(f.at_ms))
        })
        .collect()
}

fn foremost_part(
    out: &mut String,
    x: &Exam,
    lex: &Lexicon,
    graded: &Graded,
    first: &[Told<'_>],
    apart: &[&Asymmetry],
) {
    title(out, "Outside, borderline or different between the sides");
    if first.is_empty() {
        para(out, "None among the findings that could be graded.");
    }
    let above = first.iter().find_map(|t| match t.grade {
        Grade::Ungraded(why) if lies_in_header(why) => Some(why),
        _ => None,
    });
    if let Some(why) = above {
        para(out, &format!("Not graded where nothing else is said: {}.", why.text()));
    }
    let mut items = by_item(first);
    // What is outside first; sorting keeps the order of examination within each rank.
    items.sort_by_key(|(_, of)| of.iter().map(Told::urgency).min());
    for (item, of) in items {
        let mut parts: Vec<Part<'_>> = joined(&of, x, lex)
            .into_iter()
            .map(|(t, side)| Part { finding: &t.s.finding, side, marks: marks(&t, x, lex, graded) })
            .collect();
        // A side that was not elicited belongs to the difference, though it has no grade.
        let missed = |f: &&Finding| f.status == Status::NotObtained && f.is_sure();
        let not_elicited = x.of(item).map(|s| &s.finding).filter(missed);
        parts.extend(not_elicited.map(|f| Part { finding: f, side: f.side, marks: Vec::new() }));
        let differ = apart
            .iter()
            .find(|a| a.item == item)
            .map_or(String::new(), |a| format!("; {}", measures::apart_in_note(a, lex)));
        point(out, &sentences::item(item, &parts, &differ, lex));
    }
    let open = would_be_outside(x, lex, graded);
    if !open.is_empty() {
        let text = format!(
            "Not settled, and outside what is expected if it holds: {}. See UNSETTLED.",
            words::list(&open)
        );
        point(out, &text);
    }
}

/// What is measured against a reference or a published mean, with its name.
fn measured(out: &mut String, x: &Exam, lex: &Lexicon, graded: &Graded, told: &[Told<'_>]) {
    let mut lines: Vec<String> = Vec::new();
    for g in &graded.growth {
        let Some(s) = x.finding(g.finding).filter(|s| s.finding.is_sure()) else { continue };
        let value = words::value(&s.finding, lex);
        lines.push(format!("{} {value}: {}.", lex.items[g.item].name, measures::growth(g, lex)));
    }
    for t in told.iter().filter(|t| t.s.finding.status == Status::Observed) {
        let f = &t.s.finding;
        if let Some(mean) = measures::mean(f.item, f.number, &graded.ages, lex) {
            let value = words::value(f, lex);
            lines.push(format!("{} {value} ({mean}).", lex.items[f.item].name));
        }
    }
    if lines.is_empty() {
        return;
    }
    title(out, "Measured");
    for line in lines {
        point(out, &line);
    }
}

fn close_sides(out: &mut String, lex: &Lexicon, within: &[&Asymmetry]) {
    if within.is_empty() {
        return;
    }
    title(out, "Sides that differ within the error of judging by eye");
    for a in within {
        point(out, &format!("{}: {}.", lex.items[a.item].name, measures::apart(a, lex)));
    }
}

/// The patterns in which one group stands apart from the other.
fn patterns(out: &mut String, x: &Exam, lex: &Lexicon, graded: &Graded) {
    let list: Vec<String> = graded
        .patterns
        .iter()
        .filter(|p| matches!(p.against, Against::Less | Against::More))
        .filter_map(|p| measures::pattern(p, x, lex))
        .collect();
    if list.is_empty() {
        return;
    }
    title(out, "Patterns, told and not graded");
    for text in list {
        point(out, &format!("{text}."));
    }
}

/// The scales the exam is examined by: result or range, what is missing, source and cautions.
fn scale_part(out: &mut String, x: &Exam, lex: &Lexicon, o: &Overview) {
    let mut begun = false;
    for s in o.in_note(x, lex) {
        if !begun {
            title(out, "Scales");
            begun = true;
        }
        let scale = &o.scales[s.scale];
        let mut text = format!("{}: {}.", scales::title(s, scale), scales::headline(s, scale));
        for (what, list) in scales::untold(s, scale, x, lex) {
            let _ = write!(text, " {}: {}.", words::upper_first(what), list.join(", "));
        }
        for flag in scales::flags(s, scale) {
            let _ = write!(text, " {}.", words::upper_first(&flag));
        }
        for n in &scale.notes {
            let _ = write!(text, " {n}");
        }
        let _ = write!(text, " Source: {}.", scale.cited.to_string().trim_end_matches('.'));
        point(out, &text);
    }
}

/// How many items of each domain came to what.
fn domains(out: &mut String, lex: &Lexicon, o: &Overview) {
    title(out, "By domain");
    for d in &o.summary.domains {
        para(out, &format!("{}: {}.", lex.sections[d.section].name, summary::told(&d.counts)));
    }
    para(out, &format!("All together: {}.", o.summary.line()));
}

fn normals(out: &mut String, x: &Exam, lex: &Lexicon, rest: &[Told<'_>]) {
    let (expected, others): (Vec<Told<'_>>, Vec<Told<'_>>) =
        rest.iter().partition(|t| t.grade == Grade::Expected);
    if !expected.is_empty() {
        title(out, "As expected");
        sections(out, x, lex, &expected);
    }
    // One part for each reason, the commonest first: most often the reason lies in the header.
    let mut reasons: BTreeMap<&str, Vec<Told<'_>>> = BTreeMap::new();
    for t in others {
        let why = match t.grade {
            Grade::Ungraded(why) => why.text(),
            _ => continue,
        };
        reasons.entry(why).or_default().push(t);
    }
    let mut reasons: Vec<(&str, Vec<Told<'_>>)> = reasons.into_iter().collect();
    reasons.sort_by_key(|(_, list)| std::cmp::Reverse(list.len()));
    for (why, list) in reasons {
        title(out, &format!("Not graded: {why}"));
        sections(out, x, lex, &list);
    }
}

/// A paragraph a section, a sentence an item.
fn sections(out: &mut String, x: &Exam, lex: &Lexicon, list: &[Told<'_>]) {
    let mut paragraphs: Vec<(usize, Vec<String>)> = Vec::new();
    for (item, of) in by_item(list) {
        let parts: Vec<Part<'_>> = joined(&of, x, lex)
            .into_iter()
            .map(|(t, side)| Part {
                finding: &t.s.finding,
                side,
                marks: settled_mark(t.s, x).into_iter().collect(),
            })
            .collect();
        let sentence = sentences::item(item, &parts, "", lex);
        let section = lex.items[item].section;
        match paragraphs.last_mut() {
            Some((s, list)) if *s == section => list.push(sentence),
            _ => paragraphs.push((section, vec![sentence])),
        }
    }
    for (section, list) in paragraphs {
        para(out, &format!("{}. {}", lex.sections[section].name, list.join(" ")));
    }
}

fn not_valid(out: &mut String, x: &Exam, lex: &Lexicon, told: &[Told<'_>], apart: &[Asymmetry]) {
    let wrong: Vec<Told<'_>> = told
        .iter()
        .filter(|t| t.grade == Grade::Ungraded(Ungraded::WrongState) && t.sign.is_none())
        .copied()
        .collect();
    let short: Vec<_> = x.holds.iter().filter(|h| h.too_short).collect();
    if wrong.is_empty() && short.is_empty() {
        return;
    }
    title(out, "Not valid as examined");
    for (item, of) in by_item(&wrong) {
        for (t, side) in joined(&of, x, lex) {
            let f = &t.s.finding;
            let seen = t.s.state.map_or(String::new(), |k| words::during(k, lex));
            let settled = settled_mark(t.s, x).map_or(String::new(), |m| format!(" ({m})"));
            let text = format!(
                "{}: {}{}, seen {seen}, a state in which it cannot be judged (judged in {}){settled}.",
                sentences::name(item, lex),
                sentences::value(f, lex),
                sentences::place(f, side, lex),
                words::valid_states(item, lex)
            );
            point(out, &text);
        }
        // Of no weight as a finding, and yet what a colleague would want to look at again.
        let seen = |id: FindingId| of.iter().any(|t| t.s.finding.id == id);
        let differ = apart.iter().find(|a| {
            let told = seen(a.left) && seen(a.right) && a.settled;
            a.item == item && told && a.weight != Weight::WithinError
        });
        if let Some(a) = differ {
            let how = measures::apart(a, lex);
            point(out, &format!("{}: {how}, seen so.", sentences::name(item, lex)));
        }
    }
    for h in short {
        let name = sentences::name(h.item, lex);
        point(out, &format!("{name}: {}.", text::held(h, lex)));
    }
}

/// What was tried and not elicited; what the first part told already is not told again.
fn not_obtained(
    out: &mut String,
    x: &Exam,
    lex: &Lexicon,
    told: &[Told<'_>],
    first_items: &[ItemId],
) {
    let list: Vec<Told<'_>> = told
        .iter()
        .filter(|t| t.s.finding.status == Status::NotObtained)
        .filter(|t| !first_items.contains(&t.s.finding.item))
        .copied()
        .collect();
    if list.is_empty() {
        return;
    }
    title(out, "Tried and not elicited");
    for (item, of) in by_item(&list) {
        for (t, side) in joined(&of, x, lex) {
            let reason = t.s.finding.reason.as_ref().map(|r| words::bare_reason(r, lex));
            let seen = t.s.state.filter(|_| t.s.in_wrong_state(lex)).map(|k| {
                format!("{}, a state in which it cannot be judged", words::during(k, lex))
            });
            let marks: Vec<String> =
                reason.into_iter().chain(seen).chain(settled_mark(t.s, x)).collect();
            let marks = match marks.is_empty() {
                true => String::new(),
                false => format!(" ({})", marks.join("; ")),
            };
            let name = sentences::name(item, lex);
            let on = match side {
                Some(Side::Both) => " on either side",
                side => sentences::on(side),
            };
            point(out, &format!("{name}: not elicited{on}{marks}."));
        }
    }
}

/// What a person must still decide, what was left out, what does not hold together: each once.
fn open_parts(out: &mut String, x: &Exam, lex: &Lexicon, g: &Gaps) {
    for (name, lines) in open_matters::parts(x, lex, g) {
        title(out, name);
        for line in lines {
            point(out, &line);
        }
    }
}

fn corrections(out: &mut String, x: &Exam, lex: &Lexicon) {
    let list = changes::spoken_and_settled(x, lex);
    if list.is_empty() {
        return;
    }
    title(out, "Corrections and decisions");
    for (at, what) in list {
        point(out, &format!("{at} {what}."));
    }
}

/// How much of what was heard is in no part of the note, and what of it tells something.
fn unused(out: &mut String, x: &Exam, lex: &Lexicon) {
    let list = open_matters::unused(x);
    let worth = open_matters::untold(x, lex);
    if list == 0 && worth.is_empty() {
        return;
    }
    title(out, "Heard and not used");
    if list > 0 {
        let of = words::count(x.timeline.len(), "phrase", "phrases");
        let were = if list == 1 { "was" } else { "were" };
        let text = format!(
            "{list} of {of} {were} read as nothing; `cotside show EXAM --timeline` lists every phrase."
        );
        para(out, &text);
    }
    if worth.is_empty() {
        return;
    }
    para(
        out,
        "These tell of the infant, it seems, and nothing of them, or not all, is in this note:",
    );
    for e in worth {
        point(out, &format!("{} {}", words::clock(e.phrase.start_ms), open_matters::quoted(e)));
    }
}

/// What was said of something grave and stands in no finding, before everything else.
fn grave(out: &mut String, x: &Exam, lex: &Lexicon) {
    let list = open_matters::grave(x);
    if list.is_empty() {
        return;
    }
    title(out, "Said, and in no finding: to be read first");
    for e in list {
        let at = words::clock(e.phrase.start_ms);
        let of = open_matters::tells_of(e, lex);
        point(out, &format!("{at} {} Does it tell of {of}?", open_matters::quoted(e)));
    }
}

fn cautions(out: &mut String, lex: &Lexicon) {
    if !lex.cautions.is_empty() {
        title(out, "Cautions");
    }
    for c in &lex.cautions {
        point(out, c);
    }
    put(out, 'S', SIGN_HERE);
}
