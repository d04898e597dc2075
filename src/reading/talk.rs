//! Words that fit the item at hand, but are no judgement of it: talk by the way.
//!
//! An item that is named is judged by what is said of it. The item at hand only seems to be spoken
//! of, and the more is known of it already, or the more of the phrase speaks of something else or
//! was not understood, the less a word that happens to fit may say of it.

use crate::lexicon::family::Family;
use crate::lexicon::matcher::Meaning;

use super::claim::Claim;
use super::resolve::Judged;
use super::situation::{Situation, Spot};
use super::types::{Side, Status};

/// A judgement of the item at hand, to be weighed.
pub(super) struct Candidate<'a> {
    /// All that bears on it.
    pub sit: &'a Situation<'a>,
    /// Where it stands.
    pub spot: &'a Spot<'a>,
    /// Whether it was found.
    pub status: Status,
    /// What was found.
    pub judged: &'a Judged,
    /// The side it would be about.
    pub side: Option<Side>,
}

impl Candidate<'_> {
    /// Whether it is talk, and no finding.
    pub fn is_talk(&self) -> bool {
        self.judged.implausible.is_some()
            || self.is_praise()
            || self.is_bare_negation()
            || self.adds_nothing()
            || self.is_remark()
            || self.is_about_another()
            || self.is_time_of_day()
            || self.leaves_out_another()
            || self.contradicts_unheard()
    }

    fn known(&self) -> bool {
        self.sit.memory.knows(self.spot.n.item)
    }

    /// Whether neither a side nor a word of correction, repetition or command goes with it.
    fn is_bare(&self) -> bool {
        let p = self.spot.p;
        p.side.is_none() && !p.corrected && !p.again && !p.directive
    }

    /// "Okay.", "Good, good.", "There we go.": all that its sentence says judges nothing, and the
    /// phrase names no item before it.
    fn is_praise(&self) -> bool {
        let (cut, lex) = (self.sit.h.cut, self.sit.h.lex);
        let atom = &cut.atoms[self.spot.e.atom];
        let within =
            |t: usize, spans: &[(usize, usize)]| spans.iter().any(|s| (s.0..s.1).contains(&t));
        let says_nothing = |t: usize| {
            let token = &cut.tokens[t];
            token.brk.is_some()
                || within(t, &cut.praise)
                || cut.idle.contains(&t)
                || cut.addressed.contains(&t)
                || lex.matcher.is_filler(&token.folded)
        };
        let named = cut.atoms[..self.spot.e.atom].iter().any(|a| !a.items(lex).is_empty());
        !named
            && cut.is_praise(atom)
            && (0..cut.tokens.len())
                .filter(|&t| cut.sentences[t] == atom.sentence)
                .all(says_nothing)
    }

    fn is_bare_negation(&self) -> bool {
        self.sit.h.atom(self.spot.e.atom).negation && self.spot.p.side.is_none() && self.known()
    }

    /// Whether an item that has had its judgement would get one that says little.
    fn adds_nothing(&self) -> bool {
        let Spot { n, p, .. } = self.spot;
        let said_before = |c: &Claim| c.item == n.item;
        // "No nystagmus with it" says nothing against what was found.
        let had = self.sit.memory.has_observed(n.item) || self.sit.before.iter().any(said_before);
        if self.judged.yields && had && !p.corrected && p.side.is_none() {
            return true;
        }
        // A bare "fine" or "nothing" about an item that has had its judgement is talk.
        (self.judged.by_concept || self.judged.stated)
            && self.is_bare()
            && (self.known() || self.spot.earlier(self.sit).any(said_before))
    }

    /// "Exchange left with, no, leave it, it was good so."
    fn is_remark(&self) -> bool {
        let h = self.sit.h;
        self.judged.stated && (!h.cut.unknown.is_empty() || h.says(&[Family::Correct, Family::But]))
    }

    /// Whether the phrase is about another item.
    fn is_about_another(&self) -> bool {
        let Spot { n, p, .. } = self.spot;
        if p.side.is_some() {
            return false;
        }
        // "Nothing high-pitched there, a strong cry"
        if self.judged.by_concept && self.sit.h.names_other(n.item) {
            return true;
        }
        // An item that has had its judgement is not judged again by the way.
        let other = self.spot.earlier(self.sit).any(|c| c.item != n.item && !c.at_hand);
        !p.corrected && !p.again && other && self.known()
    }

    /// "Same again at six.": a time, not a measurement.
    fn is_time_of_day(&self) -> bool {
        let cut = self.sit.h.cut;
        let atom = &cut.atoms[self.spot.e.atom];
        let before = atom.from.checked_sub(1).map(|k| cut.tokens[k].surface.as_str());
        atom.number.is_some()
            && before.is_some_and(|w| ["at", "until", "till"].contains(&w))
            && self.known()
    }

    /// Whether something was left out, but what it was is another item, or is among the words not
    /// understood.
    fn leaves_out_another(&self) -> bool {
        if self.status == Status::Observed {
            return false;
        }
        let h = self.sit.h;
        let (cut, e) = (h.cut, self.spot.e);
        let group = cut.atoms[e.atom].group;
        let other_named = cut.atoms[..e.atom].iter().filter(|a| a.group == group).any(|a| {
            a.meanings(h.lex).any(|(m, _)| matches!(m, Meaning::Group(_)))
                || (!a.is(h.lex, Family::BodyPart)
                    && a.items(h.lex).iter().any(|(i, _, _)| *i != self.spot.n.item))
        });
        let unknown_before =
            |to: usize| cut.unknown.iter().any(|&u| cut.groups[u] == group && u <= to);
        let side_first = || {
            self.sit
                .elems
                .iter()
                .any(|x| x.piece.is_side() && !unknown_before(cut.atoms[x.atom].from))
        };
        // "Skip hearing", "skip the eyes": what is skipped was named, and is not the item at hand.
        let something = || {
            cut.unknown.iter().any(|&u| cut.groups[u] == group)
                || cut.atoms.iter().filter(|a| a.group == group).any(|a| {
                    a.is(h.lex, Family::BodyPart)
                        || a.items(h.lex).iter().any(|(i, _, _)| *i != self.spot.n.item)
                })
        };
        if self.status == Status::Skipped && self.spot.p.side.is_none() && something() {
            return true;
        }
        other_named || (unknown_before(cut.atoms[e.atom].from) && !side_first())
    }

    /// Whether a word that says little would contradict what was found, in a phrase that was not
    /// all understood.
    fn contradicts_unheard(&self) -> bool {
        let (h, judged) = (self.sit.h, self.judged);
        self.is_bare()
            && !h.says(&[Family::Correct, Family::Strike, Family::Withdraw])
            && !h.cut.unknown.is_empty()
            && self.status == Status::Observed
            && (judged.by_concept || judged.yields)
            && self.sit.memory.of(self.spot.n.item).any(|f| {
                f.covers(self.side)
                    && f.status == Status::Observed
                    && (f.value != judged.value || f.number != judged.number)
                    && !Judged::of(f).completes(judged)
            })
    }
}
