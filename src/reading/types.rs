//! What the reader makes of a phrase.

use serde::{Deserialize, Serialize};

use super::series::Stimulus;
use crate::lexicon::ItemId;

/// The side of a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Left.
    Left,
    /// Right.
    Right,
    /// Left and right.
    Both,
    /// In the middle.
    Midline,
    /// The item has sides, but none was said.
    Unstated,
}

impl Side {
    /// The other of left and right.
    pub fn opposite(self) -> Option<Side> {
        match self {
            Side::Left => Some(Side::Right),
            Side::Right => Some(Side::Left),
            _ => None,
        }
    }

    /// Whether two sides of one item speak of the same place, or cannot be told apart.
    pub fn overlap(a: Option<Side>, b: Option<Side>) -> bool {
        match (a, b) {
            (None, _) | (_, None) => true,
            // In the middle excludes both sides, so it speaks of both.
            (Some(Side::Both | Side::Midline), Some(_))
            | (Some(_), Some(Side::Both | Side::Midline)) => true,
            (Some(a), Some(b)) => a == b,
        }
    }

    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Side::Left => "left",
            Side::Right => "right",
            Side::Both => "both",
            Side::Midline => "midline",
            Side::Unstated => "unstated",
        }
    }

    /// The side of that word.
    pub fn named(word: &str) -> Option<Side> {
        [Side::Left, Side::Right, Side::Both, Side::Midline, Side::Unstated]
            .into_iter()
            .find(|s| s.word() == word)
    }
}

/// Whether something was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Status {
    /// Found, absence included.
    Observed,
    /// Tried, could not be elicited.
    NotObtained,
    /// Said not to be done.
    Skipped,
}

impl Status {
    /// The word used in exports.
    pub fn word(self) -> &'static str {
        match self {
            Status::Observed => "observed",
            Status::NotObtained => "not_obtained",
            Status::Skipped => "skipped",
        }
    }
}

/// Names a finding: the phrase it was read from and its place in it, both from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct FindingId {
    /// Sequence number of the phrase in the journal.
    pub phrase: u64,
    /// Place among the phrase's findings, from 1.
    pub index: u32,
}

impl std::fmt::Display for FindingId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}.{}", self.phrase, self.index)
    }
}

/// Why a finding is not certain. Any doubt leaves it unsettled.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Doubt {
    /// The item has sides and none was said.
    SideNotSaid,
    /// Two sides were found, which is which was not said.
    SidesNotNamed,
    /// A word was taken by its sound or spelling.
    SoundsLike(String),
    /// A number was taken by its sound (*to* for *two*).
    NumberBySound(String),
    /// The speaker hedged.
    Hedged(String),
    /// Two different values were said in one phrase.
    TwoValues(String),
    /// Much of the phrase was not understood.
    MuchNotUnderstood(String),
    /// The number is out of the plausible range.
    Implausible(String),
    /// "No ITEM": absent, or not done?
    AbsentOrNotDone,
    /// The item was not named with it and had been judged before.
    ItemNotNamed,
    /// Several items could be meant.
    SeveralItems(String),
    /// The item was named only as one of a group.
    Group(String),
    /// A remark on the same breath may take it back.
    Remark(String),
    /// The value was denied, and what holds instead was not said.
    Denied(String),
    /// Something was struck, and it is not clear which finding.
    MaybeStruck(String),
    /// The value changed without a word of correction.
    SaidDifferently(String),
    /// The recogniser was not sure of the words.
    HeardUnsurely(String),
    /// One of the two readers read it, and the other did not, or not surely.
    OneReader(String),
    /// The two readers read different things.
    ReadersDiffer(String),
}

impl std::fmt::Display for Doubt {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Doubt::SideNotSaid => write!(f, "no side was said"),
            Doubt::SidesNotNamed => write!(f, "two sides, which is which was not said"),
            Doubt::SoundsLike(s) => write!(f, "taken by sound: {s}"),
            Doubt::NumberBySound(s) => write!(f, "number taken by sound: {s}"),
            Doubt::Hedged(s) => write!(f, "said with a doubt: \"{s}\""),
            Doubt::TwoValues(s) => write!(f, "two values in one phrase: {s}"),
            Doubt::MuchNotUnderstood(s) => write!(f, "words not understood: {s}"),
            Doubt::Implausible(s) => write!(f, "implausible: {s}"),
            Doubt::AbsentOrNotDone => write!(f, "absent, or not done?"),
            Doubt::ItemNotNamed => write!(f, "the item was not named again"),
            Doubt::SeveralItems(s) => write!(f, "several items could be meant: {s}"),
            Doubt::Group(s) => write!(f, "said of a group: {s}"),
            Doubt::Remark(s) => write!(f, "beside a remark: \"{s}\""),
            Doubt::Denied(s) => write!(f, "denied: {s}"),
            Doubt::MaybeStruck(s) => write!(f, "something was struck, perhaps this: \"{s}\""),
            Doubt::HeardUnsurely(s) => write!(f, "not heard for certain: {s}"),
            Doubt::OneReader(s) => write!(f, "read by one of two readers: {s}"),
            Doubt::ReadersDiffer(s) => write!(f, "the two readers differ: {s}"),
            Doubt::SaidDifferently(s) => write!(f, "said differently: {s}"),
        }
    }
}

/// One finding read from a phrase.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Its name.
    pub id: FindingId,
    /// Item.
    pub item: ItemId,
    /// Side; `None` for an item without sides.
    pub side: Option<Side>,
    /// Whether it was found.
    pub status: Status,
    /// Value code.
    pub value: Option<String>,
    /// What was said of the value, where that is less than the value says.
    pub wording: Option<String>,
    /// Number, in `unit`.
    pub number: Option<f64>,
    /// Ends of a range, in `unit`.
    pub range: Option<(f64, f64)>,
    /// Unit id.
    pub unit: Option<String>,
    /// Why it was not done or could not be elicited, in the speaker's words.
    pub reason: Option<String>,
    /// Why it is not certain; empty when it is.
    pub doubts: Vec<Doubt>,
    /// Which words matched which lexicon entries.
    pub why: String,
    /// Findings this one replaces, by a word of correction.
    pub corrects: Vec<FindingId>,
    /// Said as another trial of the same manoeuvre.
    pub again: bool,
    /// Start of the phrase on the exam clock, milliseconds.
    pub at_ms: u64,
}

impl Finding {
    /// Whether it is certain.
    pub fn is_sure(&self) -> bool {
        self.doubts.is_empty()
    }

    /// Whether more was said with it than was understood, so that it may mean something else.
    pub fn is_half_understood(&self) -> bool {
        super::claim::half_understood(&self.doubts)
    }

    /// Whether value, number and range agree with another's.
    pub fn same_value(&self, other: &Finding) -> bool {
        self.status == other.status
            && self.value == other.value
            && self.number == other.number
            && self.range == other.range
    }

    /// Whether it speaks of that side, or of a side that cannot be told from it.
    pub fn covers(&self, side: Option<Side>) -> bool {
        Side::overlap(self.side, side)
    }
}

/// A word of command that takes findings back.
#[derive(Debug, Clone, PartialEq)]
pub struct Strike {
    /// What is taken back.
    pub target: FindingId,
    /// Side taken back, when the finding held for both.
    pub side: Option<Side>,
    /// The words.
    pub words: String,
}

/// A state of the subject, said or implied.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StateSaid {
    /// Index of the state.
    pub state: usize,
    /// Said of an event, not as the state.
    pub implied: bool,
}

/// An item left for later.
#[derive(Debug, Clone, PartialEq)]
pub struct Deferred {
    /// Item.
    pub item: ItemId,
    /// Side, when one was named.
    pub side: Option<Side>,
}

/// Something done at the bedside that is no finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Act {
    /// A position is being held.
    Hold,
    /// It is released.
    Release,
    /// The manoeuvre is repeated.
    Again,
}

/// All that was read from one phrase.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Reading {
    /// Findings in the order they were said.
    pub findings: Vec<Finding>,
    /// Findings taken back.
    pub strikes: Vec<Strike>,
    /// Findings of earlier phrases that a word of command may have meant.
    pub maybe_struck: Vec<(FindingId, String)>,
    /// States.
    pub states: Vec<StateSaid>,
    /// Items named without a judgement.
    pub announced: Vec<ItemId>,
    /// Items left for later.
    pub deferred: Vec<Deferred>,
    /// Acts.
    pub acts: Vec<Act>,
    /// Stimuli of a series counted for the item at hand.
    pub stimuli: Vec<Stimulus>,
    /// Control acts, by name.
    pub controls: Vec<String>,
    /// Section headings said.
    pub sections: Vec<usize>,
    /// Why parts of the phrase were set aside (*yesterday's*, *a teaching remark*).
    pub set_aside: Vec<String>,
    /// Whether something in it was said of a time before this exam.
    pub earlier: bool,
    /// Words that meant nothing to the lexicon.
    pub leftover: Vec<String>,
    /// Findings of the rules that the judge let go.
    pub let_go: Vec<Finding>,
    /// Whether the second reader read it too.
    pub marked: bool,
    /// That it tells something which stands in no finding.
    pub untold: Option<super::untold::Untold>,
    /// The item at hand after the phrase.
    pub at_hand: Option<ItemId>,
}

impl Reading {
    /// Whether nothing at all was made of the phrase.
    pub fn means_nothing(&self) -> bool {
        self.findings.is_empty()
            && self.stimuli.is_empty()
            && self.strikes.is_empty()
            && self.maybe_struck.is_empty()
            && self.states.is_empty()
            && self.announced.is_empty()
            && self.deferred.is_empty()
            && self.sections.is_empty()
            && self.controls.is_empty()
            && self.acts.is_empty()
    }
}
