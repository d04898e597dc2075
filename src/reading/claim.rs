//! A finding under way: what a phrase claims of one item on one side, before the claims of the
//! phrase are settled with one another.

use crate::lexicon::model::ItemId;

use super::pieces::Segment;
use super::resolve::Judged;
use super::types::{Doubt, Finding, Side, Status};

/// A finding under way.
#[derive(Debug, Clone)]
pub(super) struct Claim {
    /// Item.
    pub item: ItemId,
    /// Side; `None` for an item without sides.
    pub side: Option<Side>,
    /// The side was not said, but follows from how the item is elicited or was named.
    pub side_inferred: bool,
    /// Whether it was found.
    pub status: Status,
    /// What was found.
    pub judged: Judged,
    /// Why it was left out, in the speaker's words.
    pub reason: Option<String>,
    /// Why it is not certain.
    pub doubts: Vec<Doubt>,
    /// Which words matched which lexicon entries.
    pub why: String,
    /// A word of correction governs it.
    pub corrected: bool,
    /// It is an earlier finding, made on the other side.
    pub side_corrected: bool,
    /// What was found on the other side stands: *as well* was said, or it corrects what the phrase
    /// itself said of this side.
    pub other_stands: bool,
    /// It takes the place of what the phrase itself said before.
    pub corrects_own: bool,
    /// Said as another trial.
    pub again: bool,
    /// Said to be the one that counts.
    pub directive: bool,
    /// Taken out of a statement about all.
    pub except: bool,
    /// A bare *no* before the item's name is all that was said.
    pub by_bare_no: bool,
    /// Comma group it was said in.
    pub group: usize,
    /// The atom that says it.
    pub first_atom: usize,
    /// All atoms it was made of, the item's name aside.
    pub atoms: Vec<usize>,
    /// The item was not named in the sentence.
    pub at_hand: bool,
}

impl Claim {
    /// A claim about an item of a segment, with nothing more known of it.
    pub fn new(
        item: ItemId,
        side: Option<Side>,
        status: Status,
        judged: Judged,
        seg: &Segment,
    ) -> Claim {
        Claim {
            item,
            side,
            side_inferred: false,
            status,
            judged,
            reason: None,
            doubts: Vec::new(),
            why: String::new(),
            corrected: false,
            side_corrected: false,
            other_stands: false,
            corrects_own: false,
            again: false,
            directive: false,
            except: false,
            by_bare_no: false,
            group: seg.group,
            atoms: Vec::new(),
            first_atom: seg.first_name().or(seg.elems.first().map(|e| e.atom)).unwrap_or(0),
            at_hand: seg.at_hand,
        }
    }

    /// An earlier finding said again for a side, by the words of the atom.
    pub fn repeating(f: &Finding, side: Option<Side>, first_atom: usize, why: String) -> Claim {
        Claim {
            reason: f.reason.clone(),
            why,
            group: 0,
            first_atom,
            at_hand: true,
            ..Claim::new(f.item, side, f.status, Judged::of(f), &Segment::default())
        }
    }

    /// Whether something was found, absence included.
    pub fn is_observed(&self) -> bool {
        self.status == Status::Observed
    }

    /// Whether the item has sides, and none was said.
    pub fn is_unstated(&self) -> bool {
        self.side == Some(Side::Unstated)
    }

    /// Whether it says the same of the same item, sides aside.
    pub fn says_the_same(&self, other: &Claim) -> bool {
        self.item == other.item
            && self.status == other.status
            && self.judged.same_value(&other.judged)
    }

    /// Whether more was said with it than was understood, so that it may mean something else.
    pub fn is_half_understood(&self) -> bool {
        half_understood(&self.doubts)
    }

    /// Whether a negation casts doubt on it.
    pub fn is_denied(&self) -> bool {
        self.doubts.iter().any(|d| matches!(d, Doubt::Denied(_)))
    }
}

/// Whether one of the doubts says that more was said than was understood.
pub(super) fn half_understood(doubts: &[Doubt]) -> bool {
    doubts.iter().any(|d| {
        matches!(
            d,
            Doubt::MuchNotUnderstood(_)
                | Doubt::Hedged(_)
                | Doubt::Remark(_)
                | Doubt::Denied(_)
                | Doubt::TwoValues(_)
        )
    })
}
