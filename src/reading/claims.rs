//! From the segments of a phrase to its claims: which item, which side, which judgement.

use std::collections::HashSet;

use crate::lexicon::family::Family;
use crate::lexicon::matcher::Meaning;
use crate::lexicon::schema::NoMeans;

use super::claim::Claim;
use super::copy::copy;
use super::doubts;
use super::heard::Heard;
use super::memory::Memory;
use super::merge::{add, merge};
use super::negation;
use super::pairs::{Pair, pair};
use super::pieces::{Elem, Named, Piece, Segment, SideSaid};
use super::reasons::reason_in;
use super::resolve::{Judged, absence};
use super::rest::doubt_what_is_left;
use super::sides::{late_side, lone_side, without_pointing, without_stray};
use super::situation::{Near, Situation, Spot, resolve_piece};
use super::talk::Candidate;
use super::types::{Doubt, Side, Status};

/// The claims of a phrase's segments. `waiting`: a side that was said before the phrase and waits
/// for its judgement.
pub(super) fn claims_of(
    segs: &[Segment],
    h: &Heard<'_>,
    memory: &Memory,
    waiting: Option<SideSaid>,
) -> Vec<Claim> {
    let mut claims: Vec<Claim> = Vec::new();
    let mut used: HashSet<usize> = HashSet::new();
    // A side that an earlier segment of the phrase named without judging it.
    let mut carried: Option<SideSaid> = None;
    for seg in segs {
        let near = Near { side: carried.or(waiting), in_phrase: carried.is_some() };
        let mut made = of_segment(seg, h, memory, near, &claims);
        carried = lone_side(seg, made.is_empty()).or(carried.filter(|_| made.is_empty()));
        if made.is_empty() && seg.at_hand {
            late_side(seg, &mut claims);
        }
        if may_be_reason(seg, &claims, h) {
            for c in &mut made {
                c.doubts.push(Doubt::Remark("after an omission, perhaps its reason".into()));
            }
        }
        used.extend(said_not_to_be(seg, h, memory, &mut made));
        for c in made {
            used.insert(c.first_atom);
            used.extend(&c.atoms);
            add(&mut claims, c, h);
        }
    }
    negation::doubt_absences(&mut claims);
    doubt_what_another_was_named_for(&mut claims, segs, h);
    doubt_what_is_left(&mut claims, segs, &used, h);
    claims
}

/// "Biceps jerk present" where the item at hand takes *present* and the biceps jerk does not: what
/// follows the name of an item was hardly said of another.
fn doubt_what_another_was_named_for(claims: &mut [Claim], segs: &[Segment], h: &Heard<'_>) {
    let judged: HashSet<usize> = claims.iter().map(|c| c.item).collect();
    for c in claims.iter_mut().filter(|c| c.at_hand && c.is_observed()) {
        let at = h.atom(c.first_atom);
        let held = segs.iter().find(|s| s.elems.iter().any(|e| e.atom == c.first_atom));
        if let Some(i) = held.and_then(|s| s.in_place_of) {
            let name = |i: usize| h.lex.items[i].name.as_str();
            c.doubts.push(Doubt::SeveralItems(format!("{}, {}", name(c.item), name(i))));
            continue;
        }
        let named = segs.iter().filter(|s| !s.at_hand && s.sentence == at.sentence).find(|s| {
            let before = s.items.iter().filter_map(|n| n.atom).any(|a| h.atom(a).from < at.from);
            before && !s.item_ids().any(|i| judged.contains(&i))
        });
        if let Some(i) = named.and_then(|s| s.item_ids().next()) {
            let name = |i: usize| h.lex.items[i].name.as_str();
            c.doubts.push(Doubt::SeveralItems(format!("{}, {}", name(c.item), name(i))));
        }
    }
}

/// "Not a hundred and ten, a hundred": the found value denied, and another in its place, is a
/// correction. Gives the atoms of what was denied.
fn said_not_to_be(seg: &Segment, h: &Heard<'_>, memory: &Memory, made: &mut [Claim]) -> Vec<usize> {
    let mut denied = Vec::new();
    for e in seg.elems.iter().filter(|e| e.negated && e.piece == Piece::Judgement) {
        let plain = Elem { negated: false, ..*e };
        for c in made.iter_mut().filter(|c| c.is_observed() && c.first_atom > e.atom) {
            let Some(j) = resolve_piece(h, memory, &plain, c.item) else { continue };
            if memory.of(c.item).next().is_some_and(|f| Judged::of(f).same_value(&j)) {
                c.corrected = true;
                denied.push(e.atom);
            }
        }
    }
    denied
}

/// Whether the segment may be the reason for an omission before it: "sutures can't be felt, big
/// caput". So it is where the item's name is itself the judgement.
fn may_be_reason(seg: &Segment, claims: &[Claim], h: &Heard<'_>) -> bool {
    let opens = seg.elems.first().map(|e| e.atom);
    seg.items.iter().all(|n| n.atom.is_some() && n.atom == opens)
        && claims.iter().any(|c| {
            c.status == Status::Skipped
                && h.atom(c.first_atom).sentence == seg.sentence
                && !seg.item_ids().any(|i| i == c.item)
        })
}

/// Whether something was said between two atoms that is no word of joining: a judgement that none of
/// the items takes, or a word not understood.
fn says_between(seg: &Segment, h: &Heard<'_>, a: usize, b: usize) -> bool {
    let judged = |k: usize| seg.elems.iter().any(|e| e.atom == k && e.piece == Piece::Judgement);
    let tokens = h.atom(a).to..h.atom(b).from;
    let unknown = h.cut.unknown.iter().any(|u| tokens.contains(u));
    let joined = (a + 1..b).any(|k| h.is(k, Family::And));
    !joined && (unknown || (a + 1..b).any(judged))
}

/// "Biceps present on the left, can't get it on the right": a meaning the item has no value for, said of
/// one side in a breath of its own. Something was found there, and a person says what.
fn unread_on_one_side(
    seg: &Segment,
    h: &Heard<'_>,
    memory: &Memory,
    elems: &[Elem],
) -> Option<Claim> {
    let [n] = &seg.items[..] else { return None };
    if seg.at_hand || seg.negated || !h.lex.items[n.item].sided {
        return None;
    }
    elems.iter().find_map(|e| {
        let shared = h.atom(e.atom).meanings(h.lex).any(|(m, _)| matches!(m, Meaning::Concept(_)));
        let breath = || elems.iter().filter(|x| x.group == e.group);
        let mut sides = breath().filter_map(|x| x.piece.side());
        let (side, None) = (sides.next()?.single()?, sides.next()) else { return None };
        let alone = breath().filter(|x| x.piece.judges()).count() == 1;
        let read = resolve_piece(h, memory, e, n.item).is_some();
        if e.piece != Piece::Judgement || e.negated || !shared || !alone || read {
            return None;
        }
        let mut c = Claim::new(n.item, Some(side), Status::Observed, Judged::default(), seg);
        c.first_atom = e.atom;
        c.atoms.push(e.atom);
        c.group = e.group;
        c.why =
            format!("{}: \"{}\", which is no value of it", h.lex.items[n.item].id, h.said(e.atom));
        c.doubts.push(Doubt::MuchNotUnderstood(h.said(e.atom)));
        Some(c)
    })
}

/// The claims of one segment.
fn of_segment(
    seg: &Segment,
    h: &Heard<'_>,
    memory: &Memory,
    near: Near,
    before: &[Claim],
) -> Vec<Claim> {
    let mut elems = negation::settle(seg, h, memory, before.is_empty());
    negation::deny_signs(&mut elems, h);
    let unread = unread_on_one_side(seg, h, memory, &elems);
    // What none of the items takes must not part a side from its judgement.
    elems.retain(|e| {
        e.piece != Piece::Judgement
            || h.is(e.atom, Family::Negation)
            || seg.item_ids().any(|i| resolve_piece(h, memory, e, i).is_some_and(|j| !j.denied))
    });
    let elems = without_stray(&without_pointing(&elems), h);
    let sit = Situation { h, memory, seg, elems: &elems, near, before };
    let mut pairs = pair(&elems, &|a, b| says_between(seg, h, a, b));
    if seg.negated {
        let bare = pairs.iter().flat_map(|p| &p.js).all(|e| e.piece == Piece::Skip);
        if bare || negation::negated_by(seg, h) == "not" {
            return negation::negated_items(&sit);
        }
        // The negation takes the place of the judgement that a "too" would copy.
        for p in &mut pairs {
            p.js.retain(|e| e.piece != Piece::Too);
        }
    }
    let mut out: Vec<Claim> = negation::denied_side(&sit).into_iter().chain(unread).collect();
    let (meant, doubts) = sit.meant(&pairs);
    for n in meant {
        let mut last: Option<(Option<Side>, Judged, Status)> = None;
        for p in &pairs {
            let Some(mut c) = sit.of_pair(n, p, &doubts, &mut out) else { continue };
            // "right two millimetres, sluggish": the same side goes on.
            // "Right: first time nothing, second time a blink, third time she turns."
            let another = c.again && c.is_unstated();
            let corrects_last =
                out.last().is_some_and(|o| h.corrected_between(o.first_atom, c.first_atom));
            if (p.follows || another || corrects_last)
                && let Some((side, j, Status::Observed)) = &last
                && c.is_observed()
                && (j.completes(&c.judged)
                    || c.is_unstated()
                    // "left non-reactive, no hang on, sluggish": a correction keeps to the side.
                    || (c.side_inferred && corrects_last))
            {
                c.side = *side;
                c.doubts.retain(|d| *d != Doubt::SideNotSaid);
            }
            last = Some((c.side, c.judged.clone(), c.status));
            out.push(c);
        }
    }
    out
}

impl<'a> Situation<'a> {
    /// Which items of the segment are meant, with the doubts that come of there being several: of
    /// those that share a name, the ones that most judgements fit; of a group, all.
    fn meant(&self, pairs: &[Pair]) -> (Vec<&'a Named>, Vec<Doubt>) {
        let items = &self.seg.items;
        if let Some(words) = &self.seg.group_words {
            return (items.iter().collect(), vec![Doubt::Group(words.clone())]);
        }
        let fits = |n: &Named| {
            pairs
                .iter()
                .flat_map(|p| &p.js)
                .filter(|e| e.piece == Piece::Judgement && self.resolve(e, n.item).is_some())
                .count()
        };
        let best = items.iter().map(fits).max().unwrap_or(0);
        let meant: Vec<&Named> = items.iter().filter(|n| best == 0 || fits(n) == best).collect();
        let mut doubts = Vec::new();
        if meant.len() > 1 {
            let name = |n: &&Named| self.h.lex.items[n.item].name.as_str();
            doubts.push(Doubt::SeveralItems(meant.iter().map(name).collect::<Vec<_>>().join(", ")));
        }
        (meant, doubts)
    }

    /// The claim of one pair about one item. Where a pair of numbers turns out to be two sides, the
    /// first goes to `own`, the claims already made of the segment.
    fn of_pair(
        &self,
        n: &Named,
        p: &Pair,
        doubts: &[Doubt],
        own: &mut Vec<Claim>,
    ) -> Option<Claim> {
        let mut merged: Option<Claim> = None;
        for e in &p.js {
            let Some(mut c) = self.of_piece(&Spot { n, p, e, own }) else { continue };
            c.doubts.extend_from_slice(doubts);
            if c.status == Status::Skipped && c.reason.is_none() {
                c.reason = reason_in(self.h, self.seg);
            }
            match &mut merged {
                None => merged = Some(c),
                Some(m) if self.numbers_of_two_sides(m, &c) => {
                    if m.judged.value == c.judged.value && m.judged.number == c.judged.number {
                        m.side = Some(Side::Both);
                    } else {
                        m.doubts.push(Doubt::SidesNotNamed);
                        c.doubts.push(Doubt::SidesNotNamed);
                        own.push(std::mem::replace(m, c));
                    }
                }
                Some(m) => {
                    m.atoms.extend_from_slice(&c.atoms);
                    merge(m, c, self.h);
                }
            }
        }
        merged
    }

    /// "biceps two and two", "three and two": a pair of numbers for a pair.
    fn numbers_of_two_sides(&self, a: &Claim, b: &Claim) -> bool {
        let number = |c: &Claim| self.h.atom(c.first_atom).number.is_some();
        a.is_unstated()
            && number(a)
            && number(b)
            && (a.first_atom..b.first_atom).any(|i| self.h.is(i, Family::And))
    }

    /// The claim of one piece about one item.
    fn of_piece(&self, spot: &Spot<'_>) -> Option<Claim> {
        let Spot { n, p, e, .. } = *spot;
        let h = self.h;
        let it = &h.lex.items[n.item];
        let says_no = h.said(e.atom) == "no";
        let (mut status, mut judged) = match e.piece {
            Piece::Skip => (Status::Skipped, Judged::default()),
            Piece::NotObtained => (Status::NotObtained, Judged::default()),
            Piece::Same | Piece::Too => return copy(self, spot),
            _ if says_no && h.is(e.atom, Family::Negation) => {
                (Status::Observed, absence(n.item, h.lex)?)
            }
            _ => (Status::Observed, self.resolve(e, n.item)?),
        };
        if judged.denied || leads_to_name(h, n, e, &judged) {
            return None;
        }
        let side = self.side_going_on(spot, &judged);
        let candidate = Candidate { sit: self, spot, status, judged: &judged, side };
        if self.seg.at_hand && candidate.is_talk() {
            return None;
        }
        let unclear_no = says_no && it.no_means == NoMeans::Unclear;
        if unclear_no && goes_on(h, e) {
            // "left arm recoil no, cannula": not done, it seems; a person says which.
            (status, judged) = (Status::Skipped, Judged::default());
        }
        let mut c = Claim::new(n.item, side, status, judged, self.seg);
        c.first_atom = e.atom;
        c.atoms.push(e.atom);
        c.group = h.atom(e.atom).group;
        c.corrected = p.corrected || self.corrected_before(e);
        c.again = p.again || (self.seg.at_hand && (self.memory.again || self.says_again()));
        c.directive = p.directive;
        c.except = p.except;
        c.side_inferred = c.side == Some(Side::Both) && p.side.is_none();
        c.other_stands = h
            .cut
            .atoms
            .iter()
            .any(|a| a.sentence == h.atom(e.atom).sentence && a.is(h.lex, Family::Too));
        if unclear_no {
            c.doubts.push(Doubt::AbsentOrNotDone);
        }
        if c.is_unstated() && self.is_of_unnamed_side(n, p) {
            match self.makes_both(&c) {
                true => c.side = Some(Side::Both),
                false => c.doubts.push(Doubt::SidesNotNamed),
            }
        }
        doubts::attach(&mut c, self, spot);
        c.why = format!(
            "{} <- \"{}\"; {} <- \"{}\" ({})",
            it.id,
            n.atom.map_or("the item at hand".to_owned(), |a| h.said(a)),
            c.judged.value.as_deref().unwrap_or(c.status.word()),
            h.said(e.atom),
            c.judged.matched
        );
        Some(c)
    }

    /// The side of a judgement. "On the left nothing. … Third time, he stills.": where none is
    /// said, it goes on where it began.
    fn side_going_on(&self, spot: &Spot<'_>, judged: &Judged) -> Option<Side> {
        let side = self.side_of(spot.n, Some(judged), spot.p, spot.own);
        if !self.seg.at_hand || side != Some(Side::Unstated) {
            return side;
        }
        spot.earlier(self).find(|c| c.item == spot.n.item).map_or(side, |c| c.side)
    }

    /// "Correction. … After four.": the word of correction governs the sentences after it.
    fn corrected_before(&self, e: &Elem) -> bool {
        let sentence = self.h.atom(e.atom).sentence;
        (0..e.atom).any(|i| self.h.atom(i).sentence < sentence && self.h.is(i, Family::Correct))
    }

    /// Whether the segment, or its sentence, says that this is another trial.
    fn says_again(&self) -> bool {
        let h = self.h;
        self.seg.elems.iter().any(|e| e.piece == Piece::Again)
            || h.cut
                .atoms
                .iter()
                .any(|a| a.sentence == self.seg.sentence && a.is(h.lex, Family::Again))
    }
}

/// "Okay, so the Moro": a word that judges nothing leads to the name, and says nothing of it. "Good
/// Moro" does.
fn leads_to_name(h: &Heard<'_>, n: &Named, e: &Elem, judged: &Judged) -> bool {
    let (cut, at) = (h.cut, h.atom(e.atom));
    let Some(name) = n.atom.map(|a| h.atom(a)).filter(|a| at.to <= a.from) else { return false };
    let filler = (at.from..at.to).all(|t| h.lex.matcher.is_filler(&cut.tokens[t].folded));
    cut.is_praise(at) && (filler || at.to < name.from && (judged.stated || at.group != name.group))
}

/// Whether the sentence goes on after a bare *no* with a breath that is neither side nor judgement:
/// a reason, most likely.
fn goes_on(h: &Heard<'_>, no: &Elem) -> bool {
    let (cut, atom) = (h.cut, h.atom(no.atom));
    let reason = cut.atoms.iter().any(|x| x.sentence == atom.sentence && x.is_reason(h.lex));
    let next = atom.group + 1;
    let words = (0..cut.tokens.len()).any(|i| {
        cut.groups[i] == next && cut.sentences[i] == atom.sentence && cut.tokens[i].brk.is_none()
    });
    let judged =
        cut.atoms.iter().any(|x| x.group == next && (x.judges || x.left_or_right(h.lex).is_some()));
    reason || (words && !judged)
}
