//! All that is open, in the order it is asked.

use crate::exam::{Exam, Standing};
use crate::gaps::{Gap, GapKind, gaps};
use crate::lexicon::Lexicon;
use crate::lexicon::model::ItemId;
use crate::reading::types::{Finding, FindingId, Side, Status};
use crate::report::words;

/// What a question is about, for telling it from others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Key {
    /// A finding that is not settled, or that a person wants to correct.
    Finding(FindingId),
    /// A gap.
    Gap(GapKind, ItemId, Option<Side>),
    /// Something seen that no phrase holds.
    Add(ItemId),
}

/// One question.
#[derive(Debug, Clone)]
pub struct Question {
    /// What it is about.
    pub key: Key,
    /// Item.
    pub item: ItemId,
    /// The side asked about, when it is known.
    pub side: Option<Side>,
    /// The reading it is about; none for what was never read.
    pub reading: Option<Finding>,
    /// The phrase that gave rise to it, by its number in the journal.
    pub phrase: Option<u64>,
    /// When what is decided is taken as seen, milliseconds; for what no phrase holds.
    pub at_ms: u64,
    /// The gap in one plain line; the finding as read, where it is about one.
    pub text: String,
}

/// All that is open: findings that are not settled, then gaps.
pub fn questions(x: &Exam, lex: &Lexicon) -> Vec<Question> {
    let mut out: Vec<Question> = x.unsettled().map(|s| of_finding(s, lex)).collect();
    let all = gaps(x, lex);
    out.extend(all.open().filter_map(|g| of_gap(g, x)));
    out
}

/// The question about a finding, whether it is settled or not.
pub fn of_finding(s: &Standing, lex: &Lexicon) -> Question {
    let f = &s.finding;
    Question {
        key: Key::Finding(f.id),
        item: f.item,
        side: f.side.filter(|s| *s != Side::Unstated),
        reading: Some(f.clone()),
        phrase: Some(f.id.phrase),
        at_ms: f.at_ms,
        text: words::finding(f, lex),
    }
}

/// The question about something seen that no phrase holds.
pub fn of_missed(item: ItemId, x: &Exam, lex: &Lexicon) -> Question {
    Question {
        key: Key::Add(item),
        item,
        side: None,
        reading: None,
        phrase: None,
        at_ms: x.end_ms,
        text: lex.items[item].name.clone(),
    }
}

fn of_gap(g: &Gap, x: &Exam) -> Option<Question> {
    let item = g.item?;
    let here = |f: &&Finding| f.side == g.side && f.status == Status::Observed;
    let numbers = |f: &Finding| f.number.is_some() || f.range.is_some();
    let mut of = x.of(item).map(|s| &s.finding);
    let reading = match g.kind {
        GapKind::NotDone
        | GapKind::SkippedWithoutReason
        | GapKind::OneSideOnly
        | GapKind::Announced
        | GapKind::LeftForLater
        | GapKind::WrongState => None,
        GapKind::NoValue => Some(of.find(|f| here(f) && f.value.is_none() && !numbers(f))?.clone()),
        // One that is not settled is asked about as such.
        GapKind::OutOfRange | GapKind::Implausible => {
            Some(of.find(|f| here(f) && numbers(f) && f.is_sure())?.clone())
        }
        _ => return None,
    };
    let begun = x.announced.iter().find(|a| a.item == item);
    let of_phrase = reading.as_ref().map(|f| f.id.phrase).or(begun.map(|a| a.seq));
    Some(Question {
        key: Key::Gap(g.kind, item, g.side),
        item,
        side: g.side.filter(|s| matches!(s, Side::Left | Side::Right)),
        at_ms: reading.as_ref().map(|f| f.at_ms).or(begun.map(|a| a.at_ms)).unwrap_or(x.end_ms),
        reading,
        phrase: of_phrase,
        text: g.text.clone(),
    })
}
