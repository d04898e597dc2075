//! The pieces a segment is made of: sides, judgements and the small words that join or part them.

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming};
use crate::lexicon::model::{ItemId, Lexicon};

use super::atoms::Atom;
use super::types::Side;

/// A side as said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SideSaid {
    /// Left.
    Left,
    /// Right.
    Right,
    /// Both.
    Both,
    /// The one opposite to the last.
    Other,
    /// The one at hand, or one of two that are not named.
    This,
}

impl SideSaid {
    /// The side, where the words alone say which; "the other" does not.
    pub fn plain(self) -> Option<Side> {
        match self {
            SideSaid::Left => Some(Side::Left),
            SideSaid::Right => Some(Side::Right),
            SideSaid::Both => Some(Side::Both),
            SideSaid::Other | SideSaid::This => None,
        }
    }

    /// Whether the words alone do not say which.
    pub fn is_unnamed(self) -> bool {
        self.plain().is_none()
    }

    /// Left or right.
    pub fn single(self) -> Option<Side> {
        self.plain().filter(|s| *s != Side::Both)
    }
}

/// A piece of a segment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Piece {
    /// A side.
    Side(SideSaid),
    /// Both sides alike.
    Equal,
    /// Something that may be a value, a shared meaning or a number.
    Judgement,
    /// Not done.
    Skip,
    /// Tried, could not be elicited.
    NotObtained,
    /// As before.
    Same,
    /// As before, when nothing else is said.
    Too,
    /// A negation.
    No,
    /// What follows replaces.
    Correct,
    /// One is taken out of all.
    Except,
    /// Another trial.
    Again,
    /// What follows counts.
    Directive,
    /// And.
    And,
    /// All.
    All,
}

impl Piece {
    /// The side, if it is one.
    pub fn side(self) -> Option<SideSaid> {
        match self {
            Piece::Side(s) => Some(s),
            _ => None,
        }
    }

    /// Whether it is a side.
    pub fn is_side(self) -> bool {
        self.side().is_some()
    }

    /// Whether it says that nothing was found out: not done, or not elicited.
    pub fn leaves_out(self) -> bool {
        matches!(self, Piece::Skip | Piece::NotObtained)
    }

    /// Whether it says in its own words what came of an item.
    pub fn settles(self) -> bool {
        self == Piece::Judgement || self.leaves_out()
    }

    /// The same, or by pointing at what was said before.
    pub fn settles_or_repeats(self) -> bool {
        self.settles() || self == Piece::Same
    }

    /// Whether it takes part in pairing as a judgement.
    pub fn judges(self) -> bool {
        self.settles_or_repeats() || self == Piece::Too
    }
}

/// A piece with its atom.
#[derive(Debug, Clone, Copy)]
pub struct Elem {
    /// What it is.
    pub piece: Piece,
    /// Its atom.
    pub atom: usize,
    /// Comma group.
    pub group: usize,
    /// Whether a negation stands right before it.
    pub negated: bool,
}

/// An item of a segment.
#[derive(Debug, Clone, Copy)]
pub struct Named {
    /// Item.
    pub item: ItemId,
    /// How it was named.
    pub naming: Naming,
    /// Named in the plural.
    pub plural: bool,
    /// Atom that names it; `None` when it is the item at hand.
    pub atom: Option<usize>,
}

/// Items with what was said of them.
#[derive(Debug, Clone, Default)]
pub struct Segment {
    /// Items.
    pub items: Vec<Named>,
    /// Pieces in order.
    pub elems: Vec<Elem>,
    /// Whether the items are the ones at hand, not named here.
    pub at_hand: bool,
    /// Words of the group that named them, if a group did.
    pub group_words: Option<String>,
    /// Group of the naming atom.
    pub group: usize,
    /// Sentence.
    pub sentence: usize,
    /// A negation stands right before the item.
    pub negated: bool,
    /// The item that was named in front, though none of this fits it and its own items are those at hand.
    pub in_place_of: Option<ItemId>,
}

impl Segment {
    /// The items it speaks of.
    pub fn item_ids(&self) -> impl Iterator<Item = ItemId> {
        self.items.iter().map(|n| n.item)
    }

    /// The first atom that names an item of it; `None` when it is about the item at hand.
    pub fn first_name(&self) -> Option<usize> {
        self.items.first().and_then(|n| n.atom)
    }

    /// Whether any piece of it says what came of its items.
    pub fn settles_or_repeats(&self) -> bool {
        self.elems.iter().any(|e| e.piece.settles_or_repeats())
    }
}

/// What an atom is as a piece of a segment, if anything.
pub fn piece_of(atom: &Atom, lex: &Lexicon) -> Option<Piece> {
    use Family as F;
    let is = |f: F| atom.is(lex, f);
    // Order matters where one phrase is in two families.
    let table: [(F, Piece); 18] = [
        (F::Correct, Piece::Correct),
        (F::NotObtained, Piece::NotObtained),
        (F::Skip, Piece::Skip),
        (F::WeakSkip, Piece::Skip),
        (F::Left, Piece::Side(SideSaid::Left)),
        (F::Right, Piece::Side(SideSaid::Right)),
        (F::Equal, Piece::Equal),
        (F::Both, Piece::Side(SideSaid::Both)),
        (F::OtherSide, Piece::Side(SideSaid::Other)),
        (F::ThisSide, Piece::Side(SideSaid::This)),
        (F::Same, Piece::Same),
        (F::Too, Piece::Too),
        (F::Negation, Piece::No),
        (F::Except, Piece::Except),
        (F::Again, Piece::Again),
        (F::Directive, Piece::Directive),
        (F::All, Piece::All),
        (F::And, Piece::And),
    ];
    table.into_iter().find(|(f, _)| is(*f)).map(|(_, p)| p)
}

/// Whether the atom may be a judgement of some item.
pub fn may_judge(atom: &Atom, lex: &Lexicon) -> bool {
    atom.number.is_some_and(|n| !n.idle)
        || atom.meanings(lex).any(|(m, _)| {
            matches!(m, Meaning::Value { .. } | Meaning::Concept(_) | Meaning::State { .. })
        })
}
