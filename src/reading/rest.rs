//! What a phrase says beside its findings: words nothing was made of. A finding is no surer than
//! the whole of what was said with it, so those words leave it to a person.

use std::collections::HashSet;

use crate::lexicon::family::Family;
use crate::lexicon::matcher::Meaning;

use super::claim::Claim;
use super::heard::Heard;
use super::pieces::Segment;
use super::types::Doubt;

/// As many words nothing was made of may still speak of what the sentence before spoke of.
const LONGEST_TAIL: usize = 3;

/// Doubts the claims beside which something was said that none of them took up. `used`: atoms a
/// claim was made of.
pub(super) fn doubt_what_is_left(
    claims: &mut [Claim],
    segs: &[Segment],
    used: &HashSet<usize>,
    h: &Heard<'_>,
) {
    let left = left_over(segs, used, h);
    for (k, seg) in segs.iter().enumerate() {
        let start = opens_at(seg, h);
        let first = !segs[..k].iter().any(|s| s.sentence == seg.sentence);
        let end = segs[k + 1..]
            .iter()
            .find(|s| s.sentence == seg.sentence)
            .map_or(usize::MAX, |s| opens_at(s, h));
        let last = end == usize::MAX;
        let words: Vec<&str> = left
            .iter()
            .filter(|&&t| {
                let here = h.cut.sentences[t] == seg.sentence;
                here && (first || t >= start) && t < end
                    || last && tail(h.cut.sentences[t], seg.sentence, segs, &left, h)
            })
            .map(|&t| h.cut.tokens[t].surface.as_str())
            .collect();
        if words.is_empty() {
            continue;
        }
        let said = words.join(" ");
        for c in claims.iter_mut().filter(|c| {
            c.is_observed()
                && seg.item_ids().any(|i| i == c.item)
                && h.atom(c.first_atom).sentence == seg.sentence
        }) {
            if !c.doubts.iter().any(|d| matches!(d, Doubt::MuchNotUnderstood(_))) {
                c.doubts.push(Doubt::MuchNotUnderstood(said.clone()));
            }
        }
    }
}

/// Whether a sentence that speaks of no item, and says little, goes on with what another began:
/// "Moro symmetric. Jittery afterwards."
fn tail(sentence: usize, of: usize, segs: &[Segment], left: &[usize], h: &Heard<'_>) -> bool {
    sentence == of + 1
        && !segs.iter().any(|s| s.sentence == sentence)
        && left.iter().filter(|&&t| h.cut.sentences[t] == sentence).count() <= LONGEST_TAIL
}

/// First token of a segment.
fn opens_at(seg: &Segment, h: &Heard<'_>) -> usize {
    let names = seg.items.iter().filter_map(|n| n.atom);
    names.chain(seg.elems.iter().map(|e| e.atom)).map(|a| h.atom(a).from).min().unwrap_or(0)
}

/// Tokens nothing was made of.
pub(super) fn left_over(segs: &[Segment], used: &HashSet<usize>, h: &Heard<'_>) -> Vec<usize> {
    let in_atom = |t: &usize| h.cut.atoms.iter().any(|a| (a.from..a.to).contains(t));
    let mut left: Vec<usize> = h.cut.unknown.clone();
    left.extend(h.cut.qualifiers.iter().filter(|t| !in_atom(t)));
    let names: HashSet<usize> = segs.iter().flat_map(|s| &s.items).filter_map(|n| n.atom).collect();
    for (i, a) in h.cut.atoms.iter().enumerate() {
        let taken = !h.counts(i) || used.contains(&i) || names.contains(&i);
        let says = a.judges
            && a.number.is_none_or(|n| !n.idle)
            && !a.meanings(h.lex).any(|(m, _)| {
                matches!(
                    m,
                    Meaning::State { .. }
                        | Meaning::Control(_)
                        | Meaning::Section(_)
                        | Meaning::Reason(_)
                        | Meaning::Numbering(_)
                ) || matches!(m, Meaning::Family(f) if f != Family::Filler)
            });
        if !taken && says {
            left.extend(a.from..a.to);
        }
    }
    left.retain(|t| {
        let token = &h.cut.tokens[*t];
        token.brk.is_none() && !h.lex.matcher.is_filler(&token.folded) && !h.cut.idle.contains(t)
    });
    left.sort_unstable();
    left.dedup();
    left
}
