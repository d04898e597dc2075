//! Exams as rows of one table: a row for every finding, and for everything that was not done.
//!
//! One exam and a whole cohort have the same columns, so that what is written for one can be laid
//! under what is written for another. [`csv`] and [`parquet`] write them.

pub mod csv;
pub mod parquet;

use super::deidentify::{self, Shown};
use super::later::{self, Later};
use super::words;
use crate::exam::{Exam, Standing, Stretch};
use crate::gaps::{Came, Gap, GapKind, Gaps};
use crate::grade::{Grade, Graded, Ungraded};
use crate::journal::Sex;
use crate::lexicon::Lexicon;
use crate::lexicon::model::ItemId;
use crate::reading::types::{Side, Status};

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Words.
    Text,
    /// Whole numbers.
    Int,
    /// Numbers.
    Number,
    /// Yes or no.
    Bool,
}

/// What a row holds in a column; always of the column's kind, or nothing.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing.
    Empty,
    /// Words.
    Text(String),
    /// A whole number.
    Int(i64),
    /// A number.
    Number(f64),
    /// Yes or no.
    Bool(bool),
}

/// One row, a cell for each of [`COLUMNS`].
pub type Row = Vec<Cell>;

/// Name, kind and meaning of each column.
pub const COLUMNS: &[(&str, Kind, &str)] = &[
    ("exam", Kind::Text, "code of the exam; of a de-identified one, a code made for this file"),
    ("protocol", Kind::Text, "protocol counted against"),
    ("complete", Kind::Bool, "whether the exam meets its protocol"),
    ("examiner", Kind::Text, "initials; empty when de-identified"),
    ("started", Kind::Text, "start of the exam, RFC 3339; empty when de-identified"),
    ("sex", Kind::Text, "f or m"),
    ("gestation", Kind::Text, "weeks+days at birth; empty when de-identified"),
    ("gestation_band", Kind::Text, "band of gestation at birth"),
    ("age_hours", Kind::Int, "completed hours since birth; empty when de-identified"),
    ("age_band", Kind::Text, "band of the age since birth"),
    ("section", Kind::Text, "section of the item"),
    ("item", Kind::Text, "id of the item"),
    ("item_name", Kind::Text, "its name"),
    ("side", Kind::Text, "left, right, both, midline or unstated; empty without sides"),
    ("status", Kind::Text, "observed, not_obtained (tried), skipped (said) or not_done"),
    ("value", Kind::Text, "code of the value"),
    ("value_text", Kind::Text, "the value in words"),
    ("number", Kind::Number, "number, in `unit`"),
    ("low", Kind::Number, "lower end of a range, in `unit`"),
    ("high", Kind::Number, "upper end of a range, in `unit`"),
    ("unit", Kind::Text, "unit as UCUM writes it"),
    ("state", Kind::Text, "state of the one examined"),
    ("judgeable", Kind::Bool, "whether the item can be judged in that state"),
    ("certainty", Kind::Text, "sure or unsettled; unsettled is no finding yet"),
    ("doubts", Kind::Text, "why it is unsettled, as codes"),
    ("grade", Kind::Text, "expected, borderline, outside or ungraded"),
    ("trials", Kind::Int, "how often it was observed"),
    ("exam_clock_s", Kind::Number, "seconds since the exam started"),
    ("wall", Kind::Text, "the same as wall time, RFC 3339; empty when de-identified"),
    ("reason_code", Kind::Text, "why it was not done, as the lexicon's code; empty without one"),
    ("reason", Kind::Text, "why it was not done, in the words used; empty when de-identified"),
    ("settled_by", Kind::Text, "initials of whoever settled it; empty when de-identified"),
    ("required", Kind::Bool, "whether the protocol requires the item"),
    ("came_to", Kind::Text, "of a required item as a whole: done, left-out or open"),
    ("finding", Kind::Text, "number of the finding within the exam"),
    ("since_signing", Kind::Text, "addendum, late-entry or correction made to it after signing"),
    ("lexicon_sha256", Kind::Text, "digest of the lexicon it was read with"),
    ("tool", Kind::Text, "version that recorded the exam"),
];

fn text(s: impl Into<String>) -> Cell {
    Cell::Text(s.into())
}

fn maybe(s: Option<impl Into<String>>) -> Cell {
    s.map_or(Cell::Empty, |s| Cell::Text(s.into()))
}

fn number(n: Option<f64>) -> Cell {
    n.map_or(Cell::Empty, Cell::Number)
}

/// All rows of an exam, in examination order.
///
/// `later`: what was added after signing, applied to `x` already.
pub fn rows(
    x: &Exam,
    lex: &Lexicon,
    graded: &Graded,
    g: &Gaps,
    later: &[Later],
    shown: &Shown,
) -> Vec<Row> {
    let head = head(x, lex, graded, g, shown);
    let mut out: Vec<(ItemId, Row)> = Vec::new();
    let mut push = |item: ItemId, own: Row, since: Option<&Later>| {
        let tail = [maybe(since.map(Later::word)), text(&lex.digest), text(&x.header.tool)];
        let row: Row = head.iter().cloned().chain(own).chain(tail).collect();
        debug_assert_eq!(row.len(), COLUMNS.len());
        out.push((item, row));
    };
    for (k, s) in x.findings.iter().enumerate() {
        let grade =
            graded.grades.get(k).copied().unwrap_or(Grade::Ungraded(Ungraded::NoExpectation));
        push(s.finding.item, finding(x, s, grade, lex, g, shown), later::of(later, s.finding.id));
    }
    if let Some(item) = lex.state_item {
        for stretch in &x.states {
            push(item, state(x, item, stretch, lex, g, shown), None);
        }
    }
    for gap in g.list.iter().filter(|gap| is_absence(gap, x)) {
        if let Some(item) = gap.item {
            push(item, not_done(item, gap, lex, g, shown), None);
        }
    }
    // A stable sort: findings before what is missing of the same item.
    out.sort_by_key(|(item, _)| *item);
    out.into_iter().map(|(_, row)| row).collect()
}

/// Whether a gap is an absence that no finding tells of already.
pub fn is_absence(gap: &Gap, x: &Exam) -> bool {
    let absent = matches!(
        gap.kind,
        GapKind::NotDone
            | GapKind::SkippedWithoutReason
            | GapKind::OneSideOnly
            | GapKind::Announced
            | GapKind::LeftForLater
    );
    let told = |item: ItemId| {
        x.of(item)
            .any(|s| s.finding.status == Status::Skipped && Side::overlap(s.finding.side, gap.side))
    };
    absent && gap.item.is_some_and(|item| !told(item))
}

/// The columns that all rows of an exam share.
fn head(x: &Exam, lex: &Lexicon, graded: &Graded, g: &Gaps, shown: &Shown) -> Row {
    let h = &x.header;
    let open = !shown.is_deidentified();
    vec![
        text(shown.code(h)),
        maybe(g.protocol_id.clone()),
        Cell::Bool(g.met),
        maybe(h.by.clone().filter(|_| open)),
        maybe(open.then(|| h.started.to_rfc3339())),
        maybe(h.sex.map(|s| match s {
            Sex::Female => "f",
            Sex::Male => "m",
        })),
        maybe(h.ga.filter(|_| open).map(|ga| ga.to_string())),
        maybe(deidentify::gestation_band(h, lex)),
        graded.ages.hours.filter(|_| open).map_or(Cell::Empty, Cell::Int),
        maybe(deidentify::age_band(&graded.ages, lex)),
    ]
}

/// Side as the exports write it.
pub fn side(s: Option<Side>) -> Option<&'static str> {
    s.map(Side::word)
}

fn required(item: ItemId, g: &Gaps) -> [Cell; 2] {
    let came: Option<Came> = g.items.iter().find(|(i, _)| *i == item).map(|(_, c)| *c);
    [Cell::Bool(came.is_some()), maybe(came.map(Came::word))]
}

/// The reason for what was not done: as said with it, or as given for its gap.
pub fn reason(s: &Standing, g: &Gaps) -> Option<String> {
    let f = &s.finding;
    let given = || {
        g.list
            .iter()
            .filter(|gap| gap.item == Some(f.item) && Side::overlap(gap.side, f.side))
            .find_map(|gap| gap.reason.clone())
    };
    match f.status {
        Status::Observed => None,
        Status::NotObtained => f.reason.clone(),
        Status::Skipped => f.reason.clone().or_else(given),
    }
}

fn finding(x: &Exam, s: &Standing, grade: Grade, lex: &Lexicon, g: &Gaps, shown: &Shown) -> Row {
    let f = &s.finding;
    let it = &lex.items[f.item];
    let open = !shown.is_deidentified();
    let doubts: Vec<&str> = f.doubts.iter().map(deidentify::doubt_code).collect();
    let why = reason(s, g);
    let code = why.as_deref().and_then(|r| deidentify::reason_code(r, lex));
    let unit = f.unit.as_deref();
    #[allow(clippy::cast_precision_loss)] // exams last minutes
    let clock = f.at_ms as f64 / 1000.0;
    let [is_required, came] = required(f.item, g);
    vec![
        text(&lex.sections[it.section].id),
        text(&it.id),
        text(&it.name),
        maybe(side(f.side)),
        text(f.status.word()),
        maybe(f.value.clone()),
        maybe(
            f.value.as_deref().map(|v| f.wording.clone().unwrap_or_else(|| it.say(v).to_owned())),
        ),
        number(f.number),
        number(f.range.map(|r| r.0)),
        number(f.range.map(|r| r.1)),
        maybe(unit.map(|u| lex.units.iter().find(|k| k.id == u).map_or(u, |k| k.ucum.as_str()))),
        maybe(s.state.map(|k| lex.states[k].code.as_str())),
        Cell::Bool(!s.in_wrong_state(lex)),
        text(if f.is_sure() { "sure" } else { "unsettled" }),
        maybe((!doubts.is_empty()).then(|| doubts.join(" "))),
        text(words::grade(grade)),
        Cell::Int(i64::try_from(s.trials.len()).unwrap_or(i64::MAX)),
        Cell::Number(clock),
        maybe(open.then(|| x.wall(f.at_ms).to_rfc3339())),
        maybe(code),
        maybe(why.clone().filter(|_| open)),
        maybe(s.settled_by.clone().filter(|_| open)),
        is_required,
        came,
        text(f.id.to_string()),
    ]
}

/// A state of the one examined, which is kept as a track and not among the findings.
fn state(x: &Exam, item: ItemId, s: &Stretch, lex: &Lexicon, g: &Gaps, shown: &Shown) -> Row {
    let it = &lex.items[item];
    let of = &lex.states[s.state];
    #[allow(clippy::cast_precision_loss)] // exams last minutes
    let clock = s.from_ms as f64 / 1000.0;
    let [is_required, came] = required(item, g);
    let mut row = vec![
        text(&lex.sections[it.section].id),
        text(&it.id),
        text(&it.name),
        Cell::Empty,
        text(Status::Observed.word()),
        text(&of.code),
        text(&of.name),
    ];
    // number to unit: a state is a word.
    row.resize(11, Cell::Empty);
    row.extend([
        text(&of.code),
        Cell::Bool(true),
        text("sure"),
        Cell::Empty,
        text("ungraded"),
        Cell::Int(1),
        Cell::Number(clock),
        maybe((!shown.is_deidentified()).then(|| x.wall(s.from_ms).to_rfc3339())),
        Cell::Empty,
        Cell::Empty,
        Cell::Empty,
        is_required,
        came,
        Cell::Empty,
    ]);
    row
}

fn not_done(item: ItemId, gap: &Gap, lex: &Lexicon, g: &Gaps, shown: &Shown) -> Row {
    let it = &lex.items[item];
    let code = gap.reason.as_deref().and_then(|r| deidentify::reason_code(r, lex));
    let said = gap.reason.clone().filter(|_| !shown.is_deidentified());
    let [is_required, came] = required(item, g);
    let mut row = vec![
        text(&lex.sections[it.section].id),
        text(&it.id),
        text(&it.name),
        maybe(side(gap.side)),
        text("not_done"),
    ];
    // value to wall: nothing was found.
    row.resize(19, Cell::Empty);
    row.extend([maybe(code), maybe(said), Cell::Empty, is_required, came, Cell::Empty]);
    row
}
