//! From atoms to claims: which item, which side, which judgement.
//!
//! A sentence is cut into segments, one for each item named (or one for the item at hand). In a
//! segment, sides and judgements are paired in the order they were said. `GRAMMAR.md` has the rules
//! with examples.

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Hit, Meaning, Naming, Saying};
use crate::lexicon::model::{ItemId, Lexicon, STATED_ABNORMAL, STATED_NORMAL};
use crate::lexicon::schema::Stated;

use super::atoms::{Atom, Cut};
use super::clauses::words_of;

/// A side as said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SideSaid {
    /// Left.
    Left,
    /// Right.
    Right,
    /// Both.
    Both,
    /// The one opposite to the last.
    Other,
}

/// A piece of a segment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Piece {
    /// A side.
    Side(SideSaid),
    /// Both sides alike.
    Equal,
    /// Something that may be a value, a shared meaning or a number.
    Judgement,
    /// Not done.
    Skip,
    /// Tried, could not be elicited.
    NotObtained,
    /// As before.
    Same,
    /// As before, when nothing else is said.
    Too,
    /// A negation.
    No,
    /// What follows replaces.
    Correct,
    /// One is taken out of all.
    Except,
    /// Another trial.
    Again,
    /// What follows counts.
    Directive,
    /// And.
    And,
    /// All.
    All,
}

/// A piece with its atom.
#[derive(Debug, Clone, Copy)]
pub struct Elem {
    /// What it is.
    pub piece: Piece,
    /// Its atom.
    pub atom: usize,
    /// Comma group.
    pub group: usize,
    /// Whether a negation stands right before it.
    pub negated: bool,
}

/// An item of a segment.
#[derive(Debug, Clone, Copy)]
pub struct Named {
    /// Item.
    pub item: ItemId,
    /// How it was named.
    pub naming: Naming,
    /// Named in the plural.
    pub plural: bool,
    /// Atom that names it; `None` when it is the item at hand.
    pub atom: Option<usize>,
}

/// Items with what was said of them.
#[derive(Debug, Clone, Default)]
pub struct Segment {
    /// Items.
    pub items: Vec<Named>,
    /// Pieces in order.
    pub elems: Vec<Elem>,
    /// Whether the items are the ones at hand, not named here.
    pub at_hand: bool,
    /// Words of the group that named them, if a group did.
    pub group_words: Option<String>,
    /// Group of the naming atom.
    pub group: usize,
    /// Sentence.
    pub sentence: usize,
    /// A negation stands right before the item.
    pub negated: bool,
}

/// A judgement resolved for an item.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Judged {
    /// Value code.
    pub value: Option<String>,
    /// Number in the item's unit.
    pub number: Option<f64>,
    /// Range in the item's unit.
    pub range: Option<(f64, f64)>,
    /// Said only to be normal or abnormal.
    pub stated: bool,
    /// Gives way to a more telling value.
    pub yields: bool,
    /// By a shared meaning, not by a phrase of the item's own.
    pub by_concept: bool,
    /// The value says that the finding is in the middle.
    pub midline: bool,
    /// Out of the plausible range, in words.
    pub implausible: Option<String>,
    /// By sound, in words.
    pub by_sound: Option<String>,
    /// Denied: the value was ruled out, nothing was found.
    pub denied: bool,
    /// Lexicon phrase that matched.
    pub matched: String,
    /// A unit was said with the number.
    pub unit_said: bool,
}

/// What an atom is as a piece of a segment, if anything.
pub fn piece_of(atom: &Atom, lex: &Lexicon) -> Option<Piece> {
    use Family as F;
    let is = |f: F| atom.is(lex, f);
    // Order matters where one phrase is in two families.
    let table: [(F, Piece); 17] = [
        (F::Correct, Piece::Correct),
        (F::NotObtained, Piece::NotObtained),
        (F::Skip, Piece::Skip),
        (F::WeakSkip, Piece::Skip),
        (F::Left, Piece::Side(SideSaid::Left)),
        (F::Right, Piece::Side(SideSaid::Right)),
        (F::Equal, Piece::Equal),
        (F::Both, Piece::Side(SideSaid::Both)),
        (F::OtherSide, Piece::Side(SideSaid::Other)),
        (F::Same, Piece::Same),
        (F::Too, Piece::Too),
        (F::Negation, Piece::No),
        (F::Except, Piece::Except),
        (F::Again, Piece::Again),
        (F::Directive, Piece::Directive),
        (F::All, Piece::All),
        (F::And, Piece::And),
    ];
    table.into_iter().find(|(f, _)| is(*f)).map(|(_, p)| p)
}

/// Whether the atom may be a judgement of some item.
pub fn may_judge(atom: &Atom, lex: &Lexicon) -> bool {
    atom.number.is_some_and(|n| !n.idle)
        || atom.meanings(lex).any(|(m, _)| {
            matches!(m, Meaning::Value { .. } | Meaning::Concept(_) | Meaning::State { .. })
        })
}

/// As [`resolve`], but by the whole stretch only, not by what it holds.
pub fn resolve_whole(
    cut: &Cut,
    atom: &Atom,
    item: ItemId,
    negated: bool,
    unit_known: bool,
    lex: &Lexicon,
) -> Option<Judged> {
    if atom.number.is_some() {
        return resolve(cut, atom, item, negated, unit_known, lex);
    }
    from_hits(&atom.hits, item, negated, lex)
}

/// Resolves an atom as a judgement of an item; `None` when it cannot be one.
pub fn resolve(
    cut: &Cut,
    atom: &Atom,
    item: ItemId,
    negated: bool,
    unit_known: bool,
    lex: &Lexicon,
) -> Option<Judged> {
    if let Some(n) = atom.number {
        return resolve_number(cut, atom, n, item, unit_known, lex)
            .map(|j| Judged { denied: negated, ..j });
    }
    // The whole stretch first, then what it holds.
    from_hits(&atom.hits, item, negated, lex)
        .or_else(|| {
            // "not a flicker" as a whole is no "flicker".
            let first = cut.tokens[atom.from].surface.as_str();
            let denied = ["no", "not", "without", "never", "nothing"].contains(&first);
            atom.inner
                .iter()
                .filter(|h| !denied || h.from == atom.from)
                .find_map(|h| from_hits(&[*h], item, negated, lex))
        })
        .map(|mut j| {
            if j.by_sound.is_none() {
                j.by_sound.clone_from(&atom.by_sound);
            }
            // "not dislocatable" says less than "a click".
            j.yields |= ["no ", "not ", "without "].iter().any(|n| j.matched.starts_with(n));
            if j.matched.is_empty() {
                j.matched = words_of_span(cut, atom);
            }
            j
        })
}

fn words_of_span(cut: &Cut, atom: &Atom) -> String {
    cut.tokens[atom.from..atom.to].iter().map(|t| t.surface.as_str()).collect::<Vec<_>>().join(" ")
}

fn from_hits(hits: &[Hit], item: ItemId, negated: bool, lex: &Lexicon) -> Option<Judged> {
    let it = &lex.items[item];
    let mut best: Option<(u8, Judged)> = None;
    let mut keep = |rank: u8, j: Judged| {
        if best.as_ref().is_none_or(|(r, _)| rank < *r) {
            best = Some((rank, j));
        }
    };
    for h in hits {
        let matched = lex.matcher.phrase(h.entry);
        match lex.matcher.meaning(h) {
            Meaning::Value { item: i, value, how } if i == item => keep(
                match how {
                    Saying::InContext | Saying::Alone => 0,
                    Saying::Yields => 1,
                    Saying::Sound => 3,
                },
                Judged {
                    value: Some(it.values[value].code.clone()),
                    yields: how == Saying::Yields,
                    midline: it.values[value].midline,
                    by_sound: (how == Saying::Sound).then(|| matched.clone()),
                    denied: negated,
                    matched,
                    ..Judged::default()
                },
            ),
            Meaning::State { state, sound, .. } if Some(item) == lex.state_item => {
                let code = &lex.states[state].code;
                if it.value(code).is_some() {
                    keep(
                        0,
                        Judged {
                            value: Some(code.clone()),
                            by_sound: sound.then(|| matched.clone()),
                            denied: negated,
                            matched,
                            ..Judged::default()
                        },
                    );
                }
            }
            Meaning::Concept(c) => {
                let mut concept = c;
                let mut denied = negated;
                if negated && let Some(o) = lex.concepts[c].negated {
                    concept = o;
                    denied = false;
                }
                if let Some(v) = it.values.iter().position(|v| v.concepts.contains(&concept)) {
                    keep(
                        2,
                        Judged {
                            value: Some(it.values[v].code.clone()),
                            by_concept: true,
                            // "there, but weak"
                            yields: lex.concepts[concept].id == "present",
                            midline: it.values[v].midline,
                            denied,
                            matched,
                            ..Judged::default()
                        },
                    );
                } else if lex.concepts[concept].id == "absent"
                    && it.number.as_ref().is_some_and(|n| n.none_is_zero)
                {
                    keep(
                        2,
                        Judged {
                            number: Some(0.0),
                            by_concept: true,
                            denied,
                            matched,
                            ..Judged::default()
                        },
                    );
                } else if let Some(stated) = lex.concepts[concept].stated {
                    keep(
                        4,
                        Judged {
                            value: Some(
                                match stated {
                                    Stated::Normal => STATED_NORMAL,
                                    Stated::Abnormal => STATED_ABNORMAL,
                                }
                                .to_owned(),
                            ),
                            by_concept: true,
                            stated: true,
                            yields: true,
                            denied,
                            matched,
                            ..Judged::default()
                        },
                    );
                }
            }
            _ => {}
        }
    }
    best.map(|(_, j)| j)
}

/// "State four": by the published numbering the phrase names, or the default one.
fn state_by_number(
    cut: &Cut,
    atom: &Atom,
    n: super::numbers::Spoken,
    item: ItemId,
    lex: &Lexicon,
) -> Option<Judged> {
    let named = cut.atoms.iter().flat_map(|a| &a.hits).find_map(|h| match lex.matcher.meaning(h) {
        Meaning::Numbering(k) => Some(k),
        _ => None,
    });
    let numbering = match named {
        Some(k) => &lex.numberings[k],
        None => lex.numberings.iter().find(|k| k.default)?,
    };
    if atom.unit.is_some() || n.high.is_some() || n.value.fract() != 0.0 || n.value > 99.0 {
        return None;
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // whole, 0 to 99
    let state = *numbering.states.get(&(n.value as u32))?;
    let code = &lex.states[state].code;
    lex.items[item].value(code)?;
    Some(Judged {
        value: Some(code.clone()),
        matched: format!("state {} ({})", n.value, numbering.id),
        by_sound: atom.by_sound.clone(),
        ..Judged::default()
    })
}

fn resolve_number(
    cut: &Cut,
    atom: &Atom,
    n: super::numbers::Spoken,
    item: ItemId,
    unit_known: bool,
    lex: &Lexicon,
) -> Option<Judged> {
    if n.idle {
        return None;
    }
    let it = &lex.items[item];
    if Some(item) == lex.state_item {
        return state_by_number(cut, atom, n, item, lex);
    }
    if let (None, Some(v)) = (atom.unit, grade(n.value, n.high, item, lex)) {
        return Some(Judged {
            value: Some(it.values[v].code.clone()),
            matched: format!("grade {}", n.value),
            by_sound: atom.by_sound.clone(),
            ..Judged::default()
        });
    }
    let num = it.number.as_ref()?;
    let factor = match atom.unit {
        None if num.unit_needed && !unit_known => return None,
        None => 1.0,
        Some(u) if u == num.unit => 1.0,
        Some(u) => match lex.units[u].converts {
            Some((to, f)) if to == num.unit => f,
            _ => return None,
        },
    };
    // Conversion keeps a tenth more than the item is measured to.
    let scale = 10f64.powi(i32::from(num.decimals) + 1);
    let convert = |x: f64| if factor == 1.0 { x } else { (x * factor * scale).round() / scale };
    let value = convert(n.value);
    let high = n.high.map(convert);
    let [lo, hi] = num.plausible;
    let outside = |x: f64| x < lo || x > hi;
    let implausible = (outside(value) || high.is_some_and(outside))
        .then(|| format!("{value}{u} is outside {lo} to {hi}{u}", u = lex.units[num.unit].say));
    Some(Judged {
        number: high.is_none().then_some(value),
        range: high.map(|h| (value, h)),
        implausible,
        unit_said: atom.unit.is_some(),
        matched: "number".into(),
        by_sound: atom.by_sound.clone(),
        ..Judged::default()
    })
}

fn grade(value: f64, high: Option<f64>, item: ItemId, lex: &Lexicon) -> Option<usize> {
    if high.is_some() || value.fract() != 0.0 || !(0.0..=99.0).contains(&value) {
        return None;
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // 0..=99, whole
    lex.items[item].grades.get(&(value as u32)).copied()
}

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

fn judges(p: Piece) -> bool {
    matches!(p, Piece::Judgement | Piece::Skip | Piece::NotObtained | Piece::Same | Piece::Too)
}

/// Pairs sides with judgements, in the order they were said.
pub fn pair(elems: &[Elem]) -> Vec<Pair> {
    let mut out: Vec<Pair> = Vec::new();
    let mut pending: Option<SideSaid> = None;
    let (mut corrected, mut except, mut again, mut directive) = (false, false, false, false);
    let mut i = 0;
    while i < elems.len() {
        let g = elems[i].group;
        let mut end = i;
        while end < elems.len() && elems[end].group == g {
            end += 1;
        }
        let run = &elems[i..end];
        let rest = &elems[end..];
        i = end;
        let first = run.iter().find(|e| judges(e.piece) || matches!(e.piece, Piece::Side(_)));
        let has_j = run.iter().any(|e| judges(e.piece));
        let has_s = run.iter().any(|e| matches!(e.piece, Piece::Side(_)));
        let side_first = first.is_some_and(|e| matches!(e.piece, Piece::Side(_)));
        if !has_j {
            // Flags only, or sides only.
            for e in run {
                match e.piece {
                    Piece::Correct => corrected = true,
                    Piece::Except => except = true,
                    Piece::Again => again = true,
                    Piece::Directive => directive = true,
                    Piece::Equal => {
                        if let Some(p) = out.last_mut() {
                            p.equal = true;
                        }
                    }
                    _ => {}
                }
            }
            if has_s {
                let sides: Vec<SideSaid> = run
                    .iter()
                    .filter_map(|e| match e.piece {
                        Piece::Side(s) => Some(s),
                        _ => None,
                    })
                    .collect();
                let side = if sides.len() > 1 && sides.windows(2).any(|w| w[0] != w[1]) {
                    SideSaid::Both
                } else {
                    sides[0]
                };
                let next_bare = rest.first().map(|e| e.group).is_some_and(|ng| {
                    let next: Vec<&Elem> = rest.iter().take_while(|e| e.group == ng).collect();
                    next.iter().any(|e| judges(e.piece))
                        && !next.iter().any(|e| matches!(e.piece, Piece::Side(_)))
                });
                let bare_before = out.last().is_some_and(|p| p.side.is_none());
                if bare_before && !next_bare && !corrected && !except {
                    let mut k = out.len();
                    while k > 0 && out[k - 1].side.is_none() {
                        out[k - 1].side = Some(side);
                        k -= 1;
                    }
                } else {
                    pending = Some(side);
                }
            }
            continue;
        }
        let mut current = Pair::default();
        let mut open = false;
        macro_rules! flags {
            ($p:expr) => {{
                $p.corrected |= std::mem::take(&mut corrected);
                $p.except |= std::mem::take(&mut except);
                $p.again |= std::mem::take(&mut again);
                $p.directive |= std::mem::take(&mut directive);
            }};
        }
        let mut joined = false;
        for e in run {
            let was_joined = std::mem::replace(&mut joined, e.piece == Piece::And);
            let joined = was_joined;
            match e.piece {
                Piece::Side(s)
                    if side_first
                        && current.side == Some(SideSaid::Both)
                        && !current.js.is_empty()
                        && !run.iter().any(|x| x.atom > e.atom && judges(x.piece)) =>
                {
                    // "both increased on the right": both items, one side.
                    current.side = Some(s);
                }
                Piece::Side(s) if side_first => {
                    if open && !current.js.is_empty() {
                        out.push(std::mem::take(&mut current));
                        open = false;
                    }
                    current.side = match (open, current.side) {
                        (true, Some(before)) if before != s => Some(SideSaid::Both),
                        _ => Some(s),
                    };
                    flags!(current);
                    open = true;
                }
                Piece::Side(s) => {
                    if current.js.is_empty() {
                        // "brisk left and right"
                        if let Some(p) =
                            out.last_mut().filter(|p| joined && p.side.is_some_and(|o| o != s))
                        {
                            p.side = Some(SideSaid::Both);
                        } else {
                            pending = Some(s);
                        }
                    } else {
                        current.side = Some(s);
                        out.push(std::mem::take(&mut current));
                        open = false;
                    }
                }
                Piece::Correct => {
                    // "left slow, no sorry, brisk": the same side again.
                    if !current.js.is_empty() {
                        let side = current.side;
                        out.push(std::mem::take(&mut current));
                        current.side = side;
                        open = true;
                    }
                    corrected = true;
                }
                Piece::Except => {
                    if !current.js.is_empty() {
                        out.push(std::mem::take(&mut current));
                        open = false;
                    }
                    except = true;
                }
                Piece::Again => {
                    if current.js.is_empty() {
                        again = true;
                    } else {
                        current.again = true;
                    }
                }
                Piece::Directive => directive = true,
                Piece::Equal => {
                    if current.js.is_empty() && out.last().is_some() {
                        out.last_mut().expect("just seen").equal = true;
                    } else {
                        current.equal = true;
                    }
                }
                p if judges(p) => {
                    flags!(current);
                    // "slow on the right, brisk": Skip after a value closes nothing.
                    current.js.push(*e);
                    open = true;
                }
                _ => {}
            }
        }
        if current.js.is_empty() {
            if open {
                pending = current.side.or(pending);
            }
        } else {
            if current.side.is_none() && !has_s {
                if let Some(s) = pending.take() {
                    current.side = Some(s);
                } else if out.last().is_some_and(|p| p.side.is_some()) {
                    current.follows = true;
                }
            }
            out.push(current);
        }
    }
    out
}

/// Whether two atoms stand side by side, but for fillers and at most `gap` unknown words.
pub fn adjacent(cut: &Cut, a: usize, b: usize, gap: usize) -> bool {
    let (x, y) = (&cut.atoms[a], &cut.atoms[b]);
    y.from >= x.to
        && cut.tokens[x.to..y.from].iter().all(|t| t.brk.is_none())
        && cut.unknown.iter().filter(|&&u| u >= x.to && u < y.from).count() <= gap
}

/// Words of an atom, for messages.
pub fn said(cut: &Cut, atom: usize) -> String {
    words_of(cut, atom)
}
