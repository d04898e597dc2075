//! The clock of a protocol for people and for other programs.

use std::fmt::Write;

use serde_json::{Value, json};

use super::style::{ASK, DIM, HEAD, paint};
use super::{scales, words};
use crate::exam::Exam;
use crate::grade::Ages;
use crate::grade::scales::{Scale, Scored};
use crate::grade::watch::{Category, Clock, Moved, categories, clock};
use crate::lexicon::Lexicon;

/// The clock in sentences, the line that is always said with it last; nothing where the exam's
/// protocol has none.
pub fn sentences(x: &Exam, ages: &Ages, lex: &Lexicon) -> Vec<String> {
    let Some(c) = clock(x, ages, lex) else { return Vec::new() };
    let mut out = vec![stands(&c, x)];
    if let Some(runs) = &c.runs {
        out.push(match &runs.next {
            Some((hours, at)) => format!(
                "Next exam due at {} from birth, {}",
                scales::hours(*hours),
                words::wall(&at.with_timezone(x.header.started.offset()))
            ),
            None => "No further exam is due by this protocol".into(),
        });
    }
    out.push(c.rule.say.trim_end_matches('.').to_owned());
    out
}

fn stands(c: &Clock<'_>, x: &Exam) -> String {
    let name = words::upper_first(&c.rule.name);
    let Some(runs) = &c.runs else {
        return match x.header.born {
            Some(_) => format!("{name}: not known, the exam starts before the birth time given"),
            None => format!("{name}: not known, the time of birth is not given"),
        };
    };
    let ends = words::wall(&runs.ends.with_timezone(x.header.started.offset()));
    #[allow(clippy::cast_precision_loss)] // minutes of an infant's life
    let hours = |d: chrono::Duration| scales::hours(d.num_minutes() as f64 / 60.0);
    match runs.left > chrono::Duration::zero() {
        true => format!("{name} end {ends}: {} left when this exam started", hours(runs.left)),
        false => {
            format!("{name} ended {ends}: {} before this exam started", hours(-runs.left))
        }
    }
}

/// The clock for the terminal.
pub fn text(out: &mut String, x: &Exam, ages: &Ages, lex: &Lexicon) {
    under(out, "Clock from birth", x, ages, lex);
}

/// The clock under a heading of one's own.
pub fn under(out: &mut String, heading: &str, x: &Exam, ages: &Ages, lex: &Lexicon) {
    let list = sentences(x, ages, lex);
    if list.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{}", paint(HEAD, heading));
    for s in list {
        let _ = writeln!(out, "  {}", words::hung(&s, 2, 4));
    }
}

/// The clock for other programs; null where the protocol has none.
pub fn json(x: &Exam, ages: &Ages, lex: &Lexicon) -> Value {
    let Some(c) = clock(x, ages, lex) else { return Value::Null };
    let runs = c.runs.as_ref();
    json!({
        "name": c.rule.name,
        "hours": c.rule.hours,
        "ends": runs.map(|r| r.ends.to_rfc3339()),
        "left_minutes": runs.map(|r| r.left.num_minutes()),
        "next_due_hours": runs.and_then(|r| r.next).map(|n| n.0),
        "next_due": runs.and_then(|r| r.next).map(|n| n.1.to_rfc3339()),
        "say": c.rule.say,
        "source": lex.cite(&c.rule.basis),
        "text": sentences(x, ages, lex).join(". "),
    })
}

/// The categories of a counted scale over the exams, those that moved marked.
pub fn moved(out: &mut String, scale: &Scale, row: &[&Scored]) {
    let list = categories(scale, row);
    if list.is_empty() {
        return;
    }
    let _ = writeln!(out, "    {}", paint(DIM, "categories, exam by exam:"));
    for c in list {
        let style = match c.course.iter().any(|p| matches!(p.1, Moved::Worse | Moved::Better)) {
            true => ASK,
            false => DIM,
        };
        let line = words::hung(&category(&c), 6, 10);
        let _ = writeln!(out, "      {}", paint(style, &line));
    }
}

fn category(c: &Category) -> String {
    let told: Vec<String> = c
        .course
        .iter()
        .enumerate()
        .map(|(k, (levels, moved))| {
            let word = moved.word();
            let mark = if word.is_empty() { String::new() } else { format!(" - {word}") };
            format!("({}) {}{mark}", k + 1, levels.join(" or "))
        })
        .collect();
    format!("{}: {}", c.name, told.join("; "))
}

/// The same for other programs.
pub fn moved_json(scale: &Scale, row: &[&Scored]) -> Vec<Value> {
    categories(scale, row)
        .iter()
        .map(|c| {
            let exams: Vec<Value> = c
                .course
                .iter()
                .map(|(levels, moved)| json!({ "possible": levels, "moved": moved }))
                .collect();
            json!({ "name": c.name, "exams": exams })
        })
        .collect()
}
