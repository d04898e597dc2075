//! Cuts a phrase's atoms into segments: the items named, each with what was said of it.

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming, Saying};
use crate::lexicon::model::ItemId;

use super::atoms::Atom;
use super::clauses::Aside;
use super::heard::Heard;
use super::pieces::{Elem, Named, Piece, Segment, may_judge, piece_of};
use super::walk::{AtHand, Walk};

/// The segments of a phrase, and items named in parts that were set aside.
#[derive(Debug, Default)]
pub(super) struct Segmented {
    /// Segments in order.
    pub segments: Vec<Segment>,
    /// Whether the items at hand at the end were named in the plural.
    pub plural: bool,
    /// Items named where the past or a remark was spoken of: they are at hand afterwards.
    pub mentioned: Vec<ItemId>,
}

/// Cuts the atoms of a phrase that count into segments.
pub(super) fn segments(h: &Heard<'_>, at_hand: &AtHand) -> Segmented {
    let mut w = Walk::new(h, at_hand);
    let mut mentioned = Vec::new();
    // A side said right before.
    let mut side_before: Option<usize> = None;
    for i in 0..h.cut.atoms.len() {
        w.turn_to(h.atom(i).sentence);
        if let Some(aside) = h.taken[i].aside {
            mentioned.extend(mention(&mut w, i, aside));
            continue;
        }
        if is_idle_there(h, i) {
            continue;
        }
        let here = Here::look(&w, i, side_before.take());
        if name_item(&mut w, &here) || name_group(&mut w, &here) || name_by_value(&mut w, &here) {
            continue;
        }
        if let Some(piece) = side_or_command(&mut w, &here) {
            side_before = piece.is_side().then_some(i);
            continue;
        }
        if !w.name_weakly(&here) && here.may_judge {
            w.push(here.elem(Piece::Judgement));
        }
    }
    w.end_sentence();
    Segmented { segments: w.out, plural: w.now_plural, mentioned }
}

/// The atom at hand, and how it stands to what runs.
pub(super) struct Here<'a> {
    /// Its place.
    pub i: usize,
    /// The atom.
    pub atom: &'a Atom,
    /// A negation stands right before it.
    pub negated: bool,
    /// A side stands right before it.
    pub after_side: bool,
    /// Whether it may be a judgement of some item.
    pub may_judge: bool,
    /// The items that run, or that are at hand.
    pub current: Vec<ItemId>,
    /// They are named in this sentence.
    pub current_named: bool,
    /// They are, and nothing was said of them yet.
    pub awaited: bool,
    /// It can be a judgement of one of them.
    pub fits_current: bool,
    /// The same by more than a bare "fine" or "present".
    pub fits_current_well: bool,
}

impl<'a> Here<'a> {
    fn look(w: &Walk<'a>, i: usize, side_before: Option<usize>) -> Here<'a> {
        let cut = w.h.cut;
        let atom = w.h.atom(i);
        let negated = w.last().is_some_and(|e| e.piece == Piece::No && cut.adjacent(e.atom, i, 2));
        let current: Vec<ItemId> =
            w.cur.as_ref().map_or_else(|| w.now.clone(), |c| c.item_ids().collect());
        let may_judge = may_judge(atom, w.h.lex);
        let judged = |c: &Segment| c.elems.iter().any(|e| e.piece == Piece::Judgement);
        Here {
            i,
            atom,
            negated,
            // A part of the body right after a side is the side's (*right arm*).
            after_side: side_before.is_some_and(|k| cut.adjacent(k, i, 1)),
            may_judge,
            current_named: w.cur.is_some(),
            awaited: w.cur.as_ref().is_some_and(|c| !judged(c)),
            fits_current: may_judge && current.iter().any(|&k| w.fits(i, k, negated)),
            fits_current_well: may_judge && current.iter().any(|&k| w.fits_well(i, k)),
            current,
        }
    }

    /// The atom as a piece.
    pub fn elem(&self, piece: Piece) -> Elem {
        Elem { piece, atom: self.i, group: self.atom.group, negated: self.negated }
    }
}

/// An atom that is set aside: where the past or a remark is spoken of, the items it names are at
/// hand afterwards.
fn mention(w: &mut Walk<'_>, i: usize, aside: Aside) -> Vec<ItemId> {
    if aside == Aside::Question {
        return Vec::new();
    }
    let plain = plain_names(w.h, i);
    if let [(item, naming, plural)] = plain[..] {
        w.flush();
        w.close();
        w.now = vec![item];
        w.now_plural = plural || naming == Naming::Plural;
    }
    plain.into_iter().map(|(item, _, _)| item).collect()
}

/// The items an atom names outright: item, how it is named, whether in the plural.
fn plain_names(h: &Heard<'_>, i: usize) -> Vec<(ItemId, Naming, bool)> {
    let mut items = h.atom(i).items(h.lex);
    items.retain(|(_, n, _)| matches!(n, Naming::Plain | Naming::Plural));
    items
}

fn is_side(atom: &Atom, h: &Heard<'_>) -> bool {
    piece_of(atom, h.lex).is_some_and(Piece::is_side)
}

/// "There" is a judgement right after an item or beside a side only ("red reflex there, left");
/// elsewhere it is a place, or nothing ("there is").
fn is_idle_there(h: &Heard<'_>, i: usize) -> bool {
    let (cut, atom) = (h.cut, h.atom(i));
    if cut.tokens[atom.from].surface != "there" || atom.to != atom.from + 1 {
        return false;
    }
    let after_name = i > 0 && cut.adjacent(i - 1, i, 0) && {
        let before = h.atom(i - 1);
        !before.items(h.lex).is_empty() || is_side(before, h)
    };
    let opens = cut.tokens.get(atom.to).is_some_and(|t| {
        ["'s", "is", "are", "was", "were", "will", "may", "can"].contains(&t.surface.as_str())
    });
    let beside_side =
        cut.atoms.get(i + 1).is_some_and(|n| is_side(n, h)) && cut.adjacent(i, i + 1, 0);
    let alone = cut.unknown.is_empty()
        && cut.atoms.iter().enumerate().all(|(k, a)| k == i || is_side(a, h));
    opens || !(after_name || beside_side || alone)
}

/// An item named outright opens a segment. Whether the atom did.
fn name_item(w: &mut Walk<'_>, here: &Here<'_>) -> bool {
    let named: Vec<Named> = plain_names(w.h, here.i)
        .into_iter()
        .map(|(item, naming, plural)| Named {
            item,
            naming,
            plural: plural || naming == Naming::Plural,
            atom: Some(here.i),
        })
        .collect();
    let Some(&first) = named.first() else { return false };
    if here.fits_current_well && here.awaited {
        return false;
    }
    // Naming the item of the running segment again adds nothing: "knee jerk right three, knee jerk
    // left two" keeps pairing by order.
    if let ([name], Some(cur)) = (&named[..], w.cur.as_mut())
        && cur.group_words.is_none()
        && let [n] = &mut cur.items[..]
        && n.item == name.item
    {
        n.plural |= name.plural;
        return true;
    }
    w.open(named, here.i, None);
    // "upgoing plantars": a value in the same stretch.
    if here.may_judge && w.fits_well(here.i, first.item) {
        w.push(here.elem(Piece::Judgement));
    }
    true
}

/// A group opens a segment for all its items. Whether the atom named one.
fn name_group(w: &mut Walk<'_>, here: &Here<'_>) -> bool {
    let lex = w.h.lex;
    let group = here.atom.meanings(lex).find_map(|(m, _)| match m {
        Meaning::Group(g) => Some(g),
        _ => None,
    });
    let Some(g) = group.filter(|_| !here.fits_current_well) else { return false };
    let named = lex.groups[g]
        .items
        .iter()
        .map(|&item| Named { item, naming: Naming::Plural, plural: true, atom: Some(here.i) })
        .collect();
    w.open(named, here.i, Some(w.h.said(here.i)));
    true
}

/// A value that names its own item opens a segment where the items that run do not take it.
fn name_by_value(w: &mut Walk<'_>, here: &Here<'_>) -> bool {
    if here.fits_current_well {
        return false;
    }
    let mut alone = here.atom.meanings(w.h.lex).filter_map(|(m, _)| match m {
        Meaning::Value { item, how: Saying::Alone, .. } => Some(item),
        _ => None,
    });
    let Some(item) = alone.next() else { return false };
    if alone.any(|k| k != item) {
        return false;
    }
    if !here.current_named || here.current != [item] {
        let named = Named { item, naming: Naming::Plain, plural: false, atom: Some(here.i) };
        w.open(vec![named], here.i, None);
    }
    w.push(here.elem(Piece::Judgement));
    true
}

/// Sides, negations, commands. The piece, if the atom is one.
fn side_or_command(w: &mut Walk<'_>, here: &Here<'_>) -> Option<Piece> {
    let (h, atom) = (w.h, here.atom);
    let piece = piece_of(atom, h.lex)?;
    // "So no" refuses only where the breath ends.
    if atom.is(h.lex, Family::WeakSkip) && !atom.is(h.lex, Family::Skip) && !h.cut.ends_breath(atom)
    {
        return None;
    }
    let may_be_value = piece.is_side()
        || piece.leaves_out()
        || matches!(piece, Piece::Equal | Piece::Correct | Piece::Again);
    if here.fits_current_well && may_be_value {
        return None;
    }
    w.push(here.elem(piece));
    // "equal" and "symmetric" are a side and may be a judgement too.
    if piece == Piece::Equal && here.fits_current {
        w.push(here.elem(Piece::Judgement));
    }
    Some(piece)
}
