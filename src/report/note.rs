//! The clinical note in plain text: what a clinician reads over and signs.
//!
//! What is outside, borderline or different between the sides stands first; what is as expected is
//! grouped; what is unsettled is never worded as a finding.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::{measures, scales, summary, text, watch, words};
use crate::exam::{Exam, Standing};
use crate::gaps::{Gap, GapKind, Gaps};
use crate::grade::{Against, Asymmetry, Grade, Graded, Overview, Ungraded, Weight};
use crate::lexicon::model::{ItemId, Lexicon, STATED_ABNORMAL};
use crate::reading::types::{Finding, Side, Status};

/// Width of the note, in characters.
pub const WIDTH: usize = 80;

/// A finding with its grade.
#[derive(Clone, Copy)]
struct Told<'a> {
    s: &'a Standing,
    grade: Grade,
}

/// The note.
pub fn note(
    x: &Exam,
    lex: &Lexicon,
    graded: &Graded,
    o: &Overview,
    apart: &[Asymmetry],
    g: &Gaps,
) -> String {
    let told: Vec<Told<'_>> = x
        .findings
        .iter()
        .zip(&graded.grades)
        .filter(|(s, _)| s.finding.is_sure())
        .map(|(s, grade)| Told { s, grade: *grade })
        .collect();
    let counts = |t: &&Told<'_>| {
        t.s.finding.status == Status::Observed && t.grade != Grade::Ungraded(Ungraded::WrongState)
    };
    let valid: Vec<Told<'_>> = told.iter().filter(counts).copied().collect();
    let (within, apart): (Vec<&Asymmetry>, Vec<&Asymmetry>) = apart
        .iter()
        .filter(|a| a.settled && both_valid(a, &valid))
        .partition(|a| a.weight == Weight::WithinError);
    let foremost = |t: &Told<'_>| {
        matches!(t.grade, Grade::Outside | Grade::Borderline)
            || t.s.finding.value.as_deref() == Some(STATED_ABNORMAL)
            || apart.iter().any(|a| a.item == t.s.finding.item)
    };
    let first_items: Vec<ItemId> =
        valid.iter().filter(|t| foremost(t)).map(|t| t.s.finding.item).collect();
    let (first, rest): (Vec<Told<'_>>, Vec<Told<'_>>) =
        valid.into_iter().partition(|t| first_items.contains(&t.s.finding.item));

    let mut out = String::new();
    heading(&mut out, x, lex, graded, g);
    foremost_part(&mut out, x, lex, &first, &apart);
    measured(&mut out, x, lex, graded, &told);
    close_sides(&mut out, lex, &within);
    patterns(&mut out, x, lex, graded);
    scale_part(&mut out, x, lex, o);
    normals(&mut out, lex, &rest);
    not_valid(&mut out, x, lex, &told);
    not_obtained(&mut out, lex, &told);
    unsettled(&mut out, x, lex);
    not_done(&mut out, lex, g);
    domains(&mut out, lex, o);
    changes(&mut out, x, lex);
    cautions(&mut out, lex);
    out
}

fn both_valid(a: &Asymmetry, valid: &[Told<'_>]) -> bool {
    // A side tried and not elicited has no grade, yet it is a difference worth telling.
    valid.iter().any(|t| t.s.finding.id == a.left || t.s.finding.id == a.right)
}

fn title(out: &mut String, text: &str) {
    let _ = writeln!(out, "\n{}", text.to_uppercase());
}

fn para(out: &mut String, text: &str) {
    let _ = writeln!(out, "{}", words::wrap(text, WIDTH, 0));
}

fn point(out: &mut String, text: &str) {
    let _ = writeln!(out, "- {}", words::wrap(text, WIDTH - 2, 2));
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

fn on(side: Option<Side>) -> &'static str {
    match side {
        Some(Side::Left) => " on the left",
        Some(Side::Right) => " on the right",
        Some(Side::Both) => " on both sides",
        Some(Side::Midline) => " in the midline",
        Some(Side::Unstated) | None => "",
    }
}

/// Findings of one item, those of left and right that say the same joined into one.
fn joined<'a>(list: &[Told<'a>], lex: &Lexicon) -> Vec<(Told<'a>, Option<Side>)> {
    let mut out: Vec<(Told<'a>, Option<Side>)> = Vec::new();
    for t in list {
        let f = &t.s.finding;
        let twin = out.iter_mut().find(|(o, side)| {
            side.and_then(Side::opposite).is_some_and(|s| Some(s) == f.side)
                && o.s.finding.status == f.status
                && o.grade == t.grade
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

fn foremost_part(
    out: &mut String,
    x: &Exam,
    lex: &Lexicon,
    first: &[Told<'_>],
    apart: &[&Asymmetry],
) {
    title(out, "Outside, borderline or different between the sides");
    if first.is_empty() {
        para(out, "None among the findings that could be graded.");
        return;
    }
    let mut items = by_item(first);
    // What is outside first; sorting keeps the order of examination within each rank.
    items.sort_by_key(|(_, of)| of.iter().map(|t| urgency(t.grade)).min());
    for (item, of) in items {
        let mut parts: Vec<String> = Vec::new();
        for (t, side) in joined(&of, lex) {
            let mark = match t.grade {
                Grade::Expected => "as expected".to_owned(),
                Grade::Borderline => "BORDERLINE".to_owned(),
                Grade::Outside => "OUTSIDE what is expected".to_owned(),
                Grade::Ungraded(why) => format!("not graded: {}", why.text()),
            };
            let trials = match t.s.trials.len() {
                0 | 1 => String::new(),
                n => format!("; {n} observations"),
            };
            // The verb stands once; singular and plural names take the same sentence this way.
            let was = if parts.is_empty() { " was recorded" } else { "" };
            let value = words::value(&t.s.finding, lex);
            parts.push(format!("\"{value}\"{was}{} ({mark}{trials})", on(side)));
        }
        // A side that was not elicited belongs to the difference, though it has no grade.
        let missed = |f: &&Finding| f.status == Status::NotObtained && f.is_sure();
        let not_elicited = x.of(item).map(|s| &s.finding).filter(missed);
        parts.extend(not_elicited.map(|f| format!("nothing was elicited{}", on(f.side))));
        let differ = apart
            .iter()
            .find(|a| a.item == item)
            .map_or(String::new(), |a| format!("; {}", measures::apart(a, lex)));
        point(out, &format!("{}: {}{differ}.", lex.items[item].name, words::list(&parts)));
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
            lines.push(format!("{} {value}: {mean}.", lex.items[f.item].name));
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

/// The order in which the first part tells its items.
fn urgency(g: Grade) -> u8 {
    match g {
        Grade::Outside => 0,
        Grade::Borderline => 1,
        Grade::Expected | Grade::Ungraded(_) => 2,
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

fn normals(out: &mut String, lex: &Lexicon, rest: &[Told<'_>]) {
    let (expected, others): (Vec<Told<'_>>, Vec<Told<'_>>) =
        rest.iter().partition(|t| t.grade == Grade::Expected);
    if !expected.is_empty() {
        title(out, "As expected");
        sections(out, lex, &expected);
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
        title(out, &format!("Recorded, not graded: {why}"));
        sections(out, lex, &list);
    }
}

fn sections(out: &mut String, lex: &Lexicon, list: &[Told<'_>]) {
    let mut section = None;
    let mut sentence: Vec<String> = Vec::new();
    let flush = |out: &mut String, section: Option<usize>, sentence: &mut Vec<String>| {
        if let Some(s) = section {
            para(out, &format!("{}: {}.", lex.sections[s].name, sentence.join("; ")));
        }
        sentence.clear();
    };
    for (item, of) in by_item(list) {
        let it = &lex.items[item];
        if section != Some(it.section) {
            flush(out, section, &mut sentence);
            section = Some(it.section);
        }
        let parts: Vec<String> = joined(&of, lex)
            .iter()
            .map(|(t, side)| {
                let f = &t.s.finding;
                let says_midline = f
                    .value
                    .as_deref()
                    .and_then(|v| it.value(v))
                    .is_some_and(|k| it.values[k].midline);
                let on = if says_midline { "" } else { on(*side) };
                format!("{}{on}", words::value(f, lex))
            })
            .collect();
        sentence.push(format!("{} {}", words::item(item, lex), words::list(&parts)));
    }
    flush(out, section, &mut sentence);
}

fn not_valid(out: &mut String, x: &Exam, lex: &Lexicon, told: &[Told<'_>]) {
    let wrong: Vec<Told<'_>> =
        told.iter().filter(|t| t.grade == Grade::Ungraded(Ungraded::WrongState)).copied().collect();
    let short: Vec<_> = x.holds.iter().filter(|h| h.too_short).collect();
    if wrong.is_empty() && short.is_empty() {
        return;
    }
    title(out, "Not valid as examined");
    for (item, of) in by_item(&wrong) {
        for (t, side) in joined(&of, lex) {
            point(
                out,
                &format!(
                    "{}: {}{}, not valid in this state ({}); it is judged in {}.",
                    lex.items[item].name,
                    words::value(&t.s.finding, lex),
                    on(side),
                    words::state(t.s, lex),
                    words::valid_states(item, lex)
                ),
            );
        }
    }
    for h in short {
        point(out, &format!("{}: {}.", lex.items[h.item].name, text::held(h, lex)));
    }
}

fn not_obtained(out: &mut String, lex: &Lexicon, told: &[Told<'_>]) {
    let list: Vec<Told<'_>> =
        told.iter().filter(|t| t.s.finding.status == Status::NotObtained).copied().collect();
    if list.is_empty() {
        return;
    }
    title(out, "Tried and not elicited");
    for (item, of) in by_item(&list) {
        for (t, side) in joined(&of, lex) {
            let why = t.s.finding.reason.as_ref().map_or(String::new(), |r| format!(" ({r})"));
            let name = &lex.items[item].name;
            point(out, &format!("{name}: tried{} and not elicited{why}.", on(side)));
        }
    }
}

fn unsettled(out: &mut String, x: &Exam, lex: &Lexicon) {
    let list: Vec<&Standing> = x.unsettled().collect();
    if list.is_empty() {
        return;
    }
    title(out, "UNSETTLED: words a person must still decide about; no findings");
    for s in list {
        let f = &s.finding;
        let said = x.event(f.id.phrase).map_or("", |e| e.phrase.text.as_str());
        point(
            out,
            &format!(
                "[{}] At {} was said: \"{}\" - could mean {}. Not settled: {}.",
                f.id,
                words::clock(f.at_ms),
                super::explain::printable(said),
                words::finding(f, lex),
                words::doubts(f)
            ),
        );
    }
}

fn not_done(out: &mut String, lex: &Lexicon, g: &Gaps) {
    // What is told elsewhere in the note is not told again.
    let here = |gap: &&Gap| {
        !matches!(
            gap.kind,
            GapKind::HeaderMissing(_)
                | GapKind::NotObtained
                | GapKind::WrongState
                | GapKind::ShortHold
                | GapKind::Unsettled
        )
    };
    let (with, without): (Vec<&Gap>, Vec<&Gap>) =
        g.list.iter().filter(here).partition(|gap| gap.reason.is_some());
    if !with.is_empty() {
        title(out, "Not done, with a reason");
        for gap in with {
            point(out, &format!("{}.", super::explain::printable(&gap.text)));
        }
    }
    if without.is_empty() {
        return;
    }
    title(out, "Not done, no reason given");
    // Plain omissions are one sentence a section; the rest has something to say.
    let plain = |gap: &&Gap| gap.kind == GapKind::NotDone && gap.item.is_some();
    let mut section: BTreeMap<usize, Vec<String>> = BTreeMap::new();
    for gap in without.iter().copied().filter(plain) {
        if let Some(i) = gap.item {
            section.entry(lex.items[i].section).or_default().push(words::subject(i, gap.side, lex));
        }
    }
    for gap in without.iter().filter(|g| !plain(g)) {
        let free = if gap.open { "" } else { " (not required)" };
        point(out, &format!("{}{free}.", super::explain::printable(&gap.text)));
    }
    for (s, items) in section {
        para(out, &format!("{}: {}.", lex.sections[s].name, items.join("; ")));
    }
}

fn changes(out: &mut String, x: &Exam, lex: &Lexicon) {
    let list = text::changed(x, lex);
    if list.is_empty() {
        return;
    }
    title(out, "Corrections and decisions");
    for (at, what) in list {
        point(out, &format!("{at}: {what}."));
    }
}

fn cautions(out: &mut String, lex: &Lexicon) {
    if !lex.cautions.is_empty() {
        title(out, "Cautions");
    }
    for c in &lex.cautions {
        point(out, c);
    }
    let _ = writeln!(out, "\nSigned: ____________________   Date and time: ____________________");
}
