//! *Same*, *ditto* and a bare *too*: what was found on one side said of the other, or one item's
//! omission of the next.

use super::claim::Claim;
use super::pieces::{Piece, SideSaid};
use super::resolve::Judged;
use super::situation::{Situation, Spot};
use super::types::{Doubt, Side, Status};

/// What is copied.
struct Source {
    status: Status,
    judged: Judged,
    side: Option<Side>,
    reason: Option<String>,
    doubts: Vec<Doubt>,
}

/// The claim a word for "as before" makes, if it makes one.
pub(super) fn copy(sit: &Situation<'_>, spot: &Spot<'_>) -> Option<Claim> {
    let Spot { p, e, .. } = spot;
    let cut = sit.h.cut;
    // "Right foot too.": at the end of the breath, beside its side.
    let bare_too =
        cut.ends_breath(&cut.atoms[e.atom]) && p.js.iter().all(|x| x.piece == Piece::Too);
    if (e.piece == Piece::Too && !bare_too) || p.js.iter().any(|x| x.piece.settles()) {
        return None;
    }
    match found_before(sit, spot) {
        Some(source) => other_side(sit, spot, source),
        None => omission(sit, spot),
    }
}

fn make(sit: &Situation<'_>, spot: &Spot<'_>, side: Option<Side>, from: Source) -> Claim {
    let Spot { n, e, .. } = spot;
    let mut c = Claim::new(n.item, side, from.status, from.judged, sit.seg);
    c.reason = from.reason;
    c.doubts = from.doubts;
    c.first_atom = e.atom;
    c.group = sit.h.atom(e.atom).group;
    c.why = format!("{}: copied by \"{}\"", sit.h.lex.items[n.item].id, sit.h.said(e.atom));
    c
}

/// What was found of the item, in this phrase or before it.
fn found_before(sit: &Situation<'_>, spot: &Spot<'_>) -> Option<Source> {
    let item = spot.n.item;
    let here = spot.own.iter().chain(sit.before).rfind(|c| c.item == item).map(|c| Source {
        status: c.status,
        judged: c.judged.clone(),
        side: c.side,
        reason: c.reason.clone(),
        doubts: c.doubts.clone(),
    });
    here.or_else(|| {
        sit.memory.of(item).next().map(|f| Source {
            status: f.status,
            judged: Judged::of(f),
            side: f.side,
            reason: f.reason.clone(),
            doubts: f.doubts.clone(),
        })
    })
}

/// The same on the side that goes with it.
fn other_side(sit: &Situation<'_>, spot: &Spot<'_>, mut source: Source) -> Option<Claim> {
    let item = spot.n.item;
    if !sit.h.lex.items[item].sided {
        return None;
    }
    let side = match spot.p.side? {
        SideSaid::Other => source.side.and_then(Side::opposite)?,
        s => s.plain()?,
    };
    let said_already = spot
        .earlier(sit)
        .any(|c| c.item == item && c.side == Some(side) && c.judged == source.judged);
    if said_already {
        return None;
    }
    source.doubts.retain(|d| *d != Doubt::SideNotSaid);
    Some(make(sit, spot, Some(side), source))
}

/// "Vertical suspension, same." "Same deal with stepping and placing.": left out like what was left
/// out last.
fn omission(sit: &Situation<'_>, spot: &Spot<'_>) -> Option<Claim> {
    let Spot { n, p, e, .. } = spot;
    if e.piece != Piece::Same || sit.seg.at_hand {
        return None;
    }
    let skipped = sit.before.iter().rfind(|c| c.status == Status::Skipped);
    let reason = match skipped {
        Some(c) => c.reason.clone(),
        None => {
            let last = sit.memory.latest().next_back().filter(|f| f.status == Status::Skipped)?;
            last.reason.clone()
        }
    };
    let side = sit.h.lex.items[n.item].sided.then(|| match p.side.and_then(SideSaid::plain) {
        Some(side) => side,
        None if n.plural => Side::Both,
        None => Side::Unstated,
    });
    let source = Source {
        status: Status::Skipped,
        judged: Judged::default(),
        side: None,
        reason,
        doubts: Vec::new(),
    };
    Some(make(sit, spot, side, source))
}
