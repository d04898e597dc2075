//! The reader: a fold over phrases that remembers what is at hand.

use std::collections::HashSet;
use std::sync::{Arc, OnceLock};

use crate::capture::Phrase;
use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming};
use crate::lexicon::model::{ItemId, Lexicon};
use crate::lexicon::schema::{Elicited, NoMeans};
use crate::lexicon::text::Break;

use super::assemble::{Judged, Named, Pair, Piece, Segment, SideSaid, pair, resolve, said};
use super::atoms::{Cut, cut};
use super::clauses::{Aside, Taken, judge};
use super::ears::Ears;
use super::segments::{AtHand, segments};
use super::series::{self, Came, Run};
use super::types::{
    Act, Deferred, Doubt, Finding, FindingId, Reading, Side, StateSaid, Status, Strike,
};

/// Words not understood beside a finding that make it doubtful.
const UNKNOWN_NAMED: usize = 4;
/// The same where the item was not named in the phrase.
const UNKNOWN_AT_HAND: usize = 1;

/// Reads phrases one after the other. Its memory is what a listener would keep in mind: the item
/// just named, the side just named, what was found so far.
#[derive(Debug)]
pub struct Reader<'a> {
    lex: &'a Lexicon,
    items: Vec<ItemId>,
    items_at: u64,
    plural: bool,
    side: Option<SideSaid>,
    side_at: u64,
    /// "Again" was said alone: the next judgement is another trial.
    again: bool,
    /// Item of what the phrase struck.
    struck: Option<ItemId>,
    /// Side of what the last phrase said and took back.
    withdrawn: Option<Side>,
    history: Vec<Finding>,
    /// Findings of the last phrase that had any.
    last: Vec<FindingId>,
    /// The same before the phrase at hand.
    last_before: Vec<FindingId>,
    last_reason: Option<String>,
    numbering: Option<usize>,
    units_known: HashSet<ItemId>,
    /// A repeated stimulus that is being counted.
    series: Option<Run>,
    /// Items a series was counted for before.
    counted: HashSet<ItemId>,
    ears: OnceLock<Arc<Ears>>,
}

/// A finding under way.
#[derive(Debug, Clone)]
struct Claim {
    item: ItemId,
    side: Option<Side>,
    status: Status,
    judged: Judged,
    reason: Option<String>,
    doubts: Vec<Doubt>,
    why: String,
    corrected: bool,
    again: bool,
    directive: bool,
    except: bool,
    group: usize,
    first_atom: usize,
    at_hand: bool,
    copied: bool,
    /// The side was not said, but follows from how the item is elicited.
    side_inferred: bool,
}

impl<'a> Reader<'a> {
    /// A reader that has heard nothing yet.
    pub fn new(lex: &'a Lexicon) -> Self {
        Reader {
            lex,
            items: Vec::new(),
            items_at: 0,
            plural: false,
            side: None,
            side_at: 0,
            withdrawn: None,
            struck: None,
            again: false,
            history: Vec::new(),
            last: Vec::new(),
            last_before: Vec::new(),
            last_reason: None,
            numbering: None,
            units_known: HashSet::new(),
            series: None,
            counted: HashSet::new(),
            ears: OnceLock::new(),
        }
    }

    /// Reads the phrase with journal sequence number `seq`.
    pub fn read(&mut self, seq: u64, phrase: &Phrase) -> Reading {
        let lex = self.lex;
        let fresh = phrase.start_ms.saturating_sub(self.items_at) <= lex.item_context_ms;
        if let Some(reading) = self.count(seq, phrase, fresh) {
            return reading;
        }
        let near: &[ItemId] = if fresh { &self.items } else { &[] };
        let cut =
            cut(&phrase.text, lex, Some((self.ears.get_or_init(|| Ears::of(lex)).as_ref(), near)));
        let taken = judge(&cut, lex);
        let mut reading = Reading::default();
        self.note_plain(&cut, &taken, &mut reading);

        let at_hand = AtHand {
            items: if fresh { self.items.clone() } else { Vec::new() },
            units_known: self.units_known.clone(),
            plural: self.plural,
            found: self.history.iter().map(|f| f.item).collect(),
        };
        let side_at_hand = self
            .side
            .filter(|_| phrase.start_ms.saturating_sub(self.side_at) <= lex.side_context_ms);
        let cut_up = segments(&cut, &taken, &at_hand, lex);
        let mut segs = cut_up.segments;
        self.plural = cut_up.plural;
        share_lists(&mut segs, &cut, lex);
        share_forward(&mut segs, &cut, lex);

        self.last_before.clone_from(&self.last);
        let mut claims: Vec<Claim> = Vec::new();
        let strikes: Vec<usize> = (0..cut.atoms.len())
            .filter(|&i| {
                taken[i].aside.is_none()
                    && cut.atoms[i].is(lex, Family::Strike)
                    && !cut.atoms[i].is(lex, Family::Correct)
            })
            .collect();
        let mut carried: Option<SideSaid> = None;
        for seg in &segs {
            let near = carried.or(side_at_hand);
            let mut made =
                self.claims_of(seg, &cut, &taken, near, carried.is_some(), &claims, phrase);
            carried = lone_side(seg, made.is_empty()).or(carried.filter(|_| made.is_empty()));
            if made.is_empty() && seg.at_hand {
                late_side(seg, &mut claims);
            }
            // "sutures can't be felt, big caput": what follows an omission is its reason, it seems.
            let alone = seg
                .items
                .iter()
                .all(|n| n.atom.is_some() && n.atom == seg.elems.first().map(|e| e.atom));
            if alone
                && claims.iter().any(|c| {
                    c.status == Status::Skipped
                        && cut.atoms[c.first_atom].sentence == seg.sentence
                        && !seg.items.iter().any(|n| n.item == c.item)
                })
            {
                for c in &mut made {
                    c.doubts.push(Doubt::Remark("after an omission, perhaps its reason".into()));
                }
            }
            for c in made.drain(..) {
                add_claim(&mut claims, c, &cut, lex);
            }
        }
        // "No head lag, no vertical suspension, no stepping, can't come off the mattress."
        let omitted = claims.iter().any(|c| {
            c.doubts.contains(&Doubt::AbsentOrNotDone)
                || (c.status == Status::Skipped && c.why.contains(": \"no "))
        });
        if omitted {
            for c in claims.iter_mut().filter(|c| c.judged.matched.starts_with("no ")) {
                if !c.doubts.contains(&Doubt::AbsentOrNotDone) {
                    c.doubts.push(Doubt::AbsentOrNotDone);
                }
            }
        }
        // Said of the stimulus just counted, which is no finding yet.
        if strikes.is_empty() || !self.series.as_mut().is_some_and(Run::take_back) {
            self.take_back(&cut, &taken, &segs, &strikes, seq, &mut claims, &mut reading);
        }
        self.swap(&cut, &taken, &mut claims);
        self.other_side(&cut, &taken, &segs, &mut claims);
        self.and_the_other(&cut, &taken, &mut claims);
        self.finish(seq, phrase, &cut, claims, &mut reading);
        self.second_thoughts(&cut, &taken, &mut reading);
        self.named_again(&cut, &segs, &mut reading);
        self.remember(phrase, &cut, &taken, &segs, &cut_up.mentioned, &mut reading);
        for f in reading.findings.iter().filter(|f| Some(f.item) == lex.state_item) {
            if let Some(state) = f.value.as_deref().and_then(|v| lex.state(v))
                && f.is_sure()
                && !reading.states.iter().any(|s| s.state == state)
            {
                reading.states.push(StateSaid { state, implied: false });
            }
        }
        reading.at_hand = self.items.first().copied();
        // Named anew, or another item named: the next stimulus begins a new series.
        if let Some(run) = &self.series
            && (reading.announced.contains(&run.item) || reading.at_hand != Some(run.item))
        {
            self.series = None;
        }
        reading.leftover = cut.unknown.iter().map(|&i| cut.tokens[i].surface.clone()).collect();
        reading
    }

    /// The phrase as one stimulus or more of the item at hand, when it is one whose stimuli are
    /// counted and the phrase holds nothing else. The one that ends the series makes its finding.
    fn count(&mut self, seq: u64, phrase: &Phrase, fresh: bool) -> Option<Reading> {
        let lex = self.lex;
        let [item] = self.items[..] else { return None };
        let series = lex.items[item].series.as_ref().filter(|_| fresh)?;
        let heard = series::stimuli(&phrase.text, series, lex)?;
        let run = self.series.get_or_insert_with(|| Run::new(item));
        let mut reading = Reading { at_hand: Some(item), ..Reading::default() };
        self.items_at = phrase.end_ms;
        for answered in heard {
            let Some((stimulus, came)) = run.take(answered, seq, series) else {
                reading.set_aside.push("a stimulus after the series had ended".into());
                continue;
            };
            reading.stimuli.push(stimulus);
            let Some(came) = came else { continue };
            let value = match came {
                Came::Count(_) => None,
                Came::NoneAnswered => Some(series.none_answered),
                Came::StillAnswered => Some(series.still_answered),
            };
            let it = &lex.items[item];
            let number = match came {
                Came::Count(n) => Some(f64::from(n)),
                Came::NoneAnswered | Came::StillAnswered => None,
            };
            let unit = it.number.as_ref().filter(|_| number.is_some());
            let f = Finding {
                id: FindingId { phrase: seq, index: 1 },
                item,
                side: None,
                status: Status::Observed,
                value: value.map(|v| it.values[v].code.clone()),
                number,
                range: None,
                unit: unit.map(|n| lex.units[n.unit].id.clone()),
                reason: None,
                doubts: Vec::new(),
                why: format!("{}: {}", it.id, run.told()),
                corrects: Vec::new(),
                again: !self.counted.insert(item),
                at_ms: phrase.start_ms,
            };
            self.last = vec![f.id];
            self.history.push(f.clone());
            reading.findings.push(f);
        }
        Some(reading)
    }

    /// States, controls, acts, headings, and what was set aside.
    fn note_plain(&mut self, cut: &Cut, taken: &[Taken], reading: &mut Reading) {
        let lex = self.lex;
        for (i, a) in cut.atoms.iter().enumerate() {
            for (m, _) in a.meanings(lex) {
                if let Meaning::Numbering(n) = m {
                    self.numbering = Some(n);
                }
            }
            if let Some(aside) = taken[i].aside {
                let text = format!("{}: \"{}\"", aside.words(), said(cut, i));
                if reading.set_aside.len() < 8 {
                    reading.set_aside.push(text);
                }
                continue;
            }
            for (m, _) in a.meanings(lex) {
                match m {
                    Meaning::State { state, implied, .. } => {
                        let negated = i > 0
                            && cut.atoms[i - 1].is(lex, Family::Negation)
                            && super::assemble::adjacent(cut, i - 1, i, 0);
                        // "No longer crying", "when he cries", "mum is drowsy".
                        let undone = cut.not_a_state.iter().any(|&(_, to)| {
                            to <= a.from
                                && a.from - to <= 2
                                && cut.tokens[to..a.from].iter().all(|t| t.brk.is_none())
                        });
                        if !negated && !undone && !reading.states.iter().any(|s| s.state == state) {
                            reading.states.push(StateSaid { state, implied });
                        }
                    }
                    Meaning::Control(c) => reading.controls.push(lex.controls[c].clone()),
                    Meaning::Section(s) => reading.sections.push(s),
                    Meaning::Family(Family::Hold) => reading.acts.push(Act::Hold),
                    Meaning::Family(Family::Release) => reading.acts.push(Act::Release),
                    Meaning::Family(Family::Again) => reading.acts.push(Act::Again),
                    _ => {}
                }
            }
        }
    }

    /// The claims of one segment.
    #[allow(clippy::too_many_lines)] // one decision after the other, in the order of GRAMMAR.md
    #[allow(clippy::too_many_arguments)] // the whole situation bears on a claim
    fn claims_of(
        &self,
        seg: &Segment,
        cut: &Cut,
        taken: &[Taken],
        side_at_hand: Option<SideSaid>,
        side_in_phrase: bool,
        before: &[Claim],
        phrase: &Phrase,
    ) -> Vec<Claim> {
        let lex = self.lex;
        let mut out = Vec::new();
        let elems = self.settle_no(seg, cut, before.is_empty());
        // "Sunsetting absent", "high arched palate, no": a sign named by itself and then denied.
        let elems = deny_signs(elems, cut, lex);
        // What none of the items takes must not part a side from its judgement.
        let elems: Vec<super::assemble::Elem> = elems
            .into_iter()
            .filter(|e| {
                e.piece != Piece::Judgement
                    || cut.atoms[e.atom].is(lex, Family::Negation)
                    || seg.items.iter().any(|n| self.res(cut, e, n.item).is_some_and(|j| !j.denied))
            })
            .collect();
        // "…, I wasn't counting right": a side among words not understood is no side of a judgement.
        let judged_in = |g: usize| {
            elems.iter().any(|e| {
                e.group == g
                    && matches!(
                        e.piece,
                        Piece::Judgement
                            | Piece::Skip
                            | Piece::NotObtained
                            | Piece::Same
                            | Piece::Too
                    )
            })
        };
        let first_judged = elems
            .iter()
            .filter(|e| matches!(e.piece, Piece::Judgement | Piece::Skip | Piece::NotObtained))
            .map(|e| e.group)
            .min();
        let elems: Vec<super::assemble::Elem> = elems
            .iter()
            .copied()
            .filter(|e| {
                !matches!(e.piece, Piece::Side(_))
                    || judged_in(e.group)
                    || first_judged.is_none_or(|g| e.group < g)
                    || !cut.unknown.iter().any(|&u| cut.groups[u] == e.group)
            })
            .collect();
        let mut pairs = pair(&elems);
        let reason = || reason_in(cut, seg, lex);
        // "no prone, no ventral suspension, he is on the mattress"; "not stroking the soles"
        let by_not = seg.negated && negated_by(seg, cut) == "not";
        let bare = pairs.iter().all(|p| p.js.iter().all(|e| e.piece == Piece::Skip));
        if seg.negated && (bare || by_not) {
            // "no tongue tie": the name is part of another thing.
            let last = seg.items.iter().filter_map(|n| n.atom).max();
            if last.is_some_and(|a| cut.unknown.contains(&cut.atoms[a].to)) {
                return out;
            }
            let told_plainly = has_family(cut, taken, Family::Skip, lex);
            let told = told_plainly
                || cut.atoms.iter().any(|a| {
                    a.sentence >= seg.sentence
                        && a.group > seg.group
                        && a.meanings(lex).any(|(m, _)| matches!(m, Meaning::Reason(_)))
                });
            for n in &seg.items {
                let it = &lex.items[n.item];
                let side =
                    self.side_of(n, None, &Pair::default(), &elems, side_at_hand, side_in_phrase);
                let absent = absent_value(n.item, lex);
                let name = n.atom.map(|a| said(cut, a)).unwrap_or_default();
                let (status, judged) = match absent {
                    Some(j) if !told && !by_not => (Status::Observed, j),
                    Some(j) if told && it.no_means == NoMeans::Absent && !by_not => {
                        (Status::Observed, j)
                    }
                    // "No tremor": looked for and not there, which is no value of its own.
                    None if it.no_means == NoMeans::Absent && !by_not => continue,
                    _ => (Status::Skipped, Judged::default()),
                };
                let mut c = claim(n.item, side, status, judged, seg, cut, taken);
                c.first_atom = n.atom.unwrap_or(c.first_atom);
                c.why = format!("{}: \"{} {name}\"", it.id, negated_by(seg, cut));
                if status == Status::Skipped {
                    c.reason = reason();
                }
                if !(told_plainly || it.no_means == NoMeans::Absent && !by_not) {
                    c.doubts.push(Doubt::AbsentOrNotDone);
                }
                if n.naming == Naming::Weak {
                    c.doubts.push(Doubt::ItemNotNamed);
                }
                out.push(c);
            }
            return out;
        }
        let before_first: Vec<SideSaid> = elems
            .iter()
            .take_while(|e| e.piece != Piece::Judgement)
            .filter_map(|e| match e.piece {
                Piece::Side(s) => Some(s),
                _ => None,
            })
            .collect();
        let first_j = elems.iter().find(|e| e.piece == Piece::Judgement).map(|e| e.group);
        let first_s = elems.iter().find(|e| matches!(e.piece, Piece::Side(_))).map(|e| e.group);
        if let (true, [one], [n]) =
            (seg.negated && first_s < first_j, &before_first[..], &seg.items[..])
            && let Some(j) = absent_value(n.item, lex)
        {
            // "no clonus on the left, with three beats on the right"
            let p = Pair { side: Some(*one), ..Pair::default() };
            let side = self.side_of(n, Some(&j), &p, &elems, None, false);
            let mut c = claim(n.item, side, Status::Observed, j, seg, cut, taken);
            if lex.items[n.item].no_means == NoMeans::Unclear {
                c.doubts.push(Doubt::AbsentOrNotDone);
            }
            c.why = format!("{}: none", lex.items[n.item].id);
            out.push(c);
        }
        if seg.negated {
            // "no clonus on the left": the negation is the judgement of the first bare pair.
            for p in &mut pairs {
                p.js.retain(|e| e.piece != Piece::Too);
            }
        }
        // The item named again with another side later: pairs hold the order.
        let fits: Vec<(&Named, usize)> = seg
            .items
            .iter()
            .map(|n| {
                let k = pairs
                    .iter()
                    .flat_map(|p| &p.js)
                    .filter(|e| e.piece == Piece::Judgement && self.res(cut, e, n.item).is_some())
                    .count();
                (n, k)
            })
            .collect();
        let best = fits.iter().map(|f| f.1).max().unwrap_or(0);
        let several = seg.items.len() > 1 && seg.group_words.is_none();
        let chosen: Vec<&Named> = if several && best > 0 {
            fits.iter().filter(|f| f.1 == best).map(|f| f.0).collect()
        } else {
            seg.items.iter().collect()
        };
        let ambiguous = several && chosen.len() > 1;
        for n in &chosen {
            let mut last_judged: Option<(Option<Side>, Judged, Status)> = None;
            for p in &pairs {
                let mut merged: Option<Claim> = None;
                for e in &p.js {
                    let made = self.claim_of_piece(
                        n,
                        seg,
                        p,
                        e,
                        cut,
                        taken,
                        &elems,
                        side_at_hand,
                        side_in_phrase,
                        before,
                        &out,
                        phrase,
                    );
                    let Some(mut c) = made else { continue };
                    if ambiguous {
                        let names: Vec<&str> =
                            chosen.iter().map(|n| lex.items[n.item].name.as_str()).collect();
                        c.doubts.push(Doubt::SeveralItems(names.join(", ")));
                    }
                    if let Some(g) = &seg.group_words {
                        c.doubts.push(Doubt::Group(g.clone()));
                    }
                    if c.status == Status::Skipped && c.reason.is_none() {
                        c.reason = reason();
                    }
                    match &mut merged {
                        None => merged = Some(c),
                        // "biceps two and two", "three and two": a pair of numbers for a pair.
                        Some(m)
                            if m.side == Some(Side::Unstated)
                                && cut.atoms[m.first_atom].number.is_some()
                                && cut.atoms[c.first_atom].number.is_some()
                                && cut.atoms[m.first_atom..c.first_atom]
                                    .iter()
                                    .any(|a| a.is(lex, Family::And)) =>
                        {
                            if m.judged.value == c.judged.value
                                && m.judged.number == c.judged.number
                            {
                                m.side = Some(Side::Both);
                            } else {
                                m.doubts.push(Doubt::SidesNotNamed);
                                c.doubts.push(Doubt::SidesNotNamed);
                                out.push(std::mem::replace(m, c));
                            }
                        }
                        Some(m) => merge_judgement(m, c, cut, lex),
                    }
                }
                if let Some(mut c) = merged {
                    // "right two millimetres, sluggish": the same side goes on.
                    if p.follows
                        && let Some((side, j, Status::Observed)) = &last_judged
                        && c.status == Status::Observed
                        && (complements(j, &c.judged) || c.side == Some(Side::Unstated))
                    {
                        c.side = *side;
                        c.doubts.retain(|d| *d != Doubt::SideNotSaid);
                    }
                    last_judged = Some((c.side, c.judged.clone(), c.status));
                    out.push(c);
                }
            }
        }
        out
    }

    fn res(&self, cut: &Cut, e: &super::assemble::Elem, item: ItemId) -> Option<Judged> {
        let known = self.units_known.contains(&item);
        resolve(cut, &cut.atoms[e.atom], item, e.negated, known, self.lex)
    }

    /// A "no" on its own is a judgement ("Right biceps, no."), a correction ("no, a flicker"), or
    /// belongs to the value it stands before.
    fn settle_no(&self, seg: &Segment, cut: &Cut, first: bool) -> Vec<super::assemble::Elem> {
        let mut out = Vec::new();
        for (k, e) in seg.elems.iter().enumerate() {
            if e.piece != Piece::No {
                out.push(*e);
                continue;
            }
            let next = seg.elems.get(k + 1);
            let binds = next.is_some_and(|n| {
                n.piece == Piece::Judgement
                    && n.negated
                    && super::assemble::adjacent(cut, e.atom, n.atom, 2)
            });
            if binds {
                continue;
            }
            let word = said(cut, e.atom);
            let ends_breath = cut.tokens.get(cut.atoms[e.atom].to).is_none_or(|t| t.brk.is_some());
            if word.ends_with("not") && ends_breath {
                // "nystagmus there is not", "clonus on right there is not"
                let same = |x: &super::assemble::Elem| x.group == e.group;
                if let Some(j) = out
                    .iter()
                    .rposition(|x: &super::assemble::Elem| same(x) && x.piece == Piece::Judgement)
                {
                    out[j].negated = true;
                } else if !seg.at_hand {
                    out.push(super::assemble::Elem {
                        piece: Piece::Judgement,
                        negated: true,
                        ..*e
                    });
                }
                continue;
            }
            if word != "no" {
                continue;
            }
            let opens_group =
                cut.atoms[e.atom].from == 0 || cut.tokens[cut.atoms[e.atom].from - 1].brk.is_some();
            let after = cut.tokens.get(cut.atoms[e.atom].to).and_then(|t| t.brk);
            let rest_judges = seg.elems[k + 1..].iter().any(|x| x.piece == Piece::Judgement);
            if opens_group && after == Some(Break::Comma) && rest_judges {
                // "no, flicker on the right"
                let known = seg.items.iter().any(|n| self.history.iter().any(|f| f.item == n.item));
                if !first || known || !seg.elems[..k].is_empty() {
                    out.push(super::assemble::Elem { piece: Piece::Correct, ..*e });
                }
            } else if after.is_some()
                || next.is_some_and(|n| {
                    matches!(n.piece, Piece::Side(_))
                        && super::assemble::adjacent(cut, e.atom, n.atom, 0)
                })
                || cut.atoms[e.atom].to == cut.tokens.len()
            {
                // "Right biceps, no." "Clonus no on right."
                let sided_before = seg.elems[..k].iter().any(|x| matches!(x.piece, Piece::Side(_)));
                let named = !seg.at_hand;
                if (sided_before || named || next.is_some()) && !rest_judges
                    || next.is_some_and(|n| {
                        matches!(n.piece, Piece::Side(_))
                            && super::assemble::adjacent(cut, e.atom, n.atom, 0)
                    })
                {
                    out.push(super::assemble::Elem {
                        piece: Piece::Judgement,
                        negated: true,
                        ..*e
                    });
                }
            }
        }
        out
    }

    #[allow(clippy::too_many_arguments)] // the whole situation bears on one claim
    fn claim_of_piece(
        &self,
        n: &Named,
        seg: &Segment,
        p: &Pair,
        e: &super::assemble::Elem,
        cut: &Cut,
        taken: &[Taken],
        elems: &[super::assemble::Elem],
        side_at_hand: Option<SideSaid>,
        side_in_phrase: bool,
        before: &[Claim],
        own: &[Claim],
        phrase: &Phrase,
    ) -> Option<Claim> {
        let lex = self.lex;
        let it = &lex.items[n.item];
        let (status, judged) = match e.piece {
            Piece::Skip => (Status::Skipped, Judged::default()),
            Piece::NotObtained => (Status::NotObtained, Judged::default()),
            Piece::Same | Piece::Too => {
                return self.copy(n, seg, p, e, cut, taken, before, own, phrase);
            }
            _ => {
                let j = if said(cut, e.atom) == "no" && cut.atoms[e.atom].is(lex, Family::Negation)
                {
                    absent_value(n.item, lex)?
                } else {
                    self.res(cut, e, n.item)?
                };
                (Status::Observed, j)
            }
        };
        if judged.denied || (seg.at_hand && judged.implausible.is_some()) {
            return None;
        }
        if seg.at_hand
            && cut.atoms[e.atom].negation
            && p.side.is_none()
            && self.history.iter().any(|f| f.item == n.item)
        {
            return None;
        }
        // "No nystagmus with it" says nothing against what was found.
        let had = self.history.iter().any(|f| f.item == n.item && f.status == Status::Observed)
            || before.iter().any(|c| c.item == n.item);
        if seg.at_hand && judged.yields && had && !p.corrected && p.side.is_none() {
            return None;
        }
        // "Exchange left with, no, leave it, it was good so."
        if seg.at_hand
            && judged.stated
            && (has_family(cut, taken, Family::Correct, lex)
                || has_family(cut, taken, Family::But, lex)
                || !cut.unknown.is_empty())
        {
            return None;
        }
        // "Nothing high-pitched there, a strong cry": the phrase names another item.
        if seg.at_hand && judged.by_concept && p.side.is_none() && names_other(cut, n.item, lex) {
            return None;
        }
        // A bare "fine" or "nothing" about an item that has had its judgement is talk.
        if seg.at_hand
            && (judged.by_concept || judged.stated)
            && p.side.is_none()
            && !p.corrected
            && !p.again
            && !p.directive
            && (self.history.iter().any(|f| f.item == n.item)
                || before.iter().chain(own).any(|c| c.item == n.item))
        {
            return None;
        }
        let side = self.side_of(n, Some(&judged), p, elems, side_at_hand, side_in_phrase);
        // "On the left nothing. … Third time, he stills.": the side goes on where it began.
        let side = match side {
            Some(Side::Unstated) if seg.at_hand => own
                .iter()
                .rev()
                .chain(before.iter().rev())
                .find(|c| c.item == n.item)
                .map_or(side, |c| c.side),
            _ => side,
        };
        // "Same again at six.": a time, not a measurement.
        let from = cut.atoms[e.atom].from;
        if seg.at_hand
            && cut.atoms[e.atom].number.is_some()
            && from > 0
            && ["at", "until", "till"].contains(&cut.tokens[from - 1].surface.as_str())
            && self.history.iter().any(|f| f.item == n.item)
        {
            return None;
        }
        // An item that has had its judgement is not judged again by the way, in a phrase about
        // another.
        if seg.at_hand
            && p.side.is_none()
            && !p.corrected
            && !p.again
            && before.iter().chain(own).any(|c| c.item != n.item && !c.at_hand)
            && self.history.iter().any(|f| f.item == n.item)
        {
            return None;
        }
        let group = cut.atoms[e.atom].group;
        let unknown_before =
            cut.unknown.iter().any(|&u| cut.groups[u] == group && u < cut.atoms[e.atom].from);
        let other_named = cut.atoms[..e.atom].iter().any(|a| {
            a.group == group
                && (a.meanings(lex).any(|(m, _)| matches!(m, Meaning::Group(_)))
                    || (!a.is(lex, Family::BodyPart)
                        && a.items(lex).iter().any(|(i, _, _)| *i != n.item)))
        });
        if seg.at_hand && status != Status::Observed && other_named {
            return None;
        }
        // "Skip hearing", "skip the eyes": what is skipped was named, and is not the item at hand.
        let something = cut.unknown.iter().any(|&u| cut.groups[u] == group)
            || cut.atoms.iter().any(|a| {
                a.group == group
                    && (a.is(lex, Family::BodyPart)
                        || a.items(lex).iter().any(|(i, _, _)| *i != n.item))
            });
        if seg.at_hand && status == Status::Skipped && p.side.is_none() && something {
            return None;
        }
        if seg.at_hand && status != Status::Observed && unknown_before {
            let side_first = elems.iter().any(|x| {
                matches!(x.piece, Piece::Side(_))
                    && cut
                        .unknown
                        .iter()
                        .all(|&u| cut.groups[u] != group || u > cut.atoms[x.atom].from)
            });
            if !side_first {
                // Something was not done, but what it was is among the words not understood.
                return None;
            }
        }
        if seg.at_hand
            && p.side.is_none()
            && !(p.corrected || p.again || p.directive)
            && ![Family::Correct, Family::Strike, Family::Withdraw]
                .iter()
                .any(|f| has_family(cut, taken, *f, lex))
            && !cut.unknown.is_empty()
            && status == Status::Observed
            && (judged.by_concept || judged.yields)
            && self.history.iter().any(|f| {
                f.item == n.item
                    && f.covers(side)
                    && f.status == Status::Observed
                    && (f.value != judged.value || f.number != judged.number)
                    && !complements(&judged_from(f), &judged)
            })
        {
            return None;
        }
        let bare_no = said(cut, e.atom) == "no" && it.no_means == NoMeans::Unclear;
        // "left arm recoil no, cannula": not done, it seems; a person says which.
        let reasoned = bare_no && goes_on(cut, e.atom, lex);
        let (status, judged) =
            if reasoned { (Status::Skipped, Judged::default()) } else { (status, judged) };
        let mut c = claim(n.item, side, status, judged, seg, cut, taken);
        if bare_no {
            c.doubts.push(Doubt::AbsentOrNotDone);
        }
        c.first_atom = e.atom;
        c.group = cut.atoms[e.atom].group;
        // "Correction. … After four.": the word of correction governs what follows it.
        c.corrected = p.corrected
            || cut.atoms[..e.atom]
                .iter()
                .any(|a| a.sentence < cut.atoms[e.atom].sentence && a.is(lex, Family::Correct));
        c.again = p.again
            || (self.again && seg.at_hand)
            || (seg.at_hand && opens_with_again(cut, seg, lex));
        c.directive = p.directive;
        c.except = p.except;
        c.side_inferred = c.side == Some(Side::Both) && p.side.is_none();
        if let Some(t) = taken.get(e.atom) {
            if let Some(h) = &t.hedge {
                c.doubts.push(Doubt::Hedged(h.clone()));
            }
            if let Some(r) = &t.remark {
                c.doubts.push(Doubt::Remark(r.clone()));
            }
        }
        // An item without sides, said of one limb.
        if !it.sided
            && c.status == Status::Observed
            && let Some(SideSaid::Left | SideSaid::Right) = p.side
            && seg.elems.iter().any(|x| {
                matches!(x.piece, Piece::Side(SideSaid::Left | SideSaid::Right))
                    && cut.atoms.get(x.atom + 1).is_some_and(|a| a.is(lex, Family::BodyPart))
            })
        {
            c.doubts.push(Doubt::Remark("said of one limb or side".into()));
        }
        if let Some(s) = &c.judged.implausible {
            c.doubts.push(Doubt::Implausible(s.clone()));
        }
        if let Some(s) = &c.judged.by_sound {
            c.doubts.push(Doubt::SoundsLike(s.clone()));
        }
        if n.naming == Naming::Sound
            && let Some(a) = n.atom
        {
            c.doubts.push(Doubt::SoundsLike(format!("\"{}\" as {}", said(cut, a), it.name)));
        }
        if let Some(s) = n.atom.and_then(|a| cut.atoms[a].by_sound.clone()) {
            c.doubts.push(Doubt::SoundsLike(s));
        }
        self.doubt_words(&mut c, seg, cut, n);
        c.why = format!(
            "{} <- \"{}\"; {} <- \"{}\" ({})",
            it.id,
            n.atom.map_or("the item at hand".to_owned(), |a| said(cut, a)),
            c.judged.value.clone().unwrap_or_else(|| c.status.word().to_owned()),
            said(cut, e.atom),
            c.judged.matched
        );
        Some(c)
    }

    /// Words not understood around a claim.
    fn doubt_words(&self, c: &mut Claim, seg: &Segment, cut: &Cut, n: &Named) {
        let judged_group = c.group;
        let item_group = n.atom.map(|a| cut.atoms[a].group);
        let unknown: Vec<&str> = cut
            .unknown
            .iter()
            .filter(|&&u| cut.groups[u] == judged_group || Some(cut.groups[u]) == item_group)
            .map(|&u| cut.tokens[u].surface.as_str())
            .collect();
        let limit = if seg.at_hand { UNKNOWN_AT_HAND } else { UNKNOWN_NAMED };
        let limit = if c.judged.by_concept && seg.at_hand { 1 } else { limit };
        if c.status == Status::Observed && unknown.len() > limit {
            c.doubts.push(Doubt::MuchNotUnderstood(unknown.join(" ")));
        }
        if c.status == Status::Observed {
            // "one twenty sicks": the word after a number may have been part of it.
            let a = &cut.atoms[c.first_atom];
            let reason_next = cut.atoms.iter().any(|x| {
                x.from == a.to
                    && x.meanings(self.lex).all(|(m, _)| matches!(m, Meaning::Reason(_)))
                    && !x.hits.is_empty()
            });
            if a.number.is_some()
                && a.unit.is_none()
                && (cut.unknown.contains(&a.to) || reason_next)
            {
                c.doubts.push(Doubt::NumberBySound(format!(
                    "\"{} {}\"",
                    said(cut, c.first_atom),
                    cut.tokens[a.to].surface
                )));
            }
            if let Some(words) = lopsided(cut, seg, c.group) {
                c.doubts.push(Doubt::MuchNotUnderstood(words));
            }
            if let Some(word) = loose_negation(cut, c.first_atom) {
                c.doubts.push(Doubt::Denied(format!(
                    "\"{word}\" stands before \"{}\"",
                    said(cut, c.first_atom)
                )));
            }
            // A breath of its own made of nothing but unknown words may be the judgement.
            if let Some(words) = unknown_breath(cut, c.first_atom) {
                c.doubts.push(Doubt::MuchNotUnderstood(words));
            }
            if let Some(words) = but_unknown(cut, c.first_atom, self.lex) {
                c.doubts.push(Doubt::MuchNotUnderstood(words));
            }
            // "Item at hand", unknown word, judgement: the word may name another item.
            let atom = &cut.atoms[c.first_atom];
            let before: Vec<&str> = cut
                .unknown
                .iter()
                .filter(|&&u| cut.groups[u] == c.group && u < atom.from)
                .map(|&u| cut.tokens[u].surface.as_str())
                .collect();
            if seg.at_hand && !before.is_empty() {
                c.doubts.push(Doubt::MuchNotUnderstood(before.join(" ")));
            }
        }
        // "Legs are floppy, tone low on both sides": of the whole, or of what was named before?
        if c.status == Status::Observed && !self.lex.items[n.item].sided {
            let rival = cut.atoms[..c.first_atom].iter().find_map(|a| {
                a.items(self.lex).into_iter().find_map(|(k, how, _)| {
                    (how == Naming::Weak
                        && k != n.item
                        && self.lex.items[k].sided
                        && resolve(cut, &cut.atoms[c.first_atom], k, false, true, self.lex)
                            .is_some_and(|j| {
                                j.value.is_some() && j.value == c.judged.value && !j.stated
                            }))
                    .then_some(k)
                })
            });
            if let Some(k) = rival {
                c.doubts.push(Doubt::SeveralItems(format!(
                    "{}, {}",
                    self.lex.items[n.item].name, self.lex.items[k].name
                )));
            }
        }
        if c.status == Status::Observed
            && n.naming == Naming::Weak
            && c.judged.by_concept
            && item_group != Some(judged_group)
        {
            c.doubts.push(Doubt::ItemNotNamed);
        }
        if c.status != Status::Observed && n.naming == Naming::Weak {
            c.doubts.push(Doubt::ItemNotNamed);
        }
        // The item at hand had its judgement, and nothing names it or a side again.
        if seg.at_hand
            && c.status == Status::Observed
            && !c.again
            && !c.corrected
            && c.judged.by_concept
            && self
                .history
                .iter()
                .any(|f| f.item == c.item && f.status == Status::Observed && f.covers(c.side))
        {
            c.doubts.push(Doubt::ItemNotNamed);
        }
    }

    /// Copies what was found on one side to the other, or one item's omission to the next.
    #[allow(clippy::too_many_arguments)]
    fn copy(
        &self,
        n: &Named,
        seg: &Segment,
        p: &Pair,
        e: &super::assemble::Elem,
        cut: &Cut,
        taken: &[Taken],
        before: &[Claim],
        own: &[Claim],
        _phrase: &Phrase,
    ) -> Option<Claim> {
        let lex = self.lex;
        let it = &lex.items[n.item];
        // "Right foot too.": at the end of the breath, beside its side.
        let ends_breath = cut.tokens.get(cut.atoms[e.atom].to).is_none_or(|t| t.brk.is_some());
        if e.piece == Piece::Too && (!ends_breath || p.js.iter().any(|x| x.piece != Piece::Too)) {
            return None;
        }
        if p.js
            .iter()
            .any(|x| matches!(x.piece, Piece::Judgement | Piece::Skip | Piece::NotObtained))
        {
            return None;
        }
        let here = own.iter().chain(before).rev().find(|c| c.item == n.item);
        let earlier = self.history.iter().rev().find(|f| f.item == n.item);
        let make = |status, judged: Judged, side, reason: Option<String>, doubts: Vec<Doubt>| {
            let mut c = claim(n.item, side, status, judged, seg, cut, taken);
            c.reason = reason;
            c.doubts.extend(doubts);
            c.copied = true;
            c.first_atom = e.atom;
            c.group = cut.atoms[e.atom].group;
            c.why = format!("{}: copied by \"{}\"", it.id, said(cut, e.atom));
            c
        };
        let source = here
            .map(|c| (c.status, c.judged.clone(), c.side, c.reason.clone(), c.doubts.clone()))
            .or_else(|| {
                earlier
                    .map(|f| (f.status, judged_from(f), f.side, f.reason.clone(), f.doubts.clone()))
            });
        if let Some((status, judged, from_side, reason, doubts)) = source {
            let side = match p.side {
                Some(SideSaid::Left) => Some(Side::Left),
                Some(SideSaid::Right) => Some(Side::Right),
                Some(SideSaid::Both) => Some(Side::Both),
                Some(SideSaid::Other) => from_side.and_then(Side::opposite),
                None => None,
            };
            if it.sided && side.is_none() {
                return None;
            }
            if !it.sided {
                return None;
            }
            if own
                .iter()
                .chain(before)
                .any(|c| c.item == n.item && c.side == side && c.judged == judged)
            {
                return None;
            }
            let doubts = doubts.into_iter().filter(|d| *d != Doubt::SideNotSaid).collect();
            return Some(make(status, judged, side, reason, doubts));
        }
        // "Vertical suspension, same." "Same deal with stepping and placing."
        if e.piece == Piece::Same && !seg.at_hand {
            let skip_before = before
                .iter()
                .rev()
                .find(|c| c.status == Status::Skipped)
                .map(|c| (c.reason.clone(), c.side))
                .or_else(|| {
                    let last = self.history.iter().rev().find(|f| self.last.contains(&f.id))?;
                    (last.status == Status::Skipped).then(|| (last.reason.clone(), last.side))
                })?;
            let side = it.sided.then_some(match p.side {
                Some(SideSaid::Left) => Side::Left,
                Some(SideSaid::Right) => Side::Right,
                Some(SideSaid::Both) => Side::Both,
                _ if n.plural => Side::Both,
                _ => Side::Unstated,
            });
            return Some(make(Status::Skipped, Judged::default(), side, skip_before.0, vec![]));
        }
        None
    }

    /// The side of a claim.
    fn side_of(
        &self,
        n: &Named,
        judged: Option<&Judged>,
        p: &Pair,
        elems: &[super::assemble::Elem],
        side_at_hand: Option<SideSaid>,
        side_in_phrase: bool,
    ) -> Option<Side> {
        let it = &self.lex.items[n.item];
        if !it.sided {
            return None;
        }
        if judged.is_some_and(|j| j.midline) {
            return Some(Side::Midline);
        }
        let only_side = || {
            let sides: Vec<SideSaid> = elems
                .iter()
                .filter_map(|e| match e.piece {
                    Piece::Side(s) => Some(s),
                    _ => None,
                })
                .collect();
            (judged.is_none()).then(|| sides.first().copied()).flatten()
        };
        let said = p
            .side
            .or_else(only_side)
            .or_else(|| side_at_hand.filter(|_| n.atom.is_none() || (side_in_phrase && !n.plural)));
        Some(match said {
            Some(SideSaid::Left) => Side::Left,
            Some(SideSaid::Right) => Side::Right,
            Some(SideSaid::Both) => Side::Both,
            Some(SideSaid::Other) => self
                .history
                .iter()
                .rev()
                .find(|f| f.item == n.item)
                .and_then(|f| f.side)
                .and_then(Side::opposite)
                .unwrap_or(Side::Unstated),
            None => {
                let skip = judged
                    .is_none_or(|j| j.value.is_none() && j.number.is_none() && j.range.is_none());
                let equal = p.equal || elems.iter().any(|e| e.piece == Piece::Equal);
                let one_and_other = elems.iter().any(|e| e.piece == Piece::Side(SideSaid::Other));
                if (n.plural && !one_and_other)
                    || equal
                    || (it.elicited == Elicited::Together && !skip)
                {
                    Side::Both
                } else {
                    Side::Unstated
                }
            }
        })
    }

    /// Words that take findings back.
    #[allow(clippy::too_many_arguments)]
    fn take_back(
        &mut self,
        cut: &Cut,
        taken: &[Taken],
        segs: &[Segment],
        strikes: &[usize],
        seq: u64,
        claims: &mut Vec<Claim>,
        reading: &mut Reading,
    ) {
        let lex = self.lex;
        let _ = seq;
        for &s in strikes {
            let words = said(cut, s);
            // What the command names: "cancel the knee left", "strike the caput".
            let sentence = cut.atoms[s].sentence;
            let named: Vec<usize> =
                (s + 1..cut.atoms.len()).filter(|&i| cut.atoms[i].sentence == sentence).collect();
            let side = named.iter().find_map(|&i| {
                if cut.atoms[i].is(lex, Family::Left) {
                    Some(Side::Left)
                } else if cut.atoms[i].is(lex, Family::Right) {
                    Some(Side::Right)
                } else {
                    None
                }
            });
            let items: Vec<ItemId> = named
                .iter()
                .flat_map(|&i| cut.atoms[i].items(lex).into_iter().map(|(k, _, _)| k))
                .collect();
            let target_named = self
                .history
                .iter()
                .rev()
                .find(|f| {
                    let by_item = items.contains(&f.item) && side.is_none_or(|x| f.covers(Some(x)));
                    let by_value = named.iter().any(|&i| {
                        resolve(cut, &cut.atoms[i], f.item, false, true, lex).is_some_and(|j| {
                            (j.value.is_some() && j.value == f.value && !j.by_concept)
                                || (j.number.is_some() && j.number == f.number && items.is_empty())
                        })
                    });
                    by_item || by_value
                })
                .map(|f| f.id);
            // Claims this very sentence made of the words of the command are no findings.
            if target_named.is_some() {
                claims.retain(|c| cut.atoms[c.first_atom].sentence != sentence || c.first_atom < s);
                if let Some(id) = target_named {
                    self.strike(id, side, &words, reading);
                }
                continue;
            }
            // Said in the same phrase before the command.
            if let Some(k) = claims.iter().rposition(|c| c.first_atom < s) {
                let group = claims[k].first_atom;
                claims.retain(|c| c.first_atom != group);
                continue;
            }
            self.strike_last(side, &words, reading);
        }
        if !strikes.is_empty() {
            return;
        }
        // "That doesn't count", "let me do that again", "no wait, the tape was on the ear".
        let withdrawn: Vec<usize> = (0..cut.atoms.len())
            .filter(|&i| {
                cut.atoms[i].is(lex, Family::Withdraw)
                    && taken[i].aside.is_none_or(|a| a == Aside::Later)
            })
            .collect();
        let wait: Vec<usize> = (0..cut.atoms.len())
            .filter(|&i| cut.atoms[i].is(lex, Family::Correct) && taken[i].aside.is_none())
            .collect();
        let hollow = wait.iter().any(|&i| !claims.iter().any(|c| c.first_atom > i));
        if let Some(&at) = withdrawn.first() {
            let words = said(cut, at);
            if let Some(k) = claims.iter().rposition(|c| c.first_atom < at) {
                let atom = claims[k].first_atom;
                self.withdrawn = claims[k].side;
                claims.retain(|c| c.first_atom != atom);
            } else {
                let side = segs.iter().flat_map(|s| &s.elems).filter(|e| e.atom < at).find_map(
                    |e| match e.piece {
                        Piece::Side(SideSaid::Left) => Some(Side::Left),
                        Piece::Side(SideSaid::Right) => Some(Side::Right),
                        _ => None,
                    },
                );
                self.strike_last(side, &words, reading);
            }
        } else if hollow
            && let Some(&at) = wait.iter().find(|&&i| !claims.iter().any(|c| c.first_atom > i))
        {
            // A word of correction with nothing in its place: what stands before it in the phrase
            // is not to be trusted.
            let words = said(cut, at);
            if let Some(k) = claims.iter().rposition(|c| c.first_atom < at) {
                let atom = claims[k].first_atom;
                for c in claims.iter_mut().filter(|c| c.first_atom == atom) {
                    c.doubts.push(Doubt::MaybeStruck(words.clone()));
                }
            }
        }
    }

    fn strike(&mut self, id: FindingId, side: Option<Side>, words: &str, reading: &mut Reading) {
        self.withdrawn = side.or(self.history.iter().find(|f| f.id == id).and_then(|f| f.side));
        reading.strikes.push(Strike { target: id, side, words: words.to_owned() });
        if let Some(k) = self.history.iter().position(|f| f.id == id) {
            // What was struck is what is done again.
            self.struck = Some(self.history[k].item);
            match (self.history[k].side, side.and_then(Side::opposite)) {
                (Some(Side::Both), Some(rest)) => self.history[k].side = Some(rest),
                _ => {
                    self.history.remove(k);
                }
            }
        }
    }

    /// Strikes the last finding; when the last phrase made several, it is for a person to say
    /// which.
    fn strike_last(&mut self, side: Option<Side>, words: &str, reading: &mut Reading) {
        let fits: Vec<FindingId> = if let (Some(s), [item]) = (side, &self.items[..]) {
            self.history
                .iter()
                .rev()
                .filter(|f| f.item == *item && f.side.is_some() && f.covers(Some(s)))
                .map(|f| f.id)
                .take(1)
                .collect()
        } else {
            self.history.iter().filter(|f| self.last.contains(&f.id)).map(|f| f.id).collect()
        };
        match fits[..] {
            [one] => self.strike(one, side, words, reading),
            _ => {
                reading.maybe_struck.extend(fits.into_iter().map(|id| (id, words.to_owned())));
            }
        }
    }

    /// A phrase that casts doubt on what was said last, and from which no correction could be read,
    /// leaves the last findings unsettled: a wrong finding must not stay sure because the words that
    /// took it back were not understood.
    fn second_thoughts(&self, cut: &Cut, taken: &[Taken], reading: &mut Reading) {
        let lex = self.lex;
        if !reading.strikes.is_empty()
            || !reading.maybe_struck.is_empty()
            || reading.findings.iter().any(|f| !f.corrects.is_empty())
        {
            return;
        }
        let said_so = cut.second_thoughts.first().map(|(a, b)| {
            cut.tokens[*a..*b].iter().map(|t| t.surface.as_str()).collect::<Vec<_>>().join(" ")
        });
        let hollow = (0..cut.atoms.len())
            .find(|&i| {
                taken[i].aside.is_none()
                    && (cut.atoms[i].is(lex, Family::Correct)
                        || cut.atoms[i].is(lex, Family::Withdraw)
                        || cut.atoms[i].is(lex, Family::Swap))
            })
            .map(|i| said(cut, i));
        let Some(words) = hollow.or(said_so) else { return };
        // A phrase with findings of its own about other items speaks of those.
        let last: Vec<&Finding> =
            self.history.iter().filter(|f| self.last_before.contains(&f.id)).collect();
        let own_items: Vec<ItemId> = reading.findings.iter().map(|f| f.item).collect();
        let plain = hollow_plain(cut, taken, lex);
        for f in last {
            if own_items.is_empty() || own_items.contains(&f.item) || plain {
                reading.maybe_struck.push((f.id, words.clone()));
            }
        }
    }

    /// "Now a seizure, left arm jerking": an item that has its finding is named again, with words
    /// that were not understood and no judgement read. The finding is not sure any more.
    fn named_again(&self, cut: &Cut, segs: &[Segment], reading: &mut Reading) {
        for s in segs.iter().filter(|s| !s.at_hand) {
            let more = (0..cut.tokens.len())
                .filter(|&i| {
                    cut.sentences[i] == s.sentence
                        && cut.tokens[i].brk.is_none()
                        && !self.lex.matcher.is_filler(&cut.tokens[i].folded)
                        && !s.items.iter().any(|n| {
                            n.atom
                                .is_some_and(|a| (cut.atoms[a].from..cut.atoms[a].to).contains(&i))
                        })
                })
                .count();
            let unread = more >= 2;
            for n in
                s.items.iter().filter(|n| n.naming != Naming::Weak && n.naming != Naming::Sound)
            {
                let judged = reading.findings.iter().any(|f| f.item == n.item);
                if !unread || judged {
                    continue;
                }
                let words = n.atom.map(|a| said(cut, a)).unwrap_or_default();
                for f in
                    self.history.iter().filter(|f| f.item == n.item && f.status == Status::Observed)
                {
                    reading.maybe_struck.push((f.id, words.clone()));
                }
            }
        }
    }

    /// "The other way round": the last item's two sides change places.
    fn swap(&mut self, cut: &Cut, taken: &[Taken], claims: &mut Vec<Claim>) {
        let lex = self.lex;
        let Some(at) = (0..cut.atoms.len())
            .find(|&i| taken[i].aside.is_none() && cut.atoms[i].is(lex, Family::Swap))
        else {
            return;
        };
        if claims.iter().any(|c| c.first_atom > at) {
            // New values are said: they speak for themselves.
            return;
        }
        if !claims.is_empty() {
            for c in claims.iter_mut() {
                c.side = c.side.and_then(|s| s.opposite().or(Some(s)));
                c.why.push_str("; sides changed places");
            }
            return;
        }
        let Some(item) = self
            .history
            .iter()
            .rev()
            .find(|f| matches!(f.side, Some(Side::Left | Side::Right)))
            .map(|f| f.item)
        else {
            return;
        };
        for side in [Side::Left, Side::Right] {
            let Some(f) =
                self.history.iter().rev().find(|f| f.item == item && f.side == Some(side))
            else {
                continue;
            };
            claims.push(Claim {
                item,
                side: side.opposite(),
                status: f.status,
                judged: judged_from(f),
                reason: f.reason.clone(),
                doubts: Vec::new(),
                why: format!("sides changed places by \"{}\"", said(cut, at)),
                corrected: true,
                again: false,
                directive: false,
                except: false,
                group: 0,
                first_atom: at,
                at_hand: true,
                copied: true,
                side_inferred: false,
            });
        }
    }

    /// "Sorry, the right.": the last finding was made on the other side.
    fn other_side(&self, cut: &Cut, taken: &[Taken], segs: &[Segment], claims: &mut Vec<Claim>) {
        let lex = self.lex;
        let says_so = has_family(cut, taken, Family::Correct, lex)
            || cut.atoms.first().is_some_and(|a| {
                a.negation && cut.tokens.get(a.to).is_some_and(|t| t.brk == Some(Break::Comma))
            });
        let taken_back = [Family::Strike, Family::Withdraw, Family::Swap]
            .iter()
            .any(|f| has_family(cut, taken, *f, lex));
        // Nothing else may be said: "Left eye, it's not, ah no, she closed it" is no such correction.
        let only = cut.unknown.is_empty()
            && cut.atoms.iter().all(|a| {
                a.negation
                    || !a.items(lex).is_empty()
                    || [
                        Family::Correct,
                        Family::Left,
                        Family::Right,
                        Family::Both,
                        Family::And,
                        Family::BodyPart,
                        Family::Was,
                        Family::Talk,
                        Family::Directive,
                    ]
                    .iter()
                    .any(|f| a.is(lex, *f))
            });
        if !says_so || taken_back || !claims.is_empty() || !only {
            return;
        }
        let judged = segs.iter().any(|s| {
            s.elems.iter().any(|e| {
                matches!(e.piece, Piece::Judgement | Piece::Skip | Piece::NotObtained | Piece::Same)
            })
        });
        let mut sides: Vec<Side> = segs
            .iter()
            .flat_map(|s| &s.elems)
            .filter_map(|e| match e.piece {
                Piece::Side(SideSaid::Left) => Some(Side::Left),
                Piece::Side(SideSaid::Right) => Some(Side::Right),
                Piece::Side(SideSaid::Both) => Some(Side::Both),
                _ => None,
            })
            .collect();
        // "No, not the left, the right."
        let denied: Vec<Side> = segs
            .iter()
            .flat_map(|s| &s.elems)
            .filter(|e| e.negated)
            .filter_map(|e| match e.piece {
                Piece::Side(SideSaid::Left) => Some(Side::Left),
                Piece::Side(SideSaid::Right) => Some(Side::Right),
                _ => None,
            })
            .collect();
        sides.retain(|s| !denied.contains(s));
        let (false, [side]) = (judged, &sides[..]) else { return };
        let place = |f: &dyn Fn(usize) -> bool| (0..cut.atoms.len()).find(|&i| f(i));
        let word = place(&|i| cut.atoms[i].is(lex, Family::Correct) || cut.atoms[i].negation);
        let at = place(&|i| {
            [Family::Left, Family::Right, Family::Both].iter().any(|f| cut.atoms[i].is(lex, *f))
        });
        if word > at {
            return;
        }
        let named: Vec<ItemId> = segs
            .iter()
            .filter(|s| !s.at_hand)
            .flat_map(|s| s.items.iter().map(|n| n.item))
            .collect();
        let Some(f) = self.history.iter().rev().find(|f| self.last.contains(&f.id)) else {
            return;
        };
        if f.side.is_none()
            || f.side == Some(*side)
            || !(named.is_empty() || named.contains(&f.item))
        {
            return;
        }
        let atom = cut.atoms.iter().position(|a| !a.hits.is_empty()).unwrap_or(0);
        claims.push(Claim {
            item: f.item,
            side: Some(*side),
            status: f.status,
            judged: judged_from(f),
            reason: f.reason.clone(),
            doubts: f.doubts.iter().filter(|d| **d != Doubt::SideNotSaid).cloned().collect(),
            why: format!("{}: the side corrected", lex.items[f.item].id),
            corrected: true,
            again: false,
            directive: false,
            except: false,
            group: 0,
            first_atom: atom,
            at_hand: true,
            copied: true,
            side_inferred: false,
        });
    }

    /// "And right." alone: the same on the other side.
    fn and_the_other(&self, cut: &Cut, taken: &[Taken], claims: &mut Vec<Claim>) {
        let lex = self.lex;
        let only = cut.unknown.is_empty()
            && !cut.atoms.is_empty()
            && cut.atoms.iter().enumerate().all(|(i, a)| {
                taken[i].aside.is_none()
                    && (a.is(lex, Family::And)
                        || a.is(lex, Family::Left)
                        || a.is(lex, Family::Right)
                        || a.is(lex, Family::BodyPart))
            });
        let side = cut.atoms.iter().find_map(|a| {
            if a.is(lex, Family::Left) {
                Some(Side::Left)
            } else if a.is(lex, Family::Right) {
                Some(Side::Right)
            } else {
                None
            }
        });
        let joined = cut.atoms.first().is_some_and(|a| a.is(lex, Family::And));
        let (true, true, true, Some(side)) = (only, joined, claims.is_empty(), side) else {
            return;
        };
        let last: Vec<&Finding> =
            self.history.iter().filter(|f| self.last.contains(&f.id)).collect();
        let [f] = last[..] else { return };
        if f.side != side.opposite() {
            return;
        }
        claims.push(Claim {
            item: f.item,
            side: Some(side),
            status: f.status,
            judged: judged_from(f),
            reason: f.reason.clone(),
            doubts: f.doubts.clone(),
            why: format!("{}: copied by \"and\" and a side", lex.items[f.item].id),
            corrected: false,
            again: false,
            directive: false,
            except: false,
            group: 0,
            first_atom: 0,
            at_hand: true,
            copied: true,
            side_inferred: false,
        });
    }

    /// Makes findings of the claims, and links corrections.
    fn finish(
        &mut self,
        seq: u64,
        phrase: &Phrase,
        cut: &Cut,
        claims: Vec<Claim>,
        reading: &mut Reading,
    ) {
        let lex = self.lex;
        let corrected = cut.atoms.iter().any(|a| a.is(lex, Family::Correct));
        let mut made = Vec::new();
        for (k, c) in claims.into_iter().enumerate() {
            let it = &lex.items[c.item];
            let mut side = c.side;
            let mut doubts = c.doubts;
            let numeric = c.judged.number.is_some() || c.judged.range.is_some();
            let unit = it.number.as_ref().filter(|_| numeric).map(|n| lex.units[n.unit].id.clone());
            if c.judged.unit_said {
                self.units_known.insert(c.item);
            }
            let word = corrected || c.corrected;
            let mut corrects: Vec<FindingId> = Vec::new();
            if word {
                // The side is the corrected finding's, when none was said.
                if side == Some(Side::Unstated)
                    && let Some(f) = self.history.iter().rev().find(|f| f.item == c.item)
                {
                    side = f.side;
                }
                let moved = c.why.ends_with("the side corrected")
                    // "right partial / sorry, left partial"
                    || !self.history.iter().any(|f| {
                        // Both sides were said: the other one stands.
                        self.last_before.contains(&f.id) && f.item == c.item && f.side == side
                    }) && self.history.iter().any(|f| {
                        self.last_before.contains(&f.id)
                            && f.item == c.item
                            && f.side.is_some_and(|s| s.opposite().is_some() && s.opposite() == side)
                            && f.value == c.judged.value
                            && f.number == c.judged.number
                            && f.status == c.status
                    });
                corrects = self
                    .history
                    .iter()
                    .filter(|f| {
                        f.item == c.item && (f.covers(side) || (moved && self.last.contains(&f.id)))
                    })
                    .map(|f| f.id)
                    .collect();
            }
            if side == Some(Side::Unstated)
                && c.status != Status::Skipped
                && !doubts.contains(&Doubt::SidesNotNamed)
            {
                doubts.push(Doubt::SideNotSaid);
            }
            doubts.dedup();
            // "Make that two millimetres": the reaction said with the old number is not taken back, and
            // a person sees that it was kept.
            let mut value = c.judged.value;
            if let [old] = corrects[..]
                && value.is_none()
                && numeric
                && let Some(f) = self.history.iter().find(|f| f.id == old)
                && (f.number.is_some() || f.range.is_some())
                && let Some(v) = &f.value
            {
                doubts.push(Doubt::Remark(format!("kept from before the correction: {v}")));
                value = Some(v.clone());
            }
            made.push(Finding {
                id: FindingId { phrase: seq, index: u32::try_from(k + 1).unwrap_or(u32::MAX) },
                item: c.item,
                side,
                status: c.status,
                value,
                number: c.judged.number,
                range: c.judged.range,
                unit,
                reason: c.reason,
                doubts,
                why: c.why,
                corrects,
                again: c.again,
                at_ms: phrase.start_ms,
            });
        }
        for f in &made {
            if !f.corrects.is_empty() {
                let ids = f.corrects.clone();
                let side = f.side;
                self.history.retain_mut(|h| {
                    if !ids.contains(&h.id) {
                        return true;
                    }
                    match (h.side, side.and_then(Side::opposite)) {
                        (Some(Side::Both), Some(rest)) => {
                            h.side = Some(rest);
                            true
                        }
                        _ => false,
                    }
                });
            }
        }
        if !made.is_empty() {
            self.last = made.iter().map(|f| f.id).collect();
            if let Some(r) = made.iter().rev().find_map(|f| f.reason.clone()) {
                self.last_reason = Some(r);
            }
        }
        self.history.extend(made.iter().cloned());
        reading.findings = made;
    }

    /// What the next phrase may speak of.
    fn remember(
        &mut self,
        phrase: &Phrase,
        cut: &Cut,
        taken: &[Taken],
        segs: &[Segment],
        mentioned: &[ItemId],
        reading: &mut Reading,
    ) {
        let lex = self.lex;
        let judged: Vec<ItemId> = reading.findings.iter().map(|f| f.item).collect();
        for s in segs.iter().filter(|s| !s.at_hand) {
            for n in &s.items {
                if !judged.contains(&n.item) && !reading.announced.contains(&n.item) {
                    reading.announced.push(n.item);
                }
            }
        }
        let later = taken.iter().any(|t| t.aside == Some(Aside::Later));
        if later {
            let items: Vec<ItemId> = if mentioned.is_empty() {
                segs.iter()
                    .flat_map(|s| s.items.iter().map(|n| n.item))
                    .filter(|i| !judged.contains(i))
                    .collect()
            } else {
                mentioned.to_vec()
            };
            let side = cut.atoms.iter().find_map(|a| {
                if a.is(lex, Family::Left) {
                    Some(Side::Left)
                } else if a.is(lex, Family::Right) {
                    Some(Side::Right)
                } else {
                    None
                }
            });
            for item in items {
                let side = side.filter(|_| lex.items[item].sided);
                reading.deferred.push(Deferred { item, side });
            }
        }
        let named = segs
            .iter()
            .rev()
            .find(|s| !s.at_hand)
            .map(|s| s.items.iter().map(|n| n.item).collect::<Vec<_>>());
        if let Some(items) = named {
            // Of several that could be meant, the one that was judged stays at hand.
            let kept: Vec<ItemId> = items.iter().copied().filter(|i| judged.contains(i)).collect();
            self.items = if kept.is_empty() || kept.len() == items.len() { items } else { kept };
            self.items_at = phrase.end_ms;
        } else if let Some(&i) = mentioned.last() {
            self.items = vec![i];
            self.items_at = phrase.end_ms;
        } else if reading.findings.iter().any(|f| self.items.contains(&f.item))
            || !reading.acts.is_empty()
        {
            self.items_at = phrase.end_ms;
        }
        if let Some(item) = self.struck.take().filter(|_| reading.findings.is_empty()) {
            self.items = vec![item];
            self.items_at = phrase.end_ms;
        }
        // A side named alone waits for its judgement.
        let lone = segs.iter().rev().find_map(|s| {
            let judges = s.elems.iter().any(|e| {
                matches!(e.piece, Piece::Judgement | Piece::Skip | Piece::NotObtained | Piece::Same)
            });
            if judges {
                return None;
            }
            s.elems.iter().rev().find_map(|e| match e.piece {
                Piece::Side(x @ (SideSaid::Left | SideSaid::Right)) => Some(x),
                _ => None,
            })
        });
        if !reading.findings.is_empty() {
            self.again = false;
        } else if reading.acts.contains(&Act::Again) && segs.iter().all(|s| s.at_hand) {
            // "Again." alone: the same manoeuvre on the same side.
            self.again = true;
            let last = self.history.iter().rev().find(|f| self.items.contains(&f.item));
            self.withdrawn = self.withdrawn.or(last.and_then(|f| f.side));
            self.items_at = phrase.end_ms;
        }
        if reading.findings.is_empty() {
            let again = match self.withdrawn.take() {
                Some(Side::Left) => Some(SideSaid::Left),
                Some(Side::Right) => Some(SideSaid::Right),
                _ => None,
            };
            if let Some(s) = again.or(lone) {
                self.side = Some(s);
                self.side_at = phrase.end_ms;
            }
        } else {
            self.side = None;
        }
    }
}

fn claim(
    item: ItemId,
    side: Option<Side>,
    status: Status,
    judged: Judged,
    seg: &Segment,
    cut: &Cut,
    taken: &[Taken],
) -> Claim {
    let _ = (cut, taken);
    Claim {
        item,
        side,
        status,
        judged,
        reason: None,
        doubts: Vec::new(),
        why: String::new(),
        corrected: false,
        again: false,
        directive: false,
        except: false,
        group: seg.group,
        first_atom: seg
            .items
            .first()
            .and_then(|n| n.atom)
            .or(seg.elems.first().map(|e| e.atom))
            .unwrap_or(0),
        at_hand: seg.at_hand,
        copied: false,
        side_inferred: false,
    }
}

/// A negation in the same breath before the atom that belongs to nothing in between.
fn loose_negation(cut: &Cut, atom: usize) -> Option<String> {
    let a = &cut.atoms[atom];
    let first = (0..a.from).rev().take_while(|&i| cut.tokens[i].brk.is_none()).find(|&i| {
        matches!(
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
            && (x.number.is_some() || x.hits.iter().any(|h| h.words > 0) && x.judges)
    });
    (!consumed && !between).then(|| cut.tokens[first].surface.clone())
}

/// Unknown words after a "but" that follows the atom in its sentence.
fn but_unknown(cut: &Cut, atom: usize, lex: &Lexicon) -> Option<String> {
    let a = &cut.atoms[atom];
    let but = cut
        .atoms
        .iter()
        .find(|x| x.sentence == a.sentence && x.from >= a.to && x.is(lex, Family::But))?;
    let next =
        cut.atoms.iter().find(|x| x.from >= but.to && (x.judges || !x.items(lex).is_empty()));
    let end = next.map_or(cut.tokens.len(), |x| x.from);
    let words: Vec<&str> = cut
        .unknown
        .iter()
        .filter(|&&u| u >= but.to && u < end && cut.sentences[u] == a.sentence)
        .map(|&u| cut.tokens[u].surface.as_str())
        .collect();
    (!words.is_empty() && words.len() <= 3).then(|| format!("but {}", words.join(" ")))
}

/// Whether the phrase names an item outright that is not this one.
fn names_other(cut: &Cut, item: ItemId, lex: &Lexicon) -> bool {
    cut.atoms.iter().any(|a| {
        let items = a.items(lex);
        !items.is_empty()
            && items.iter().any(|(_, n, _)| matches!(n, Naming::Plain | Naming::Plural))
            && !items.iter().any(|(i, _, _)| *i == item)
    })
}

/// Whether the phrase says in so many words that what went before was wrong; a bare "sorry" or "wait"
/// may be said to anybody.
fn hollow_plain(cut: &Cut, taken: &[Taken], lex: &Lexicon) -> bool {
    (0..cut.atoms.len()).any(|i| {
        taken[i].aside.is_none()
            && (cut.atoms[i].is(lex, Family::Withdraw)
                || (cut.atoms[i].is(lex, Family::Correct)
                    && cut.atoms[i].to - cut.atoms[i].from >= 3))
    })
}

/// "In creased on the left, normal on the right": more sides than judgements in one breath, and
/// words not understood among them.
fn lopsided(cut: &Cut, seg: &Segment, group: usize) -> Option<String> {
    let sides = seg
        .elems
        .iter()
        .filter(|e| {
            e.group == group && matches!(e.piece, Piece::Side(SideSaid::Left | SideSaid::Right))
        })
        .count();
    let judged = seg
        .elems
        .iter()
        .filter(|e| {
            e.group == group
                && matches!(
                    e.piece,
                    Piece::Judgement | Piece::Skip | Piece::NotObtained | Piece::Same | Piece::Too
                )
        })
        .count();
    let words: Vec<&str> = cut
        .unknown
        .iter()
        .filter(|&&u| cut.groups[u] == group)
        .map(|&u| cut.tokens[u].surface.as_str())
        .collect();
    (sides > judged && !words.is_empty()).then(|| words.join(" "))
}

/// Marks as denied what names a sign by itself ("sunsetting") and is followed at once by a word that
/// says it is not there.
fn deny_signs(
    mut elems: Vec<super::assemble::Elem>,
    cut: &Cut,
    lex: &Lexicon,
) -> Vec<super::assemble::Elem> {
    let names_sign = |a: usize| {
        cut.atoms[a].meanings(lex).any(|(m, _)| {
            matches!(m, Meaning::Value { how: crate::lexicon::matcher::Saying::Alone, .. })
        })
    };
    let mut used: HashSet<usize> = HashSet::new();
    for e in &mut elems {
        if e.piece != Piece::Judgement || !names_sign(e.atom) {
            continue;
        }
        let end = cut.atoms[e.atom].to;
        let Some(next) = cut.atoms.iter().position(|a| a.from >= end) else { continue };
        let b = &cut.atoms[next];
        let near = cut.tokens[end..b.from].iter().all(|t| t.brk.is_none_or(|b| b == Break::Comma))
            && !cut.unknown.iter().any(|&u| u >= end && u < b.from);
        let absent = !names_sign(next)
            && b.meanings(lex)
                .any(|(m, _)| matches!(m, Meaning::Concept(c) if lex.concepts[c].id == "absent"));
        let no = b.negation && cut.tokens.get(b.to).is_none_or(|t| t.brk.is_some());
        if near && (absent || no) {
            e.negated = true;
            used.insert(next);
        }
    }
    elems.retain(|e| !used.contains(&e.atom));
    elems
}

/// The negation right before the items of a segment.
fn negated_by(seg: &Segment, cut: &Cut) -> String {
    let first = seg.items.iter().filter_map(|n| n.atom).min().map_or(0, |a| cut.atoms[a].from);
    cut.atoms
        .iter()
        .filter(|a| a.negation && a.to <= first)
        .map(|a| cut.tokens[a.from].surface.clone())
        .next_back()
        .unwrap_or_default()
}

/// Whether the sentence goes on after the atom with a breath that is neither side nor judgement: a
/// reason, most likely.
fn goes_on(cut: &Cut, atom: usize, lex: &Lexicon) -> bool {
    let a = &cut.atoms[atom];
    let reason = cut.atoms.iter().any(|x| {
        x.sentence == a.sentence && x.meanings(lex).any(|(m, _)| matches!(m, Meaning::Reason(_)))
    });
    let next = a.group + 1;
    let words = (0..cut.tokens.len())
        .filter(|&i| {
            cut.groups[i] == next && cut.sentences[i] == a.sentence && cut.tokens[i].brk.is_none()
        })
        .count();
    let judged = cut.atoms.iter().any(|x| {
        x.group == next && (x.judges || x.is(lex, Family::Left) || x.is(lex, Family::Right))
    });
    reason || (words > 0 && !judged)
}

/// The breath after the atom's, when it holds unknown words only.
fn unknown_breath(cut: &Cut, atom: usize) -> Option<String> {
    let next = cut.atoms[atom].group + 1;
    let same_sentence = (0..cut.tokens.len())
        .any(|i| cut.groups[i] == next && cut.sentences[i] == cut.atoms[atom].sentence);
    let words: Vec<usize> =
        cut.unknown.iter().copied().filter(|&u| cut.groups[u] == next).collect();
    let only = !cut.atoms.iter().any(|a| a.group == next) && words.len() <= 2;
    let all = (0..cut.tokens.len())
        .filter(|&i| cut.groups[i] == next && cut.tokens[i].brk.is_none())
        .count();
    (same_sentence && only && !words.is_empty() && all <= words.len() + 1).then(|| {
        words.iter().map(|&u| cut.tokens[u].surface.as_str()).collect::<Vec<_>>().join(" ")
    })
}

/// The side a segment names without judging it.
fn lone_side(seg: &Segment, judged_nothing: bool) -> Option<SideSaid> {
    let judges = seg.elems.iter().any(|e| {
        matches!(
            e.piece,
            Piece::Judgement | Piece::Skip | Piece::NotObtained | Piece::Same | Piece::Too
        )
    });
    seg.elems.iter().rev().find_map(|e| match e.piece {
        Piece::Side(s @ (SideSaid::Left | SideSaid::Right | SideSaid::Both))
            if judged_nothing || !judges =>
        {
            Some(s)
        }
        _ => None,
    })
}

/// "Open, close. Not fisted, either of them.": a side said after the judgement, in a sentence of
/// its own.
fn late_side(seg: &Segment, claims: &mut [Claim]) {
    let both = seg.elems.iter().any(|e| matches!(e.piece, Piece::Side(SideSaid::Both)));
    if let Some(c) = claims.last_mut().filter(|c| both && c.side == Some(Side::Unstated)) {
        c.side = Some(Side::Both);
    }
}

fn judged_from(f: &Finding) -> Judged {
    Judged { value: f.value.clone(), number: f.number, range: f.range, ..Judged::default() }
}

/// The value or number that means "not there".
fn absent_value(item: ItemId, lex: &Lexicon) -> Option<Judged> {
    let it = &lex.items[item];
    if it.number.as_ref().is_some_and(|n| n.none_is_zero) {
        return Some(Judged {
            number: Some(0.0),
            matched: "no".into(),
            by_concept: true,
            ..Judged::default()
        });
    }
    it.values.iter().find(|v| v.concepts.iter().any(|&c| lex.concepts[c].id == "absent")).map(|v| {
        Judged {
            value: Some(v.code.clone()),
            matched: "no".into(),
            by_concept: true,
            ..Judged::default()
        }
    })
}

fn complements(a: &Judged, b: &Judged) -> bool {
    let num = |j: &Judged| j.number.is_some() || j.range.is_some();
    a == b || (!a.stated && !b.stated && num(a) != num(b) && a.value.is_some() != b.value.is_some())
}

fn has_family(cut: &Cut, taken: &[Taken], f: Family, lex: &Lexicon) -> bool {
    (0..cut.atoms.len()).any(|i| taken[i].aside.is_none() && cut.atoms[i].is(lex, f))
}

fn opens_with_again(cut: &Cut, seg: &Segment, lex: &Lexicon) -> bool {
    seg.elems.iter().any(|e| e.piece == Piece::Again)
        || cut.atoms.iter().any(|a| a.sentence == seg.sentence && a.is(lex, Family::Again))
}

/// Two judgements of one item on one side in one breath.
fn merge_judgement(a: &mut Claim, b: Claim, cut: &Cut, lex: &Lexicon) {
    if a.status != b.status {
        // "Nystagmus not seen", "suck absent, tube in, so skip": found, or not looked for?
        if a.status == Status::Observed && b.status == Status::Skipped {
            a.doubts.push(Doubt::AbsentOrNotDone);
        }
        // "absent, couldn't get it" and the like: the plainer statement is the value.
        if a.status == Status::Observed && b.status == Status::NotObtained {
            if a.judged.by_concept || a.judged.stated {
                a.status = b.status;
                a.judged = b.judged;
            }
        } else if b.status == Status::Observed
            && a.status != Status::Observed
            && !(b.judged.by_concept || b.judged.stated)
        {
            a.doubts.push(Doubt::TwoValues(format!(
                "{} and \"{}\"",
                a.status.word(),
                said(cut, b.first_atom)
            )));
        }
        return;
    }
    if a.judged.value == b.judged.value
        && a.judged.number == b.judged.number
        && a.judged.range == b.judged.range
    {
        return;
    }
    if complements(&a.judged, &b.judged) {
        let num = b.judged.number.is_some() || b.judged.range.is_some();
        if num {
            a.judged.number = b.judged.number;
            a.judged.range = b.judged.range;
            a.judged.unit_said = b.judged.unit_said;
        } else {
            a.judged.value = b.judged.value;
            a.judged.by_concept = b.judged.by_concept;
        }
        a.doubts.extend(b.doubts.into_iter().filter(|d| *d != Doubt::SideNotSaid));
        return;
    }
    if a.judged.yields && !b.judged.yields {
        let side = a.side;
        let (corrected, again, except) = (a.corrected, a.again, a.except);
        *a = b;
        a.side = a.side.filter(|s| *s != Side::Unstated).or(side);
        a.corrected |= corrected;
        a.again |= again;
        a.except |= except;
        return;
    }
    if b.judged.yields {
        // "Witnessed seizure, not seen": giving way must not hide that it was denied.
        let denies = absent_value(b.item, lex)
            .is_some_and(|j| j.value.is_some() && j.value == b.judged.value);
        if denies {
            a.doubts.push(Doubt::Denied(format!("\"{}\"", said(cut, b.first_atom))));
        }
        return;
    }
    if b.judged.by_concept && !a.judged.by_concept {
        // "Nystagmus, absent": whatever was meant, it is not sure.
        a.doubts.push(Doubt::TwoValues(format!(
            "\"{}\" and \"{}\"",
            said(cut, a.first_atom),
            said(cut, b.first_atom)
        )));
        return;
    }
    if a.judged.by_concept && !b.judged.by_concept {
        *a = Claim { side: a.side, corrected: a.corrected, except: a.except, ..b };
        return;
    }
    let text = format!("\"{}\" and \"{}\"", said(cut, a.first_atom), said(cut, b.first_atom));
    let keep_directive = b.directive || corrected_between(cut, a.first_atom, b.first_atom, lex);
    let side = a.side;
    *a = b;
    a.side = side;
    if !keep_directive {
        a.doubts.push(Doubt::TwoValues(text));
    }
}

/// Whether a word of correction stands between two atoms.
fn corrected_between(cut: &Cut, a: usize, b: usize, lex: &Lexicon) -> bool {
    cut.atoms.iter().enumerate().any(|(i, x)| {
        i > a
            && i < b
            && (x.is(lex, Family::Correct)
                // "absent both. No, a flicker": "no" opens the clause.
                || (x.negation
                    && x.to - x.from == 1
                    && cut.tokens[x.from].surface == "no"
                    && (x.from == 0 || cut.tokens[x.from - 1].brk.is_some())
                    && cut.tokens.get(x.to).is_some_and(|t| t.brk == Some(Break::Comma))))
    })
}

/// Adds a claim to those of the phrase, settling what it does to earlier ones.
fn add_claim(claims: &mut Vec<Claim>, mut c: Claim, cut: &Cut, lex: &Lexicon) {
    // "left weak, no sorry, right weak": the side is corrected.
    claims.retain(|o| {
        !(o.item == c.item
            && o.status == c.status
            && matches!(
                (o.side, c.side),
                (Some(Side::Left), Some(Side::Right)) | (Some(Side::Right), Some(Side::Left))
            )
            && o.judged.value == c.judged.value
            && o.judged.number == c.judged.number
            && corrected_between(cut, o.first_atom, c.first_atom, lex))
    });
    let overlapping: Vec<usize> = (0..claims.len())
        .filter(|&k| {
            let o = &claims[k];
            o.item == c.item
                && match (o.side, c.side) {
                    (None, _) | (_, None) => true,
                    (Some(Side::Both | Side::Midline), Some(_))
                    | (Some(_), Some(Side::Both | Side::Midline)) => true,
                    (Some(a), Some(b)) => a == b,
                }
        })
        .collect();
    // "Not a hundred and ten, a hundred. Right knee a hundred.": the side comes late.
    if matches!(c.side, Some(Side::Left | Side::Right | Side::Both))
        && let Some(o) = claims.iter_mut().find(|o| {
            o.item == c.item
                && o.status == c.status
                && o.side == Some(Side::Unstated)
                && o.judged.value == c.judged.value
                && o.judged.number == c.judged.number
                && o.judged.range == c.judged.range
        })
    {
        o.side = c.side;
        return;
    }
    let unstated_again = c.side == Some(Side::Unstated) && claims.iter().any(|o| o.item == c.item);
    if overlapping.is_empty() && !unstated_again {
        claims.push(c);
        return;
    }
    // "right stable, left stable, no clicks": said of both already.
    let same_as = |o: &Claim| {
        o.item == c.item
            && o.status == c.status
            && o.judged.value == c.judged.value
            && o.judged.number == c.judged.number
            && o.judged.range == c.judged.range
    };
    if c.side == Some(Side::Unstated)
        && claims.iter().any(|o| same_as(o) && o.side != Some(Side::Unstated))
        && claims.iter().all(|o| o.item != c.item || same_as(o))
    {
        return;
    }
    // "ninety and ninety", "one side seventy, the other eighty": a pair, names unknown.
    let number = |x: &Claim| x.judged.number.or(x.judged.range.map(|r| r.0));
    if c.side == Some(Side::Unstated)
        && c.status == Status::Observed
        && !c.again
        && !c.corrected
        && overlapping.len() == 1
        && claims[overlapping[0]].side == Some(Side::Unstated)
        && claims[overlapping[0]].status == Status::Observed
        && (number(&c).is_some() || cut.atoms[c.first_atom].number.is_some())
    {
        let o = &mut claims[overlapping[0]];
        if o.judged.value == c.judged.value
            && number(o) == number(&c)
            && o.judged.range == c.judged.range
        {
            o.side = Some(Side::Both);
            o.doubts.retain(|d| *d != Doubt::SideNotSaid);
        } else {
            o.doubts.retain(|d| *d != Doubt::SideNotSaid);
            o.doubts.push(Doubt::SidesNotNamed);
            c.doubts.push(Doubt::SidesNotNamed);
            claims.push(c);
        }
        return;
    }
    if overlapping.is_empty() {
        claims.push(c);
        return;
    }
    for &k in &overlapping {
        let same = claims[k].status == c.status
            && claims[k].judged.value == c.judged.value
            && claims[k].judged.number == c.judged.number
            && claims[k].judged.range == c.judged.range;
        if same && claims[k].side_inferred && matches!(c.side, Some(Side::Left | Side::Right)) {
            // "Face asymmetric at rest, the left doesn't move": the side comes late.
            claims[k].side = c.side;
            claims[k].side_inferred = false;
            return;
        }
        if same && (claims[k].side == Some(Side::Both) || c.side == claims[k].side) {
            // Said again in plain words: what was doubtful about the first is not any more.
            if c.doubts.is_empty() {
                claims[k].doubts.retain(|d| *d != Doubt::AbsentOrNotDone);
            }
            if !c.again {
                return;
            }
        }
    }
    let last = overlapping[overlapping.len() - 1];
    // "heart rate one fifty-one, sats ninety-six": the second number is of something unknown.
    let foreign = cut.unknown.iter().any(|&u| {
        cut.groups[u] == c.group
            && u < cut.atoms[c.first_atom].from
            && u >= cut.atoms[claims[last].first_atom].to
    });
    if number(&c).is_some() && foreign && !c.corrected && number(&claims[last]).is_some() {
        return;
    }
    // "gag not done, the feed has only just gone down"
    if claims[last].status != Status::Observed
        && c.status == Status::Observed
        && !corrected_between(cut, claims[last].first_atom, c.first_atom, lex)
        && (c.side == claims[last].side || c.side == Some(Side::Unstated))
        && cut.atoms[c.first_atom].sentence == cut.atoms[claims[last].first_atom].sentence
        && !cut.atoms.iter().any(|a| a.group == c.group && a.is(lex, Family::Present))
    {
        return;
    }
    // "he's ventilated, so can't judge his breathing"
    if claims[last].status == Status::Observed
        && c.status == Status::Skipped
        && !claims[last].judged.by_concept
        && !c.corrected
    {
        claims[last].doubts.push(Doubt::AbsentOrNotDone);
        return;
    }
    // "eighty each side; they were a hundred"
    let was = cut.atoms.iter().any(|a| a.group == c.group && a.is(lex, Family::Was));
    if was && c.at_hand && number(&c).is_some() && number(&claims[last]).is_some() {
        return;
    }
    let tape = lex.items[c.item].trials == crate::lexicon::schema::Trials::Largest;
    if c.again || (tape && !c.corrected && number(&c).is_some() && number(&claims[last]).is_some())
    {
        c.again = true;
        claims.push(c);
        return;
    }
    // What a negation stands before gives way to what was plainly said, and the other way round.
    let denied = |x: &Claim| x.doubts.iter().any(|d| matches!(d, Doubt::Denied(_)));
    if denied(&c) && !denied(&claims[last]) {
        return;
    }
    if complements(&claims[last].judged, &c.judged)
        && claims[last].status == Status::Observed
        && c.status == Status::Observed
        && (claims[last].side == c.side
            || c.side == Some(Side::Unstated)
            || claims[last].side == Some(Side::Unstated))
    {
        if claims[last].side == Some(Side::Unstated) {
            claims[last].side = c.side;
        }
        let o = &mut claims[last];
        merge_judgement(o, c, cut, lex);
        return;
    }
    if c.judged.yields
        && !claims[last].judged.yields
        && c.status == Status::Observed
        && !corrected_between(cut, claims[last].first_atom, c.first_atom, lex)
    {
        return;
    }
    let yielding = claims[last].judged.yields && !c.judged.yields;
    // The whole is taken back for the side now named.
    let corrected = corrected_between(cut, claims[last].first_atom, c.first_atom, lex);
    let replaces = corrected
        || c.except
        || c.directive
        || yielding
        || (claims[last].status != Status::Observed) != (c.status != Status::Observed);
    for &k in overlapping.iter().rev() {
        match (claims[k].side, c.side.and_then(Side::opposite)) {
            (Some(Side::Both), Some(rest)) => claims[k].side = Some(rest),
            _ => {
                let old = claims.remove(k);
                if !replaces {
                    c.doubts.push(Doubt::TwoValues(format!(
                        "\"{}\" and \"{}\"",
                        said(cut, old.first_atom),
                        said(cut, c.first_atom)
                    )));
                }
            }
        }
    }
    claims.push(c);
}

/// "suck, root and grasp all strong": items in a list share the judgement that follows.
fn share_lists(segs: &mut [Segment], cut: &Cut, lex: &Lexicon) {
    for k in (0..segs.len().saturating_sub(1)).rev() {
        let bare = !segs[k].at_hand
            && !segs[k].negated
            && segs[k].elems.iter().all(|e| {
                matches!(e.piece, Piece::And | Piece::All | Piece::Side(_) | Piece::Equal)
            });
        let next = &segs[k + 1];
        if !bare || next.at_hand || next.sentence != segs[k].sentence || next.negated {
            continue;
        }
        let judging: Vec<super::assemble::Elem> = next.elems.clone();
        if !judging.iter().any(|e| {
            matches!(e.piece, Piece::Judgement | Piece::Skip | Piece::NotObtained | Piece::Same)
        }) {
            continue;
        }
        // The list must be a list: "and" or "or" somewhere, or "all", or commas only between names.
        let (Some(a), Some(b)) =
            (segs[k].items.first().and_then(|n| n.atom), next.items.first().and_then(|n| n.atom))
        else {
            continue;
        };
        let between = a + 1..b;
        let listed = between.clone().any(|i| cut.atoms[i].is(lex, Family::And))
            || judging.iter().any(|e| e.piece == Piece::All)
            || segs[k + 1..]
                .iter()
                .take_while(|s| s.sentence == segs[k].sentence)
                .any(|s| s.elems.iter().any(|e| e.piece == Piece::All))
            || list_goes_on(segs, k + 1, cut, lex)
            // "prone, Galant, ventral suspension, not those either"
            || (judging.iter().any(|e| matches!(e.piece, Piece::Skip | Piece::NotObtained))
                && !judging.iter().any(|e| e.piece == Piece::Judgement));
        let clean =
            between.clone().all(|i| {
                super::assemble::piece_of(&cut.atoms[i], lex).is_some_and(|p| {
                    matches!(p, Piece::And | Piece::Side(_) | Piece::All | Piece::Equal)
                })
            }) && !cut.unknown.iter().any(|&u| u >= cut.atoms[a].to && u < cut.atoms[b].from);
        let fits = segs[k].items.iter().any(|n| {
            judging.iter().any(|e| {
                matches!(e.piece, Piece::Skip | Piece::NotObtained | Piece::Same)
                    || resolve(cut, &cut.atoms[e.atom], n.item, e.negated, false, lex).is_some()
            })
        });
        if listed && clean && fits {
            let own = segs[k].elems.clone();
            let has_side = own.iter().any(|e| matches!(e.piece, Piece::Side(_)));
            let mut elems: Vec<super::assemble::Elem> =
                own.into_iter().filter(|e| matches!(e.piece, Piece::Side(_))).collect();
            elems.extend(
                judging.into_iter().filter(|e| !(has_side && matches!(e.piece, Piece::Side(_)))),
            );
            // Pair in the breath of the judgement.
            if let Some(g) = elems
                .iter()
                .find(|e| e.piece == Piece::Judgement || e.piece == Piece::Skip)
                .map(|e| e.group)
            {
                for e in elems.iter_mut().filter(|e| matches!(e.piece, Piece::Side(_))) {
                    e.group = e.group.max(g);
                }
            }
            segs[k].elems = elems;
        }
    }
}

/// "I'm skipping the gag and the palate", "same with stepping and placing": what was said before the
/// first item of a list holds for the others too.
fn share_forward(segs: &mut [Segment], cut: &Cut, lex: &Lexicon) {
    for k in 1..segs.len() {
        let (Some(a), Some(b)) = (
            segs[k - 1].items.first().and_then(|n| n.atom),
            segs[k].items.first().and_then(|n| n.atom),
        ) else {
            continue;
        };
        let judges = |s: &Segment| {
            s.elems.iter().any(|e| {
                matches!(e.piece, Piece::Judgement | Piece::Skip | Piece::NotObtained | Piece::Same)
            })
        };
        let lead: Vec<super::assemble::Elem> = segs[k - 1]
            .elems
            .iter()
            .filter(|e| {
                matches!(e.piece, Piece::Skip | Piece::NotObtained | Piece::Same) && e.atom < a
            })
            .copied()
            .collect();
        let only_lead =
            segs[k - 1].elems.iter().all(|e| e.atom < a || !matches!(e.piece, Piece::Judgement));
        let listed = (a + 1..b).any(|i| cut.atoms[i].is(lex, Family::And));
        if segs[k].sentence == segs[k - 1].sentence
            && !judges(&segs[k])
            && !lead.is_empty()
            && only_lead
            && listed
        {
            let group = segs[k].group;
            let at = segs[k].elems.iter().map(|e| e.group).max().unwrap_or(group);
            segs[k]
                .elems
                .extend(lead.into_iter().map(|e| super::assemble::Elem { group: at, ..e }));
        }
    }
}

/// Whether the segment is itself joined to the next by a list that ends in "and".
fn list_goes_on(segs: &[Segment], k: usize, cut: &Cut, lex: &Lexicon) -> bool {
    let Some(next) = segs.get(k + 1).filter(|s| s.sentence == segs[k].sentence) else {
        return false;
    };
    let (Some(a), Some(b)) =
        (segs[k].items.first().and_then(|n| n.atom), next.items.first().and_then(|n| n.atom))
    else {
        return false;
    };
    (a + 1..b).any(|i| cut.atoms[i].is(lex, Family::And)) || list_goes_on(segs, k + 1, cut, lex)
}

/// The reason given for leaving out, in the speaker's words.
fn reason_in(cut: &Cut, seg: &Segment, lex: &Lexicon) -> Option<String> {
    let words = |from: usize, to: usize| {
        cut.tokens[from..to]
            .iter()
            .filter(|t| t.brk.is_none())
            .map(|t| t.surface.as_str())
            .collect::<Vec<_>>()
            .join(" ")
            .replace(" 's", "'s")
    };
    let n = cut.tokens.len();
    // "… because …"
    if let Some(a) =
        cut.atoms.iter().find(|a| a.is(lex, Family::Because) && a.sentence >= seg.sentence)
    {
        let to =
            (a.to..n).find(|&i| cut.tokens[i].brk.is_some_and(|b| b != Break::Comma)).unwrap_or(n);
        let text = words(a.to, to);
        if !text.is_empty() {
            return Some(text);
        }
    }
    // A reason of the lexicon: the clause it stands in.
    let reason =
        cut.atoms.iter().find(|a| a.meanings(lex).any(|(m, _)| matches!(m, Meaning::Reason(_))));
    if let Some(a) = reason {
        let from = (0..n).find(|&i| cut.groups[i] == a.group).unwrap_or(a.from);
        let to = (from..n).find(|&i| cut.groups[i] != a.group).unwrap_or(n);
        return Some(words(from, to));
    }
    // Whatever follows the omission in a clause of its own.
    let skip = cut
        .atoms
        .iter()
        .filter(|a| {
            a.sentence == seg.sentence && (a.is(lex, Family::Skip) || a.is(lex, Family::WeakSkip))
        })
        .map(|a| a.group)
        .next_back()?;
    let from = (0..n).find(|&i| cut.groups[i] > skip && cut.tokens[i].brk.is_none())?;
    let group = cut.groups[from];
    let to = (from..n).find(|&i| cut.groups[i] != group).unwrap_or(n);
    let judged = cut
        .atoms
        .iter()
        .any(|a| a.group == group && a.items(lex).iter().any(|(_, n, _)| *n != Naming::Weak));
    (!judged).then(|| words(from, to)).filter(|t| !t.is_empty())
}
