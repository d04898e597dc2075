//! What makes a claim doubtful: hedges, sounds, words not understood, names left out.

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming, Saying};
use crate::lexicon::model::ItemId;

use super::atoms::Atom;
use super::claim::Claim;
use super::heard::Heard;
use super::pieces::{Segment, SideSaid};
use super::resolve::resolve;
use super::situation::{Situation, Spot};
use super::types::{Doubt, Side, Status};

/// As many words not understood beside a finding do no harm; one more makes it doubtful.
const UNKNOWN_NAMED: usize = 4;
/// The same where the item was not named in the phrase.
const UNKNOWN_AT_HAND: usize = 1;
/// Unknown words that may be a judgement on their own.
const LONGEST_JUDGEMENT: usize = 2;

/// Adds to a claim all that makes it doubtful, in a fixed order.
pub(super) fn attach(c: &mut Claim, sit: &Situation<'_>, spot: &Spot<'_>) {
    words_beside(c, sit, spot);
    heard_as(c, sit, spot);
    let unknown = unknown_beside(c, sit, spot);
    c.doubts.extend(unknown);
    if c.status == Status::Observed {
        around_judgement(c, sit);
        c.doubts.extend(of_a_part(c, sit.h));
    }
    c.doubts.extend(not_named(c, sit, spot));
    c.doubts.extend(shared_meaning(c, sit, spot));
    c.doubts.extend(perhaps_no_side(c, sit, spot));
}

/// Hedges and remarks on the same breath, and a limb named for an item without sides.
fn words_beside(c: &mut Claim, sit: &Situation<'_>, spot: &Spot<'_>) {
    let h = sit.h;
    let taken = &h.taken[spot.e.atom];
    c.doubts.extend(taken.hedge.clone().map(Doubt::Hedged));
    c.doubts.extend(taken.remark.clone().map(Doubt::Remark));
    let one_limb = sit.seg.elems.iter().any(|x| {
        x.piece.side().and_then(SideSaid::single).is_some()
            && h.cut.atoms.get(x.atom + 1).is_some_and(|a| a.is(h.lex, Family::BodyPart))
    });
    let sided = spot.p.side.and_then(SideSaid::single).is_some();
    // "Moro, left arm fully, right hardly moves": what names an item of the whole by its value alone,
    // right after a side, was said of that side, and perhaps of the item before.
    let at = spot.e.atom;
    let after_side = at > 0
        && spot.n.atom == Some(at)
        && h.atom(at - 1).left_or_right(h.lex).is_some()
        && h.cut.adjacent(at - 1, at, 0);
    if !h.lex.items[c.item].sided
        && c.status == Status::Observed
        && (sided && one_limb || after_side)
    {
        c.doubts.push(Doubt::Remark("said of one limb or side".into()));
    }
}

/// Numbers out of range, and words taken by their sound.
fn heard_as(c: &mut Claim, sit: &Situation<'_>, spot: &Spot<'_>) {
    let h = sit.h;
    c.doubts.extend(c.judged.implausible.clone().map(Doubt::Implausible));
    c.doubts.extend(c.judged.by_sound.clone().map(Doubt::SoundsLike));
    let Some(name) = spot.n.atom else {
        c.doubts.extend(at_hand_by_sound(c, sit).map(Doubt::SoundsLike));
        return;
    };
    if spot.n.naming == Naming::Sound {
        let item = &h.lex.items[c.item].name;
        c.doubts.push(Doubt::SoundsLike(format!("\"{}\" as {item}", h.said(name))));
    }
    c.doubts.extend(h.atom(name).by_sound.clone().map(Doubt::SoundsLike));
}

/// An item at hand that only the sound of a word named.
fn at_hand_by_sound(c: &Claim, sit: &Situation<'_>) -> Option<String> {
    let h = sit.h;
    let names = || {
        h.cut.atoms[..c.first_atom]
            .iter()
            .filter_map(|a| a.items(h.lex).iter().find(|n| n.0 == c.item).map(|n| (a, n.1)))
    };
    let sound = |(a, how): &(&Atom, Naming)| *how == Naming::Sound || a.by_sound.is_some();
    let words = match names().next() {
        Some(_) if !names().all(|n| sound(&n)) => return None,
        Some((a, _)) => h.cut.words(a.from, a.to),
        None => sit.memory.named_by_sound(c.item)?.clone(),
    };
    Some(format!("\"{words}\" as {}", h.lex.items[c.item].name))
}

/// More words not understood in the breaths of item and judgement than do no harm.
fn unknown_beside(c: &Claim, sit: &Situation<'_>, spot: &Spot<'_>) -> Option<Doubt> {
    let cut = sit.h.cut;
    let named_in = spot.n.atom.map(|a| cut.atoms[a].group);
    let unknown =
        cut.unknown_where(|u| cut.groups[u] == c.group || Some(cut.groups[u]) == named_in);
    let limit = if sit.seg.at_hand { UNKNOWN_AT_HAND } else { UNKNOWN_NAMED };
    (c.status == Status::Observed && unknown.len() > limit)
        .then(|| Doubt::MuchNotUnderstood(unknown.join(" ")))
}

/// What stands around the judgement and may belong to it.
fn around_judgement(c: &mut Claim, sit: &Situation<'_>) {
    let (h, at) = (sit.h, c.first_atom);
    c.doubts.extend(number_may_go_on(h, at).map(Doubt::NumberBySound));
    c.doubts.extend(number_may_begin_with_one(h, at, c.item).map(Doubt::NumberBySound));
    c.doubts.extend(lopsided(h, sit.seg, c.group).map(Doubt::MuchNotUnderstood));
    c.doubts.extend(
        loose_negation(h, at)
            .map(|word| Doubt::Denied(format!("\"{word}\" stands before \"{}\"", h.said(at)))),
    );
    c.doubts.extend(unknown_breath(h, at).map(Doubt::MuchNotUnderstood));
    c.doubts.extend(but_unknown(h, at).map(Doubt::MuchNotUnderstood));
    // "Item at hand", unknown word, judgement: the word may name another item.
    let before = h.cut.unknown_where(|u| h.cut.groups[u] == c.group && u < h.atom(at).from);
    if sit.seg.at_hand && !before.is_empty() {
        c.doubts.push(Doubt::MuchNotUnderstood(before.join(" ")));
    }
}

/// "one twenty sicks": the word after a number may have been part of it.
fn number_may_go_on(h: &Heard<'_>, atom: usize) -> Option<String> {
    let (cut, a) = (h.cut, h.atom(atom));
    if a.number.is_none() || a.unit.is_some() {
        return None;
    }
    // A word that can only be a reason is a poor neighbour of a number.
    let reason_next = cut
        .atoms
        .iter()
        .any(|x| x.from == a.to && !x.hits.is_empty() && x.means_only_reason(h.lex));
    (reason_next || cut.unknown.contains(&a.to))
        .then(|| format!("\"{} {}\"", h.said(atom), cut.tokens[a.to].surface))
}

/// "The right one fifty": fifty of the right one, or a hundred and fifty of the right.
fn number_may_begin_with_one(h: &Heard<'_>, atom: usize, item: ItemId) -> Option<String> {
    let a = h.atom(atom);
    let said = |back: usize| a.from.checked_sub(back).map(|i| h.cut.tokens[i].surface.as_str());
    let number = a.number.as_ref().map(|n| n.value)?;
    let plausible = h.lex.items[item].number.as_ref()?.plausible;
    let side = matches!(said(2), Some("left" | "right"));
    let more = (10.0..100.0).contains(&number) && number + 100.0 <= plausible[1];
    (said(1) == Some("one") && side && more).then(|| format!("\"one {}\"", h.said(atom)))
}

/// "In creased on the left, normal on the right": more sides than judgements in one breath, and
/// words not understood among them.
fn lopsided(h: &Heard<'_>, seg: &Segment, group: usize) -> Option<String> {
    let breath = || seg.elems.iter().filter(|e| e.group == group).map(|e| e.piece);
    let sides = breath().filter_map(|p| p.side()).filter(|s| s.single().is_some()).count();
    let judged = breath().filter(|p| p.judges()).count();
    let words = h.cut.unknown_where(|u| h.cut.groups[u] == group);
    (sides > judged && !words.is_empty()).then(|| words.join(" "))
}

/// A negation in the same breath before the atom that belongs to nothing in between.
fn loose_negation<'a>(h: &Heard<'a>, atom: usize) -> Option<&'a str> {
    let (cut, a) = (h.cut, h.atom(atom));
    // "Nothing that looks like a seizure": before what names a sign by itself; elsewhere *nothing* is a
    // judgement of its own.
    let sign =
        a.meanings(h.lex).any(|(m, _)| matches!(m, Meaning::Value { how: Saying::Alone, .. }));
    let first = (0..a.from).rev().take_while(|&i| cut.tokens[i].brk.is_none()).find(|&i| {
        sign && cut.tokens[i].surface == "nothing"
            || matches!(
                cut.tokens[i].surface.as_str(),
                "no" | "not" | "cannot" | "never" | "neither" | "nor" | "without" | "hardly"
            )
    })?;
    // Part of a longer phrase that was understood as a whole ("not reach midline", "can't get").
    let consumed = cut
        .atoms
        .iter()
        .any(|x| x.from <= first && first < x.to && x.to - x.from > 1 && !x.negation);
    // Another judgement between the two has taken it.
    let between = cut.atoms.iter().any(|x| {
        x.from > first
            && x.to <= a.from
            && (x.number.is_some() || x.judges && x.hits.iter().any(|hit| hit.words > 0))
    });
    (!consumed && !between).then(|| cut.tokens[first].surface.as_str())
}

/// The breath after the atom's, when it holds unknown words only: it may be the judgement.
fn unknown_breath(h: &Heard<'_>, atom: usize) -> Option<String> {
    let (cut, a) = (h.cut, h.atom(atom));
    let next = a.group + 1;
    let words = cut.unknown_where(|u| cut.groups[u] == next);
    let tokens = || (0..cut.tokens.len()).filter(|&i| cut.groups[i] == next);
    let same_sentence = tokens().any(|i| cut.sentences[i] == a.sentence);
    let all = tokens().filter(|&i| cut.tokens[i].brk.is_none()).count();
    let understood = cut.atoms.iter().any(|a| a.group == next);
    (same_sentence
        && !understood
        && (1..=LONGEST_JUDGEMENT).contains(&words.len())
        && all <= words.len() + 1)
        .then(|| words.join(" "))
}

/// Unknown words after a "but" that follows the atom in its sentence.
fn but_unknown(h: &Heard<'_>, atom: usize) -> Option<String> {
    let (cut, a) = (h.cut, h.atom(atom));
    let but = cut
        .atoms
        .iter()
        .find(|x| x.sentence == a.sentence && x.from >= a.to && x.is(h.lex, Family::But))?;
    // What was only taken by its sound is as good as not understood.
    let next = cut.atoms.iter().find(|x| {
        x.from >= but.to && x.by_sound.is_none() && (x.judges || !x.items(h.lex).is_empty())
    });
    let end = next.map_or(cut.tokens.len(), |x| x.from);
    let words: Vec<&str> = (but.to..end)
        .filter(|&i| {
            cut.sentences[i] == a.sentence
                && (cut.unknown.contains(&i)
                    || cut
                        .atoms
                        .iter()
                        .any(|x| x.by_sound.is_some() && (x.from..x.to).contains(&i)))
        })
        .map(|i| cut.tokens[i].surface.as_str())
        .collect();
    (!words.is_empty()).then(|| format!("but {}", words.join(" ")))
}

/// "Legs are floppy, tone low on both sides": of the whole, or of the part that was named before?
fn of_a_part(c: &Claim, h: &Heard<'_>) -> Option<Doubt> {
    let items = &h.lex.items;
    if items[c.item].sided {
        return None;
    }
    let judges_too = |item| {
        resolve(h.cut, h.atom(c.first_atom), item, false, true, h.lex)
            .is_some_and(|j| j.value.is_some() && j.value == c.judged.value && !j.stated)
    };
    // "Tone normal in arms and legs": the part may come after it, in the same sentence.
    let sentence = h.atom(c.first_atom).sentence;
    let near = |(i, a): &(usize, &Atom)| *i < c.first_atom || a.sentence == sentence;
    let atoms = h.cut.atoms.iter().enumerate().filter(near).map(|(_, a)| a);
    let part = atoms.flat_map(|a| a.items(h.lex)).find_map(|(item, how, _)| {
        (how == Naming::Weak && item != c.item && items[item].sided && judges_too(item))
            .then_some(item)
    })?;
    Some(Doubt::SeveralItems(format!("{}, {}", items[c.item].name, items[part].name)))
}

/// An item named by a word that is not its name alone: nothing found, or a shared meaning in
/// another breath.
fn not_named(c: &Claim, sit: &Situation<'_>, spot: &Spot<'_>) -> Option<Doubt> {
    let named_in = spot.n.atom.map(|a| sit.h.atom(a).group);
    let apart = c.judged.by_concept && named_in != Some(c.group);
    (spot.n.naming == Naming::Weak && (c.status != Status::Observed || apart))
        .then_some(Doubt::ItemNotNamed)
}

/// "Scarf sign, right at the midline": said of the right side, or just there? Where the left was judged
/// before, the right is meant.
fn perhaps_no_side(c: &Claim, sit: &Situation<'_>, spot: &Spot<'_>) -> Option<Doubt> {
    let cut = sit.h.cut;
    let right = cut
        .atoms
        .iter()
        .find(|a| cut.just.contains(&a.from) && a.sentence == sit.h.atom(c.first_atom).sentence)?;
    let left = |side: Option<Side>| side == Some(Side::Left);
    let left_before = sit.memory.of(c.item).any(|f| left(f.side))
        || spot.earlier(sit).any(|o| o.item == c.item && left(o.side));
    (c.side == Some(Side::Right) && !left_before).then(|| {
        Doubt::Remark(format!("\"{}\" may be no side", cut.words(right.from, right.to + 1)))
    })
}

/// A meaning that any item may have ("good", "none", "yes"), said of the item at hand alone: whoever
/// says it may speak of anything. And words that judge nothing by themselves, in a breath of their
/// own: "Palmar grasp, okay."
fn shared_meaning(c: &Claim, sit: &Situation<'_>, spot: &Spot<'_>) -> Option<Doubt> {
    let cut = sit.h.cut;
    let at = sit.h.atom(c.first_atom);
    let praise = cut.is_praise(at);
    let shared = c.judged.by_concept || praise || cut.is_bare(at);
    let in_its_breath = spot.n.atom.is_some_and(|n| sit.h.atom(n).group == at.group);
    let aside = praise && spot.p.side.is_none() && !in_its_breath;
    let at_hand = sit.seg.at_hand && shared && !says_its_side(c, sit, spot);
    (c.status == Status::Observed && (at_hand || aside)).then_some(Doubt::ItemNotNamed)
}

/// Whether a side was said with the judgement, of an item that was not judged there before: that is no
/// talk. "Right, fine." may be, unless the left was judged.
fn says_its_side(c: &Claim, sit: &Situation<'_>, spot: &Spot<'_>) -> bool {
    let (h, cut) = (sit.h, sit.h.cut);
    let at = h.atom(c.first_atom);
    let known = |side: Side| {
        sit.memory.of(c.item).any(|f| f.side == Some(side))
            || spot.earlier(sit).any(|o| o.item == c.item && o.side == Some(side))
    };
    let had = sit.memory.of(c.item).any(|f| f.status == Status::Observed && f.covers(c.side));
    let opens_right = || {
        let mut atoms = cut.atoms.iter().filter(|a| a.sentence == at.sentence);
        let first = atoms.next().is_some_and(|a| {
            a.is(h.lex, Family::Right) && a.to == a.from + 1 && cut.opens_breath(a)
        });
        first && !atoms.next().is_some_and(|a| a.is(h.lex, Family::BodyPart))
    };
    spot.p.side.is_some()
        && !cut.is_praise(at)
        && (!had || c.again || c.corrected)
        && (c.side != Some(Side::Right) || known(Side::Left) || !opens_right())
}
