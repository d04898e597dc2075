//! Many exams summed up: what an exam comes to in one line, and what all of them come to together.
//!
//! Sums are made exam by exam and joined in any order, so that exams can be rebuilt side by side
//! and forgotten; what is kept of each is one number for the median.

use std::collections::BTreeMap;
use std::fmt::Write;

use chrono::{DateTime, FixedOffset};
use serde_json::{Value, json};

use super::{deidentify, words};
use crate::exam::Exam;
use crate::gaps::{Came, Gaps};
use crate::lexicon::Lexicon;
use crate::lexicon::model::ItemId;
use crate::reading::types::Status;

/// One exam in the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// Its folder, as the user named it.
    pub folder: String,
    /// Its code.
    pub code: String,
    /// When it started.
    pub started: DateTime<FixedOffset>,
    /// Initials of whoever examined.
    pub by: Option<String>,
    /// Protocol counted against.
    pub protocol: Option<String>,
    /// Required items: all, done, left out with a reason.
    pub required: (usize, usize, usize),
    /// Unsettled findings.
    pub unsettled: usize,
    /// Whether no gap is open.
    pub complete: bool,
    /// From the start to the end of the last phrase, milliseconds.
    pub duration_ms: u64,
    /// Whether the log was finished.
    pub ended: bool,
    /// Read with the lexicon it was recorded with.
    pub same_lexicon: bool,
}

/// What an exam comes to, with the numbers of its items.
#[derive(Debug, Clone, PartialEq)]
pub struct Counted {
    /// Its line.
    pub line: Line,
    /// Required items, each with what it came to.
    items: Vec<(String, Came)>,
    /// Of the items left out or open: item, and why, as a reason's code, `other` for words the
    /// lexicon does not know, or `none`.
    skipped: Vec<(String, String)>,
    /// Items found, of all.
    found: Vec<ItemId>,
}

/// Why, where a reason was given in words the lexicon does not know.
const OTHER: &str = "other";
/// Why, where no reason was given.
const NONE: &str = "none";

impl Counted {
    /// Counts an exam.
    pub fn new(folder: String, x: &Exam, lex: &Lexicon, g: &Gaps) -> Self {
        let h = &x.header;
        let items =
            g.items.iter().map(|(i, came)| (lex.items[*i].id.clone(), *came)).collect::<Vec<_>>();
        let of = |wanted: &(ItemId, Came)| {
            let reason = g
                .list
                .iter()
                .filter(|gap| gap.item == Some(wanted.0))
                .find_map(|gap| gap.reason.as_deref());
            let why = match reason {
                Some(words) => deidentify::reason_code(words, lex).unwrap_or(OTHER),
                None => NONE,
            };
            (lex.items[wanted.0].id.clone(), why.to_owned())
        };
        // An open item with a value (unsettled, of one side) was not skipped.
        let absent = |i: ItemId| x.of(i).all(|s| s.finding.status == Status::Skipped);
        let skipped = g
            .items
            .iter()
            .filter(|(i, came)| match came {
                Came::Done => false,
                Came::LeftOut => true,
                Came::Open => absent(*i),
            })
            .map(of)
            .collect();
        let mut found: Vec<ItemId> = x
            .findings
            .iter()
            .filter(|s| s.finding.status != Status::Skipped)
            .map(|s| s.finding.item)
            .collect();
        found.dedup();
        let line = Line {
            folder,
            code: h.code.to_string(),
            started: h.started,
            by: h.by.clone(),
            protocol: g.protocol_id.clone(),
            required: (g.required, g.done, g.with_reason),
            unsettled: x.unsettled().count(),
            complete: g.met,
            duration_ms: x.end_ms,
            ended: x.ended,
            same_lexicon: x.same_lexicon,
        };
        Counted { line, items, skipped, found }
    }

    /// Whether an item was found in it.
    pub fn holds(&self, item: ItemId) -> bool {
        self.found.contains(&item)
    }
}

/// How often something was done, left out with a reason, or left open.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Rate {
    /// Done.
    pub done: u64,
    /// Left out with a reason.
    pub left_out: u64,
    /// Open.
    pub open: u64,
}

impl Rate {
    fn count(&mut self, came: Came) {
        match came {
            Came::Done => self.done += 1,
            Came::LeftOut => self.left_out += 1,
            Came::Open => self.open += 1,
        }
    }

    fn join(&mut self, other: Rate) {
        self.done += other.done;
        self.left_out += other.left_out;
        self.open += other.open;
    }

    /// How often it was required.
    pub fn required(self) -> u64 {
        self.done + self.left_out + self.open
    }

    fn json(self) -> Value {
        json!({
            "required": self.required(),
            "done": self.done,
            "left_out": self.left_out,
            "open": self.open,
        })
    }
}

/// Sums over exams.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sums {
    /// Exams counted.
    pub exams: u64,
    /// Of them complete.
    pub complete: u64,
    /// Not finished.
    pub unfinished: u64,
    /// Read with another lexicon than they were recorded with.
    pub other_lexicon: u64,
    /// Unsettled findings in all.
    pub unsettled: u64,
    durations: Vec<u64>,
    items: BTreeMap<String, Rate>,
    skipped: BTreeMap<String, BTreeMap<String, u64>>,
}

impl Sums {
    /// Takes in an exam.
    pub fn add(&mut self, c: &Counted) {
        self.exams += 1;
        self.complete += u64::from(c.line.complete);
        self.unfinished += u64::from(!c.line.ended);
        self.other_lexicon += u64::from(!c.line.same_lexicon);
        self.unsettled += c.line.unsettled as u64;
        self.durations.push(c.line.duration_ms);
        for (item, came) in &c.items {
            self.items.entry(item.clone()).or_default().count(*came);
        }
        for (item, why) in &c.skipped {
            *self.skipped.entry(item.clone()).or_default().entry(why.clone()).or_default() += 1;
        }
    }

    /// Joins the sums over other exams.
    #[must_use]
    pub fn join(mut self, other: Sums) -> Self {
        self.exams += other.exams;
        self.complete += other.complete;
        self.unfinished += other.unfinished;
        self.other_lexicon += other.other_lexicon;
        self.unsettled += other.unsettled;
        self.durations.extend(other.durations);
        for (item, rate) in other.items {
            self.items.entry(item).or_default().join(rate);
        }
        for (item, whys) in other.skipped {
            let mine = self.skipped.entry(item).or_default();
            for (why, n) in whys {
                *mine.entry(why).or_default() += n;
            }
        }
        self
    }

    /// Median duration, milliseconds: of an even number, the mean of the two in the middle.
    pub fn median_ms(&self) -> Option<u64> {
        let mut all = self.durations.clone();
        all.sort_unstable();
        let mid = all.len() / 2;
        match all.len() {
            0 => None,
            n if n % 2 == 1 => Some(all[mid]),
            _ => Some((all[mid - 1] + all[mid]) / 2),
        }
    }

    /// How often an item was required and what it came to, in the lexicon's order.
    pub fn by_item<'l>(&self, lex: &'l Lexicon) -> Vec<(&'l str, Rate)> {
        let known = lex.items.iter().map(|i| i.id.as_str());
        known.filter_map(|id| self.items.get(id).map(|r| (id, *r))).collect()
    }

    /// The same by section.
    pub fn by_section<'l>(&self, lex: &'l Lexicon) -> Vec<(&'l str, Rate)> {
        let mut out: Vec<(usize, Rate)> = Vec::new();
        for item in &lex.items {
            let Some(rate) = self.items.get(&item.id) else { continue };
            match out.iter_mut().find(|(s, _)| *s == item.section) {
                Some((_, sum)) => sum.join(*rate),
                None => out.push((item.section, *rate)),
            }
        }
        out.into_iter().map(|(s, r)| (lex.sections[s].id.as_str(), r)).collect()
    }

    /// The items most often skipped, the most frequent first: item, how often, and why with how
    /// often, the commonest first.
    pub fn most_skipped(&self) -> Vec<Skips<'_>> {
        let mut out: Vec<Skips<'_>> = self
            .skipped
            .iter()
            .map(|(item, whys)| {
                let mut list: Vec<(&str, u64)> =
                    whys.iter().map(|(w, n)| (w.as_str(), *n)).collect();
                list.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
                (item.as_str(), whys.values().sum(), list)
            })
            .collect();
        out.sort_by_key(|(_, n, _)| std::cmp::Reverse(*n));
        out
    }
}

/// An item that was skipped: its id, how often, and why with how often.
pub type Skips<'a> = (&'a str, u64, Vec<(&'a str, u64)>);

/// An exam that could not be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damaged {
    /// Its folder.
    pub folder: String,
    /// What is wrong, with file and line.
    pub problem: String,
}

fn percent(n: u64, of: u64) -> String {
    if of == 0 {
        return "-".into();
    }
    #[allow(clippy::cast_precision_loss)] // shown as whole percents
    let p = n as f64 * 100.0 / of as f64;
    // 100 % and 0 % are said only where they are whole.
    match (n, p) {
        (n, _) if n == of => "100%".into(),
        (_, p) if p > 99.0 => ">99%".into(),
        (n, p) if n > 0 && p < 1.0 => "<1%".into(),
        (_, p) => format!("{p:.0}%"),
    }
}

/// One exam in one line.
pub fn line(l: &Line) -> String {
    let (required, done, left_out) = l.required;
    let open = required - done - left_out;
    let state = if l.complete { "complete".to_owned() } else { format!("{open} open") };
    format!(
        "{}  {}  {:<4} {:>3}/{required}  {:>9}  {state}{}  {}",
        l.started.format("%Y-%m-%d %H:%M"),
        l.protocol.as_deref().unwrap_or("-"),
        l.by.as_deref().unwrap_or("-"),
        done,
        words::duration(l.duration_ms),
        if l.unsettled > 0 { format!(", {} unsettled", l.unsettled) } else { String::new() },
        l.folder
    )
}

/// Most items told in the list of those skipped.
const MOST_SKIPPED: usize = 12;
/// Most reasons told beside one.
const MOST_REASONS: usize = 3;

/// The summary for people.
pub fn text(s: &Sums, damaged: &[Damaged], locked: &[String], lex: &Lexicon) -> String {
    let mut out = String::new();
    let exams = words::count(usize::try_from(s.exams).unwrap_or(usize::MAX), "exam", "exams");
    let share = percent(s.complete, s.exams);
    let _ = writeln!(out, "{exams}, {} complete ({share})", s.complete);
    if let Some(ms) = s.median_ms() {
        let _ = writeln!(out, "Median duration {}", words::duration(ms));
    }
    for (n, what) in [
        (s.unfinished, "not finished"),
        (s.other_lexicon, "read with another lexicon than they were recorded with"),
    ] {
        if n > 0 {
            let _ = writeln!(out, "{n} {what}");
        }
    }
    if s.unsettled > 0 {
        let _ = writeln!(out, "{} unsettled findings in all", s.unsettled);
    }
    if !s.items.is_empty() {
        let section = |id: &str| {
            let known = lex.sections.iter().find(|k| k.id == id);
            known.map_or(id.to_owned(), |k| k.name.clone())
        };
        table(&mut out, "By section", s.by_section(lex), section);
        table(&mut out, "By item", s.by_item(lex), |id| item_name(id, lex));
    }
    let skipped = s.most_skipped();
    if !skipped.is_empty() {
        let _ = writeln!(out, "\nMost often skipped");
    }
    for (item, n, whys) in skipped.iter().take(MOST_SKIPPED) {
        let mut told: Vec<String> =
            whys.iter().take(MOST_REASONS).map(|(w, n)| format!("{} {n}", why(w, lex))).collect();
        let more: u64 = whys.iter().skip(MOST_REASONS).map(|w| w.1).sum();
        if more > 0 {
            told.push(format!("other reasons {more}"));
        }
        let text = format!("{} {n}: {}", item_name(item, lex), told.join(", "));
        let _ = writeln!(out, "  {}", words::hung(&text, 2, 4));
    }
    if !damaged.is_empty() {
        let _ = writeln!(out, "\nCould not be read: {}", damaged.len());
    }
    for d in damaged {
        let _ = writeln!(out, "  {}", words::hung(&d.problem, 2, 4));
    }
    if !locked.is_empty() {
        let _ = writeln!(out, "\nLocked, and not counted: {}", locked.len());
    }
    for file in locked {
        let _ = writeln!(out, "  {}", words::hung(file, 2, 4));
    }
    out
}

fn item_name(id: &str, lex: &Lexicon) -> String {
    lex.item(id).map_or(id.to_owned(), |i| lex.items[i].name.clone())
}

fn why(code: &str, lex: &Lexicon) -> String {
    match code {
        NONE => "no reason".into(),
        OTHER => "a reason in other words".into(),
        code => lex.reasons.iter().find(|r| r.code == code).map_or(code.into(), |r| r.say.clone()),
    }
}

fn table(out: &mut String, heading: &str, rows: Vec<(&str, Rate)>, name: impl Fn(&str) -> String) {
    let wide = 40;
    let _ = writeln!(out, "\n{heading:<wide$}  required   done  left out  open");
    for (id, r) in rows {
        let mut name = name(id);
        if name.chars().count() > wide - 2 {
            name = name.chars().take(wide - 5).chain("...".chars()).collect();
        }
        let n = r.required();
        let pad = " ".repeat(wide - 2 - name.chars().count());
        let _ = writeln!(
            out,
            "  {name}{pad}  {n:>8}  {:>5}  {:>8}  {:>4}",
            percent(r.done, n),
            percent(r.left_out, n),
            percent(r.open, n)
        );
    }
}

/// The summary, and the exams, for other programs.
pub fn json(
    s: &Sums,
    lines: &[Line],
    damaged: &[Damaged],
    locked: &[String],
    lex: &Lexicon,
) -> Value {
    let rates = |rows: Vec<(&str, Rate)>, key: &str| -> Vec<Value> {
        let row = |(id, rate): (&str, Rate)| {
            let mut v = json!({ key: id });
            if let (Some(v), Value::Object(rate)) = (v.as_object_mut(), rate.json()) {
                v.extend(rate);
            }
            v
        };
        rows.into_iter().map(row).collect()
    };
    let exams: Vec<Value> = lines
        .iter()
        .map(|l| {
            json!({
                "folder": l.folder,
                "code": l.code,
                "started": l.started.to_rfc3339(),
                "by": l.by,
                "protocol": l.protocol,
                "required": l.required.0,
                "done": l.required.1,
                "left_out": l.required.2,
                "unsettled": l.unsettled,
                "complete": l.complete,
                "duration_ms": l.duration_ms,
                "ended": l.ended,
                "same_lexicon": l.same_lexicon,
            })
        })
        .collect();
    let skipped: Vec<Value> = s
        .most_skipped()
        .into_iter()
        .map(|(item, n, whys)| {
            let whys: Vec<Value> =
                whys.into_iter().map(|(w, n)| json!({ "reason": w, "exams": n })).collect();
            json!({ "item": item, "exams": n, "why": whys })
        })
        .collect();
    json!({
        "exams": s.exams,
        "complete": s.complete,
        "unfinished": s.unfinished,
        "other_lexicon": s.other_lexicon,
        "unsettled": s.unsettled,
        "median_duration_ms": s.median_ms(),
        "sections": rates(s.by_section(lex), "section"),
        "items": rates(s.by_item(lex), "item"),
        "skipped": skipped,
        "damaged": damaged
            .iter()
            .map(|d| json!({ "folder": d.folder, "problem": d.problem }))
            .collect::<Vec<_>>(),
        "locked": locked,
        "list": exams,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_is_whole_only_where_nothing_is_missing() {
        assert_eq!(percent(0, 10), "0%");
        assert_eq!(percent(1, 1000), "<1%");
        assert_eq!(percent(999, 1000), ">99%");
        assert_eq!(percent(1000, 1000), "100%");
        assert_eq!(percent(0, 0), "-");
    }

    #[test]
    fn the_median_of_an_even_number_lies_between_the_two_in_the_middle() {
        let of = |list: &[u64]| Sums { durations: list.to_vec(), ..Sums::default() }.median_ms();
        assert_eq!(of(&[]), None);
        assert_eq!(of(&[7]), Some(7));
        assert_eq!(of(&[9, 1, 5]), Some(5));
        assert_eq!(of(&[8, 2, 4, 100]), Some(6));
    }
}
