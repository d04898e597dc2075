//! Which side a claim is about, and sides that stand apart from their judgement.

use crate::lexicon::schema::Elicited;

use super::claim::Claim;
use super::heard::Heard;
use super::pairs::Pair;
use super::pieces::{Elem, Named, Piece, Segment, SideSaid};
use super::resolve::Judged;
use super::situation::Situation;
use super::types::{Doubt, Side};

impl Situation<'_> {
    /// The side of a claim about `n` with that pair; `judged` is what was found, if anything.
    /// `None` for an item without sides.
    pub fn side_of(
        &self,
        n: &Named,
        judged: Option<&Judged>,
        p: &Pair,
        own: &[Claim],
    ) -> Option<Side> {
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
                let here = own.iter().chain(self.before).rfind(|c| c.item == n.item);
                let before = match here {
                    Some(c) => c.side,
                    None => self.memory.of(n.item).next().and_then(|f| f.side),
                };
                before.and_then(Side::opposite).unwrap_or(Side::Unstated)
            }
            Some(SideSaid::This) => near.and_then(SideSaid::single).unwrap_or(Side::Unstated),
            Some(s) => s.plain().unwrap_or(Side::Unstated),
            None if self.holds_for_both(n, judged, p) => Side::Both,
            None => Side::Unstated,
        })
    }

    /// Whether a claim with that pair is of one of two sides whose names were not said ("this side",
    /// "the other one").
    pub fn is_of_unnamed_side(&self, n: &Named, p: &Pair) -> bool {
        let waits = n.atom.is_none() || (self.near.in_phrase && !n.plural);
        p.side.or(self.near.side.filter(|_| waits)).is_some_and(SideSaid::is_unnamed)
    }

    /// Whether a claim about the other of two sides that were not named says what was said of the one:
    /// then it holds for both.
    pub fn makes_both(&self, c: &Claim) -> bool {
        let mut unnamed = self
            .memory
            .of(c.item)
            .filter(|f| f.side == Some(Side::Unstated) && f.doubts.contains(&Doubt::SidesNotNamed));
        let only = unnamed.next().filter(|_| unnamed.next().is_none());
        only.is_some_and(|f| c.status == f.status && Judged::of(f).same_value(&c.judged))
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

/// Takes out what points at a side right beside the side itself: "the other side, the right".
pub(super) fn without_pointing(elems: &[Elem]) -> Vec<Elem> {
    let single = |e: Option<&Elem>, group: usize| {
        e.is_some_and(|e| e.group == group && e.piece.side().and_then(SideSaid::single).is_some())
    };
    let beside = |k: usize| {
        let group = elems[k].group;
        single(elems.get(k + 1), group) || k > 0 && single(elems.get(k - 1), group)
    };
    (0..elems.len())
        .filter(|&k| !(elems[k].piece.side().is_some_and(SideSaid::is_unnamed) && beside(k)))
        .map(|k| elems[k])
        .collect()
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
