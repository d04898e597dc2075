//! Which side a claim is about, and sides that stand apart from their judgement.

use crate::lexicon::schema::Elicited;

use super::claim::Claim;
use super::heard::Heard;
use super::pairs::Pair;
use super::pieces::{Elem, Named, Piece, Segment, SideSaid};
use super::resolve::Judged;
use super::situation::Situation;
use super::types::Side;

impl Situation<'_> {
    /// The side of a claim about `n` with that pair; `judged` is what was found, if anything.
    /// `None` for an item without sides.
    pub fn side_of(&self, n: &Named, judged: Option<&Judged>, p: &Pair) -> Option<Side> {
        let it = &self.h.lex.items[n.item];
        if !it.sided {
            return None;
        }
        if judged.is_some_and(|j| j.midline) {
            return Some(Side::Midline);
        }
        let first = || self.elems.iter().find_map(|e| e.piece.side());
        let may_wait_for = n.atom.is_none() || (self.near.in_phrase && !n.plural);
        let near = self.near.side.filter(|_| may_wait_for);
        let said = p.side.or_else(|| if judged.is_none() { first() } else { None }).or(near);
        Some(match said {
            Some(SideSaid::Other) => {
                let before = self.memory.of(n.item).next().and_then(|f| f.side);
                before.and_then(Side::opposite).unwrap_or(Side::Unstated)
            }
            Some(s) => s.plain().unwrap_or(Side::Unstated),
            None if self.holds_for_both(n, judged, p) => Side::Both,
            None => Side::Unstated,
        })
    }

    /// Whether no side said means both: named in the plural, said to be equal, or elicited on both
    /// sides at once.
    fn holds_for_both(&self, n: &Named, judged: Option<&Judged>, p: &Pair) -> bool {
        let found = judged.is_some_and(|j| j.value.is_some() || j.is_numeric());
        let says = |piece| self.elems.iter().any(|e| e.piece == piece);
        (n.plural && !says(Piece::Side(SideSaid::Other)))
            || p.equal
            || says(Piece::Equal)
            || (self.h.lex.items[n.item].elicited == Elicited::Together && found)
    }
}

/// Takes out sides that no judgement stands with: "…, I wasn't counting right": a side among words
/// not understood, after what was judged, is no side of a judgement.
pub(super) fn without_stray(elems: &[Elem], h: &Heard<'_>) -> Vec<Elem> {
    let judged_in = |g: usize| elems.iter().any(|e| e.group == g && e.piece.judges());
    let first_judged = elems.iter().filter(|e| e.piece.settles()).map(|e| e.group).min();
    elems
        .iter()
        .copied()
        .filter(|e| {
            !e.piece.is_side()
                || judged_in(e.group)
                || first_judged.is_none_or(|g| e.group < g)
                || !h.cut.unknown.iter().any(|&u| h.cut.groups[u] == e.group)
        })
        .collect()
}

/// The side a segment names without judging it; it waits for what the next segment says.
pub(super) fn lone_side(seg: &Segment, judged_nothing: bool) -> Option<SideSaid> {
    if !judged_nothing && seg.elems.iter().any(|e| e.piece.judges()) {
        return None;
    }
    seg.elems.iter().rev().filter_map(|e| e.piece.side()).find(|s| s.plain().is_some())
}

/// "Open, close. Not fisted, either of them.": a side said after the judgement, in a sentence of
/// its own.
pub(super) fn late_side(seg: &Segment, claims: &mut [Claim]) {
    let both = seg.elems.iter().any(|e| e.piece.side() == Some(SideSaid::Both));
    if let Some(c) = claims.last_mut().filter(|c| both && c.is_unstated()) {
        c.side = Some(Side::Both);
    }
}
