//! What a note must say besides findings: the words nothing was made of, what a person has still to
//! decide, what was left out. Each matter stands once, in the first part that tells it.

use std::collections::BTreeMap;

use super::explain::printable;
use super::{changes, sentences, words};
use crate::exam::{Announced, Event, Exam, Standing};
use crate::gaps::{Gap, GapKind, Gaps};
use crate::lexicon::model::{ItemId, Lexicon};
use crate::reading::types::Side;

/// How many phrases are in no part of the exam.
pub fn unused(x: &Exam) -> usize {
    x.timeline.iter().filter(|e| e.paused || e.reading.means_nothing()).count()
}

/// The phrases that hold words which must never vanish, said of this infant now as it seems, and of which
/// no finding tells.
pub fn grave(x: &Exam) -> Vec<&Event> {
    x.timeline.iter().filter(|e| is_grave(e)).collect()
}

fn is_grave(e: &Event) -> bool {
    !e.paused && e.reading.untold.as_ref().is_some_and(|u| u.grave.is_some())
}

/// The phrases that tell something, it seems, which stands in no finding (`reading::untold`). What other parts
/// quote is left out.
pub fn untold<'a>(x: &'a Exam, lex: &Lexicon) -> Vec<&'a Event> {
    let elsewhere: Vec<u64> = context(x)
        .into_iter()
        .chain(x.announced.iter().flat_map(|a| said_after(x, lex, a)))
        .map(|e| e.seq)
        .chain(x.unsettled().map(|s| s.finding.id.phrase))
        .collect();
    let untold = x.timeline.iter().filter(|e| !e.paused && e.reading.untold.is_some());
    untold.filter(|e| !is_grave(e) && !elsewhere.contains(&e.seq)).collect()
}

/// What a grave phrase may tell of.
pub fn tells_of<'l>(e: &Event, lex: &'l Lexicon) -> &'l str {
    let row = e.reading.untold.as_ref().and_then(|u| u.grave);
    row.map_or("", |r| &lex.never_lost.rows[r].say)
}

/// The lines of both for lists on a screen, the grave first.
pub fn quotations(x: &Exam, lex: &Lexicon) -> Vec<(bool, String)> {
    let at = |e: &Event| format!("{} {}", words::clock(e.phrase.start_ms), quoted(e));
    let grave = grave(x).into_iter().map(|e| (true, format!("{} ({}?)", at(e), tells_of(e, lex))));
    grave.chain(untold(x, lex).into_iter().map(|e| (false, at(e)))).collect()
}

/// Words left over that make it worth quoting a phrase of which something else was understood.
const WORTH_QUOTING: usize = 2;

/// The phrases before the first finding of which nothing was made, and that of the first finding
/// itself when words of it are left over.
pub fn context(x: &Exam) -> Vec<&Event> {
    let heard = x.timeline.iter().filter(|e| !e.paused);
    let first = heard.clone().position(|e| !e.reading.findings.is_empty());
    // Where the second reader listened, it is known which of a long preamble tells something.
    let tells = |e: &Event| !e.reading.marked || e.reading.untold.is_some();
    let before = heard.clone().take(first.unwrap_or(0)).filter(|e| {
        let r = &e.reading;
        r.means_nothing() && tells(e) && !(r.leftover.is_empty() && r.set_aside.is_empty())
    });
    let at = first.and_then(|k| heard.clone().nth(k)).filter(|e| {
        // A phrase whose finding is not settled is quoted among what is to be decided.
        let quoted = x.unsettled().any(|s| s.finding.id.phrase == e.seq);
        e.reading.leftover.len() >= WORTH_QUOTING && !quoted && tells(e)
    });
    before.chain(at).collect()
}

/// The words of a phrase between quotation marks.
pub fn quoted(e: &Event) -> String {
    format!("\"{}\"", printable(&e.phrase.text))
}

/// An announcement of more words tells something, though no result was read in it.
const LONGEST_ANNOUNCEMENT: usize = 6;

/// What was said of an announced item without giving a result: its own phrase and those after it up
/// to the next thing understood, where words are left over or set aside.
fn said_after<'a>(x: &'a Exam, lex: &Lexicon, a: &Announced) -> Vec<&'a Event> {
    let from = x.timeline.partition_point(|e| e.seq < a.seq);
    let mut out = Vec::new();
    for (k, e) in x.timeline[from..].iter().filter(|e| !e.paused).enumerate() {
        let r = &e.reading;
        let late = e.phrase.start_ms.saturating_sub(a.at_ms) > lex.item_context_ms;
        if k > 0 && (late || !r.means_nothing()) {
            break;
        }
        // What was set aside (an earlier seizure) is no finding, and must not be lost either.
        let told = k == 0 && e.phrase.text.split_whitespace().count() > LONGEST_ANNOUNCEMENT;
        // Where the second reader listened, it is known which of it tells something.
        let tells = match r.marked {
            true => r.untold.is_some(),
            false => told || !(r.leftover.is_empty() && r.set_aside.is_empty()),
        };
        if tells {
            out.push(e);
        }
    }
    out
}

/// A heading and its lines.
pub type Part = (&'static str, Vec<String>);

/// What is open or left out, in parts; a part without a line is left away.
pub fn parts(x: &Exam, lex: &Lexicon, g: &Gaps) -> Vec<Part> {
    let quoted: Vec<(&Announced, Vec<&Event>)> = x
        .announced
        .iter()
        .map(|a| (a, said_after(x, lex, a)))
        .filter(|(a, said)| !said.is_empty() && !reason_given(x, a.item))
        .collect();
    // A gap of which the unsettled part tells already is not told again.
    let told_there = |gap: &&Gap| {
        gap.item.is_none_or(|item| {
            let doubtful =
                x.of(item).any(|s| !s.finding.is_sure() && Side::overlap(s.finding.side, gap.side));
            let announced = quoted.iter().any(|(a, _)| a.item == item);
            !(doubtful || announced)
        })
    };
    let rest: Vec<&Gap> = g.list.iter().filter(told_there).collect();
    let check = rest.iter().filter(|g| to_check(g.kind));
    let out: Vec<Part> = vec![
        ("UNSETTLED: to be decided before signing; no findings", unsettled(x, lex, &quoted)),
        ("To be checked", check.map(|g| format!("{}.", printable(&g.text))).collect()),
        ("Not done, with a reason", with_reason(x, lex, &rest)),
        ("Not done, no reason given", without_reason(x, lex, &rest)),
    ];
    out.into_iter().filter(|(_, lines)| !lines.is_empty()).collect()
}

fn reason_given(x: &Exam, item: ItemId) -> bool {
    x.reasons.iter().any(|r| r.item == item)
}

/// Gaps that are no omission.
fn to_check(kind: GapKind) -> bool {
    matches!(
        kind,
        GapKind::HeaderWrong(_)
            | GapKind::LexiconDiffers
            | GapKind::NoValue
            | GapKind::OutOfRange
            | GapKind::Implausible
            | GapKind::StraySettlement
    )
}

fn omitted(kind: GapKind) -> bool {
    matches!(
        kind,
        GapKind::NotDone
            | GapKind::SkippedWithoutReason
            | GapKind::OneSideOnly
            | GapKind::Announced
            | GapKind::LeftForLater
    )
}

/// The unsettled readings by the phrase they come from, then what was announced and not judged.
fn unsettled(x: &Exam, lex: &Lexicon, announced: &[(&Announced, Vec<&Event>)]) -> Vec<String> {
    let mut by_phrase: BTreeMap<u64, Vec<&Standing>> = BTreeMap::new();
    for s in x.unsettled() {
        by_phrase.entry(s.finding.id.phrase).or_default().push(s);
    }
    let mut out: Vec<(u64, String)> = Vec::new();
    for (seq, mut list) in by_phrase {
        list.sort_by_key(|s| s.finding.id);
        let said = x.event(seq).map_or(String::new(), quoted);
        // Readings of one phrase that share their doubt are told with it once.
        let mut readings: Vec<(String, Vec<String>)> = Vec::new();
        for s in &list {
            let f = &s.finding;
            let doubts = printable(&words::doubts(f));
            let read = format!("[{}] {}", f.id, words::finding(f, lex));
            match readings.iter_mut().find(|(d, _)| *d == doubts) {
                Some((_, of)) => of.push(read),
                None => readings.push((doubts, vec![read])),
            }
        }
        let readings: Vec<String> = readings
            .into_iter()
            .map(|(doubts, of)| {
                let stop = if doubts.ends_with(['?', '.', '"']) { "" } else { "." };
                format!("{}? Not settled: {doubts}{stop}", of.join("; "))
            })
            .collect();
        let at = list[0].finding.at_ms;
        out.push((at, format!("{} {said}: {}", words::clock(at), readings.join(" "))));
    }
    for (a, said) in announced {
        let said: Vec<String> = said
            .iter()
            .map(|e| format!("{} {}", words::clock(e.phrase.start_ms), quoted(e)))
            .collect();
        let name = sentences::name(a.item, lex);
        let at = words::clock(a.at_ms);
        out.push((
            a.at_ms,
            format!(
                "{name}: begun at {at}, and no result was understood. Said: {}.",
                said.join("; ")
            ),
        ));
    }
    out.sort_by_key(|(at, _)| *at);
    out.into_iter().map(|(_, text)| text).collect()
}

/// The reason of a gap in words, and who gave it when, if it was given afterwards.
fn reason(x: &Exam, lex: &Lexicon, gap: &Gap) -> Option<String> {
    let text = gap.reason.as_deref()?;
    let given = x
        .reasons
        .iter()
        .rfind(|r| Some(r.item) == gap.item && text == format!("{} ({})", r.reason, r.who));
    Some(match given {
        Some(r) => {
            let bare = words::bare_reason(&r.reason, lex);
            match changes::decided(r.seq, x) {
                Some(signed) => format!("{bare}; {signed}"),
                None => bare,
            }
        }
        None => words::bare_reason(text, lex),
    })
}

/// What is known of an omission besides that it is one.
fn story(x: &Exam, gap: &Gap) -> Option<String> {
    let item = gap.item?;
    match gap.kind {
        GapKind::SkippedWithoutReason => Some("said not to be done".into()),
        GapKind::Announced => {
            let at = x.announced.iter().rfind(|a| a.item == item)?.at_ms;
            Some(format!("begun at {}, no result said", words::clock(at)))
        }
        GapKind::LeftForLater => {
            let l = x.left.iter().rfind(|l| l.item == item)?;
            let at = x.event(l.seq).map_or(0, |e| e.phrase.start_ms);
            Some(format!("left for later at {} and not done", words::clock(at)))
        }
        _ => None,
    }
}

fn with_reason(x: &Exam, lex: &Lexicon, rest: &[&Gap]) -> Vec<String> {
    // What was left out for one reason stands together, in the order of the first.
    let mut groups: Vec<(Option<String>, String, Vec<String>)> = Vec::new();
    for gap in rest.iter().filter(|g| omitted(g.kind)) {
        let (Some(why), Some(item)) = (reason(x, lex, gap), gap.item) else { continue };
        let subject = sentences::subject(item, gap.side, lex);
        let story = story(x, gap);
        match groups.iter_mut().find(|(s, w, _)| *s == story && *w == why) {
            Some((.., list)) => list.push(subject),
            None => groups.push((story, why, vec![subject])),
        }
    }
    groups
        .into_iter()
        .map(|(story, why, subjects)| {
            let told = story.unwrap_or_else(|| "not done".into());
            let subjects = words::upper_first(&words::list(&subjects));
            format!("{subjects}: {told} ({}).", printable(&why))
        })
        .collect()
}

fn without_reason(x: &Exam, lex: &Lexicon, rest: &[&Gap]) -> Vec<String> {
    let mut sections: BTreeMap<usize, Vec<String>> = BTreeMap::new();
    for gap in rest.iter().filter(|g| omitted(g.kind) && g.reason.is_none()) {
        let Some(item) = gap.item else { continue };
        let mut text = sentences::subject(item, gap.side, lex);
        let mut notes: Vec<String> = story(x, gap).into_iter().collect();
        if !gap.open {
            notes.push("not required".into());
        }
        if !notes.is_empty() {
            text += &format!(" ({})", notes.join(", "));
        }
        sections.entry(lex.items[item].section).or_default().push(text);
    }
    sections
        .into_iter()
        .map(|(s, list)| format!("{}: {}.", lex.sections[s].name, list.join("; ")))
        .collect()
}
