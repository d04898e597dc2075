//! Corrections that name a side and no value: the finding is there already, and moves.

use crate::lexicon::family::Family;
use crate::lexicon::model::ItemId;

use super::claim::Claim;
use super::heard::Heard;
use super::memory::Memory;
use super::pieces::{Elem, Segment, SideSaid};
use super::resolve::{Judged, resolve};
use super::types::{Doubt, Finding, Reading, Side};

/// "The other way round": the last item's two sides change places.
pub(super) fn swap(h: &Heard<'_>, memory: &Memory, claims: &mut Vec<Claim>) {
    let Some(at) = h.places(&[Family::Swap]).next() else { return };
    if claims.iter().any(|c| c.first_atom > at) {
        // New values are said: they speak for themselves.
        return;
    }
    if !claims.is_empty() {
        for c in claims.iter_mut() {
            c.side = c.side.map(|s| s.opposite().unwrap_or(s));
            c.why.push_str("; sides changed places");
        }
        return;
    }
    let one_sided = |f: &&Finding| f.side.and_then(Side::opposite).is_some();
    let Some(item) = memory.history.iter().rfind(one_sided).map(|f| f.item) else { return };
    for side in [Side::Left, Side::Right] {
        let Some(f) = memory.of(item).find(|f| f.side == Some(side)) else { continue };
        let why = format!("sides changed places by \"{}\"", h.said(at));
        let moved = Claim::repeating(f, side.opposite(), at, why);
        claims.push(Claim { corrected: true, ..moved });
    }
}

/// "Sorry, the right.": the last finding was made on the other side.
pub(super) fn other_side(
    h: &Heard<'_>,
    segs: &[Segment],
    memory: &Memory,
    claims: &mut Vec<Claim>,
) {
    if !claims.is_empty() || !corrects_side_only(h) {
        return;
    }
    let Some(side) = side_meant(segs) else { return };
    // The word of correction must come first.
    let place = |families: &[Family]| (0..h.cut.atoms.len()).find(|&i| h.is_any(i, families));
    let word = place(&[Family::Correct, Family::Negation]);
    if word > place(&[Family::Left, Family::Right, Family::Both]) {
        return;
    }
    let named: Vec<ItemId> =
        segs.iter().filter(|s| !s.at_hand).flat_map(Segment::item_ids).collect();
    let Some(f) = memory.latest().next_back() else { return };
    if f.side.is_none() || f.side == Some(side) || !(named.is_empty() || named.contains(&f.item)) {
        return;
    }
    let atom = h.cut.atoms.iter().position(|a| !a.hits.is_empty()).unwrap_or(0);
    let why = format!("{}: the side corrected", h.lex.items[f.item].id);
    claims.push(Claim {
        doubts: f.doubts.iter().filter(|d| **d != Doubt::SideNotSaid).cloned().collect(),
        corrected: true,
        side_corrected: true,
        ..Claim::repeating(f, Some(side), atom, why)
    });
}

/// Whether the phrase corrects, and says nothing but sides and names: "Left eye, it's not, ah no,
/// she closed it" is no such correction.
fn corrects_side_only(h: &Heard<'_>) -> bool {
    let opens_with_no = h.cut.atoms.first().is_some_and(|a| a.negation && h.cut.comma_after(a));
    let harmless = [
        Family::Correct,
        Family::Left,
        Family::Right,
        Family::Both,
        Family::And,
        Family::BodyPart,
        Family::Was,
        Family::Talk,
        Family::Directive,
    ];
    (opens_with_no || h.says(&[Family::Correct]))
        && !h.says(&[Family::Strike, Family::Withdraw, Family::Swap])
        && h.cut.unknown.is_empty()
        && (0..h.cut.atoms.len()).all(|i| {
            let a = h.atom(i);
            a.negation || !a.items(h.lex).is_empty() || h.is_any(i, &harmless)
        })
}

/// The one side that segments without a judgement name and do not deny: "No, not the left, the
/// right."
fn side_meant(segs: &[Segment]) -> Option<Side> {
    if segs.iter().any(Segment::settles_or_repeats) {
        return None;
    }
    let elems = || segs.iter().flat_map(|s| &s.elems);
    let single = |e: &Elem| e.piece.side().and_then(SideSaid::single);
    let denied: Vec<Side> = elems().filter(|e| e.negated).filter_map(single).collect();
    let mut meant = elems()
        .filter_map(|e| e.piece.side().and_then(SideSaid::plain))
        .filter(|s| !denied.contains(s));
    let side = meant.next()?;
    meant.next().is_none().then_some(side)
}

/// "And right." alone: the same on the other side.
pub(super) fn and_the_other(h: &Heard<'_>, memory: &Memory, claims: &mut Vec<Claim>) {
    let spoken = [Family::And, Family::Left, Family::Right, Family::BodyPart];
    let only = h.cut.unknown.is_empty()
        && (0..h.cut.atoms.len()).all(|i| h.counts(i) && h.is_any(i, &spoken));
    let joined = h.cut.atoms.first().is_some_and(|a| a.is(h.lex, Family::And));
    if !claims.is_empty() || !only || !joined {
        return;
    }
    let Some(side) = h.first_side() else { return };
    let mut last = memory.latest();
    let (Some(f), None) = (last.next(), last.next()) else { return };
    if f.side != side.opposite() {
        return;
    }
    let why = format!("{}: copied by \"and\" and a side", h.lex.items[f.item].id);
    claims.push(Claim { doubts: f.doubts.clone(), ..Claim::repeating(f, Some(side), 0, why) });
}

/// "Did I say right hundred and ten? Hundred and fifteen.": what follows the question replaces what it
/// asks after; where nothing follows, that is not sure any more, and the next phrase may.
pub(super) fn recalled(
    h: &Heard<'_>,
    memory: &mut Memory,
    claims: &mut Vec<Claim>,
    reading: &mut Reading,
) {
    let Some(at) = (0..h.cut.atoms.len()).find(|&i| h.is(i, Family::Recall)) else { return };
    let end = (at..h.cut.atoms.len()).find(|&i| h.counts(i)).unwrap_or(h.cut.atoms.len());
    let side = (at..end).find_map(|i| h.atom(i).left_or_right(h.lex));
    let says = |i: usize, f: &Finding| {
        resolve(h.cut, h.atom(i), f.item, false, true, h.lex)
            .filter(|j| j.value.is_some() || j.is_numeric())
    };
    let quoted = |f: &Finding| {
        side.is_none_or(|s| f.covers(Some(s)))
            && (at..end).any(|i| says(i, f).is_some_and(|j| j.same_value(&Judged::of(f))))
    };
    let Some(f) = memory.history.iter().rfind(|f| quoted(f)).cloned() else {
        // Not what was logged; the side it names holds all the same.
        for c in claims.iter_mut().filter(|c| c.first_atom >= end && c.is_unstated()) {
            c.side = side.or(c.side);
        }
        return;
    };
    let of = if f.side.is_some() { side.or(f.side) } else { None };
    // What is said after the name of another item is said of that.
    let new = (end..h.cut.atoms.len())
        .take_while(|&i| {
            let a = h.atom(i);
            !a.names_plainly(h.lex) || a.items(h.lex).iter().any(|(k, _, _)| *k == f.item)
        })
        .find_map(|i| says(i, &f).map(|j| (i, j)));
    let Some((i, judged)) = new.filter(|(i, _)| !h.atom(*i).is(h.lex, Family::Praise)) else {
        reading.maybe_struck.push((f.id, h.said(at)));
        memory.recall(f.item, of);
        return;
    };
    // What the words after the question were taken for is what they replace.
    claims.retain(|c| c.first_atom != i && !c.atoms.contains(&i));
    let why = format!("{}: \"{}\" after \"{}\"", h.lex.items[f.item].id, h.said(i), h.said(at));
    let taken = &h.taken[i];
    let mut doubts: Vec<Doubt> = Vec::new();
    doubts.extend(judged.by_sound.clone().map(Doubt::SoundsLike));
    doubts.extend(judged.implausible.clone().map(Doubt::Implausible));
    doubts.extend(taken.hedge.clone().map(Doubt::Hedged));
    let unknown = h.cut.unknown_where(|_| true);
    doubts.extend((!unknown.is_empty()).then(|| Doubt::MuchNotUnderstood(unknown.join(" "))));
    let mut c = Claim::repeating(&f, of, i, why);
    c.judged = judged;
    c.reason = None;
    c.corrected = true;
    c.other_stands = true;
    c.doubts = doubts;
    claims.push(c);
}
