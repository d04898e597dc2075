//! What a phrase says besides findings: states, controls, acts and headings, what was set aside,
//! and items announced or left for later.

use crate::lexicon::family::Family;
use crate::lexicon::matcher::Meaning;
use crate::lexicon::model::ItemId;

use super::atoms::Atom;
use super::claim::Claim;
use super::clauses::Aside;
use super::heard::Heard;
use super::pieces::Segment;
use super::resolve::Judged;
use super::segments::Segmented;
use super::types::{Act, Deferred, Doubt, Reading, StateSaid, Status};

/// As many parts set aside are told; more would drown the rest of the reading.
const MOST_SET_ASIDE: usize = 8;
/// As many words may stand between a state and the words that undo it.
const MOST_BEFORE_STATE: usize = 2;

/// Notes states, controls, acts, headings, and what was set aside.
pub(super) fn note(h: &Heard<'_>, reading: &mut Reading) {
    for (i, a) in h.cut.atoms.iter().enumerate() {
        if let Some(aside) = h.taken[i].aside {
            reading.earlier |= aside == Aside::Past;
            if reading.set_aside.len() < MOST_SET_ASIDE {
                reading.set_aside.push(format!("{}: \"{}\"", aside.words(), h.said(i)));
            }
            continue;
        }
        for (m, _) in a.meanings(h.lex) {
            match m {
                // What only sounds like a state is no state the rest may be judged by.
                Meaning::State { sound, .. } if sound || a.by_sound.is_some() => {}
                Meaning::State { state, implied, .. } => {
                    let negated =
                        i > 0 && h.is(i - 1, Family::Negation) && h.cut.adjacent(i - 1, i, 0);
                    if !negated && !is_undone(h, a) {
                        note_state(StateSaid { state, implied }, reading);
                    }
                }
                Meaning::Control(c) => reading.controls.push(h.lex.controls[c].clone()),
                Meaning::Section(s) => reading.sections.push(s),
                Meaning::Family(Family::Hold) => reading.acts.push(Act::Hold),
                Meaning::Family(Family::Release) => reading.acts.push(Act::Release),
                Meaning::Family(Family::Again) => reading.acts.push(Act::Again),
                _ => {}
            }
        }
    }
}

/// What only sounds like a state ("girning", of a word not understood) is asked about: a claim about the
/// item of states, as doubtful as everything taken by sound.
pub(super) fn states_by_sound(h: &Heard<'_>, claims: &[Claim]) -> Vec<Claim> {
    let Some(item) = h.lex.state_item else { return Vec::new() };
    let mut out: Vec<Claim> = Vec::new();
    for (i, a) in h.cut.atoms.iter().enumerate().filter(|(i, _)| h.counts(*i)) {
        let state = a.meanings(h.lex).find_map(|(m, _)| match m {
            Meaning::State { state, sound, .. } if sound || a.by_sound.is_some() => Some(state),
            _ => None,
        });
        let claimed = claims.iter().chain(&out).any(|c| c.item == item || c.atoms.contains(&i));
        let negated = i > 0 && h.is(i - 1, Family::Negation) && h.cut.adjacent(i - 1, i, 0);
        let Some(state) = state.filter(|_| !claimed && !negated && !is_undone(h, a)) else {
            continue;
        };
        let code = &h.lex.states[state].code;
        if h.lex.items[item].value(code).is_none() {
            continue;
        }
        let name = &h.lex.states[state].name;
        let by = a.by_sound.clone().unwrap_or_else(|| format!("\"{}\" as {name}", h.said(i)));
        let judged = Judged { value: Some(code.clone()), matched: by.clone(), ..Judged::default() };
        let mut c = Claim::new(item, None, Status::Observed, judged, &Segment::default());
        c.first_atom = i;
        c.atoms.push(i);
        c.group = a.group;
        c.why = format!("{}: {by}", h.lex.items[item].id);
        c.doubts.push(Doubt::SoundsLike(by));
        out.push(c);
    }
    out
}

/// "No longer crying", "when he cries", "mum is drowsy": words right before a state in its breath
/// that say it is not the state now.
fn is_undone(h: &Heard<'_>, state: &Atom) -> bool {
    h.cut.not_a_state.iter().any(|&(_, to)| {
        to <= state.from
            && state.from - to <= MOST_BEFORE_STATE
            && h.cut.tokens[to..state.from].iter().all(|t| t.brk.is_none())
    })
}

/// Notes a state once.
fn note_state(said: StateSaid, reading: &mut Reading) {
    if !reading.states.iter().any(|s| s.state == said.state) {
        reading.states.push(said);
    }
}

/// Notes the states that were found as values of the item of states.
pub(super) fn note_states_found(h: &Heard<'_>, reading: &mut Reading) {
    let found: Vec<usize> = reading
        .findings
        .iter()
        .filter(|f| Some(f.item) == h.lex.state_item && f.is_sure())
        .filter_map(|f| h.lex.state(f.value.as_deref()?))
        .collect();
    for state in found {
        note_state(StateSaid { state, implied: false }, reading);
    }
}

/// Notes the items that were named without a judgement, and those left for later.
pub(super) fn note_waiting(h: &Heard<'_>, cut_up: &Segmented, reading: &mut Reading) {
    let judged: Vec<ItemId> = reading.findings.iter().map(|f| f.item).collect();
    let waiting =
        |s: &Segment| s.item_ids().filter(|i| !judged.contains(i)).collect::<Vec<ItemId>>();
    for item in cut_up.segments.iter().filter(|s| !s.at_hand).flat_map(waiting) {
        if !reading.announced.contains(&item) {
            reading.announced.push(item);
        }
    }
    if !h.taken.iter().any(|t| t.aside == Some(Aside::Later)) {
        return;
    }
    let items = if cut_up.mentioned.is_empty() {
        cut_up.segments.iter().flat_map(waiting).collect()
    } else {
        cut_up.mentioned.clone()
    };
    let side = h.first_side();
    reading.deferred.extend(
        items
            .into_iter()
            .map(|item| Deferred { item, side: side.filter(|_| h.lex.items[item].sided) }),
    );
}
