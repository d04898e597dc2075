//! *No* and *not*: what a negation belongs to, and what a negated item claims.

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming, Saying};
use crate::lexicon::schema::NoMeans;
use crate::lexicon::text::Break;

use super::claim::Claim;
use super::heard::Heard;
use super::memory::Memory;
use super::pairs::Pair;
use super::pieces::{Elem, Named, Piece, Segment};
use super::reasons::reason_in;
use super::resolve::{Judged, absence};
use super::situation::{Near, Situation};
use super::types::{Doubt, Status};

/// The negation right before the items of a segment, as said; empty when there is none.
pub(super) fn negated_by<'a>(seg: &Segment, h: &Heard<'a>) -> &'a str {
    let first = seg.items.iter().filter_map(|n| n.atom).min().map_or(0, |a| h.atom(a).from);
    h.cut
        .atoms
        .iter()
        .rfind(|a| a.negation && a.to <= first)
        .map_or("", |a| h.cut.tokens[a.from].surface.as_str())
}

/// The pieces of a segment with each *no* settled: on its own it is a judgement ("Right biceps,
/// no."), a correction ("no, a flicker"), or belongs to the value it stands before. `first`: no
/// segment of the phrase has claimed anything yet.
pub(super) fn settle(seg: &Segment, h: &Heard<'_>, memory: &Memory, first: bool) -> Vec<Elem> {
    let mut out: Vec<Elem> = Vec::new();
    for (k, e) in seg.elems.iter().enumerate() {
        if e.piece != Piece::No {
            out.push(*e);
            continue;
        }
        let next = seg.elems.get(k + 1);
        let binds = next.is_some_and(|n| {
            n.piece == Piece::Judgement && n.negated && h.cut.adjacent(e.atom, n.atom, 2)
        });
        if binds {
            continue;
        }
        let denied = Elem { piece: Piece::Judgement, negated: true, ..*e };
        let word = h.said(e.atom);
        if word.ends_with("not") && h.cut.ends_breath(h.atom(e.atom)) {
            // "nystagmus there is not", "clonus on right there is not"
            let judged =
                out.iter().rposition(|x| x.group == e.group && x.piece == Piece::Judgement);
            match judged {
                Some(j) => out[j].negated = true,
                None if !seg.at_hand => out.push(denied),
                None => {}
            }
        } else if word == "no" {
            match role_of_no(seg, k, h) {
                Role::Judgement => out.push(denied),
                Role::Correction => {
                    let known = seg.item_ids().any(|i| memory.knows(i));
                    if !first || known || k > 0 {
                        out.push(Elem { piece: Piece::Correct, ..*e });
                    }
                }
                Role::None => {}
            }
        }
    }
    out
}

enum Role {
    Judgement,
    Correction,
    None,
}

/// What the bare *no* at place `k` of the segment is.
fn role_of_no(seg: &Segment, k: usize, h: &Heard<'_>) -> Role {
    let e = &seg.elems[k];
    let atom = h.atom(e.atom);
    let next = seg.elems.get(k + 1);
    let rest_judges = seg.elems[k + 1..].iter().any(|x| x.piece == Piece::Judgement);
    if h.cut.opens_breath(atom) && h.cut.comma_after(atom) && rest_judges {
        // "no, flicker on the right"
        return Role::Correction;
    }
    // "Clonus no on right."
    let before_side = next.is_some_and(|n| n.piece.is_side() && h.cut.adjacent(e.atom, n.atom, 0));
    // "Right biceps, no."
    let side_before = seg.elems[..k].iter().any(|x| x.piece.is_side());
    let speaks_of_something = side_before || !seg.at_hand || next.is_some();
    if before_side || (h.cut.ends_breath(atom) && speaks_of_something && !rest_judges) {
        Role::Judgement
    } else {
        Role::None
    }
}

/// Marks as denied what names a sign by itself and is followed at once by a word that says it is not
/// there: "Sunsetting absent", "high arched palate, no".
pub(super) fn deny_signs(elems: &mut Vec<Elem>, h: &Heard<'_>) {
    let mut used: Vec<usize> = Vec::new();
    for e in elems.iter_mut().filter(|e| e.piece == Piece::Judgement) {
        if names_sign(h, e.atom)
            && let Some(denial) = denial_after(h, e.atom)
        {
            e.negated = true;
            used.push(denial);
        }
    }
    elems.retain(|e| !used.contains(&e.atom));
}

/// Whether the atom is a value that names its item by itself.
fn names_sign(h: &Heard<'_>, atom: usize) -> bool {
    h.atom(atom)
        .meanings(h.lex)
        .any(|(m, _)| matches!(m, Meaning::Value { how: Saying::Alone, .. }))
}

/// The atom right after a sign, but for a comma, that denies it.
fn denial_after(h: &Heard<'_>, sign: usize) -> Option<usize> {
    let (cut, end) = (h.cut, h.atom(sign).to);
    let next = cut.atoms.iter().position(|a| a.from >= end)?;
    let b = h.atom(next);
    let near = cut.tokens[end..b.from].iter().all(|t| t.brk.is_none_or(|b| b == Break::Comma))
        && !cut.unknown.iter().any(|&u| (end..b.from).contains(&u));
    let absent = !names_sign(h, next)
        && b.meanings(h.lex)
            .any(|(m, _)| matches!(m, Meaning::Concept(c) if h.lex.concepts[c].id == "absent"));
    let no = b.negation && cut.ends_breath(b);
    (near && (absent || no)).then_some(next)
}

/// The claims of a segment whose items stand after a negation that has no value to deny: "no prone,
/// no ventral suspension, he is on the mattress"; "not stroking the soles"; "no clonus".
pub(super) fn negated_items(sit: &Situation<'_>) -> Vec<Claim> {
    let h = sit.h;
    // "no tongue tie": the name is part of another thing.
    let last = sit.seg.items.iter().filter_map(|n| n.atom).max();
    if last.is_some_and(|a| h.cut.unknown.contains(&h.atom(a).to)) {
        return Vec::new();
    }
    let told_plainly = h.says(&[Family::Skip]);
    let told = told_plainly
        || h.cut.atoms.iter().any(|a| {
            a.sentence >= sit.seg.sentence && a.group > sit.seg.group && a.is_reason(h.lex)
        });
    sit.seg.items.iter().filter_map(|n| negated_item(sit, n, told, told_plainly)).collect()
}

/// What one negated item claims. `told`: the phrase says that something was not done; `told_plainly`:
/// in so many words.
fn negated_item(sit: &Situation<'_>, n: &Named, told: bool, told_plainly: bool) -> Option<Claim> {
    let h = sit.h;
    let it = &h.lex.items[n.item];
    let by = negated_by(sit.seg, h);
    let may_be_absent = it.no_means == NoMeans::Absent && by != "not";
    let (status, judged) = match absence(n.item, h.lex) {
        Some(j) if by != "not" && (!told || may_be_absent) => (Status::Observed, j),
        // "No tremor": looked for and not there, which is no value of its own.
        None if may_be_absent => return None,
        _ => (Status::Skipped, Judged::default()),
    };
    let side = sit.side_of(n, None, &Pair::default(), &[]);
    let mut c = Claim::new(n.item, side, status, judged, sit.seg);
    c.first_atom = n.atom.unwrap_or(c.first_atom);
    let name = n.atom.map(|a| h.said(a)).unwrap_or_default();
    c.why = format!("{}: \"{by} {name}\"", it.id);
    c.by_bare_no = by == "no";
    if status == Status::Skipped {
        c.reason = reason_in(h, sit.seg);
    }
    if !told_plainly && !may_be_absent {
        c.doubts.push(Doubt::AbsentOrNotDone);
    }
    if n.naming == Naming::Weak {
        c.doubts.push(Doubt::ItemNotNamed);
    }
    Some(c)
}

/// "No clonus on the left, with three beats on the right": the negation is the judgement of the
/// side that stands before the first value.
pub(super) fn denied_side(sit: &Situation<'_>) -> Option<Claim> {
    let group_of =
        |wanted: fn(Piece) -> bool| sit.elems.iter().find(|e| wanted(e.piece)).map(|e| e.group);
    let mut sides_first =
        sit.elems.iter().take_while(|e| e.piece != Piece::Judgement).filter_map(|e| e.piece.side());
    let apart = group_of(Piece::is_side) < group_of(|p| p == Piece::Judgement);
    let (true, [n]) = (sit.seg.negated && apart, &sit.seg.items[..]) else { return None };
    let (Some(side), None) = (sides_first.next(), sides_first.next()) else { return None };
    let j = absence(n.item, sit.h.lex)?;
    let it = &sit.h.lex.items[n.item];
    let p = Pair { side: Some(side), ..Pair::default() };
    // The side is said: none that waits has a part in it.
    let side = Situation { near: Near::default(), ..*sit }.side_of(n, Some(&j), &p, &[]);
    let mut c = Claim::new(n.item, side, Status::Observed, j, sit.seg);
    if it.no_means == NoMeans::Unclear {
        c.doubts.push(Doubt::AbsentOrNotDone);
    }
    c.why = format!("{}: none", it.id);
    Some(c)
}

/// Doubts every absence of a phrase that also left something out: "No head lag, no vertical
/// suspension, no stepping, can't come off the mattress."
pub(super) fn doubt_absences(claims: &mut [Claim]) {
    let omitted = claims.iter().any(|c| {
        c.doubts.contains(&Doubt::AbsentOrNotDone) || (c.status == Status::Skipped && c.by_bare_no)
    });
    if !omitted {
        return;
    }
    for c in claims.iter_mut().filter(|c| c.judged.matched.starts_with("no ")) {
        if !c.doubts.contains(&Doubt::AbsentOrNotDone) {
            c.doubts.push(Doubt::AbsentOrNotDone);
        }
    }
}
