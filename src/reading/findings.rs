//! Makes findings of claims, and links each to the findings it corrects.

use crate::capture::Phrase;
use crate::lexicon::family::Family;

use super::claim::Claim;
use super::heard::Heard;
use super::memory::Memory;
use super::types::{Doubt, Finding, FindingId, Side, Status};

/// The findings of a phrase, in the order of its claims; `seq` is its number in the journal.
pub(super) fn findings(
    claims: Vec<Claim>,
    seq: u64,
    phrase: &Phrase,
    h: &Heard<'_>,
    memory: &Memory,
) -> Vec<Finding> {
    let corrected = h.cut.atoms.iter().any(|a| a.is(h.lex, Family::Correct));
    claims
        .into_iter()
        .zip(1u32..)
        .map(|(c, index)| {
            let id = FindingId { phrase: seq, index };
            let (side, corrects) = if corrected || c.corrected {
                let side = corrected_side(&c, memory);
                (side, corrected_by(&c, side, memory))
            } else {
                (c.side, Vec::new())
            };
            let kept = kept_value(&c, &corrects, memory);
            let mut made = finding(id, Claim { side, ..c }, corrects, phrase, h);
            if let Some(v) = kept {
                made.doubts.push(Doubt::Remark(format!("kept from before the correction: {v}")));
                made.value = Some(v);
                made.wording = None;
            }
            made
        })
        .collect()
}

/// "Make that two millimetres": the reaction said with the old number is not taken back, and a
/// person sees that it was kept.
fn kept_value(c: &Claim, corrects: &[FindingId], memory: &Memory) -> Option<String> {
    let [old] = *corrects else { return None };
    if c.judged.value.is_some() || !c.judged.is_numeric() {
        return None;
    }
    let old = memory.history.iter().find(|f| f.id == old)?;
    old.value.clone().filter(|_| old.number.is_some() || old.range.is_some())
}

/// The side of a correction: the corrected finding's, when none was said.
fn corrected_side(c: &Claim, memory: &Memory) -> Option<Side> {
    match memory.of(c.item).next() {
        Some(f) if c.is_unstated() => f.side,
        _ => c.side,
    }
}

/// The findings that a correction replaces.
fn corrected_by(c: &Claim, side: Option<Side>, memory: &Memory) -> Vec<FindingId> {
    // "right partial / sorry, left partial"
    let said_of_other_side = |f: &Finding| {
        f.item == c.item
            && f.side.and_then(Side::opposite).is_some_and(|s| Some(s) == side)
            && f.value == c.judged.value
            && f.number == c.judged.number
            && f.status == c.status
    };
    // Both sides were said: the other one stands.
    let said_of_this = |f: &Finding| f.item == c.item && f.side == side;
    let moved = c.side_corrected
        || (!c.other_stands
            && !memory.latest().any(said_of_this)
            && memory.latest().any(said_of_other_side));
    memory
        .history
        .iter()
        .filter(|f| f.item == c.item && (f.covers(side) || (moved && memory.last.contains(&f.id))))
        .map(|f| f.id)
        .collect()
}

fn finding(
    id: FindingId,
    c: Claim,
    corrects: Vec<FindingId>,
    phrase: &Phrase,
    h: &Heard<'_>,
) -> Finding {
    let unit = h.lex.items[c.item].number.as_ref().filter(|_| c.judged.is_numeric());
    let mut doubts = c.doubts;
    if c.side == Some(Side::Unstated)
        && c.status != Status::Skipped
        && !doubts.contains(&Doubt::SidesNotNamed)
    {
        doubts.push(Doubt::SideNotSaid);
    }
    doubts.dedup();
    Finding {
        id,
        item: c.item,
        side: c.side,
        status: c.status,
        value: c.judged.value,
        wording: c.judged.wording,
        number: c.judged.number,
        range: c.judged.range,
        unit: unit.map(|n| h.lex.units[n.unit].id.clone()),
        reason: c.reason,
        doubts,
        why: c.why,
        corrects,
        again: c.again,
        at_ms: phrase.start_ms,
    }
}
