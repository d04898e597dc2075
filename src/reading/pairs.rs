//! Pairs the sides of a segment with its judgements, in the order they were said.
//!
//! In one breath, a side that opens it takes the judgements after it; a judgement that opens it
//! takes the side after it. `GRAMMAR.md`, section 3, has the rules with examples.

use super::pieces::{Elem, Piece, SideSaid};

/// A pair of side and judgements, in the order said.
#[derive(Debug, Clone, Default)]
pub struct Pair {
    /// Side, if one was said with it.
    pub side: Option<SideSaid>,
    /// Judgement pieces.
    pub js: Vec<Elem>,
    /// Replaces what went before in the phrase.
    pub corrected: bool,
    /// Taken out of a statement about all.
    pub except: bool,
    /// Another trial.
    pub again: bool,
    /// Said to be the one that counts.
    pub directive: bool,
    /// "Equal", "symmetric" was said with it.
    pub equal: bool,
    /// Follows a pair with a side in the same breath without a side of its own.
    pub follows: bool,
}

/// Pairs sides with judgements, in the order they were said. `apart` tells of two atoms whether something
/// was said between them that is in no piece: then two sides are not named together.
pub fn pair(elems: &[Elem], apart: &dyn Fn(usize, usize) -> bool) -> Vec<Pair> {
    let mut pairing = Pairing { out: Vec::new(), pending: None, flags: Flags::default(), apart };
    let mut rest = elems;
    while let Some(first) = rest.first() {
        let end = rest.iter().position(|e| e.group != first.group).unwrap_or(rest.len());
        let (breath, after) = rest.split_at(end);
        if breath.iter().any(|e| e.piece.judges()) {
            pairing.judging(breath);
        } else {
            pairing.bare(breath, after);
        }
        rest = after;
    }
    pairing.out
}

/// What was said of the pair that comes next.
#[derive(Default)]
struct Flags {
    corrected: bool,
    except: bool,
    again: bool,
    directive: bool,
}

struct Pairing<'a> {
    out: Vec<Pair>,
    /// A side that waits for its judgement.
    pending: Option<SideSaid>,
    flags: Flags,
    apart: &'a dyn Fn(usize, usize) -> bool,
}

impl Pairing<'_> {
    /// Hands over to the pair what was said of it before it began.
    fn flag(&mut self, p: &mut Pair) {
        let f = std::mem::take(&mut self.flags);
        p.corrected |= f.corrected;
        p.except |= f.except;
        p.again |= f.again;
        p.directive |= f.directive;
    }

    /// A breath that judges nothing: flags only, or sides only.
    fn bare(&mut self, breath: &[Elem], after: &[Elem]) {
        for e in breath {
            match e.piece {
                Piece::Correct => self.flags.corrected = true,
                Piece::Except => self.flags.except = true,
                Piece::Again => self.flags.again = true,
                Piece::Directive => self.flags.directive = true,
                Piece::Equal => {
                    if let Some(p) = self.out.last_mut() {
                        p.equal = true;
                    }
                }
                _ => {}
            }
        }
        let sides: Vec<SideSaid> = breath.iter().filter_map(|e| e.piece.side()).collect();
        let Some(&first) = sides.first() else { return };
        let side = if sides.iter().any(|s| *s != first) { SideSaid::Both } else { first };
        let bare_before = self.out.last().is_some_and(|p| p.side.is_none());
        let takes_back = self.flags.corrected || self.flags.except;
        if bare_before && !takes_back && !opens_bare(after) {
            // "brisk, on the left": the judgements before it are its own.
            for p in self.out.iter_mut().rev().take_while(|p| p.side.is_none()) {
                p.side = Some(side);
            }
        } else {
            self.pending = Some(side);
        }
    }

    /// A breath with judgements.
    fn judging(&mut self, breath: &[Elem]) {
        let has_side = breath.iter().any(|e| e.piece.is_side());
        let side_first = breath
            .iter()
            .find(|e| e.piece.judges() || e.piece.is_side())
            .is_some_and(|e| e.piece.is_side());
        let mut current = Pair::default();
        // Whether `current` has begun.
        let mut open = false;
        // Whether "and" stands right before.
        let mut joined = false;
        // The side said last.
        let mut side_at: Option<usize> = None;
        for e in breath {
            let after_and = std::mem::replace(&mut joined, e.piece == Piece::And);
            match e.piece {
                Piece::Side(s)
                    if side_first
                        && current.side == Some(SideSaid::Both)
                        && !current.js.is_empty()
                        && !breath.iter().any(|x| x.atom > e.atom && x.piece.judges()) =>
                {
                    // "both increased on the right": both items, one side.
                    current.side = Some(s);
                }
                Piece::Side(s) if side_first => {
                    if open && !current.js.is_empty() {
                        self.out.push(std::mem::take(&mut current));
                        open = false;
                    }
                    // "left present, right absent" of an item that takes no "present": what was said
                    // of the left is not understood, and it is not absent.
                    let parted = side_at.replace(e.atom).is_some_and(|a| (self.apart)(a, e.atom));
                    current.side = match (open, current.side) {
                        (true, Some(before)) if before != s && !parted => Some(SideSaid::Both),
                        _ => Some(s),
                    };
                    self.flag(&mut current);
                    open = true;
                }
                Piece::Side(s) if current.js.is_empty() => {
                    // "brisk left and right"
                    let other = |p: &&mut Pair| after_and && p.side.is_some_and(|o| o != s);
                    if let Some(p) = self.out.last_mut().filter(other) {
                        p.side = Some(SideSaid::Both);
                    } else {
                        self.pending = Some(s);
                    }
                }
                Piece::Side(s) => {
                    current.side = Some(s);
                    self.out.push(std::mem::take(&mut current));
                    open = false;
                }
                Piece::Correct => {
                    // "left slow, no sorry, brisk": the same side again.
                    if !current.js.is_empty() {
                        let side = current.side;
                        self.out.push(std::mem::take(&mut current));
                        current.side = side;
                        open = true;
                    }
                    self.flags.corrected = true;
                }
                Piece::Except => {
                    if !current.js.is_empty() {
                        self.out.push(std::mem::take(&mut current));
                        open = false;
                    }
                    self.flags.except = true;
                }
                Piece::Again if current.js.is_empty() => self.flags.again = true,
                Piece::Again => current.again = true,
                Piece::Directive => self.flags.directive = true,
                Piece::Equal => match self.out.last_mut().filter(|_| current.js.is_empty()) {
                    Some(p) => p.equal = true,
                    None => current.equal = true,
                },
                p if p.judges() => {
                    self.flag(&mut current);
                    current.js.push(*e);
                    open = true;
                }
                _ => {}
            }
        }
        if current.js.is_empty() {
            if open {
                self.pending = current.side.or(self.pending);
            }
            return;
        }
        if current.side.is_none() && !has_side {
            if let Some(s) = self.pending.take() {
                current.side = Some(s);
            } else if self.out.last().is_some_and(|p| p.side.is_some()) {
                current.follows = true;
            }
        }
        self.out.push(current);
    }
}

/// Whether the breath that comes next judges without a side of its own.
fn opens_bare(after: &[Elem]) -> bool {
    let Some(first) = after.first() else { return false };
    let mut next = after.iter().take_while(|e| e.group == first.group);
    next.clone().any(|e| e.piece.judges()) && !next.any(|e| e.piece.is_side())
}
