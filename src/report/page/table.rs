//! The exam as a table, ordered by the body: section, item, side.

use super::{Page, status};
use crate::exam::Standing;
use crate::gaps::GapKind;
use crate::lexicon::model::ItemId;
use crate::reading::types::Side;
use crate::report::explain::printable;
use crate::report::{measures, text, words};

/// A section.
pub struct Section {
    /// Name.
    pub name: String,
    /// Its items.
    pub rows: Vec<Row>,
}

/// An item.
pub struct Row {
    /// Name.
    pub name: String,
    /// What stands, left then right; one cell where the item has no sides or both tell the same.
    pub cells: Vec<Cell>,
    /// What is to be known of the item as a whole.
    pub below: Vec<String>,
}

/// A place of the table.
#[derive(Default)]
pub struct Cell {
    /// Whose place it is, for a screen reader; empty for the whole item.
    pub side: &'static str,
    /// What was found there.
    pub found: Vec<Found>,
    /// What is said where nothing was found.
    pub nothing: String,
}

/// A finding in its place.
pub struct Found {
    /// Its number.
    pub id: String,
    /// Its phrase.
    pub seq: u64,
    /// Value, with the side where the place does not tell it.
    pub value: String,
    /// Shape.
    pub shape: &'static str,
    /// Word.
    pub word: &'static str,
    /// When.
    pub clock: String,
    /// What stands below: doubts, trials, who settled it.
    pub notes: Vec<String>,
    /// Whether its sound is kept.
    pub audible: bool,
}

/// The sections with anything in them, found or missing.
pub fn sections(p: &Page<'_>) -> Vec<Section> {
    let mut out: Vec<Section> = Vec::new();
    let mut last = None;
    for item in 0..p.lex.items.len() {
        let Some(row) = row(p, item) else { continue };
        let section = p.lex.items[item].section;
        if last != Some(section) {
            last = Some(section);
            out.push(Section { name: p.lex.sections[section].name.clone(), rows: Vec::new() });
        }
        if let Some(s) = out.last_mut() {
            s.rows.push(row);
        }
    }
    out
}

fn row(p: &Page<'_>, item: ItemId) -> Option<Row> {
    let it = &p.lex.items[item];
    let of: Vec<(usize, &Standing)> =
        p.exam.findings.iter().enumerate().filter(|(_, s)| s.finding.item == item).collect();
    let missing = |side: Option<Side>| {
        p.gaps.list.iter().find(|g| {
            g.item == Some(item)
                && (super::not_done(g.kind) || g.kind == GapKind::NotObtained)
                && (g.side == side || g.side.is_none() || g.side == Some(Side::Both))
        })
    };
    let nothing = |side: Option<Side>| match missing(side) {
        Some(g) => match &g.reason {
            Some(r) => format!("not done: {}", printable(r)),
            None if g.open => "not done".to_owned(),
            None => "not done, not required".to_owned(),
        },
        None => "–".to_owned(),
    };
    let any_gap = p.gaps.list.iter().any(|g| g.item == Some(item) && super::not_done(g.kind));
    if of.is_empty() && !any_gap {
        return None;
    }
    let cell = |side: Option<Side>, name: &'static str, list: Vec<&(usize, &Standing)>| Cell {
        side: name,
        nothing: if list.is_empty() { nothing(side) } else { String::new() },
        found: list.into_iter().map(|(k, s)| found(p, *k, s, side)).collect(),
    };
    let whole = !it.sided
        || of.is_empty() && missing(None).is_some_and(|g| g.side.is_none())
        || !of.is_empty()
            && of.iter().all(|(_, s)| !matches!(s.finding.side, Some(Side::Left | Side::Right)));
    let cells = match whole {
        true => vec![cell(None, "", of.iter().collect())],
        false => [(Side::Left, "left"), (Side::Right, "right")]
            .map(|(side, name)| {
                let here = |s: &&(usize, &Standing)| match s.1.finding.side {
                    Some(Side::Left | Side::Right) => s.1.finding.side == Some(side),
                    _ => true,
                };
                cell(Some(side), name, of.iter().filter(here).collect())
            })
            .into(),
    };
    let below =
        p.exam.holds.iter().filter(|h| h.item == item).map(|h| text::held(h, p.lex)).collect();
    Some(Row { name: it.name.clone(), cells, below })
}

fn found(p: &Page<'_>, k: usize, s: &Standing, place: Option<Side>) -> Found {
    let (f, lex) = (&s.finding, p.lex);
    let st = status::of(s, p.graded.grades.get(k).copied());
    let told = match (f.side, place) {
        (None, _) => "",
        (a, b) if a == b => "",
        (Some(Side::Unstated), _) => " (side not said)",
        (Some(Side::Both), _) => " (both sides)",
        (Some(Side::Midline), _) => " (midline)",
        (Some(Side::Left), _) => " (left)",
        (Some(Side::Right), _) => " (right)",
    };
    let mut notes: Vec<String> = f.doubts.iter().map(|d| printable(&d.to_string())).collect();
    if st == status::Status::NotValid {
        notes.push(format!(
            "state: {}; judged in {}",
            words::state(s, lex),
            words::valid_states(f.item, lex)
        ));
    }
    if s.trials.len() > 1 {
        let all: Vec<String> = s
            .trials
            .iter()
            .map(|t| format!("{} at {}", words::trial(t, f, lex), words::clock(t.at_ms)))
            .collect();
        notes.push(format!("{} observations: {}", all.len(), all.join("; ")));
    }
    if let Some(g) = p.graded.growth_of(f.id) {
        notes.push(measures::growth(g, lex));
    }
    if let Some(mean) = measures::mean(f.item, f.number, &p.graded.ages, lex)
        && f.is_sure()
    {
        notes.push(mean);
    }
    if let Some(who) = &s.settled_by {
        notes.push(format!("settled by {who}"));
    }
    Found {
        id: f.id.to_string(),
        seq: f.id.phrase,
        value: format!("{}{told}", printable(&words::value(f, lex))),
        shape: st.shape(),
        word: st.word(),
        clock: words::clock(f.at_ms),
        notes,
        audible: p.audible.contains(&f.id.phrase),
    }
}
