//! Cuts a phrase's atoms into segments: the items named, each with what was said of it.

use std::collections::HashSet;

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming, Saying};
use crate::lexicon::model::{ItemId, Lexicon};

use super::assemble::{
    Elem, Named, Piece, Segment, adjacent, may_judge, piece_of, resolve, resolve_whole, said,
};
use super::atoms::Cut;
use super::clauses::Taken;

/// What is at hand when a phrase begins.
#[derive(Debug, Clone, Default)]
pub struct AtHand {
    /// Items named last and still waiting or lately judged.
    pub items: Vec<ItemId>,
    /// Items whose number was last said with its unit.
    pub units_known: HashSet<ItemId>,
    /// Whether they were named in the plural.
    pub plural: bool,
    /// Items that have a finding.
    pub found: HashSet<ItemId>,
}

/// The segments of a phrase, and items named in parts that were set aside.
#[derive(Debug, Default)]
pub struct Segmented {
    /// Segments in order.
    pub segments: Vec<Segment>,
    /// Whether the items at hand at the end were named in the plural.
    pub plural: bool,
    /// Items named where the past or a remark was spoken of: they are at hand afterwards.
    pub mentioned: Vec<ItemId>,
}

struct Walk<'a> {
    cut: &'a Cut,
    lex: &'a Lexicon,
    at_hand: &'a AtHand,
    out: Vec<Segment>,
    cur: Option<Segment>,
    floating: Vec<Elem>,
    /// Items that later sentences of the phrase may speak of.
    now: Vec<ItemId>,
    /// Whether they were named in the plural.
    now_plural: bool,
    sentence: usize,
}

impl Walk<'_> {
    fn fits(&self, atom: usize, item: ItemId, negated: bool) -> bool {
        let known = self.at_hand.units_known.contains(&item);
        resolve(self.cut, &self.cut.atoms[atom], item, negated, known, self.lex)
            .is_some_and(|j| j.implausible.is_none())
    }

    /// Fits by more than a bare "fine" or "present".
    fn fits_well(&self, atom: usize, item: ItemId) -> bool {
        let known = self.at_hand.units_known.contains(&item);
        let a = &self.cut.atoms[atom];
        // A stretch that names another item says nothing of this one by the way ("palate intact"
        // is not "intact").
        let names_other = a.meanings(self.lex).any(|(m, _)| match m {
            Meaning::Item(i, Naming::Plain | Naming::Plural) => i != item,
            Meaning::Value { item: i, how: Saying::Alone, .. } => i != item,
            _ => false,
        });
        let by = if names_other { resolve_whole } else { resolve };
        by(self.cut, a, item, false, known, self.lex)
            .is_some_and(|j| j.implausible.is_none() && !j.by_concept)
    }

    fn close(&mut self) {
        if let Some(s) = self.cur.take() {
            self.now = s.items.iter().map(|n| n.item).collect();
            self.now_plural = s.items.iter().all(|n| n.plural) && s.group_words.is_none();
            self.out.push(s);
        }
    }

    /// At the end of a sentence: a landmark that was named by the way ("beside the spine") takes no
    /// judgement; what does not fit it is the item's that the sentence before announced.
    fn mend_landmarks(&mut self, first: usize, announced: &[ItemId]) {
        let orphan = |w: &Self, s: &Segment| {
            let js: Vec<&Elem> = s.elems.iter().filter(|e| e.piece == Piece::Judgement).collect();
            !s.at_hand
                && !js.is_empty()
                && js.iter().all(|e| !s.items.iter().any(|n| w.fits(e.atom, n.item, e.negated)))
                && js.iter().any(|e| announced.iter().any(|&i| w.fits_well(e.atom, i)))
        };
        let orphans: Vec<usize> =
            (first..self.out.len()).filter(|&k| orphan(self, &self.out[k])).collect();
        if orphans.is_empty() {
            return;
        }
        for &k in &orphans {
            let s = &mut self.out[k];
            s.at_hand = true;
            s.items = announced
                .iter()
                .map(|&item| Named { item, naming: Naming::Plain, plural: false, atom: None })
                .collect();
        }
        self.out.retain(|s| {
            s.at_hand
                || s.sentence != self.sentence
                || s.elems
                    .iter()
                    .any(|e| matches!(e.piece, Piece::Judgement | Piece::Skip | Piece::NotObtained))
        });
        self.now = announced.to_vec();
    }

    /// Pieces said before any item of the sentence belong to the item at hand.
    fn flush_floating(&mut self) {
        if self.floating.is_empty() {
            return;
        }
        let elems = std::mem::take(&mut self.floating);
        self.out.push(Segment {
            items: self
                .now
                .iter()
                .map(|&item| Named {
                    item,
                    naming: Naming::Plain,
                    plural: self.now_plural,
                    atom: None,
                })
                .collect(),
            group: elems[0].group,
            elems,
            at_hand: true,
            sentence: self.sentence,
            ..Segment::default()
        });
    }

    fn push(&mut self, e: Elem) {
        match &mut self.cur {
            Some(s) => s.elems.push(e),
            None => self.floating.push(e),
        }
    }

    /// Opens a segment for items named by `atom`; decides what said before belongs to it.
    fn open(&mut self, items: Vec<Named>, atom: usize, group_words: Option<String>) {
        let group = self.cut.atoms[atom].group;
        let ids: Vec<ItemId> = items.iter().map(|n| n.item).collect();
        let fits_new = |w: &Self, e: &Elem| {
            e.piece != Piece::Judgement || ids.iter().any(|&i| w.fits(e.atom, i, e.negated))
        };
        let mut carried: Vec<Elem> = Vec::new();
        let mut negated = false;
        if let Some(cur) = self.cur.as_mut() {
            let own_group = cur.group;
            let mut tail = cur.elems.len();
            if group > own_group {
                while tail > 0 && cur.elems[tail - 1].group == group {
                    tail -= 1;
                }
            }
            // In one breath ("pull to sit full lag ventral suspension …") only a negation or side
            // right before the new item is its own.
            let same_breath = tail == cur.elems.len();
            if same_breath {
                let named_at = cur.items.iter().filter_map(|n| n.atom).max().unwrap_or(0);
                while tail > 0
                    && cur.elems[tail - 1].atom > named_at
                    && cur.elems[tail - 1].group == group
                    && matches!(cur.elems[tail - 1].piece, Piece::No | Piece::Side(_) | Piece::And)
                    && adjacent(
                        self.cut,
                        cur.elems[tail - 1].atom,
                        cur.elems.get(tail).map_or(atom, |e| e.atom),
                        0,
                    )
                {
                    let side = matches!(cur.elems[tail - 1].piece, Piece::Side(_));
                    // "two right knee jerk": the side is the first item's unless it has one.
                    let judged: Vec<&Elem> = cur.elems[..tail - 1]
                        .iter()
                        .filter(|e| e.piece == Piece::Judgement)
                        .collect();
                    let has_side =
                        cur.elems[..tail - 1].iter().any(|e| matches!(e.piece, Piece::Side(_)));
                    let sided = cur.items.iter().any(|n| self.lex.items[n.item].sided);
                    if side && !judged.is_empty() && !has_side && sided {
                        break;
                    }
                    tail -= 1;
                }
            }
            let moved: Vec<Elem> = cur.elems.split_off(tail);
            let cur_ids: Vec<ItemId> = cur.items.iter().map(|n| n.item).collect();
            let cur_judged = cur
                .elems
                .iter()
                .any(|e| matches!(e.piece, Piece::Judgement | Piece::Skip | Piece::NotObtained));
            let stays = |w: &Self, e: &Elem| {
                e.piece == Piece::Judgement
                    && cur_ids.iter().any(|&i| w.fits(e.atom, i, e.negated))
                    && (!cur_judged || !ids.iter().any(|&i| w.fits(e.atom, i, e.negated)))
            };
            // A judgement that only the old item takes stays with it, and what stands before it too.
            let keep = moved
                .iter()
                .rposition(|e| {
                    stays(self, e)
                        && !(e.group == group && ids.iter().any(|&i| self.fits_well(e.atom, i)))
                })
                .map_or(0, |k| k + 1);
            let keep =
                if moved[..keep].iter().any(|e| e.piece == Piece::Judgement) { keep } else { 0 };
            carried.extend_from_slice(&moved[keep..]);
            let mut back = moved[..keep].to_vec();
            if let Some(c) = self.cur.as_mut() {
                c.elems.append(&mut back);
            }
            self.close();
        } else {
            let floating = std::mem::take(&mut self.floating);
            // What the item at hand takes and the new one does not is the former's.
            let split = floating
                .iter()
                .rposition(|e| {
                    e.piece == Piece::Judgement
                        && !fits_new(self, e)
                        && self.now.iter().any(|&i| self.fits(e.atom, i, e.negated))
                })
                .map_or(0, |k| k + 1);
            // A judgement in an earlier group that the item at hand takes belongs to it.
            let split = floating
                .iter()
                .rposition(|e| {
                    e.piece == Piece::Judgement
                        && e.group != group
                        && self.now.iter().any(|&i| self.fits_well(e.atom, i))
                })
                .map_or(split, |k| split.max(k + 1));
            // "Okay, tone.": a bare "okay" in a breath of its own is no judgement.
            carried.extend(floating[split..].iter().copied().filter(|e| {
                e.piece != Piece::Judgement
                    || e.group == group
                    || ids.iter().any(|&i| self.fits_well(e.atom, i))
            }));
            self.floating = floating[..split].to_vec();
            self.flush_floating();
        }
        // "no prone": the negation right before the item is the item's.
        if let Some(last) = carried.last()
            && last.piece == Piece::No
            && adjacent(self.cut, last.atom, atom, 1)
        {
            negated = true;
            carried.pop();
        }
        self.cur = Some(Segment {
            items,
            elems: carried,
            at_hand: false,
            group_words,
            group,
            sentence: self.sentence,
            negated,
        });
    }
}

/// Cuts the live atoms of a phrase into segments.
#[allow(clippy::too_many_lines)] // one walk over the atoms, decision after decision
pub fn segments(cut: &Cut, taken: &[Taken], at_hand: &AtHand, lex: &Lexicon) -> Segmented {
    let mut w = Walk {
        cut,
        lex,
        at_hand,
        out: Vec::new(),
        cur: None,
        floating: Vec::new(),
        now: at_hand.items.clone(),
        now_plural: at_hand.plural,
        sentence: 0,
    };
    let mut mentioned = Vec::new();
    let mut skip_next_part = None;
    let mut first = 0;
    let mut announced = w.now.clone();
    for i in 0..cut.atoms.len() {
        let atom = &cut.atoms[i];
        if atom.sentence != w.sentence {
            w.flush_floating();
            w.close();
            w.mend_landmarks(first, &announced);
            w.sentence = atom.sentence;
            first = w.out.len();
            announced.clone_from(&w.now);
        }
        let plain: Vec<(ItemId, Naming, bool)> = atom
            .items(lex)
            .into_iter()
            .filter(|(_, n, _)| matches!(n, Naming::Plain | Naming::Plural))
            .collect();
        if let Some(aside) = taken[i].aside {
            use super::clauses::Aside;
            if matches!(aside, Aside::Past | Aside::Teach | Aside::Later | Aside::Other) {
                mentioned.extend(plain.iter().map(|(k, _, _)| *k));
                if let [one] = plain[..] {
                    w.flush_floating();
                    w.close();
                    w.now = vec![one.0];
                    w.now_plural = one.2 || one.1 == Naming::Plural;
                }
            }
            continue;
        }
        // "there" is a judgement right after an item or a side only ("red reflex there, left").
        if cut.tokens[atom.from].surface == "there" && atom.to == atom.from + 1 {
            let after_name = i > 0
                && adjacent(cut, i - 1, i, 0)
                && (names_any(&cut.atoms[i - 1], lex) || is_side(&cut.atoms[i - 1], lex));
            let opens = cut.tokens.get(atom.to).is_some_and(|t| {
                ["'s", "is", "are", "was", "were", "will", "may", "can"]
                    .contains(&t.surface.as_str())
            });
            let beside_side =
                cut.atoms.get(i + 1).is_some_and(|n| is_side(n, lex) && adjacent(cut, i, i + 1, 0));
            let alone = cut.atoms.iter().all(|a| a.from == atom.from || is_side(a, lex))
                && cut.unknown.is_empty();
            if opens || !(after_name || beside_side || alone) {
                continue;
            }
        }
        let elem =
            |piece: Piece, negated: bool| Elem { piece, atom: i, group: atom.group, negated };
        let negated = {
            let last =
                w.cur.as_ref().map_or_else(|| w.floating.last(), |c| c.elems.last()).copied();
            last.filter(|e| e.piece == Piece::No && adjacent(cut, e.atom, i, 2))
        };
        // A part of the body right after a side is the side's (*right arm*).
        let part = atom.is(lex, Family::BodyPart);
        let after_side = skip_next_part.is_some_and(|k: usize| adjacent(cut, k, i, 1));
        skip_next_part = None;
        let ends_breath = cut.tokens.get(atom.to).is_none_or(|t| t.brk.is_some());
        let piece = piece_of(atom, lex).filter(|_| {
            ends_breath || !atom.is(lex, Family::WeakSkip) || atom.is(lex, Family::Skip)
        });
        let current: Vec<ItemId> = w
            .cur
            .as_ref()
            .map_or_else(|| w.now.clone(), |c| c.items.iter().map(|n| n.item).collect());
        let fits_current =
            may_judge(atom, lex) && current.iter().any(|&k| w.fits(i, k, negated.is_some()));
        let current_named = w.cur.is_some();

        // A value that names its own item, where the item at hand does not take it.
        let alone: Vec<ItemId> = atom
            .meanings(lex)
            .filter_map(|(m, _)| match m {
                Meaning::Value { item, how: Saying::Alone, .. } => Some(item),
                _ => None,
            })
            .collect::<HashSet<_>>()
            .into_iter()
            .collect();
        let fits_current_well = may_judge(atom, lex) && current.iter().any(|&k| w.fits_well(i, k));

        let group = atom.meanings(lex).find_map(|(m, _)| match m {
            Meaning::Group(g) => Some(g),
            _ => None,
        });
        let already = |w: &Walk<'_>| {
            w.cur.as_ref().is_some_and(|c| c.elems.iter().any(|e| e.piece == Piece::Judgement))
        };
        let judged_here = current_named && !already(&w);
        if !(plain.is_empty() || fits_current_well && judged_here) {
            let many = plain.len() > 1;
            let named: Vec<Named> = plain
                .iter()
                .map(|&(item, naming, plural)| Named {
                    item,
                    naming,
                    plural: plural || naming == Naming::Plural,
                    atom: Some(i),
                })
                .collect();
            // Naming the item of the running segment again adds nothing.
            let again = w.cur.as_ref().is_some_and(|c| {
                !many
                    && c.items.len() == 1
                    && c.items[0].item == named[0].item
                    && c.group_words.is_none()
            });
            if again {
                if let Some(c) = w.cur.as_mut() {
                    c.items[0].plural |= named[0].plural;
                }
                // "knee jerk right three, knee jerk left two" keeps pairing by order.
                continue;
            }
            w.open(named, i, None);
            // "upgoing plantars": a value in the same stretch.
            if may_judge(atom, lex) && w.fits_well(i, plain[0].0) {
                w.push(elem(Piece::Judgement, negated.is_some()));
            }
            continue;
        }
        if let Some(g) = group.filter(|_| !fits_current_well) {
            let named: Vec<Named> = lex.groups[g]
                .items
                .iter()
                .map(|&item| Named { item, naming: Naming::Plural, plural: true, atom: Some(i) })
                .collect();
            w.open(named, i, Some(said(cut, i)));
            continue;
        }
        if !fits_current_well && let [item] = alone[..] {
            let same = current_named && current == [item];
            if !same {
                w.open(
                    vec![Named { item, naming: Naming::Plain, plural: false, atom: Some(i) }],
                    i,
                    None,
                );
            }
            w.push(elem(Piece::Judgement, negated.is_some()));
            continue;
        }
        // Sides, negation, commands.
        if let Some(p) = piece
            && !(fits_current_well
                && matches!(
                    p,
                    Piece::Side(_)
                        | Piece::Equal
                        | Piece::Skip
                        | Piece::NotObtained
                        | Piece::Correct
                        | Piece::Again
                ))
        {
            if let Piece::Side(_) = p {
                skip_next_part = Some(i);
            }
            w.push(elem(p, negated.is_some()));
            // "equal" and "symmetric" are a side and may be a judgement too.
            if p == Piece::Equal && fits_current {
                w.push(elem(Piece::Judgement, negated.is_some()));
            }
            continue;
        }
        // Weak names.
        let weak: Vec<(ItemId, bool)> = atom
            .items(lex)
            .into_iter()
            .filter(|(_, n, _)| matches!(n, Naming::Weak | Naming::Sound))
            .map(|(k, _, p)| (k, p))
            .collect();
        // "Tone in the right arm is low": the part names a sided item of its own.
        if part
            && after_side
            && current_named
            && !already(&w)
            && current.iter().all(|&k| !lex.items[k].sided)
            && let [(item, plural)] = weak[..]
            && lex.items[item].sided
            && (i + 1..cut.atoms.len())
                .find(|&k| may_judge(&cut.atoms[k], lex))
                .is_some_and(|k| cut.atoms[k].group == atom.group && w.fits_well(k, item))
        {
            let named = Named { item, naming: Naming::Weak, plural, atom: Some(i) };
            w.open(vec![named], i, None);
            continue;
        }
        // A correction speaks of the item at hand, not of whatever its words may also name.
        let correcting = !at_hand.items.is_empty()
            && cut.atoms[..i].iter().any(|a| {
                // "Correct that, the blink is brisk" names what it corrects.
                a.is(lex, Family::Correct)
                    && (a.sentence != atom.sentence
                        || !weak.iter().any(|(k, _)| at_hand.found.contains(k)))
            })
            && !weak.iter().any(|(k, _)| at_hand.items.contains(k));
        if !(weak.is_empty() || correcting || fits_current && current_named && !already(&w)) {
            let sound = atom.items(lex).iter().any(|(_, n, _)| *n == Naming::Sound);
            let ahead: Vec<usize> = (i + 1..cut.atoms.len())
                .take_while(|&k| {
                    let a = &cut.atoms[k];
                    (a.sentence == atom.sentence
                        || (a.sentence == atom.sentence + 1
                            && only_topic(cut, atom.sentence, i, lex)))
                        && !a
                            .items(lex)
                            .iter()
                            .any(|(_, n, _)| matches!(n, Naming::Plain | Naming::Plural))
                        && !a.meanings(lex).any(|(m, _)| {
                            matches!(m, Meaning::Value { item, how: Saying::Alone, .. }
                                if !weak.iter().any(|(k, _)| *k == item))
                        })
                })
                .filter(|&k| taken[k].aside.is_none() && may_judge(&cut.atoms[k], lex))
                .collect();
            let behind: Vec<usize> =
                w.floating.iter().filter(|e| e.piece == Piece::Judgement).map(|e| e.atom).collect();
            // "Rattle, left ear, no response.": a topic in a breath of its own opens its item.
            let leads = i.checked_sub(1).is_none_or(|k| cut.atoms[k].sentence != atom.sentence)
                && cut.atoms.iter().enumerate().all(|(k, a)| k == i || a.group != atom.group)
                && !cut.unknown.iter().any(|&u| cut.groups[u] == atom.group)
                && !weak.iter().any(|(k, _)| w.now.contains(k));
            let chosen: Vec<(ItemId, bool)> = weak
                .iter()
                .copied()
                .filter(|(k, _)| {
                    let f = |&a: &usize| w.fits_well(a, *k);
                    ahead.first().is_some_and(f)
                        || (i.checked_sub(1).is_none_or(|b| cut.atoms[b].sentence != atom.sentence)
                            && !cut.unknown.iter().any(|&u| cut.sentences[u] == atom.sentence)
                            && !w.now.contains(k)
                            && ahead
                                .first()
                                .is_some_and(|&a| adjacent(cut, i, a, 0) && w.fits(a, *k, false)))
                        || (leads && ahead.iter().any(|&a| w.fits(a, *k, false)))
                        || behind.last().is_some_and(f)
                        || (sound
                            && (ahead.iter().any(|a| {
                                cut.atoms[*a].sentence == atom.sentence && w.fits(*a, *k, false)
                            }) || cut.atoms.len() == 1))
                })
                .collect();
            let taken_by_current = ahead.first().is_some_and(|&a| {
                current_named && current.iter().any(|&k| w.fits_well(a, k)) && !already(&w)
            });
            let omitted = !current_named
                && !after_side
                && (i + 1..cut.atoms.len()).any(|k| {
                    cut.atoms[k].group == atom.group
                        && taken[k].aside.is_none()
                        && matches!(
                            piece_of(&cut.atoms[k], lex),
                            Some(Piece::Skip | Piece::NotObtained)
                        )
                })
                && ahead.is_empty();
            // A name heard by its sound alone opens nothing by itself.
            let topic = omitted
                || only_topic(cut, atom.sentence, i, lex)
                    && ahead.is_empty()
                    // "Fold the arms, hold" is an act, not a topic.
                    && !cut.atoms[..i].iter().any(|a| {
                        a.sentence == atom.sentence
                            && (a.is(lex, Family::Hold) || a.is(lex, Family::Release))
                    })
                    && !(sound && cut.atoms.len() > 1);
            let side_part = after_side && part && current_named;
            let pick = if !(chosen.is_empty() || taken_by_current || side_part) {
                chosen
            } else if topic && !after_side {
                weak.clone()
            } else {
                Vec::new()
            };
            if !pick.is_empty() {
                w.open(
                    pick.iter()
                        .map(|&(item, plural)| Named {
                            item,
                            naming: if sound { Naming::Sound } else { Naming::Weak },
                            plural,
                            atom: Some(i),
                        })
                        .collect(),
                    i,
                    None,
                );
                continue;
            }
        }
        if may_judge(atom, lex) {
            w.push(elem(Piece::Judgement, negated.is_some()));
        }
    }
    w.flush_floating();
    w.close();
    w.mend_landmarks(first, &announced);
    Segmented { segments: w.out, plural: w.now_plural, mentioned }
}

fn names_any(atom: &super::atoms::Atom, lex: &Lexicon) -> bool {
    !atom.items(lex).is_empty()
}

fn is_side(atom: &super::atoms::Atom, lex: &Lexicon) -> bool {
    matches!(piece_of(atom, lex), Some(Piece::Side(_)))
}

/// Whether the atom is all that its sentence says ("Hands.", "Scarf.").
fn only_topic(cut: &Cut, sentence: usize, atom: usize, lex: &Lexicon) -> bool {
    cut.atoms.iter().enumerate().all(|(k, a)| {
        a.sentence != sentence
            || k == atom
            || !(may_judge(a, lex)
                || a.items(lex).iter().any(|(_, n, _)| matches!(n, Naming::Plain | Naming::Plural))
                || matches!(piece_of(a, lex), Some(Piece::Skip | Piece::NotObtained)))
    }) && !cut.unknown.iter().any(|&u| cut.sentences[u] == sentence)
}
