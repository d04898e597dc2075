//! The de-identified exam to be read by people: findings in plain words, by section, and nothing
//! that was spoken or typed.

use super::deidentify::{self, Shown};
use super::note::Block;
use super::{scales, table, words};
use crate::exam::{Exam, Standing};
use crate::gaps::{Gap, Gaps};
use crate::grade::{Grade, Graded, Overview};
use crate::journal::Sex;
use crate::lexicon::Lexicon;
use crate::reading::types::{Finding, Status};

/// The whole sheet.
pub fn blocks(
    x: &Exam,
    lex: &Lexicon,
    graded: &Graded,
    o: &Overview,
    g: &Gaps,
    shown: &Shown,
) -> Vec<Block> {
    let mut out = heading(x, lex, graded, g, shown);
    for (k, section) in lex.sections.iter().enumerate() {
        let found = x
            .findings
            .iter()
            .enumerate()
            .filter(|(_, s)| lex.items[s.finding.item].section == k)
            .map(|(n, s)| line(s, graded.grades.get(n).copied(), lex, g));
        let missing = g
            .list
            .iter()
            .filter(|gap| gap.item.is_some_and(|i| lex.items[i].section == k))
            .filter(|gap| table::is_absence(gap, x))
            .filter_map(|gap| absent(gap, lex));
        let points: Vec<Block> = found.chain(missing).map(Block::Point).collect();
        if !points.is_empty() {
            out.push(Block::Title(section.name.clone()));
            out.extend(points);
        }
    }
    let scored: Vec<Block> = o
        .in_note(x, lex)
        .filter_map(|r| {
            let (low, high) = r.outcome.as_ref()?.ends();
            let scale = &o.scales[r.scale];
            let result = scales::range(low, high);
            let word = r.status.word();
            Some(Block::Point(format!("{}: {result} ({word}).", scales::title(r, scale))))
        })
        .collect();
    if !scored.is_empty() {
        out.push(Block::Title("Scales".into()));
        out.extend(scored);
    }
    out.push(Block::Title("Cautions".into()));
    out.extend(lex.cautions.iter().cloned().map(Block::Point));
    out
}

fn heading(x: &Exam, lex: &Lexicon, graded: &Graded, g: &Gaps, shown: &Shown) -> Vec<Block> {
    let sex = match x.header.sex {
        Some(Sex::Female) => "female",
        Some(Sex::Male) => "male",
        None => "sex not told",
    };
    let told = |what: &str, band: Option<String>| match band {
        Some(band) => format!("{what} {band}"),
        None => format!("{what} not told"),
    };
    let met = if g.met { "met" } else { "NOT MET" };
    vec![
        Block::Para(lex.title.to_uppercase()),
        Block::Para(format!("De-identified exam {}.", shown.code(&x.header))),
        Block::Para(format!(
            "{}; {}; {}.",
            words::upper_first(sex),
            told("gestation at birth", deidentify::gestation_band(&x.header, lex)),
            told("age", deidentify::age_band(&graded.ages, lex))
        )),
        Block::Para(format!(
            "Protocol: {}: {met}; {} of {} required items done, {} left out with a reason, {} open.",
            if g.protocol.is_empty() { "none" } else { &g.protocol },
            g.done,
            g.required,
            g.with_reason,
            g.required - g.done - g.with_reason
        )),
        Block::Para("Times are minutes and seconds since the exam started.".into()),
    ]
}

/// A finding in one line, without a word of what was said.
fn line(s: &Standing, grade: Option<Grade>, lex: &Lexicon, g: &Gaps) -> String {
    let f = &s.finding;
    let bare = Finding { reason: None, ..f.clone() };
    let mut marks = vec![format!("at {}", words::clock(f.at_ms))];
    marks.extend(s.state.map(|k| words::during(k, lex)));
    if s.in_wrong_state(lex) {
        marks.push("a state in which it cannot be judged".into());
    }
    if f.status == Status::Observed && f.is_sure() {
        match grade {
            Some(Grade::Outside) => marks.push("outside what is expected".into()),
            Some(Grade::Borderline) => marks.push("borderline".into()),
            _ => {}
        }
    }
    if let Some(why) = table::reason(s, g) {
        marks.push(reason(Some(&why), lex));
    }
    let doubts: Vec<&str> = f.doubts.iter().map(deidentify::doubt_code).collect();
    let open = match doubts.is_empty() {
        true => "",
        false => "UNSETTLED, no finding yet: ",
    };
    if !doubts.is_empty() {
        marks.push(format!("doubts: {}", doubts.join(", ")));
    }
    let text = words::upper_first(&words::finding(&bare, lex));
    format!("{open}{text} ({}).", marks.join("; "))
}

fn absent(gap: &Gap, lex: &Lexicon) -> Option<String> {
    let subject = words::upper_first(&words::subject(gap.item?, gap.side, lex));
    Some(format!("{subject}: NOT DONE ({}).", reason(gap.reason.as_deref(), lex)))
}

/// A note that was signed, as it was signed, piece by piece: each line stays a line.
pub fn from_text(text: &str) -> Vec<Block> {
    let mut out: Vec<Block> = Vec::new();
    let mut blank = false;
    for line in text.lines() {
        let title = blank && line == line.to_uppercase() && line.starts_with(char::is_alphabetic);
        match (out.last_mut(), line.strip_prefix("- "), line.strip_prefix("  ")) {
            _ if line.trim().is_empty() => {}
            (Some(Block::Point(p)), None, Some(more)) => {
                p.push(' ');
                p.push_str(more.trim());
            }
            (_, Some(point), _) => out.push(Block::Point(point.to_owned())),
            _ if title => out.push(Block::Title(line.to_owned())),
            _ => out.push(Block::Para(line.to_owned())),
        }
        blank = line.trim().is_empty();
    }
    out
}

/// A reason as the lexicon says it; of one in other words, only that there was one.
pub fn reason(words: Option<&str>, lex: &Lexicon) -> String {
    let Some(words) = words else { return "no reason given".into() };
    let known = deidentify::reason_code(words, lex)
        .and_then(|code| lex.reasons.iter().find(|r| r.code == code));
    known.map_or_else(|| "a reason was given in words".into(), |r| r.say.clone())
}
