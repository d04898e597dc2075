//! Several exams of one subject, for people and for other programs.

use std::fmt::Write;

use serde_json::{Value, json};

use super::style::{ASK, DIM, HEAD, paint};
use super::{measures, scales, watch, words};
use crate::exam::Exam;
use crate::grade::scales::{Outcome, Rule, Scale, Scored, Status};
use crate::grade::serial::{Cell, Change, Course, Visit, courses, hours};
use crate::grade::{Graded, Overview};
use crate::lexicon::Lexicon;
use crate::reading::types::Side;

/// One exam of the series, with all that was computed of it.
#[derive(Debug, Clone, Copy)]
pub struct Column<'a> {
    /// The exam.
    pub exam: &'a Exam,
    /// Ages and grades.
    pub graded: &'a Graded,
    /// Scales and counts.
    pub overview: &'a Overview,
}

impl Column<'_> {
    /// Age at its start, for a row's head; the wall time where it is not known.
    fn age(&self) -> String {
        match hours(self.exam, &self.graded.ages) {
            Some(h) => scales::hours(h),
            None => words::wall(&self.exam.header.started),
        }
    }
}

/// Width of the bars that draw a scale.
const BAR: i64 = 36;

fn visits<'a>(columns: &[Column<'a>]) -> Vec<Visit<'a>> {
    columns.iter().map(|c| Visit { exam: c.exam, graded: c.graded }).collect()
}

/// The comparison in words. The exams stand in order of time.
pub fn text(columns: &[Column<'_>], lex: &Lexicon) -> String {
    let mut out = String::new();
    let wide = columns.iter().map(|c| c.age().chars().count()).max().unwrap_or(0);
    for (k, c) in columns.iter().enumerate() {
        let h = &c.exam.header;
        let _ = writeln!(
            out,
            "{}  {:<wide$}  exam {}, started {}",
            paint(HEAD, &format!("({})", k + 1)),
            c.age(),
            h.code,
            words::wall(&h.started)
        );
        let line = words::hung(&c.overview.summary.line(), 5, 5);
        let _ = writeln!(out, "     {}", paint(DIM, &line));
    }
    // The clock stands as the last exam has it: that is the one that is still to be acted on.
    if let Some(last) = columns.last() {
        let of = format!("Clock from birth, as of exam ({})", columns.len());
        watch::under(&mut out, &of, last.exam, &last.graded.ages, lex);
    }
    let all = courses(&visits(columns), lex);
    let moved = |c: &&Course<'_>| c.cells.iter().any(|c| c.change.is_change());
    let (changed, rest): (Vec<&Course<'_>>, Vec<&Course<'_>>) = all.iter().partition(moved);
    heading(&mut out, "Changed");
    if changed.is_empty() {
        let _ = writeln!(out, "no change between findings that can be compared");
    }
    for c in changed {
        course(&mut out, c, columns, lex, wide);
    }
    let held =
        |c: &&Course<'_>| c.cells.iter().all(|c| matches!(c.change, Change::First | Change::Same));
    let (same, partly): (Vec<&Course<'_>>, Vec<&Course<'_>>) = rest.into_iter().partition(held);
    if !partly.is_empty() {
        heading(&mut out, "No change to tell: not found, unsettled or not valid at a visit");
    }
    for c in partly {
        course(&mut out, c, columns, lex, wide);
    }
    if !same.is_empty() {
        heading(&mut out, "The same at every visit");
    }
    for c in same {
        let last = c.cells.iter().rev().find_map(|c| c.found);
        let value = last.map_or(String::new(), |s| words::value(&s.finding, lex));
        let text = format!("{}: {value}{}", name(c, lex), differing(c, lex));
        let _ = writeln!(out, "  {}", words::hung(&text, 2, 4));
    }
    scale_part(&mut out, columns, lex, wide);
    out
}

fn heading(out: &mut String, text: &str) {
    let _ = writeln!(out, "\n{}", paint(HEAD, text));
}

fn name(c: &Course<'_>, lex: &Lexicon) -> String {
    let item = &lex.items[c.item].name;
    match c.side {
        None | Some(Side::Midline) => item.clone(),
        Some(s) => format!("{item}, {}", side(s)),
    }
}

fn side(s: Side) -> &'static str {
    match s {
        Side::Both => "both sides",
        Side::Unstated => "side not said",
        other => other.word(),
    }
}

/// States in which an unchanged item was seen, where they differ.
fn differing(c: &Course<'_>, lex: &Lexicon) -> String {
    if c.cells.iter().all(|c| !c.state_differs) {
        return String::new();
    }
    let states: Vec<String> = c.cells.iter().map(|c| state(c, lex)).collect();
    format!(" (seen in: {})", states.join(" / "))
}

fn state(c: &Cell<'_>, lex: &Lexicon) -> String {
    match c.found.and_then(|s| s.state) {
        Some(k) => words::state_name(k, lex),
        None => "state not said".into(),
    }
}

fn course(out: &mut String, c: &Course<'_>, columns: &[Column<'_>], lex: &Lexicon, wide: usize) {
    let _ = writeln!(out, "  {}", name(c, lex));
    for (k, cell) in c.cells.iter().enumerate() {
        let age = columns[k].age();
        let mut told = match cell.found {
            None => "nothing found".to_owned(),
            Some(s) => {
                let value = words::value(&s.finding, lex);
                let grade = cell.grade.map_or("", words::grade);
                let z = measures::z_of(columns[k].graded, s.finding.id);
                format!("{value}{z}, {grade}, {}", state(cell, lex))
            }
        };
        match (cell.change, cell.against) {
            (Change::NotFound | Change::First, _) => {}
            (Change::NotComparable, _) => {
                let why = cell.found.map_or(String::new(), |s| match s.finding.is_sure() {
                    false => "not settled".into(),
                    true => "not valid in this state".into(),
                });
                told += &format!(" - not compared: {why}");
            }
            (change, against) => {
                told += &format!(" - {}", change.word());
                // What was compared with is named where it is not the visit before.
                if let Some(a) = against.filter(|a| a + 1 != k) {
                    told += &format!(" since ({})", a + 1);
                }
                if change.is_change() && cell.state_differs {
                    let before = against.map_or(String::new(), |a| state(&c.cells[a], lex));
                    told += &format!("; STATES DIFFER: {before}, then {}", state(cell, lex));
                }
            }
        }
        let style = if cell.change.is_change() { ASK } else { DIM };
        let told = scales::hang(&told, wide + 10);
        let _ = writeln!(out, "    ({}) {age:<wide$}  {}", k + 1, paint(style, &told));
    }
}

fn scale_part(out: &mut String, columns: &[Column<'_>], lex: &Lexicon, wide: usize) {
    let Some(first) = columns.first() else { return };
    let mut begun = false;
    for (k, s) in first.overview.scored.iter().enumerate() {
        let scale = &first.overview.scales[s.scale];
        let row: Vec<&Scored> = columns.iter().filter_map(|c| c.overview.scored.get(k)).collect();
        if row.iter().all(|s| matches!(s.status, Status::Empty)) {
            continue;
        }
        if !begun {
            heading(out, "Scales over age (a bar spans what is still possible)");
            begun = true;
        }
        let (least, most) = extent(scale, &row);
        let _ = writeln!(out, "  {}", scales::title(s, scale));
        let legend = match scale.outcomes().as_slice() {
            [] => format!("{least} to {most}"),
            names => names.join(" | "),
        };
        let _ = writeln!(out, "    {}", paint(DIM, &format!("bar: {legend}")));
        for (k, s) in row.iter().enumerate() {
            let bar = bar(s, least, most);
            let told = scales::hang(&scales::headline(s, scale), 8);
            let _ = writeln!(out, "    ({}) {:<wide$}  [{bar}]", k + 1, columns[k].age());
            let _ = writeln!(out, "        {}", paint(DIM, &told));
            if s.status == Status::Indeterminate {
                for (what, list) in scales::untold(s, scale, columns[k].exam, lex) {
                    let text = format!("{what}: {}", list.join(", "));
                    let _ = writeln!(out, "        {}", paint(DIM, &words::hung(&text, 8, 8)));
                }
            }
        }
        watch::moved(out, scale, &row);
    }
}

/// Smallest and largest result the scale can have.
fn extent(scale: &Scale, row: &[&Scored]) -> (i32, i32) {
    match &scale.rule {
        Rule::Count(c) => (0, i32::try_from(c.levels.len() - 1).unwrap_or(i32::MAX)),
        Rule::Sum(_) => {
            let all = |pick: fn(&[i32]) -> Option<i32>| -> i32 {
                row.first().map_or(0, |s| s.signs.iter().filter_map(|r| pick(&r.all)).sum())
            };
            (all(|a| a.first().copied()), all(|a| a.last().copied()))
        }
    }
}

fn bar(s: &Scored, least: i32, most: i32) -> String {
    let width = usize::try_from(BAR).unwrap_or(0);
    let Some(o) = s.outcome.as_ref().filter(|_| s.status != Status::Empty) else {
        return " ".repeat(width);
    };
    let (low, high) = o.ends();
    let span = i64::from(most - least) + 1;
    // Each result has a cell of equal width, so that a single result is seen as one, too.
    let from = i64::from(low - least) * BAR / span;
    let to = ((i64::from(high - least) + 1) * BAR / span).max(from + 1).min(BAR);
    let mark = if low == high { '#' } else { '=' };
    (0..BAR).map(|k| if from <= k && k < to { mark } else { '.' }).collect()
}

/// The comparison for other programs.
pub fn json(columns: &[Column<'_>], lex: &Lexicon) -> Value {
    let exams: Vec<Value> = columns
        .iter()
        .map(|c| {
            json!({
                "code": c.exam.header.code,
                "started": c.exam.header.started.to_rfc3339(),
                "age_hours": hours(c.exam, &c.graded.ages),
                "summary": super::summary::json(&c.overview.summary, lex),
                "watch": watch::json(c.exam, &c.graded.ages, lex),
                "growth": super::json::growths(c.graded, lex),
            })
        })
        .collect();
    let items: Vec<Value> = courses(&visits(columns), lex)
        .iter()
        .map(|c| {
            json!({
                "item": lex.items[c.item].id,
                "side": c.side.map(Side::word),
                "changed": c.cells.iter().any(|c| c.change.is_change()),
                "exams": c.cells.iter().map(|c| cell(c, lex)).collect::<Vec<_>>(),
            })
        })
        .collect();
    let mut scales: Vec<Value> = Vec::new();
    if let Some(first) = columns.first() {
        for (k, s) in first.overview.scored.iter().enumerate() {
            let scale = &first.overview.scales[s.scale];
            let points: Vec<Value> = columns
                .iter()
                .filter_map(|c| {
                    let s = c.overview.scored.get(k)?;
                    let ends = s.outcome.as_ref().filter(|_| s.status != Status::Empty);
                    let ends = ends.map(Outcome::ends);
                    Some(json!({
                        "age_hours": hours(c.exam, &c.graded.ages),
                        "status": s.status.word(),
                        "low": ends.map(|e| e.0),
                        "high": ends.map(|e| e.1),
                        "text": scales::headline(s, scale),
                    }))
                })
                .collect();
            let row: Vec<&Scored> =
                columns.iter().filter_map(|c| c.overview.scored.get(k)).collect();
            scales.push(json!({
                "id": scale.id,
                "categories": watch::moved_json(scale, &row),
                "at": s.at,
                "outcomes": scale.outcomes(),
                "exams": points,
            }));
        }
    }
    json!({ "exams": exams, "items": items, "scales": scales })
}

fn cell(c: &Cell<'_>, lex: &Lexicon) -> Value {
    let f = c.found.map(|s| &s.finding);
    json!({
        "change": c.change,
        "against": c.against,
        "state_differs": c.state_differs,
        "state": c.found.and_then(|s| s.state).map(|k| &lex.states[k].code),
        "status": f.map(|f| f.status.word()),
        "value": f.and_then(|f| f.value.as_ref()),
        "number": f.and_then(|f| f.number),
        "low": f.and_then(|f| f.range).map(|r| r.0),
        "high": f.and_then(|f| f.range).map(|r| r.1),
        "unit": f.and_then(|f| f.unit.as_ref()),
        "certainty": f.map(|f| if f.is_sure() { "sure" } else { "unsettled" }),
        "grade": c.grade.map(words::grade),
        "phrases": c.found.map(|s| &s.phrases),
    })
}
