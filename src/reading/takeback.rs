//! Words of command that take back what was said: "strike that", "that doesn't count", a word of
//! correction with nothing in its place.
//!
//! A command that may mean several findings takes none back: they all become unsettled.

use std::collections::HashSet;

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming};
use crate::lexicon::model::ItemId;
use crate::lexicon::text::Break;

use super::claim::Claim;
use super::clauses::Aside;
use super::heard::Heard;
use super::memory::Memory;
use super::pieces::{Segment, SideSaid};
use super::resolve::{Judged, resolve};
use super::rest::left_over;
use super::series::Run;
use super::types::{Doubt, Finding, FindingId, Reading, Side, Status, Strike};

/// The act of a control that takes back the last entry, as `controls.toml` names it.
const STRIKE_LAST: &str = "strike-last";

/// Takes back what the phrase says to take back: its own claims, or findings of phrases before it.
pub(super) fn take_back(
    h: &Heard<'_>,
    segs: &[Segment],
    memory: &mut Memory,
    claims: &mut Vec<Claim>,
    reading: &mut Reading,
    start_ms: u64,
) {
    // "Strike that last one" is a word of command of the logger's own; it takes back all the same.
    let strikes: Vec<usize> = (0..h.cut.atoms.len())
        .filter(|&i| h.counts(i) && (h.is(i, Family::Strike) || is_command_to_strike(h, i)))
        .filter(|&i| !h.is(i, Family::Correct))
        .collect();
    // Said of the stimulus just counted, which is no finding yet.
    if !strikes.is_empty() && memory.series.as_mut().is_some_and(Run::take_back) {
        return;
    }
    for &at in &strikes {
        obey(h, at, segs, memory, claims, reading);
    }
    if !strikes.is_empty() {
        return;
    }
    // "Let me do that again" is said of what comes later, too.
    let withdrawn = (0..h.cut.atoms.len())
        .find(|&i| h.is(i, Family::Withdraw) && h.taken[i].aside.is_none_or(|a| a == Aside::Later));
    if let Some(at) = withdrawn {
        withdraw(h, at, segs, memory, claims, reading, start_ms);
    } else {
        doubt_before_hollow(h, claims);
    }
}

/// Whether the atom is the control that strikes the last entry.
fn is_command_to_strike(h: &Heard<'_>, i: usize) -> bool {
    h.atom(i).meanings(h.lex).any(|(m, _)| match m {
        Meaning::Control(k) => h.lex.controls[k] == STRIKE_LAST,
        _ => false,
    })
}

/// A word of command at that place: what it names goes, or else what the phrase said before it, or
/// else the last finding.
fn obey(
    h: &Heard<'_>,
    at: usize,
    segs: &[Segment],
    memory: &mut Memory,
    claims: &mut Vec<Claim>,
    reading: &mut Reading,
) {
    // What the command names: "cancel the knee left", "strike the caput".
    let sentence = h.atom(at).sentence;
    let mut named: Vec<usize> =
        (at + 1..h.cut.atoms.len()).filter(|&i| h.atom(i).sentence == sentence).collect();
    // "Scratch that, right up, left down": what comes in its place is not what goes.
    let anew = |i: usize| h.atom(i).group != h.atom(at).group && judges_at_hand(h, i, memory);
    if named.iter().any(|&i| anew(i)) {
        named.retain(|&i| h.atom(i).group == h.atom(at).group);
    }
    let side = named.iter().find_map(|&i| h.atom(i).left_or_right(h.lex));
    let words = h.said(at);
    if let Some(id) = target(h, &named, side, memory) {
        // Claims this very sentence made of the words of the command are no findings.
        claims.retain(|c| h.atom(c.first_atom).sentence != sentence || c.first_atom < at);
        strike(id, side, &words, memory, reading);
    } else if let Some(items) = named_for(h, at, segs, claims) {
        strike_named(&items, side.or_else(|| side_before(segs, at)), &words, memory, reading);
    } else if drop_claims_before(at, claims).is_none()
        && (memory.speaks_of_last() || is_command_to_strike(h, at))
    {
        strike_last(side, &words, memory, reading);
    }
}

/// The items a word of command at that place is said of, where the phrase names some and judges
/// them not: "Moro, let me repeat it". `None` where it names none, or has just judged what it names.
fn named_for(h: &Heard<'_>, at: usize, segs: &[Segment], claims: &[Claim]) -> Option<Vec<ItemId>> {
    let name = |s: &&Segment| s.first_name().filter(|_| !s.at_hand);
    let before = segs.iter().rfind(|s| name(s).is_some_and(|n| n < at));
    // "Strike that, now the Moro": what is pointed at stands before it.
    let points = h.is(at, Family::Strike)
        && h.cut.tokens[h.atom(at).from..h.atom(at).to]
            .last()
            .is_some_and(|t| ["that", "this", "it", "one"].contains(&t.surface.as_str()));
    let after = || {
        let sentence = h.atom(at).sentence;
        segs.iter().find(|s| name(s).is_some_and(|n| n > at && h.atom(n).sentence == sentence))
    };
    let seg = if points { before? } else { before.or_else(after)? };
    let judged = claims.iter().any(|c| seg.item_ids().any(|i| i == c.item));
    (!judged).then(|| seg.item_ids().collect())
}

/// The side said last before that place.
fn side_before(segs: &[Segment], at: usize) -> Option<Side> {
    segs.iter()
        .flat_map(|s| &s.elems)
        .filter(|e| e.atom < at)
        .filter_map(|e| e.piece.side().and_then(SideSaid::single))
        .next_back()
}

/// Strikes what was found last of the items named; of several findings of one phrase a person says
/// which. What was never found cannot be struck, and nothing else is in its place.
fn strike_named(
    items: &[ItemId],
    side: Option<Side>,
    words: &str,
    memory: &mut Memory,
    reading: &mut Reading,
) {
    let meant = |f: &&Finding| {
        items.contains(&f.item) && side.is_none_or(|s| f.side.is_none() || f.covers(Some(s)))
    };
    let Some(phrase) = memory.history.iter().rfind(meant).map(|f| f.id.phrase) else { return };
    let of_it: Vec<FindingId> =
        memory.history.iter().filter(meant).map(|f| f.id).filter(|f| f.phrase == phrase).collect();
    if let [one] = of_it[..] {
        strike(one, side, words, memory, reading);
    } else {
        reading.maybe_struck.extend(of_it.into_iter().map(|id| (id, words.to_owned())));
    }
}

/// Whether the atom is a value of the item that was judged last.
fn judges_at_hand(h: &Heard<'_>, i: usize, memory: &Memory) -> bool {
    memory.latest().any(|f| {
        resolve(h.cut, h.atom(i), f.item, false, true, h.lex)
            .is_some_and(|j| (j.value.is_some() || j.is_numeric()) && !j.same_value(&Judged::of(f)))
    })
}

/// The latest finding that the atoms name: its item, or its value.
fn target(
    h: &Heard<'_>,
    named: &[usize],
    side: Option<Side>,
    memory: &Memory,
) -> Option<FindingId> {
    let items: Vec<ItemId> =
        named.iter().flat_map(|&i| h.atom(i).items(h.lex)).map(|(k, _, _)| k).collect();
    let by_item = |f: &Finding| items.contains(&f.item) && side.is_none_or(|x| f.covers(Some(x)));
    let by_value = |f: &Finding| {
        named.iter().any(|&i| {
            resolve(h.cut, h.atom(i), f.item, false, true, h.lex).is_some_and(|j| {
                (j.value.is_some() && j.value == f.value && !j.by_concept)
                    || (j.number.is_some() && j.number == f.number && items.is_empty())
            })
        })
    };
    memory.history.iter().rfind(|f| by_item(f) || by_value(f)).map(|f| f.id)
}

/// Drops the claims of the last atom before that place that made any; gives the side of the last.
/// `None` when nothing was claimed before it.
fn drop_claims_before(at: usize, claims: &mut Vec<Claim>) -> Option<Option<Side>> {
    let last = claims.iter().rfind(|c| c.first_atom < at)?;
    let (atom, side) = (last.first_atom, last.side);
    claims.retain(|c| c.first_atom != atom);
    Some(side)
}

/// "Sorry, little one": said to somebody.
fn is_addressed(h: &Heard<'_>, after: usize) -> bool {
    let next = (after..h.cut.tokens.len()).find(|&i| {
        let t = &h.cut.tokens[i];
        t.brk.is_none_or(|b| b != Break::Comma) && !h.lex.matcher.is_filler(&t.folded)
    });
    next.is_some_and(|i| h.cut.addressed.contains(&i))
}

/// Whether a word of correction corrects, and is not one word among others ("a wee scratch on her
/// cheek") or talk ("she's actually looking at me"): the mild ones do only where something is said
/// after them that may take the place of what was said.
fn is_correction(h: &Heard<'_>, i: usize) -> bool {
    let a = h.atom(i);
    if is_addressed(h, a.to) {
        return false;
    }
    let set_off = h.cut.opens_breath(a) || h.cut.ends_breath(a);
    let mild = h.cut.mild.contains(&(a.from, a.to));
    let goes_on = || {
        h.cut.atoms[i + 1..].iter().any(|x| {
            x.sentence == a.sentence
                && (x.judges || x.negation || x.left_or_right(h.lex).is_some())
                && !h.cut.is_praise(x)
        })
    };
    if mild { goes_on() } else { a.to - a.from > 1 || set_off }
}

/// Whether words that may be second thoughts are: "wrong blanket" is of something else, and what a
/// longer phrase holds ("not quite at the midline") is part of that.
fn speaks_of_a_finding(h: &Heard<'_>, (from, to): (usize, usize)) -> bool {
    let held =
        h.cut.atoms.iter().any(|a| a.from <= from && to <= a.to && a.to - a.from > to - from);
    !held && !is_of_a_thing(h, (from, to)) && !is_addressed(h, to)
}

/// A word right before one that was not understood: "wrong blanket", "she's not bothered".
fn is_of_a_thing(h: &Heard<'_>, (from, to): (usize, usize)) -> bool {
    let of_somebody = || {
        from > 0
            && ["she", "he", "they", "we", "i", "you"]
                .contains(&h.cut.tokens[from - 1].surface.as_str())
    };
    h.cut.unknown.contains(&to) && (to - from == 1 || of_somebody())
}

/// "That doesn't count", "let me do that again", "no wait, the tape was on the ear".
fn withdraw(
    h: &Heard<'_>,
    at: usize,
    segs: &[Segment],
    memory: &mut Memory,
    claims: &mut Vec<Claim>,
    reading: &mut Reading,
    start_ms: u64,
) {
    if let Some(items) = named_for(h, at, segs, claims) {
        strike_named(&items, side_before(segs, at), &h.said(at), memory, reading);
        return;
    }
    let dropped: Option<ItemId> = claims.iter().rfind(|c| c.first_atom < at).map(|c| c.item);
    if let Some(side) = drop_claims_before(at, claims) {
        memory.withdrawn = side;
        // "Slow. But the head had slipped round, so I won't count that one": which of the two?
        for c in claims.iter_mut().filter(|c| c.first_atom < at && Some(c.item) != dropped) {
            c.doubts.push(Doubt::MaybeStruck(h.said(at)));
        }
        return;
    }
    if memory.just_said(start_ms, h.lex) {
        let side = segs
            .iter()
            .flat_map(|s| &s.elems)
            .filter(|e| e.atom < at)
            .find_map(|e| e.piece.side().and_then(SideSaid::single));
        strike_last(side, &h.said(at), memory, reading);
    }
}

/// A word of correction with nothing in its place: what stands before it in the phrase is not to be
/// trusted.
fn doubt_before_hollow(h: &Heard<'_>, claims: &mut [Claim]) {
    let hollow = h
        .places(&[Family::Correct])
        .filter(|&i| is_correction(h, i))
        .find(|&i| !claims.iter().any(|c| c.first_atom > i));
    let Some(at) = hollow else { return };
    let Some(atom) = claims.iter().rfind(|c| c.first_atom < at).map(|c| c.first_atom) else {
        return;
    };
    for c in claims.iter_mut().filter(|c| c.first_atom == atom) {
        c.doubts.push(Doubt::MaybeStruck(h.said(at)));
    }
}

fn strike(
    id: FindingId,
    side: Option<Side>,
    words: &str,
    memory: &mut Memory,
    reading: &mut Reading,
) {
    memory.strike(id, side);
    reading.strikes.push(Strike { target: id, side, words: words.to_owned() });
}

/// Strikes the last finding; when the last phrase made several, it is for a person to say which.
fn strike_last(side: Option<Side>, words: &str, memory: &mut Memory, reading: &mut Reading) {
    let fits: Vec<FindingId> = match (side, memory.only_item()) {
        (Some(s), Some(item)) => memory
            .of(item)
            .find(|f| f.side.is_some() && f.covers(Some(s)))
            .map(|f| f.id)
            .into_iter()
            .collect(),
        _ => memory.latest().map(|f| f.id).collect(),
    };
    if let [one] = fits[..] {
        strike(one, side, words, memory, reading);
    } else {
        reading.maybe_struck.extend(fits.into_iter().map(|id| (id, words.to_owned())));
    }
}

/// A phrase that casts doubt on what was said last, and from which no correction could be read,
/// leaves the findings `before` it unsettled: a wrong finding must not stay sure because the words
/// that took it back were not understood.
pub(super) fn second_thoughts(
    h: &Heard<'_>,
    segs: &[Segment],
    before: &[FindingId],
    memory: &Memory,
    reading: &mut Reading,
    start_ms: u64,
) {
    if !reading.strikes.is_empty()
        || !reading.maybe_struck.is_empty()
        || reading.findings.iter().any(|f| !f.corrects.is_empty())
    {
        return;
    }
    let doubting = h.places(&[Family::Correct, Family::Withdraw, Family::Swap]).find(|&i| {
        let a = h.atom(i);
        let by_the_way = h.cut.second_thoughts.contains(&(a.from, a.to));
        let corrects = !h.is(i, Family::Correct) || is_correction(h, i);
        corrects && !(is_addressed(h, a.to) || by_the_way && is_of_a_thing(h, (a.from, a.to)))
    });
    let by_the_way = || {
        let mut spans = h.cut.second_thoughts.iter();
        let mild = |s: &(usize, usize)| h.cut.mild.contains(s);
        spans
            .find(|&&s| !mild(&s) && speaks_of_a_finding(h, s))
            .map(|&(from, to)| h.cut.words(from, to))
    };
    let Some(words) = doubting.map(|i| h.said(i)).or_else(by_the_way) else { return };
    // A phrase that names items, or has findings of its own, speaks of those; one that names none,
    // of what was just said.
    let spoken_of: Vec<ItemId> = reading
        .findings
        .iter()
        .map(|f| f.item)
        .chain(segs.iter().filter(|s| !s.at_hand).flat_map(Segment::item_ids))
        .collect();
    // "No, wait. Now he is settled and the arms are full": it opens the phrase, and what follows it was
    // not understood for certain.
    let names_after = || {
        let named = segs.iter().filter(|s| !s.at_hand);
        doubting == Some(0)
            && !reading.findings.iter().any(Finding::is_sure)
            && (!reading.findings.is_empty() || named.clone().all(|s| says_more(h, s)))
    };
    let just_said = (spoken_of.is_empty() || names_after()) && memory.just_said(start_ms, h.lex);
    let doubted = memory
        .history
        .iter()
        .filter(|f| before.contains(&f.id))
        .filter(|f| just_said || spoken_of.contains(&f.item));
    reading.maybe_struck.extend(doubted.map(|f| (f.id, words.clone())));
}

/// "Now a seizure, left arm jerking": an item that has its finding is named again, with words that
/// were not understood and no judgement read. The finding is not sure any more.
pub(super) fn named_again(h: &Heard<'_>, segs: &[Segment], memory: &Memory, reading: &mut Reading) {
    for s in segs.iter().filter(|s| !s.at_hand && says_more(h, s)) {
        for n in s.items.iter().filter(|n| !matches!(n.naming, Naming::Weak | Naming::Sound)) {
            if reading.findings.iter().any(|f| f.item == n.item) {
                continue;
            }
            let words = n.atom.map(|a| h.said(a)).unwrap_or_default();
            let found =
                memory.history.iter().filter(|f| f.item == n.item && f.status == Status::Observed);
            reading.maybe_struck.extend(found.map(|f| (f.id, words.clone())));
        }
    }
}

/// Whether the sentence of a segment says more than the names of its items: words nothing was made
/// of. Sides and acts ("left arm recoil, hold") are no more.
fn says_more(h: &Heard<'_>, seg: &Segment) -> bool {
    let unread = left_over(std::slice::from_ref(seg), &HashSet::new(), h)
        .iter()
        .any(|&t| h.cut.sentences[t] == seg.sentence);
    // "Now a seizure, left arm jerking": a word that elsewhere names another item.
    let named: Vec<usize> = seg.items.iter().filter_map(|n| n.atom).collect();
    let aside = h.cut.atoms.iter().enumerate().any(|(i, a)| {
        let of_side =
            i > 0 && h.atom(i - 1).left_or_right(h.lex).is_some() && a.is(h.lex, Family::BodyPart);
        let names =
            a.meanings(h.lex).any(|(m, _)| matches!(m, Meaning::Item(..) | Meaning::Group(_)));
        a.sentence == seg.sentence && !named.contains(&i) && !of_side && names
    });
    unread || aside
}
