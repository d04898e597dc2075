//! Items named in a list share what was said once for all of them.

use crate::lexicon::family::Family;

use super::heard::Heard;
use super::pieces::{Elem, Piece, Segment, piece_of};
use super::resolve::resolve;

/// "suck, root and grasp all strong": items in a list share the judgement that follows.
pub(super) fn share_back(segs: &mut [Segment], h: &Heard<'_>) {
    // From the end, so that a judgement is handed on from item to item.
    for k in (0..segs.len().saturating_sub(1)).rev() {
        if let Some(elems) = shared_with(segs, k, h) {
            segs[k].elems = elems;
        }
    }
}

/// What the segment at `k` has of the one after it: its own sides with the other's judgements.
fn shared_with(segs: &[Segment], k: usize, h: &Heard<'_>) -> Option<Vec<Elem>> {
    let (seg, next) = (&segs[k], &segs[k + 1]);
    let joins = |p: Piece| matches!(p, Piece::And | Piece::All | Piece::Side(_) | Piece::Equal);
    let bare = !seg.at_hand && !seg.negated && seg.elems.iter().all(|e| joins(e.piece));
    if !bare || next.at_hand || next.negated || next.sentence != seg.sentence {
        return None;
    }
    if !next.settles_or_repeats() {
        return None;
    }
    let (a, b) = (seg.first_name()?, next.first_name()?);
    let clean = (a + 1..b).all(|i| piece_of(h.atom(i), h.lex).is_some_and(joins))
        && !h.cut.unknown.iter().any(|&u| u >= h.atom(a).to && u < h.atom(b).from);
    let fits = seg.item_ids().any(|item| {
        next.elems.iter().any(|e| {
            e.piece.leaves_out()
                || e.piece == Piece::Same
                || resolve(h.cut, h.atom(e.atom), item, e.negated, false, h.lex).is_some()
        })
    });
    (clean && fits && is_list(segs, k, h)).then(|| share(seg, next))
}

/// Whether the segment at `k` and the next are of one list: joined by *and*, here or further on,
/// or taken together by *all*, or left out together.
fn is_list(segs: &[Segment], k: usize, h: &Heard<'_>) -> bool {
    let says_all = |s: &Segment| s.elems.iter().any(|e| e.piece == Piece::All);
    let next = &segs[k + 1];
    ends_in_and(segs, k, h)
        || segs[k + 1..].iter().take_while(|s| s.sentence == segs[k].sentence).any(says_all)
        // "prone, Galant, ventral suspension, not those either"
        || (next.elems.iter().any(|e| e.piece.leaves_out())
            && !next.elems.iter().any(|e| e.piece == Piece::Judgement))
}

/// Whether the segment at `k` is joined to the next of its sentence, or that to its next, by *and*.
fn ends_in_and(segs: &[Segment], k: usize, h: &Heard<'_>) -> bool {
    let Some(next) = segs.get(k + 1).filter(|s| s.sentence == segs[k].sentence) else {
        return false;
    };
    let (Some(a), Some(b)) = (segs[k].first_name(), next.first_name()) else {
        return false;
    };
    (a + 1..b).any(|i| h.is(i, Family::And)) || ends_in_and(segs, k + 1, h)
}

fn share(seg: &Segment, next: &Segment) -> Vec<Elem> {
    let is_side = |e: &&Elem| e.piece.is_side();
    let mut elems: Vec<Elem> = seg.elems.iter().filter(is_side).copied().collect();
    let sided = !elems.is_empty();
    elems.extend(next.elems.iter().filter(|e| !(sided && e.piece.is_side())));
    // The sides are paired in the breath of the judgement.
    let judged_in =
        elems.iter().find(|e| matches!(e.piece, Piece::Judgement | Piece::Skip)).map(|e| e.group);
    if let Some(g) = judged_in {
        for e in elems.iter_mut().filter(|e| e.piece.is_side()) {
            e.group = e.group.max(g);
        }
    }
    elems
}

/// "I'm skipping the gag and the palate", "same with stepping and placing": what was said before the
/// first item of a list holds for the others too.
pub(super) fn share_forward(segs: &mut [Segment], h: &Heard<'_>) {
    for k in 1..segs.len() {
        let (before, seg) = (&segs[k - 1], &segs[k]);
        let (Some(a), Some(b)) = (before.first_name(), seg.first_name()) else { continue };
        let lead: Vec<Elem> = before
            .elems
            .iter()
            .filter(|e| (e.piece.leaves_out() || e.piece == Piece::Same) && e.atom < a)
            .copied()
            .collect();
        let only_lead = before.elems.iter().all(|e| e.atom < a || e.piece != Piece::Judgement);
        let listed = (a + 1..b).any(|i| h.is(i, Family::And));
        if seg.sentence != before.sentence
            || seg.settles_or_repeats()
            || lead.is_empty()
            || !only_lead
            || !listed
        {
            continue;
        }
        // Said in the last breath of the segment, so that a side of its own pairs with it.
        let group = seg.elems.iter().map(|e| e.group).max().unwrap_or(seg.group);
        segs[k].elems.extend(lead.into_iter().map(|e| Elem { group, ..e }));
    }
}
