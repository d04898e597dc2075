//! A phrase as the reader takes it in: its atoms, how each is to be taken, and the lexicon they are
//! read by. Every step of the reader looks at the same three.

use crate::lexicon::family::Family;
use crate::lexicon::model::{ItemId, Lexicon};

use super::atoms::{Atom, Cut};
use super::clauses::Taken;
use super::types::Side;

/// A phrase as the reader takes it in.
#[derive(Debug, Clone, Copy)]
pub(super) struct Heard<'a> {
    /// The phrase, cut into atoms.
    pub cut: &'a Cut,
    /// For each atom, how it is to be taken.
    pub taken: &'a [Taken],
    /// The lexicon.
    pub lex: &'a Lexicon,
}

impl<'a> Heard<'a> {
    /// The atom at that place.
    pub fn atom(&self, i: usize) -> &'a Atom {
        &self.cut.atoms[i]
    }

    /// The words of an atom.
    pub fn said(&self, i: usize) -> String {
        self.cut.said(i)
    }

    /// Whether the atom is of that family.
    pub fn is(&self, i: usize, family: Family) -> bool {
        self.atom(i).is(self.lex, family)
    }

    /// Whether the atom is of one of those families.
    pub fn is_any(&self, i: usize, families: &[Family]) -> bool {
        families.iter().any(|f| self.is(i, *f))
    }

    /// Whether the atom counts: it is not set aside.
    pub fn counts(&self, i: usize) -> bool {
        self.taken[i].aside.is_none()
    }

    /// Places of the atoms that count and are of one of those families.
    pub fn places<'s>(&'s self, families: &'s [Family]) -> impl Iterator<Item = usize> + 's {
        (0..self.cut.atoms.len()).filter(|&i| self.counts(i) && self.is_any(i, families))
    }

    /// Whether the phrase says a word of one of those families, in a part that counts.
    pub fn says(&self, families: &[Family]) -> bool {
        self.places(families).next().is_some()
    }

    /// The first side, left or right, that the phrase says, set aside or not.
    pub fn first_side(&self) -> Option<Side> {
        self.cut.atoms.iter().find_map(|a| a.left_or_right(self.lex))
    }

    /// Whether a word of correction stands between two atoms.
    pub fn corrected_between(&self, a: usize, b: usize) -> bool {
        let no = |x: &Atom| {
            // "absent both. No, a flicker": "no" opens the clause.
            x.negation
                && x.to - x.from == 1
                && self.cut.tokens[x.from].surface == "no"
                && self.cut.opens_breath(x)
                && self.cut.comma_after(x)
        };
        self.cut
            .atoms
            .iter()
            .enumerate()
            .any(|(i, x)| i > a && i < b && (x.is(self.lex, Family::Correct) || no(x)))
    }

    /// Whether the phrase names an item outright that is not this one.
    pub fn names_other(&self, item: ItemId) -> bool {
        self.cut.atoms.iter().any(|a| {
            a.names_plainly(self.lex) && !a.items(self.lex).iter().any(|(i, _, _)| *i == item)
        })
    }
}
