//! The walk over a phrase's atoms that cuts it into segments: what segment runs, what floats before
//! any item is named, and who gets what was said in between.

use std::collections::HashSet;

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming, Saying};
use crate::lexicon::model::ItemId;

use super::atoms::Atom;
use super::heard::Heard;
use super::pieces::{Elem, Named, Piece, Segment, piece_of};
use super::resolve::{resolve, resolve_whole};

/// What is at hand when a phrase begins.
#[derive(Debug, Clone, Default)]
pub(super) struct AtHand {
    /// Items named last and still waiting or lately judged.
    pub items: Vec<ItemId>,
    /// Items whose number was last said with its unit.
    pub units_known: HashSet<ItemId>,
    /// Whether they were named in the plural.
    pub plural: bool,
    /// Items that have a finding.
    pub found: HashSet<ItemId>,
}

/// Where the walk stands.
pub(super) struct Walk<'a> {
    /// The phrase.
    pub h: &'a Heard<'a>,
    /// What was at hand before it.
    pub at_hand: &'a AtHand,
    /// Segments that are closed.
    pub out: Vec<Segment>,
    /// The segment that runs.
    pub cur: Option<Segment>,
    /// Pieces said before any item of the sentence.
    pub floating: Vec<Elem>,
    /// Items that later sentences of the phrase may speak of.
    pub now: Vec<ItemId>,
    /// Whether they were named in the plural.
    pub now_plural: bool,
    /// The sentence at hand, and its first segment.
    sentence: usize,
    first: usize,
    /// Items at hand when it began.
    announced: Vec<ItemId>,
}

impl<'a> Walk<'a> {
    /// A walk that has not begun.
    pub fn new(h: &'a Heard<'a>, at_hand: &'a AtHand) -> Self {
        Walk {
            h,
            at_hand,
            out: Vec::new(),
            cur: None,
            floating: Vec::new(),
            now: at_hand.items.clone(),
            now_plural: at_hand.plural,
            sentence: 0,
            first: 0,
            announced: at_hand.items.clone(),
        }
    }

    /// Whether the atom can be a judgement of the item.
    pub fn fits(&self, atom: usize, item: ItemId, negated: bool) -> bool {
        let known = self.at_hand.units_known.contains(&item);
        resolve(self.h.cut, self.h.atom(atom), item, negated, known, self.h.lex)
            .is_some_and(|j| j.implausible.is_none())
    }

    /// Fits by more than a bare "fine" or "present".
    pub fn fits_well(&self, atom: usize, item: ItemId) -> bool {
        let known = self.at_hand.units_known.contains(&item);
        let a = self.h.atom(atom);
        // A stretch that names another item says nothing of this one by the way ("palate intact"
        // is not "intact").
        let names_other = a.meanings(self.h.lex).any(|(m, _)| match m {
            Meaning::Item(i, Naming::Plain | Naming::Plural)
            | Meaning::Value { item: i, how: Saying::Alone, .. } => i != item,
            _ => false,
        });
        let by = if names_other { resolve_whole } else { resolve };
        by(self.h.cut, a, item, false, known, self.h.lex)
            .is_some_and(|j| j.implausible.is_none() && !j.by_concept)
    }

    fn fits_any(&self, e: &Elem, items: &[ItemId]) -> bool {
        items.iter().any(|&i| self.fits(e.atom, i, e.negated))
    }

    fn fits_any_well(&self, e: &Elem, items: &[ItemId]) -> bool {
        items.iter().any(|&i| self.fits_well(e.atom, i))
    }

    /// Adds a piece to the segment that runs, or to what floats.
    pub fn push(&mut self, e: Elem) {
        match &mut self.cur {
            Some(s) => s.elems.push(e),
            None => self.floating.push(e),
        }
    }

    /// The piece said last.
    pub fn last(&self) -> Option<&Elem> {
        self.cur.as_ref().map_or(&self.floating, |c| &c.elems).last()
    }

    /// Closes the segment that runs.
    pub fn close(&mut self) {
        if let Some(s) = self.cur.take() {
            self.now = s.item_ids().collect();
            self.now_plural = s.items.iter().all(|n| n.plural) && s.group_words.is_none();
            self.out.push(s);
        }
    }

    /// Pieces said before any item of the sentence belong to the item at hand.
    pub fn flush(&mut self) {
        let elems = std::mem::take(&mut self.floating);
        let Some(first) = elems.first() else { return };
        self.out.push(Segment {
            items: at_hand(&self.now, self.now_plural),
            group: first.group,
            elems,
            at_hand: true,
            sentence: self.sentence,
            ..Segment::default()
        });
    }

    /// Ends the sentence at hand, if that one is another, and begins it.
    pub fn turn_to(&mut self, sentence: usize) {
        if sentence != self.sentence {
            self.end_sentence();
            self.sentence = sentence;
            self.first = self.out.len();
            self.announced.clone_from(&self.now);
        }
    }

    /// Ends the sentence at hand.
    pub fn end_sentence(&mut self) {
        self.flush();
        self.close();
        self.mend_landmarks();
    }

    /// A landmark that was named by the way ("beside the spine") takes no judgement; what does not
    /// fit it is the item's that the sentence before announced.
    fn mend_landmarks(&mut self) {
        let orphans: Vec<usize> =
            (self.first..self.out.len()).filter(|&k| self.is_orphan(&self.out[k])).collect();
        if orphans.is_empty() {
            return;
        }
        for &k in &orphans {
            // "Biceps jerk present" opens with the item: it is no landmark, and was hardly said of
            // another.
            self.out[k].in_place_of = match self.out[k].first_name() {
                Some(name) if self.leads(name) => self.out[k].item_ids().next(),
                _ => None,
            };
            self.out[k].at_hand = true;
            self.out[k].items = at_hand(&self.announced, false);
        }
        let sentence = self.sentence;
        self.out.retain(|s| {
            s.at_hand || s.sentence != sentence || s.elems.iter().any(|e| e.piece.settles())
        });
        self.now.clone_from(&self.announced);
    }

    /// Whether nothing but sides and what says nothing stands before an atom in its sentence.
    fn leads(&self, atom: usize) -> bool {
        let cut = self.h.cut;
        let at = self.h.atom(atom);
        let empty = |a: &Atom| {
            a.is(self.h.lex, Family::And) || piece_of(a, self.h.lex).is_some_and(Piece::is_side)
        };
        let before = |t: &usize| *t < at.from && cut.sentences[*t] == at.sentence;
        let says = |list: &[usize]| list.iter().any(before);
        let mut atoms = cut.atoms.iter().take(atom).filter(|a| a.sentence == at.sentence);
        atoms.all(empty) && !says(&cut.unknown) && !says(&cut.qualifiers) && !says(&cut.idle)
    }

    /// Whether none of a segment's judgements fits its own item, and one fits what was announced.
    fn is_orphan(&self, s: &Segment) -> bool {
        let own: Vec<ItemId> = s.item_ids().collect();
        let mut judged = s.elems.iter().filter(|e| e.piece == Piece::Judgement);
        !s.at_hand
            && judged.clone().all(|e| !self.fits_any(e, &own))
            && judged.any(|e| self.fits_any_well(e, &self.announced))
    }

    /// Opens a segment for items named by `atom`; decides what said before belongs to it.
    pub fn open(&mut self, items: Vec<Named>, atom: usize, group_words: Option<String>) {
        let ids: Vec<ItemId> = items.iter().map(|n| n.item).collect();
        let mut elems = match self.cur.take() {
            Some(cur) => self.part(cur, &ids, atom),
            None => self.part_floating(&ids, atom),
        };
        // "no prone": the negation right before the item is the item's.
        let cut = self.h.cut;
        let negated =
            elems.pop_if(|e| e.piece == Piece::No && cut.adjacent(e.atom, atom, 1)).is_some();
        self.cur = Some(Segment {
            items,
            elems,
            at_hand: false,
            group_words,
            group: cut.atoms[atom].group,
            sentence: self.sentence,
            negated,
            in_place_of: None,
        });
    }

    /// Closes a segment where another begins; gives what the new one has of it.
    fn part(&mut self, mut cur: Segment, ids: &[ItemId], atom: usize) -> Vec<Elem> {
        let group = self.h.atom(atom).group;
        let tail = self.tail(&cur, atom);
        let moved = cur.elems.split_off(tail);
        let own: Vec<ItemId> = cur.item_ids().collect();
        let judged = cur.elems.iter().any(|e| e.piece.settles());
        let stays = |e: &Elem| {
            e.piece == Piece::Judgement
                && self.fits_any(e, &own)
                && !(judged && self.fits_any(e, ids))
                && !(e.group == group && self.fits_any_well(e, ids))
        };
        // A judgement that only the old item takes stays with it, and what stands before it too.
        let keep = moved.iter().rposition(stays).map_or(0, |k| k + 1);
        cur.elems.extend_from_slice(&moved[..keep]);
        self.cur = Some(cur);
        self.close();
        moved[keep..].to_vec()
    }

    /// Where the pieces begin that the item named next may claim: those of its own breath, if that
    /// is another than the segment's.
    fn tail(&self, cur: &Segment, atom: usize) -> usize {
        let group = self.h.atom(atom).group;
        let elems = &cur.elems;
        let in_breath = elems.iter().rev().take_while(|e| e.group == group).count();
        if group > cur.group && in_breath > 0 {
            return elems.len() - in_breath;
        }
        // In one breath ("pull to sit full lag ventral suspension …") only a negation or side
        // right before the new item is its own.
        let named_at = cur.items.iter().filter_map(|n| n.atom).max().unwrap_or(0);
        let sided = cur.item_ids().any(|i| self.h.lex.items[i].sided);
        let mut next = atom;
        let mut tail = elems.len();
        while let Some((e, before)) = elems[..tail].split_last() {
            let loose = matches!(e.piece, Piece::No | Piece::Side(_) | Piece::And)
                && e.atom > named_at
                && e.group == group
                && self.h.cut.adjacent(e.atom, next, 0);
            // "two right knee jerk": the side is the first item's unless it has one.
            let wanted = e.piece.is_side()
                && sided
                && before.iter().any(|x| x.piece == Piece::Judgement)
                && !before.iter().any(|x| x.piece.is_side());
            if !loose || wanted {
                break;
            }
            next = e.atom;
            tail -= 1;
        }
        tail
    }

    /// Parts what floats between the item at hand and the one named now; gives the latter's.
    fn part_floating(&mut self, ids: &[ItemId], atom: usize) -> Vec<Elem> {
        let group = self.h.atom(atom).group;
        let mut floating = std::mem::take(&mut self.floating);
        // What the item at hand takes is its own where the new one does not, or in a breath before.
        let of_former = |e: &Elem| {
            e.piece == Piece::Judgement
                && (!self.fits_any(e, ids) && self.fits_any(e, &self.now)
                    || e.group != group && self.fits_any_well(e, &self.now))
        };
        let split = floating.iter().rposition(of_former).map_or(0, |k| k + 1);
        let mut carried = floating.split_off(split);
        // "Okay, tone.": a bare "okay" in a breath of its own is no judgement.
        carried.retain(|e| {
            e.piece != Piece::Judgement || e.group == group || self.fits_any_well(e, ids)
        });
        self.floating = floating;
        self.flush();
        carried
    }
}

/// Items that are not named, but at hand.
fn at_hand(items: &[ItemId], plural: bool) -> Vec<Named> {
    items.iter().map(|&item| Named { item, naming: Naming::Plain, plural, atom: None }).collect()
}
