//! Settles the claims of one phrase with one another: what says the same, what replaces, what says
//! more, and what contradicts.

use crate::lexicon::family::Family;
use crate::lexicon::schema::Trials;

use super::claim::Claim;
use super::heard::Heard;
use super::resolve::absence;
use super::types::{Doubt, Side, Status};

/// Adds a claim to those of the phrase, settling what it does to earlier ones.
pub(super) fn add(claims: &mut Vec<Claim>, mut c: Claim, h: &Heard<'_>) {
    let before = claims.len();
    drop_wrong_side(claims, &c, h);
    c.corrects_own |= claims.len() < before;
    if gives_side(claims, &c) {
        return;
    }
    let rivals: Vec<usize> = (0..claims.len())
        .filter(|&k| claims[k].item == c.item && Side::overlap(claims[k].side, c.side))
        .collect();
    let known = claims.iter().any(|o| o.item == c.item);
    if rivals.is_empty() && !(c.is_unstated() && known) {
        claims.push(c);
        return;
    }
    if said_of_each_side(claims, &c) {
        return;
    }
    if let [k] = rivals[..]
        && may_be_pair(&claims[k], &c, h)
    {
        make_pair(claims, k, c);
        return;
    }
    let Some(&last) = rivals.last() else {
        claims.push(c);
        return;
    };
    if rivals.iter().any(|&k| repeats(&mut claims[k], &c)) {
        return;
    }
    let old = &mut claims[last];
    // "he's ventilated, so can't judge his breathing": found, or not looked for?
    if old.is_observed() && c.status == Status::Skipped && !old.judged.by_concept && !c.corrected {
        old.doubts.push(Doubt::AbsentOrNotDone);
        return;
    }
    if is_by_the_way(old, &c, h) {
        return;
    }
    let both_numbers = old.judged.is_numeric() && c.judged.is_numeric();
    let taped = h.lex.items[c.item].trials == Trials::Largest;
    if c.again || (taped && !c.corrected && both_numbers) {
        c.again = true;
        claims.push(c);
        return;
    }
    // What a negation stands before gives way to what was plainly said.
    if c.is_denied() && !old.is_denied() {
        return;
    }
    if completes(old, &c) {
        if old.is_unstated() {
            old.side = c.side;
        }
        merge(old, c, h);
        return;
    }
    let corrected = h.corrected_between(old.first_atom, c.first_atom);
    if c.judged.yields && !old.judged.yields && c.is_observed() && !corrected {
        return;
    }
    let replaces = corrected
        || c.except
        || c.directive
        || (old.judged.yields && !c.judged.yields)
        || old.is_observed() != c.is_observed();
    replace(claims, &rivals, c, replaces, h);
}

/// "left weak, no sorry, right weak": the side is corrected.
fn drop_wrong_side(claims: &mut Vec<Claim>, c: &Claim, h: &Heard<'_>) {
    claims.retain(|o| {
        let other_side = o.side.and_then(Side::opposite).is_some_and(|s| Some(s) == c.side);
        !(o.item == c.item
            && !c.other_stands
            && o.status == c.status
            && other_side
            && o.judged.value == c.judged.value
            && o.judged.number == c.judged.number
            && h.corrected_between(o.first_atom, c.first_atom))
    });
}

/// "Not a hundred and ten, a hundred. Right knee a hundred.": the side comes late.
fn gives_side(claims: &mut [Claim], c: &Claim) -> bool {
    if !matches!(c.side, Some(Side::Left | Side::Right | Side::Both)) {
        return false;
    }
    match claims.iter_mut().find(|o| o.is_unstated() && o.says_the_same(c)) {
        Some(o) => {
            o.side = c.side;
            true
        }
        None => false,
    }
}

/// "right stable, left stable, no clicks": said of both already.
fn said_of_each_side(claims: &[Claim], c: &Claim) -> bool {
    c.is_unstated()
        && claims.iter().any(|o| o.says_the_same(c) && !o.is_unstated())
        && claims.iter().all(|o| o.item != c.item || o.says_the_same(c))
}

/// "ninety and ninety", "one side seventy, the other eighty": a pair, names unknown.
fn may_be_pair(old: &Claim, c: &Claim, h: &Heard<'_>) -> bool {
    c.is_unstated()
        && c.is_observed()
        && !c.again
        && !c.corrected
        && old.is_unstated()
        && old.is_observed()
        && (c.judged.is_numeric()
            || h.atom(c.first_atom).number.is_some()
            || c.doubts.contains(&Doubt::SidesNotNamed))
}

fn make_pair(claims: &mut Vec<Claim>, k: usize, mut c: Claim) {
    let old = &mut claims[k];
    old.doubts.retain(|d| *d != Doubt::SideNotSaid);
    if old.judged.same_value(&c.judged) {
        old.doubts.retain(|d| *d != Doubt::SidesNotNamed);
        old.side = Some(Side::Both);
    } else {
        for x in [&mut *old, &mut c] {
            if !x.doubts.contains(&Doubt::SidesNotNamed) {
                x.doubts.push(Doubt::SidesNotNamed);
            }
        }
        claims.push(c);
    }
}

/// Whether a claim only says again what was claimed; then the older one takes what it adds.
fn repeats(old: &mut Claim, c: &Claim) -> bool {
    if !old.says_the_same(c) {
        return false;
    }
    if old.side_inferred && matches!(c.side, Some(Side::Left | Side::Right)) {
        // "Face asymmetric at rest, the left doesn't move": the side comes late.
        old.side = c.side;
        old.side_inferred = false;
        return true;
    }
    if old.side != Some(Side::Both) && old.side != c.side {
        return false;
    }
    // "Withdraws on both sides, right arm withdraws weakly": more was said of that side than was
    // understood, and it may be worse.
    if c.is_half_understood() && !old.is_half_understood() {
        return false;
    }
    // Said again in plain words: what was doubtful about the first is not any more.
    if c.doubts.is_empty() {
        old.doubts.retain(|d| *d != Doubt::AbsentOrNotDone);
    }
    !c.again
}

/// Whether what stands later is said by the way, and the earlier claim stands.
fn is_by_the_way(old: &Claim, c: &Claim, h: &Heard<'_>) -> bool {
    let (from, to) = (h.atom(old.first_atom), h.atom(c.first_atom));
    let both_numbers = old.judged.is_numeric() && c.judged.is_numeric();
    // "heart rate one fifty-one, sats ninety-six": the second number is of something unknown.
    let foreign = || {
        h.cut.unknown.iter().any(|&u| h.cut.groups[u] == c.group && (from.to..to.from).contains(&u))
    };
    let says = |family| h.cut.atoms.iter().any(|a| a.group == c.group && a.is(h.lex, family));
    // "gag not done, the feed has only just gone down"
    let after_omission = || {
        !old.is_observed()
            && c.is_observed()
            && (c.side == old.side || c.is_unstated())
            && to.sentence == from.sentence
            && !h.corrected_between(old.first_atom, c.first_atom)
            && !says(Family::Present)
    };
    // "eighty each side; they were a hundred"
    let was = || c.at_hand && both_numbers && says(Family::Was);
    (both_numbers && !c.corrected && foreign()) || after_omission() || was()
}

/// Whether two claims are parts of one finding.
fn completes(old: &Claim, c: &Claim) -> bool {
    old.is_observed()
        && c.is_observed()
        && (old.side == c.side || old.is_unstated() || c.is_unstated())
        && old.judged.completes(&c.judged)
}

/// Puts a claim in place of its rivals; unless it `replaces` them by right, the contradiction is its
/// doubt. Of a claim about both sides, the other side stands.
fn replace(claims: &mut Vec<Claim>, rivals: &[usize], mut c: Claim, replaces: bool, h: &Heard<'_>) {
    for &k in rivals.iter().rev() {
        if let (Some(Side::Both), Some(rest)) = (claims[k].side, c.side.and_then(Side::opposite)) {
            claims[k].side = Some(rest);
            continue;
        }
        let old = claims.remove(k);
        c.other_stands |= replaces && old.side == c.side;
        c.corrects_own |= replaces && h.corrected_between(old.first_atom, c.first_atom);
        if !replaces {
            c.doubts.push(two_values(&old, &c, h));
        }
    }
    claims.push(c);
}

fn two_values(a: &Claim, b: &Claim, h: &Heard<'_>) -> Doubt {
    Doubt::TwoValues(format!("\"{}\" and \"{}\"", h.said(a.first_atom), h.said(b.first_atom)))
}

/// Merges two judgements of one item on one side in one breath into the first.
pub(super) fn merge(a: &mut Claim, b: Claim, h: &Heard<'_>) {
    if a.status != b.status {
        merge_status(a, b, h);
        return;
    }
    if a.judged.same_value(&b.judged) {
        return;
    }
    if a.judged.completes(&b.judged) {
        complete(a, b);
        return;
    }
    if a.judged.yields && !b.judged.yields {
        *a = Claim {
            side: b.side.filter(|s| *s != Side::Unstated).or(a.side),
            corrected: a.corrected || b.corrected,
            again: a.again || b.again,
            except: a.except || b.except,
            ..b
        };
        return;
    }
    if b.judged.yields {
        // "Witnessed seizure, not seen": giving way must not hide that it was denied.
        let denies =
            absence(b.item, h.lex).is_some_and(|j| j.value.is_some() && j.value == b.judged.value);
        if denies {
            a.doubts.push(Doubt::Denied(format!("\"{}\"", h.said(b.first_atom))));
        }
        return;
    }
    // What is said in the item's own words says more than a shared meaning; but "nystagmus, absent":
    // whatever was meant, it is not sure.
    if b.judged.by_concept && !a.judged.by_concept {
        a.doubts.push(two_values(a, &b, h));
        return;
    }
    if a.judged.by_concept && !b.judged.by_concept {
        *a = Claim { side: a.side, corrected: a.corrected, except: a.except, ..b };
        return;
    }
    let counts = b.directive || h.corrected_between(a.first_atom, b.first_atom);
    let contradiction = (!counts).then(|| two_values(a, &b, h));
    *a = Claim { side: a.side, corrects_own: counts, other_stands: b.other_stands || counts, ..b };
    a.doubts.extend(contradiction);
}

/// "absent, couldn't get it" and the like: the plainer statement is the value.
fn merge_status(a: &mut Claim, b: Claim, h: &Heard<'_>) {
    // "Nystagmus not seen", "suck absent, tube in, so skip": found, or not looked for?
    if a.is_observed() && b.status == Status::Skipped {
        a.doubts.push(Doubt::AbsentOrNotDone);
    }
    let vague = |c: &Claim| c.judged.by_concept || c.judged.stated;
    if a.is_observed() && b.status == Status::NotObtained {
        if vague(a) {
            a.status = b.status;
            a.judged = b.judged;
        }
    } else if b.is_observed() && !vague(&b) {
        a.doubts.push(Doubt::TwoValues(format!(
            "{} and \"{}\"",
            a.status.word(),
            h.said(b.first_atom)
        )));
    }
}

/// Adds a value to its number, or a number to its value.
fn complete(a: &mut Claim, b: Claim) {
    if b.judged.is_numeric() {
        a.judged.number = b.judged.number;
        a.judged.range = b.judged.range;
        a.judged.unit_said = b.judged.unit_said;
    } else {
        a.judged.value = b.judged.value;
        a.judged.by_concept = b.judged.by_concept;
    }
    a.doubts.extend(b.doubts.into_iter().filter(|d| *d != Doubt::SideNotSaid));
}
