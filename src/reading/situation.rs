//! All that bears on what one segment claims.

use crate::lexicon::model::ItemId;

use super::claim::Claim;
use super::heard::Heard;
use super::memory::Memory;
use super::pairs::Pair;
use super::pieces::{Elem, Named, Segment, SideSaid};
use super::resolve::{Judged, resolve};

/// A side that was said before the segment and waits for a judgement.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Near {
    /// The side.
    pub side: Option<SideSaid>,
    /// It was said in this phrase, not in an earlier one.
    pub in_phrase: bool,
}

/// All that bears on what one segment claims.
#[derive(Debug, Clone, Copy)]
pub(super) struct Situation<'a> {
    /// The phrase.
    pub h: &'a Heard<'a>,
    /// What was said before it.
    pub memory: &'a Memory,
    /// The segment.
    pub seg: &'a Segment,
    /// Its pieces, as far as they mean something for its items.
    pub elems: &'a [Elem],
    /// A side that waits for its judgement.
    pub near: Near,
    /// Claims of the segments before it in the phrase.
    pub before: &'a [Claim],
}

impl Situation<'_> {
    /// What a piece says of an item, if it can say anything of it.
    pub fn resolve(&self, e: &Elem, item: ItemId) -> Option<Judged> {
        resolve_piece(self.h, self.memory, e, item)
    }
}

/// What a piece says of an item, if it can say anything of it; a number needs no unit where the
/// item's was said before.
pub(super) fn resolve_piece(
    h: &Heard<'_>,
    memory: &Memory,
    e: &Elem,
    item: ItemId,
) -> Option<Judged> {
    let unit_known = memory.units_known.contains(&item);
    resolve(h.cut, h.atom(e.atom), item, e.negated, unit_known, h.lex)
}

/// One piece that may be a claim about one item.
#[derive(Debug, Clone, Copy)]
pub(super) struct Spot<'a> {
    /// The item.
    pub n: &'a Named,
    /// The pair the piece stands in.
    pub p: &'a Pair,
    /// The piece.
    pub e: &'a Elem,
    /// Claims already made of the segment.
    pub own: &'a [Claim],
}

impl<'a> Spot<'a> {
    /// Claims of the phrase up to here, the latest first: the segment's own, then those before it.
    pub fn earlier(&self, sit: &Situation<'a>) -> impl Iterator<Item = &'a Claim> {
        self.own.iter().rev().chain(sit.before.iter().rev())
    }
}
