//! What a listener would keep in mind from phrase to phrase: the item just named, the side just
//! named, what was found so far.

use std::collections::{HashMap, HashSet};

use crate::capture::Phrase;
use crate::lexicon::matcher::Naming;
use crate::lexicon::model::{ItemId, Lexicon};

use super::heard::Heard;
use super::pieces::{Segment, SideSaid};
use super::segments::Segmented;
use super::series::Run;
use super::types::{Act, Finding, FindingId, Reading, Side, Status};
use super::walk::AtHand;

/// What is remembered from phrase to phrase.
#[derive(Debug, Clone, Default)]
pub(super) struct Memory {
    /// Items named last, and until when they were spoken of, milliseconds.
    items: Vec<ItemId>,
    items_at: u64,
    /// Whether they were named in the plural.
    plural: bool,
    /// A side that waits for its judgement, and when it was said, milliseconds.
    side: Option<SideSaid>,
    side_at: u64,
    /// "Again" was said alone: the next judgement is another trial.
    pub again: bool,
    /// Item of what the phrase struck.
    struck: Option<ItemId>,
    /// Side of what the last phrase said and took back.
    pub withdrawn: Option<Side>,
    /// What was found so far and not taken back, in the order said.
    pub history: Vec<Finding>,
    /// Findings of the last phrase that had any.
    pub last: Vec<FindingId>,
    /// When that phrase ended, milliseconds.
    last_at: u64,
    /// Whether another item was spoken of since.
    moved_on: bool,
    /// Items whose number was said with its unit.
    pub units_known: HashSet<ItemId>,
    /// Items that were named last by a word taken by its sound or spelling, with the words.
    by_sound: HashMap<ItemId, String>,
    /// A repeated stimulus that is being counted.
    pub series: Option<Run>,
    /// Items a series was counted for before.
    pub counted: HashSet<ItemId>,
}

impl Memory {
    /// The items at hand for a phrase that begins then; none when they were named too long ago.
    pub fn items_near(&self, start_ms: u64, lex: &Lexicon) -> &[ItemId] {
        let fresh = start_ms.saturating_sub(self.items_at) <= lex.item_context_ms;
        if fresh { &self.items } else { &[] }
    }

    /// The side that waits for its judgement, likewise.
    pub fn side_near(&self, start_ms: u64, lex: &Lexicon) -> Option<SideSaid> {
        self.side.filter(|_| start_ms.saturating_sub(self.side_at) <= lex.side_context_ms)
    }

    /// What is at hand when a phrase begins.
    pub fn at_hand(&self, start_ms: u64, lex: &Lexicon) -> AtHand {
        AtHand {
            items: self.items_near(start_ms, lex).to_vec(),
            units_known: self.units_known.clone(),
            plural: self.plural,
            found: self.history.iter().map(|f| f.item).collect(),
        }
    }

    /// The item named last, however long ago.
    pub fn item(&self) -> Option<ItemId> {
        self.items.first().copied()
    }

    /// The one item at hand, where there is just one.
    pub fn only_item(&self) -> Option<ItemId> {
        match self.items[..] {
            [item] => Some(item),
            _ => None,
        }
    }

    /// The items at hand are still spoken of then.
    pub fn speak_on(&mut self, end_ms: u64) {
        self.items_at = end_ms;
    }

    /// Findings of an item, the latest first.
    pub fn of(&self, item: ItemId) -> impl Iterator<Item = &Finding> {
        self.history.iter().rev().filter(move |f| f.item == item)
    }

    /// Whether the item has a finding.
    pub fn knows(&self, item: ItemId) -> bool {
        self.of(item).next().is_some()
    }

    /// Whether the item was found to be something, absence included.
    pub fn has_observed(&self, item: ItemId) -> bool {
        self.of(item).any(|f| f.status == Status::Observed)
    }

    /// Findings of the last phrase that had any, the latest last.
    pub fn latest(&self) -> impl DoubleEndedIterator<Item = &Finding> {
        self.history.iter().filter(|f| self.last.contains(&f.id))
    }

    /// Whether what was found last is what was last spoken of.
    pub fn speaks_of_last(&self) -> bool {
        !self.moved_on
    }

    /// The same, when a phrase begins not long after: what was just said.
    pub fn just_said(&self, start_ms: u64, lex: &Lexicon) -> bool {
        self.speaks_of_last() && start_ms.saturating_sub(self.last_at) <= lex.item_context_ms
    }

    /// The words an item was named by last, if only their sound or spelling names it.
    pub fn named_by_sound(&self, item: ItemId) -> Option<&String> {
        self.by_sound.get(&item)
    }

    /// Takes a finding back, or one side of it.
    pub fn strike(&mut self, id: FindingId, side: Option<Side>) {
        let at = self.history.iter().position(|f| f.id == id);
        self.withdrawn = side.or(at.and_then(|k| self.history[k].side));
        if let Some(k) = at {
            // What was struck is what is done again.
            self.struck = Some(self.history[k].item);
            if !leave_other_side(&mut self.history[k], side) {
                self.history.remove(k);
            }
        }
    }

    /// An earlier finding is asked after; what the next phrase says takes its place.
    pub fn recall(&mut self, item: ItemId, side: Option<Side>) {
        self.struck = Some(item);
        self.withdrawn = side;
    }

    /// Keeps the findings of a phrase; what they correct goes.
    pub fn keep(&mut self, made: &[Finding]) {
        for f in made.iter().filter(|f| !f.corrects.is_empty()) {
            self.history.retain_mut(|h| !f.corrects.contains(&h.id) || leave_other_side(h, f.side));
        }
        if !made.is_empty() {
            self.last = made.iter().map(|f| f.id).collect();
        }
        self.history.extend(made.iter().cloned());
    }

    /// Takes over the doubts cast on findings after they were kept: what is copied from one to the
    /// other side is as doubtful as it is.
    pub fn revise(&mut self, made: &[Finding]) {
        for h in &mut self.history {
            if let Some(f) = made.iter().find(|f| f.id == h.id) {
                h.doubts.clone_from(&f.doubts);
            }
        }
    }

    /// Takes leave of a phrase: what the next one may speak of.
    pub fn remember(
        &mut self,
        phrase: &Phrase,
        h: &Heard<'_>,
        cut_up: &Segmented,
        reading: &Reading,
    ) {
        for atom in &h.cut.atoms {
            for (item, how, _) in atom.items(h.lex) {
                if how == Naming::Sound || atom.by_sound.is_some() {
                    self.by_sound.insert(item, h.cut.words(atom.from, atom.to));
                } else {
                    self.by_sound.remove(&item);
                }
            }
        }
        self.plural = cut_up.plural;
        self.remember_place(phrase.end_ms, cut_up, reading);
        self.remember_items(phrase.end_ms, cut_up, reading);
        self.remember_side(phrase.end_ms, &cut_up.segments, reading);
        // Named anew, or another item named: the next stimulus begins a new series.
        if let Some(run) = &self.series
            && (reading.announced.contains(&run.item) || self.item() != Some(run.item))
        {
            self.series = None;
        }
    }

    /// Whether a word of command that comes next can mean what was found last.
    fn remember_place(&mut self, end_ms: u64, cut_up: &Segmented, reading: &Reading) {
        if !reading.findings.is_empty() {
            self.last_at = end_ms;
            self.moved_on = false;
            return;
        }
        let found: Vec<ItemId> = self.latest().map(|f| f.item).collect();
        let named = cut_up.segments.iter().filter(|s| !s.at_hand);
        self.moved_on |= named
            .map(|s| s.item_ids().collect::<Vec<_>>())
            .chain(cut_up.mentioned.iter().map(|&i| vec![i]))
            .any(|of| !of.iter().any(|i| found.contains(i)));
    }

    fn remember_items(&mut self, end_ms: u64, cut_up: &Segmented, reading: &Reading) {
        let judged = |item: ItemId| reading.findings.iter().any(|f| f.item == item);
        if self.waits_for_a_side(reading) {
            // "Triceps I'm skipping", between the two sides of another item: what comes next is its
            // other side.
            self.items_at = end_ms;
        } else if let Some(seg) = cut_up.segments.iter().rev().find(|s| !s.at_hand) {
            // Of several that could be meant, the one that was judged stays at hand.
            let named: Vec<ItemId> = seg.item_ids().collect();
            let kept: Vec<ItemId> = named.iter().copied().filter(|i| judged(*i)).collect();
            self.items = if kept.is_empty() { named } else { kept };
            self.items_at = end_ms;
        } else if let Some(&i) = cut_up.mentioned.last() {
            self.items = vec![i];
            self.items_at = end_ms;
        } else if self.items.iter().any(|i| judged(*i)) || !reading.acts.is_empty() {
            self.items_at = end_ms;
        }
        if let Some(item) = self.struck.take().filter(|_| reading.findings.is_empty()) {
            self.items = vec![item];
            self.items_at = end_ms;
        }
    }

    /// Whether the phrase did nothing but leave out other items, while of the item at hand one side was
    /// found and the other was not.
    fn waits_for_a_side(&self, reading: &Reading) -> bool {
        let [item] = self.items[..] else { return false };
        let only_leaves_out = !reading.findings.is_empty()
            && reading.announced.is_empty()
            && reading.findings.iter().all(|f| f.status == Status::Skipped && f.item != item);
        let has = |side: Side| self.of(item).any(|f| f.covers(Some(side)));
        only_leaves_out
            && self.of(item).all(|f| f.side.is_some() && f.side != Some(Side::Unstated))
            && has(Side::Left) != has(Side::Right)
    }

    fn remember_side(&mut self, end_ms: u64, segs: &[Segment], reading: &Reading) {
        if !reading.findings.is_empty() {
            self.again = false;
            self.side = None;
            return;
        }
        if reading.acts.contains(&Act::Again) && segs.iter().all(|s| s.at_hand) {
            // "Again." alone: the same manoeuvre on the same side.
            self.again = true;
            let last = self.history.iter().rev().find(|f| self.items.contains(&f.item));
            self.withdrawn = self.withdrawn.or(last.and_then(|f| f.side));
            self.items_at = end_ms;
        }
        let again = match self.withdrawn.take() {
            Some(Side::Left) => Some(SideSaid::Left),
            Some(Side::Right) => Some(SideSaid::Right),
            _ => None,
        };
        // A side named alone waits for its judgement.
        let lone = segs.iter().rev().filter(|s| !s.settles_or_repeats()).find_map(|s| {
            s.elems.iter().rev().filter_map(|e| e.piece.side()).find(|s| *s != SideSaid::Both)
        });
        if let Some(s) = again.or(lone) {
            self.side = Some(s);
            self.side_at = end_ms;
        }
    }
}

/// Whether something is left of a finding for both sides when one side of it is taken back; then
/// it holds for the other.
fn leave_other_side(f: &mut Finding, taken: Option<Side>) -> bool {
    match (f.side, taken.and_then(Side::opposite)) {
        (Some(Side::Both), Some(rest)) => {
            f.side = Some(rest);
            true
        }
        _ => false,
    }
}
