//! Why each reading: the words, what was made of them, what was set aside, and the sources.

use std::fmt::Write;

use super::style::{ASK, DIM, HEAD, paint};
use super::{measures, words};
use crate::exam::{Event, Exam, How};
use crate::grade::{Grade, Graded, Outcome, Ungraded, age_band, beyond, expectation, in_band};
use crate::lexicon::model::{AgeBand, Expect, ItemId, Lexicon};
use crate::reading::types::{Finding, FindingId};

/// What to explain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum About {
    /// Every phrase.
    Everything,
    /// The phrases that speak of an item.
    Item(ItemId),
    /// The phrase said at, or last before, a moment on the exam clock (milliseconds).
    Moment(u64),
    /// One phrase, by its number in the journal.
    Phrase(u64),
}

/// The phrases that are meant.
pub fn matching(x: &Exam, about: About) -> Vec<&Event> {
    match about {
        About::Everything => x.timeline.iter().collect(),
        About::Phrase(seq) => x.event(seq).into_iter().collect(),
        About::Moment(ms) => {
            // A moment is asked for in whole seconds, so all that began in that second is meant.
            let last = x.timeline.iter().filter(|e| e.phrase.start_ms / 1000 <= ms / 1000);
            let Some(start) = last.map(|e| e.phrase.start_ms).max() else { return Vec::new() };
            x.timeline.iter().filter(|e| e.phrase.start_ms / 1000 == start / 1000).collect()
        }
        About::Item(item) => {
            let fate: Vec<u64> = x
                .gone
                .iter()
                .filter(|g| g.finding.item == item)
                .map(|g| g.at_seq)
                .chain(x.of(item).flat_map(|s| s.phrases.iter().copied()))
                .collect();
            x.timeline
                .iter()
                .filter(|e| {
                    e.reading.findings.iter().any(|f| f.item == item)
                        || e.reading.announced.contains(&item)
                        || e.reading.deferred.iter().any(|d| d.item == item)
                        || fate.contains(&e.seq)
                })
                .collect()
        }
    }
}

/// The explanation in words.
pub fn explain(x: &Exam, lex: &Lexicon, graded: &Graded, about: About) -> String {
    let mut out = String::new();
    let events = matching(x, about);
    for (k, e) in events.iter().enumerate() {
        if k > 0 {
            out.push('\n');
        }
        phrase(&mut out, x, lex, graded, e);
    }
    let items: Vec<ItemId> = match about {
        About::Item(i) => vec![i],
        About::Everything => Vec::new(),
        _ => {
            let mut items: Vec<ItemId> = events
                .iter()
                .flat_map(|e| e.reading.findings.iter().map(|f| f.item))
                .chain(events.iter().flat_map(|e| e.reading.announced.iter().copied()))
                .collect();
            items.sort_unstable();
            items.dedup();
            items
        }
    };
    for i in items {
        out.push('\n');
        item(&mut out, lex, i);
    }
    out
}

fn row(out: &mut String, label: &str, text: &str) {
    let label = format!("  {label:<10}");
    let _ = writeln!(out, "{}{}", paint(DIM, &label), words::hung(text, 12, 12));
}

fn phrase(out: &mut String, x: &Exam, lex: &Lexicon, graded: &Graded, e: &Event) {
    let place = match e.phrase.line {
        Some(l) => format!("phrase {}, input line {l}", e.seq),
        None => format!("phrase {}", e.seq),
    };
    let clock = words::clock(e.phrase.start_ms);
    let quoted = format!("\"{}\"", printable(&e.phrase.text));
    let wrapped = super::scales::hang(&quoted, clock.chars().count() + 2);
    let last = wrapped.lines().last().map_or(0, |l| l.chars().count());
    let _ = write!(out, "{clock}  {}", paint(HEAD, &wrapped));
    // The place stands behind the words where there is room, else in a line of its own.
    let room = match wrapped.contains('\n') {
        true => last + 2 + place.len() <= words::WIDTH,
        false => clock.len() + 2 + last + 2 + place.len() <= words::WIDTH,
    };
    let _ = match room {
        true => writeln!(out, "  {}", paint(DIM, &place)),
        false => writeln!(out, "\n  {}", paint(DIM, &place)),
    };
    for r in rows(x, lex, graded, e) {
        let label = format!("  {:<10}", r.label);
        let style = if r.label == DOUBT { ASK } else { DIM };
        // A doubt is shown as it was said, however long.
        let text = if r.label == DOUBT { r.text } else { words::hung(&r.text, 12, 12) };
        let _ = writeln!(out, "{}{text}", paint(style, &label));
    }
}

/// Label of the rows that say why a finding is not certain.
pub const DOUBT: &str = "doubt";

/// One row of the explanation of a phrase.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// What it tells; empty where it goes on.
    pub label: &'static str,
    /// What is told.
    pub text: String,
}

/// All that was made of a phrase, and why.
pub fn rows(x: &Exam, lex: &Lexicon, graded: &Graded, e: &Event) -> Vec<Row> {
    let mut out: Vec<Row> = Vec::new();
    let out = &mut out;
    if e.paused {
        tell(out, "", "said while the log was paused: kept, not read");
        return std::mem::take(out);
    }
    let r = &e.reading;
    if let Some(item) = r.at_hand.filter(|_| !r.stimuli.is_empty()) {
        let list: Vec<String> = r.stimuli.iter().map(words::stimulus).collect();
        tell(out, "counted", &format!("{}: {}", words::item(item, lex), list.join(", ")));
    }
    for f in &r.findings {
        tell(out, "read", &format!("{} [{}]", words::finding(f, lex), f.id));
        tell(out, "why", &f.why);
        for d in &f.doubts {
            tell(out, DOUBT, &d.to_string());
        }
        tell(out, "now", &fate(x, lex, f.id));
        tell(out, "expected", &expected(f, graded, x, lex));
        if let Some(g) = graded.growth_of(f.id) {
            tell(out, "growth", &measures::growth(g, lex));
            if let Outcome::Scored(s) = &g.outcome {
                let unit = lex.items[f.item].number.as_ref();
                let unit = unit.map_or("", |n| lex.units[n.unit].say.as_str());
                for line in measures::arithmetic(s, unit, x.header.sex, lex) {
                    tell(out, "", &line);
                }
                let r = &lex.references[s.reference];
                tell(out, "reference", &format!("{}; {}; {}", r.source, r.publisher, r.terms));
            }
        }
    }
    for s in &r.strikes {
        tell(out, "strikes", &format!("[{}] by \"{}\"", s.target, s.words));
    }
    for (id, said) in &r.maybe_struck {
        tell(out, "strikes?", &format!("perhaps [{id}], by \"{said}\""));
    }
    for s in &r.states {
        let how = if s.implied { " (implied)" } else { "" };
        tell(out, "state", &format!("{}{how}", words::state_name(s.state, lex)));
    }
    let plain = |list: &[ItemId]| {
        list.iter().map(|&i| words::subject(i, None, lex)).collect::<Vec<_>>().join(", ")
    };
    if !r.announced.is_empty() {
        tell(out, "announced", &plain(&r.announced));
    }
    if !r.deferred.is_empty() {
        tell(out, "for later", &plain(&r.deferred.iter().map(|d| d.item).collect::<Vec<_>>()));
    }
    if !r.sections.is_empty() {
        let names: Vec<&str> = r.sections.iter().map(|&s| lex.sections[s].name.as_str()).collect();
        tell(out, "section", &names.join(", "));
    }
    if !r.controls.is_empty() {
        tell(out, "command", &r.controls.join(", "));
    }
    for s in &r.set_aside {
        tell(out, "set aside", s);
    }
    if !r.leftover.is_empty() {
        tell(out, "left over", &r.leftover.join(" "));
    }
    if let Some(u) = &r.untold {
        tell(out, "quoted", &u.why);
    }
    let nothing = r.findings.is_empty()
        && r.stimuli.is_empty()
        && r.strikes.is_empty()
        && r.states.is_empty()
        && r.announced.is_empty()
        && r.deferred.is_empty()
        && r.sections.is_empty()
        && r.controls.is_empty();
    if nothing {
        tell(out, "read", "no finding");
    }
    std::mem::take(out)
}

fn tell(out: &mut Vec<Row>, label: &'static str, text: &str) {
    out.push(Row { label, text: text.to_owned() });
}

/// What became of a finding.
fn fate(x: &Exam, lex: &Lexicon, id: FindingId) -> String {
    if let Some(s) = x.finding(id) {
        return match (&s.settled_by, s.finding.is_sure()) {
            (Some(who), _) => {
                format!("stands, settled by {who}: {}", words::finding(&s.finding, lex))
            }
            (None, true) => format!("stands: {}", words::finding(&s.finding, lex)),
            // What came later may have narrowed the side or added a doubt.
            (None, false) => format!(
                "unsettled: {}: {}",
                words::finding(&s.finding, lex),
                words::doubts(&s.finding)
            ),
        };
    }
    if let Some(g) = x.gone.iter().find(|g| g.finding.id == id) {
        let how = match g.how {
            How::Corrected => "corrected",
            How::Struck => "taken back",
            How::Superseded => "said again later",
            How::Settled => "settled by a person",
        };
        return match g.by {
            Some(by) => format!("stands no longer: {how}, see [{by}]"),
            None => format!("stands no longer: {how} in entry {}", g.at_seq),
        };
    }
    // A repeat that agreed, or a trial that did not count, lives on in another finding.
    match x.findings.iter().find(|s| s.phrases.contains(&id.phrase)) {
        Some(s) => format!("part of [{}]: {}", s.finding.id, words::finding(&s.finding, lex)),
        None => "part of a finding that stands no longer".into(),
    }
}

/// What the lexicon expects of the finding's value, with its source, and how it is graded here.
fn expected(f: &Finding, graded: &Graded, x: &Exam, lex: &Lexicon) -> String {
    if let Some(g) = graded.growth_of(f.id) {
        return match &g.outcome {
            Outcome::Scored(s) => match s.stands {
                Some(e) => format!("{}, by {}", words::grade(e.into()), lex.cite(&s.basis)),
                None => format!("{}, by {}", Ungraded::Implausible.text(), lex.cite(&s.basis)),
            },
            _ => measures::growth(g, lex),
        };
    }
    // Before term the band of the postmenstrual age takes the place of the rows for term.
    if matches!(beyond(&graded.ages, lex), Some(Ungraded::BeforeTerm | Ungraded::NotTerm))
        && let Some(b) = age_band(f.item, &graded.ages, lex)
    {
        let when = format!("at {} of postmenstrual age", span(b));
        return match in_band(f, b, lex) {
            Ok((e, basis)) => format!("{} {when}, by {}", words::grade(e.into()), lex.cite(basis)),
            Err(why) => format!("{} {when}", why.text()),
        };
    }
    let rule = match expectation(f, lex) {
        Ok((e, basis)) => format!("{}, by {}", words::grade(e.into()), lex.cite(basis)),
        Err(why) => why.text().to_owned(),
    };
    let here = x.findings.iter().position(|s| s.finding.id == f.id);
    match here.and_then(|k| graded.grades.get(k)) {
        Some(Grade::Ungraded(why)) if why.text() != rule => {
            format!("{rule}; ungraded here: {}", why.text())
        }
        _ => rule,
    }
}

/// The weeks of a band: `31+2 to 35+6 weeks`.
fn span(b: &AgeBand) -> String {
    let age = |d: u32| format!("{}+{}", d / 7, d % 7);
    format!("{} to {} weeks", age(b.from_days), age(b.to_days))
}

fn band(b: &AgeBand, i: ItemId, lex: &Lexicon) -> String {
    let it = &lex.items[i];
    let unit = it.number.as_ref().map_or("", |n| lex.units[n.unit].say.as_str());
    let mut parts: Vec<String> = Vec::new();
    for is in [Expect::Expected, Expect::Borderline, Expect::Outside] {
        let values = it.values.iter().zip(&b.values).filter(|(_, e)| **e == Some(is));
        let numbers = b.numbers.iter().filter(|n| n.is == is).map(|n| {
            match (n.from.is_finite(), n.to.is_finite()) {
                (true, true) => {
                    format!("{} to {}{unit}", words::number(n.from), words::number(n.to))
                }
                (true, false) => format!("from {}{unit}", words::number(n.from)),
                (false, true) => format!("up to {}{unit}", words::number(n.to)),
                (false, false) => "any".to_owned(),
            }
        });
        let list: Vec<String> = values.map(|(v, _)| v.say.clone()).chain(numbers).collect();
        if !list.is_empty() {
            parts.push(format!("{}: {}", words::grade(is.into()), list.join(", ")));
        }
    }
    let hours = b.hours.map_or(String::new(), |h| format!(", up to {h} hours after birth"));
    format!("{}{hours}: {}; {}", span(b), parts.join("; "), lex.cite(&b.basis))
}

fn item(out: &mut String, lex: &Lexicon, i: ItemId) {
    let it = &lex.items[i];
    let _ = writeln!(out, "{}  {}", paint(HEAD, &it.name), paint(DIM, &it.id));
    if !it.rule.is_empty() {
        row(out, "rule", &it.rule);
    }
    if let Some(h) = &it.hold {
        let text = format!(
            "{} s; shorter than {} s is flagged",
            words::number(h.seconds),
            words::number(h.at_least)
        );
        row(out, "hold", &text);
    }
    if !it.valid_states.is_empty() {
        row(out, "judged in", &words::valid_states(i, lex));
    }
    for b in &it.age_bands {
        row(out, "preterm", &band(b, i, lex));
    }
    if let Some(n) = &it.noise {
        let unit = it.number.as_ref().map_or("", |n| lex.units[n.unit].say.as_str());
        let text = format!(
            "side differences below {}{unit} are not flagged; {}",
            words::number(n.below),
            lex.cite(&n.basis)
        );
        row(out, "by eye", &text);
    }
    row(out, "source", &lex.cite(&it.basis));
}

/// Text that came from outside, safe to show: what moves the cursor, breaks the line, is not seen
/// or turns the order of reading round stands as U+FFFD.
pub fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() || unseen(c) { '\u{fffd}' } else { c }).collect()
}

/// Characters without a shape of their own that change how others are shown: explicit directional
/// formatting (Unicode Standard Annex #9, table 2), line and paragraph separators, zero widths.
/// With them *left* could be shown where *right* was said. The joiners of scripts that need them
/// (U+200C, U+200D) are left.
fn unseen(c: char) -> bool {
    matches!(c, '\u{61c}' | '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}'
        | '\u{2060}'..='\u{2069}' | '\u{feff}')
}
