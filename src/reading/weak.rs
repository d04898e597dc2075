//! Weak names: words that name an item only where what is said fits it ("hands", "tone", "blink").

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming, Saying};
use crate::lexicon::model::ItemId;

use super::heard::Heard;
use super::pieces::{Named, Piece, may_judge, piece_of};
use super::segments::Here;
use super::walk::Walk;

/// An item with whether it was named in the plural.
type Weak = (ItemId, bool);

impl Walk<'_> {
    /// Opens a segment for items that the atom names weakly, if they are meant. Whether it did.
    pub fn name_weakly(&mut self, here: &Here<'_>) -> bool {
        let h = self.h;
        let names = here.atom.items(h.lex);
        let weak: Vec<Weak> = names
            .iter()
            .filter(|(_, n, _)| matches!(n, Naming::Weak | Naming::Sound))
            .map(|&(item, _, plural)| (item, plural))
            .collect();
        // A name heard by its sound alone.
        let sound = names.iter().any(|(_, n, _)| *n == Naming::Sound);
        let (meant, naming) = if self.is_part_of_its_own(here, &weak) {
            (weak, Naming::Weak)
        } else if weak.is_empty()
            || self.is_corrected(here, &weak)
            || (here.fits_current && here.awaited)
        {
            return false;
        } else {
            let naming = if sound { Naming::Sound } else { Naming::Weak };
            (self.meant_weakly(here, &weak, sound), naming)
        };
        if meant.is_empty() {
            return false;
        }
        let named = meant
            .into_iter()
            .map(|(item, plural)| Named { item, naming, plural, atom: Some(here.i) })
            .collect();
        self.open(named, here.i, None);
        true
    }

    /// "Tone in the right arm is low": the part names a sided item of its own.
    fn is_part_of_its_own(&self, here: &Here<'_>, weak: &[Weak]) -> bool {
        let h = self.h;
        let [(item, _)] = *weak else { return false };
        here.after_side
            && here.awaited
            && here.atom.is(h.lex, Family::BodyPart)
            && h.lex.items[item].sided
            && here.current.iter().all(|&k| !h.lex.items[k].sided)
            && (here.i + 1..h.cut.atoms.len())
                .find(|&k| may_judge(h.atom(k), h.lex))
                .is_some_and(|k| h.atom(k).group == here.atom.group && self.fits_well(k, item))
    }

    /// A correction speaks of the item at hand, not of whatever its words may also name.
    fn is_corrected(&self, here: &Here<'_>, weak: &[Weak]) -> bool {
        let (h, at_hand) = (self.h, self.at_hand);
        // "Correct that, the blink is brisk" names what it corrects.
        let found = weak.iter().any(|(k, _)| at_hand.found.contains(k));
        !at_hand.items.is_empty()
            && !weak.iter().any(|(k, _)| at_hand.items.contains(k))
            && (0..here.i).any(|k| {
                h.is(k, Family::Correct) && (!found || h.atom(k).sentence != here.atom.sentence)
            })
    }

    /// Which of the items are meant: those that the judgements around fit; all, where the atom is
    /// the topic of its sentence; none otherwise.
    fn meant_weakly(&self, here: &Here<'_>, weak: &[Weak], sound: bool) -> Vec<Weak> {
        let h = self.h;
        let ahead = judgements_ahead(h, here, weak);
        let fitting: Vec<Weak> = weak
            .iter()
            .copied()
            .filter(|(k, _)| self.suits(here, *k, weak, &ahead, sound))
            .collect();
        let taken = here.awaited
            && ahead.first().is_some_and(|&a| here.current.iter().any(|&k| self.fits_well(a, k)));
        let part_of_side =
            here.after_side && here.current_named && here.atom.is(h.lex, Family::BodyPart);
        if !(fitting.is_empty() || taken || part_of_side) {
            return fitting;
        }
        // "Moro, grasp and suck all normal": one of a list of names that are judged together.
        if self.is_listed(here) {
            return weak.to_vec();
        }
        let topic = ahead.is_empty()
            && !here.after_side
            && (is_left_out(h, here) || is_topic(h, here, sound));
        if topic { weak.to_vec() } else { Vec::new() }
    }

    /// Whether the atom stands in a list of names, joined by commas and an *and*, with nothing said
    /// between them and a judgement behind them.
    fn is_listed(&self, here: &Here<'_>) -> bool {
        let (h, cut) = (self.h, self.h.cut);
        let joins = |k: usize| {
            matches!(piece_of(h.atom(k), h.lex), Some(Piece::And | Piece::All | Piece::Equal))
        };
        let names = |k: usize| !h.atom(k).items(h.lex).is_empty();
        let same = |k: usize| h.atom(k).sentence == here.atom.sentence && h.counts(k);
        let list: Vec<usize> = (here.i + 1..cut.atoms.len())
            .take_while(|&k| same(k) && (joins(k) || names(k)))
            .collect();
        let Some(&last) = list.last() else { return false };
        let clean = |from: usize, to: usize| !cut.unknown.iter().any(|u| (from..to).contains(u));
        let judged = cut.atoms.get(last + 1).is_some_and(|a| {
            same(last + 1) && may_judge(a, h.lex) && clean(here.atom.from, a.from)
        });
        judged
            && list.iter().any(|&k| h.is(k, Family::And))
            && list.iter().any(|&k| h.atom(k).names_plainly(h.lex))
            && !here.after_side
    }

    /// Whether what is said around the atom suits the item.
    fn suits(
        &self,
        here: &Here<'_>,
        item: ItemId,
        weak: &[Weak],
        ahead: &[usize],
        sound: bool,
    ) -> bool {
        let (cut, atom) = (self.h.cut, here.atom);
        let opens_sentence =
            here.i.checked_sub(1).is_none_or(|k| cut.atoms[k].sentence != atom.sentence);
        let fits = |a: usize| self.fits(a, item, false);
        let next = ahead.first().copied();
        let behind = self.floating.iter().rfind(|e| e.piece == Piece::Judgement);
        // "Rattle, left ear, no response.": a topic in a breath of its own opens its item.
        let leads = || {
            opens_sentence
                && cut.atoms.iter().enumerate().all(|(k, a)| k == here.i || a.group != atom.group)
                && !cut.unknown.iter().any(|&u| cut.groups[u] == atom.group)
                && !weak.iter().any(|(k, _)| self.now.contains(k))
        };
        // A sentence that was all understood and opens with the name speaks of it.
        let opens_plainly = || {
            opens_sentence
                && !cut.unknown.iter().any(|&u| cut.sentences[u] == atom.sentence)
                && !self.now.contains(&item)
        };
        next.is_some_and(|a| self.fits_well(a, item))
            || behind.is_some_and(|e| self.fits_well(e.atom, item))
            || (next.is_some_and(|a| cut.adjacent(here.i, a, 0) && fits(a)) && opens_plainly())
            || (leads() && ahead.iter().any(|&a| fits(a)))
            || (sound
                && (cut.atoms.len() == 1
                    || ahead.iter().any(|&a| cut.atoms[a].sentence == atom.sentence && fits(a))))
    }
}

/// Judgements after the atom that may be its item's: up to the next name in the sentence, or in the
/// next sentence where the atom is all that its own says.
fn judgements_ahead(h: &Heard<'_>, here: &Here<'_>, weak: &[Weak]) -> Vec<usize> {
    let topic = is_all_said(h, here);
    let reaches = |&k: &usize| {
        let a = h.atom(k);
        let near =
            a.sentence == here.atom.sentence || (a.sentence == here.atom.sentence + 1 && topic);
        let names_another = a.meanings(h.lex).any(|(m, _)| match m {
            Meaning::Value { item, how: Saying::Alone, .. } => {
                !weak.iter().any(|(k, _)| *k == item)
            }
            _ => false,
        });
        near && !a.names_plainly(h.lex) && !names_another
    };
    (here.i + 1..h.cut.atoms.len())
        .take_while(reaches)
        .filter(|&k| h.counts(k) && may_judge(h.atom(k), h.lex))
        .collect()
}

/// Whether the same breath goes on to say that it was not done.
fn is_left_out(h: &Heard<'_>, here: &Here<'_>) -> bool {
    !here.current_named
        && (here.i + 1..h.cut.atoms.len()).any(|k| {
            h.atom(k).group == here.atom.group
                && h.counts(k)
                && piece_of(h.atom(k), h.lex).is_some_and(Piece::leaves_out)
        })
}

/// Whether the atom announces its items.
fn is_topic(h: &Heard<'_>, here: &Here<'_>, sound: bool) -> bool {
    is_all_said(h, here)
        // A name heard by its sound alone opens nothing by itself.
        && !(sound && h.cut.atoms.len() > 1)
        // "Fold the arms, hold" is an act, not a topic.
        && !(0..here.i).any(|k| {
            h.atom(k).sentence == here.atom.sentence
                && h.is_any(k, &[Family::Hold, Family::Release])
        })
}

/// Whether the atom is all that its sentence says ("Hands.", "Scarf.").
fn is_all_said(h: &Heard<'_>, here: &Here<'_>) -> bool {
    let sentence = here.atom.sentence;
    let says_more = |k: usize| {
        let a = h.atom(k);
        may_judge(a, h.lex)
            || a.names_plainly(h.lex)
            || piece_of(a, h.lex).is_some_and(Piece::leaves_out)
    };
    !h.cut.unknown.iter().any(|&u| h.cut.sentences[u] == sentence)
        && (0..h.cut.atoms.len())
            .all(|k| k == here.i || h.atom(k).sentence != sentence || !says_more(k))
}
