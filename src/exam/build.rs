//! The exam as a whole, from the lines of its journal.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::{DateTime, FixedOffset};

use crate::capture::Phrase;
use crate::journal::{Chosen, Decision, Entry, Header, Line, Settlement};
use crate::lexicon::model::{ItemId, Lexicon};
use crate::reading::Reader;
use crate::reading::judge::{Read, judge};
use crate::reading::types::{Act, Doubt, Finding, FindingId, Reading, Side, Status};
use crate::reading::untold;

use crate::tagger::Marks;

use super::fold::{Fold, Gone, How, Moment, Standing, trial_of};

/// One phrase on the timeline with what was read from it.
#[derive(Debug, Clone)]
pub struct Event {
    /// Journal sequence number.
    pub seq: u64,
    /// The phrase.
    pub phrase: Phrase,
    /// When it was said.
    pub wall: DateTime<FixedOffset>,
    /// What was read.
    pub reading: Reading,
    /// Said while the log was paused: kept, not read.
    pub paused: bool,
    /// Section at hand, index into the lexicon's sections.
    pub section: Option<usize>,
    /// State at the time.
    pub state: Option<usize>,
}

/// A stretch of the state track.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// State.
    pub state: usize,
    /// From, milliseconds on the exam clock.
    pub from_ms: u64,
    /// To the next stretch, or the end.
    pub to_ms: u64,
    /// Phrase that said or implied it, or the settlement that gave it.
    pub seq: u64,
    /// Said of an event, not as the state.
    pub implied: bool,
}

/// An item named and never judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Announced {
    /// Item.
    pub item: ItemId,
    /// Phrase that named it last.
    pub seq: u64,
    /// When, milliseconds.
    pub at_ms: u64,
}

/// An item left for later and never come back to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftForLater {
    /// Item.
    pub item: ItemId,
    /// Side, when one was named.
    pub side: Option<Side>,
    /// Phrase.
    pub seq: u64,
    /// Its words.
    pub words: String,
}

/// A position held, measured between "hold" and "release".
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Held {
    /// Item at hand.
    pub item: ItemId,
    /// Side, where what was said next of the item names it.
    pub side: Option<Side>,
    /// Milliseconds from hold to release.
    pub ms: u64,
    /// Phrase of the release.
    pub seq: u64,
    /// Shorter than the lexicon's rule allows.
    pub too_short: bool,
}

/// A reason for a gap, given afterwards by a person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GapReason {
    /// Item.
    pub item: ItemId,
    /// Side.
    pub side: Option<Side>,
    /// The reason.
    pub reason: String,
    /// Initials.
    pub who: String,
    /// Settlement.
    pub seq: u64,
}

/// A value entered for a sign of a scale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Input {
    /// Scale, by its id.
    pub scale: String,
    /// Sign of it, by its id.
    pub sign: String,
    /// Time since birth, for a scale scored at several times.
    pub at: Option<u32>,
    /// The value as entered.
    pub value: String,
    /// Initials.
    pub who: String,
    /// Settlement.
    pub seq: u64,
}

/// Time spent on a section.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SectionTime {
    /// Section.
    pub section: usize,
    /// Milliseconds.
    pub ms: u64,
}

/// A settlement: whose it is and when it was made, whether it still holds or not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decided {
    /// Settlement.
    pub seq: u64,
    /// Initials.
    pub who: String,
    /// When it was written.
    pub wall: DateTime<FixedOffset>,
    /// Whether a later settlement took it back.
    pub undone: bool,
}

/// A settlement that could not be applied.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stray {
    /// Settlement.
    pub seq: u64,
    /// Why.
    pub why: String,
}

/// The exam.
#[derive(Debug, Clone)]
pub struct Exam {
    /// Header with all later changes applied.
    pub header: Header,
    /// Whether the lexicon at hand is the one the journal names.
    pub same_lexicon: bool,
    /// What stands, in examination order.
    pub findings: Vec<Standing>,
    /// What stands no longer.
    pub gone: Vec<Gone>,
    /// All phrases in the order of the journal.
    pub timeline: Vec<Event>,
    /// State track.
    pub states: Vec<Stretch>,
    /// Items named and never judged.
    pub announced: Vec<Announced>,
    /// Items left for later and never done.
    pub left: Vec<LeftForLater>,
    /// Positions held.
    pub holds: Vec<Held>,
    /// Reasons given afterwards.
    pub reasons: Vec<GapReason>,
    /// Values entered for scales, in the order of the journal; the last for a sign counts.
    pub inputs: Vec<Input>,
    /// Time by section, in examination order.
    pub section_times: Vec<SectionTime>,
    /// All settlements, in the order of the journal.
    pub decided: Vec<Decided>,
    /// Settlements that could not be applied.
    pub stray: Vec<Stray>,
    /// End of the last phrase, milliseconds.
    pub end_ms: u64,
    /// Whether the log was finished.
    pub ended: bool,
}

impl Exam {
    /// Findings a person still has to decide on.
    pub fn unsettled(&self) -> impl Iterator<Item = &Standing> {
        self.findings.iter().filter(|s| !s.finding.is_sure())
    }

    /// Findings of an item.
    pub fn of(&self, item: ItemId) -> impl Iterator<Item = &Standing> {
        self.findings.iter().filter(move |s| s.finding.item == item)
    }

    /// The finding of that name, if it stands.
    pub fn finding(&self, id: FindingId) -> Option<&Standing> {
        self.findings.iter().find(|s| s.finding.id == id)
    }

    /// The finding of that name, whether it still stands or not.
    pub fn named(&self, id: FindingId) -> Option<&Finding> {
        let gone = || self.gone.iter().find(|g| g.finding.id == id).map(|g| &g.finding);
        self.finding(id).map(|s| &s.finding).or_else(gone)
    }

    /// The phrase with that sequence number.
    pub fn event(&self, seq: u64) -> Option<&Event> {
        self.timeline.binary_search_by_key(&seq, |e| e.seq).ok().map(|k| &self.timeline[k])
    }

    /// The settlement in that entry.
    pub fn decision(&self, seq: u64) -> Option<&Decided> {
        self.decided.iter().find(|d| d.seq == seq)
    }

    /// Wall time of a moment on the exam clock: the exam's start plus the time since.
    pub fn wall(&self, at_ms: u64) -> DateTime<FixedOffset> {
        self.header.started
            + chrono::Duration::milliseconds(i64::try_from(at_ms).unwrap_or(i64::MAX / 2))
    }
}

/// Rebuilds the exam from the lines of its journal. `header` is the journal's header with all
/// changes applied.
pub fn build(header: Header, lines: &[Line], lex: &Lexicon) -> Exam {
    let mut reader = Reader::new(lex);
    build_as_read(header, lines, lex, |seq, phrase| reader.read(seq, phrase))
}

/// As [`build`], with readings at hand: `read` gives that of a phrase by its sequence number, and is
/// asked for every phrase that was not said in a pause, in order.
///
/// Whoever logs live has read each phrase already; reading all of them again after every phrase
/// would make a long exam slower and slower.
pub fn build_as_read(
    header: Header,
    lines: &[Line],
    lex: &Lexicon,
    mut read: impl FnMut(u64, &Phrase) -> Reading,
) -> Exam {
    let undone: HashSet<u64> = undone(lines);
    let mut readings = judged(lines, lex, &mut read);
    let mut given = given_states(lines, &undone, lex);
    let mut fold = Fold::default();
    let mut x = Exam {
        same_lexicon: header.lexicon.sha256.to_string() == lex.digest,
        header,
        findings: Vec::new(),
        gone: Vec::new(),
        timeline: Vec::new(),
        states: Vec::new(),
        announced: Vec::new(),
        left: Vec::new(),
        holds: Vec::new(),
        reasons: Vec::new(),
        inputs: Vec::new(),
        section_times: Vec::new(),
        decided: Vec::new(),
        stray: Vec::new(),
        end_ms: 0,
        ended: false,
    };
    let mut paused = false;
    let mut section = None;
    let mut hold: Option<(ItemId, u64)> = None;
    let mut announced: BTreeMap<ItemId, Announced> = BTreeMap::new();
    let mut left: Vec<LeftForLater> = Vec::new();
    for line in lines {
        if let Entry::Settlement(s) = &line.entry {
            x.decided.push(Decided {
                seq: line.seq,
                who: s.who.clone(),
                wall: line.wall,
                undone: undone.contains(&line.seq),
            });
        }
        match &line.entry {
            Entry::Phrase(p) => {
                x.end_ms = x.end_ms.max(p.end_ms);
                let was_paused = paused;
                let reading = readings.remove(&line.seq).unwrap_or_default();
                let resumes = paused && resumes(line.seq, p, lex);
                given.begin_before(p.start_ms, &mut x.states);
                take_states(&mut x.states, &reading, p, line.seq);
                // What a person gave for this very moment counts before what was heard at it.
                given.begin_before(p.start_ms + 1, &mut x.states);
                let state = x.states.last().map(|s| s.state);
                let moment = Moment { state, line: p.line, until_ms: p.end_ms };
                fold.take(&reading, moment, lex);
                take_acts(&mut x.holds, &mut hold, &reading, p, line.seq, lex);
                if let Some(&s) = reading.sections.last() {
                    section = Some(s);
                }
                if let Some(f) = reading.findings.last() {
                    section = Some(lex.items[f.item].section);
                }
                for &item in &reading.announced {
                    announced.insert(item, Announced { item, seq: line.seq, at_ms: p.start_ms });
                }
                for d in &reading.deferred {
                    left.push(LeftForLater {
                        item: d.item,
                        side: d.side,
                        seq: line.seq,
                        words: p.text.clone(),
                    });
                }
                for c in &reading.controls {
                    match c.as_str() {
                        "pause" => paused = true,
                        "finish" => x.ended = true,
                        _ => {}
                    }
                }
                x.timeline.push(Event {
                    seq: line.seq,
                    phrase: p.clone(),
                    wall: line.wall,
                    reading,
                    paused: was_paused && !resumes,
                    section,
                    state,
                });
                if resumes {
                    paused = false;
                }
            }
            Entry::Settlement(s) if !undone.contains(&line.seq) => {
                settle(&mut fold, &mut x, s, line, lex);
            }
            Entry::Pause => paused = true,
            Entry::Resume(_) => paused = false,
            Entry::End => x.ended = true,
            _ => {}
        }
    }
    given.begin_before(x.end_ms + 1, &mut x.states);
    if let Some(last) = x.states.last_mut() {
        last.to_ms = last.to_ms.max(x.end_ms);
    }
    x.findings = fold.standing;
    x.gone = fold.gone;
    x.findings.sort_by_key(|s| (s.finding.item, s.finding.side, s.finding.at_ms, s.finding.id));
    let done =
        |item: ItemId, findings: &[Standing]| findings.iter().any(|s| s.finding.item == item);
    x.announced = announced.into_values().filter(|a| !done(a.item, &x.findings)).collect();
    x.left = left
        .into_iter()
        .filter(|l| {
            !x.findings.iter().any(|s| {
                s.finding.item == l.item
                    && s.finding.covers(l.side)
                    && s.finding.status == Status::Observed
            })
        })
        .collect();
    x.section_times = section_times(&x.timeline);
    sides_of_holds(&mut x, lex);
    x
}

/// Whether a phrase said in a pause ends it.
fn resumes(seq: u64, p: &Phrase, lex: &Lexicon) -> bool {
    Reader::new(lex).read(seq, p).controls.iter().any(|c| c == "resume")
}

/// What was read of every phrase that was not said in a pause, weighed against what the second reader
/// marked in it.
fn judged(
    lines: &[Line],
    lex: &Lexicon,
    read: &mut impl FnMut(u64, &Phrase) -> Reading,
) -> HashMap<u64, Reading> {
    let mut all: Vec<Read<'_>> = Vec::new();
    let mut marks: HashMap<u64, &Marks> = HashMap::new();
    let mut paused = false;
    for line in lines {
        match &line.entry {
            Entry::Phrase(p) if paused => paused = !resumes(line.seq, p, lex),
            Entry::Phrase(p) => {
                let reading = read(line.seq, p);
                paused = reading.controls.iter().any(|c| c == "pause");
                all.push(Read { seq: line.seq, phrase: p, reading });
            }
            Entry::Marks(m) => {
                marks.insert(m.phrase, m);
            }
            Entry::Pause => paused = true,
            Entry::Resume(_) => paused = false,
            _ => {}
        }
    }
    judge(&mut all, &marks, lex);
    untold::note(&mut all, &marks, lex);
    all.into_iter().map(|r| (r.seq, r.reading)).collect()
}

/// The side of a hold: the one of the next finding of its item, before the item is held again.
/// Nothing is said of it where there is none.
fn sides_of_holds(x: &mut Exam, lex: &Lexicon) {
    let next: Vec<u64> = (0..x.holds.len())
        .map(|k| {
            let later = x.holds[k + 1..].iter().find(|h| h.item == x.holds[k].item);
            later.map_or(u64::MAX, |h| h.seq)
        })
        .collect();
    for (h, until) in x.holds.iter_mut().zip(next).filter(|(h, _)| lex.items[h.item].sided) {
        let said = x.timeline.iter().filter(|e| e.seq >= h.seq && e.seq < until);
        let side = said
            .flat_map(|e| &e.reading.findings)
            .find(|f| f.item == h.item)
            // What a person settled since counts.
            .and_then(|f| x.findings.iter().map(|s| &s.finding).find(|s| s.id == f.id).or(Some(f)))
            .and_then(|f| f.side);
        h.side = side.filter(|s| *s != Side::Unstated);
    }
}

/// Settlements taken back by a later one; an undo can itself be undone.
fn undone(lines: &[Line]) -> HashSet<u64> {
    let mut out = HashSet::new();
    for line in lines.iter().rev() {
        if let Entry::Settlement(Settlement { decision: Decision::Undo { seq }, .. }) = &line.entry
            && !out.contains(&line.seq)
        {
            out.insert(*seq);
        }
    }
    out
}

/// States given afterwards by a person, in the order of the time they are given for.
struct Given {
    /// From, milliseconds; state; settlement.
    list: std::vec::IntoIter<(u64, usize, u64)>,
}

/// The settlements that add a state: the state of the infant is an item like others, and a value of it
/// is a state from a moment on, until the next that was said or given.
fn given_states(lines: &[Line], undone: &HashSet<u64>, lex: &Lexicon) -> Given {
    let of = |line: &Line| {
        let Entry::Settlement(s) = &line.entry else { return None };
        let Decision::Add { chosen, at_ms } = &s.decision else { return None };
        let state = given_state(chosen, lex)?;
        (!undone.contains(&line.seq)).then_some((*at_ms, state, line.seq))
    };
    let mut list: Vec<_> = lines.iter().filter_map(of).collect();
    // Of two given for one moment the later one counts.
    list.sort_by_key(|(at, _, seq)| (*at, *seq));
    Given { list: list.into_iter() }
}

/// The state that a choice gives, if it is of the item that stands for the state.
fn given_state(c: &Chosen, lex: &Lexicon) -> Option<usize> {
    (lex.item(&c.item).is_some_and(|i| Some(i) == lex.state_item))
        .then(|| lex.state(c.value.as_deref()?))
        .flatten()
}

impl Given {
    /// Begins those given for a moment before `ms`.
    fn begin_before(&mut self, ms: u64, states: &mut Vec<Stretch>) {
        while let Some(&(from_ms, state, seq)) =
            self.list.as_slice().first().filter(|(at, ..)| *at < ms)
        {
            self.list.next();
            // What began at the same moment lasted no time.
            while states.last().is_some_and(|l| l.from_ms >= from_ms) {
                states.pop();
            }
            if let Some(l) = states.last_mut() {
                l.to_ms = from_ms;
            }
            if states.last().is_none_or(|l| l.state != state) {
                states.push(Stretch { state, from_ms, to_ms: from_ms, seq, implied: false });
            }
        }
    }
}

fn take_states(states: &mut Vec<Stretch>, reading: &Reading, p: &Phrase, seq: u64) {
    for s in &reading.states {
        if states.last().is_some_and(|l| l.state == s.state) {
            continue;
        }
        if let Some(l) = states.last_mut() {
            l.to_ms = p.start_ms;
        }
        states.push(Stretch {
            state: s.state,
            from_ms: p.start_ms,
            to_ms: p.end_ms,
            seq,
            implied: s.implied,
        });
    }
    if let Some(l) = states.last_mut() {
        l.to_ms = l.to_ms.max(p.end_ms);
    }
}

fn take_acts(
    holds: &mut Vec<Held>,
    hold: &mut Option<(ItemId, u64)>,
    reading: &Reading,
    p: &Phrase,
    seq: u64,
    lex: &Lexicon,
) {
    let begins = reading.acts.contains(&Act::Hold);
    let ends = reading.acts.contains(&Act::Release);
    if begins && ends {
        // Both in one phrase: the time between them was not measured, and is not made up.
        *hold = None;
        return;
    }
    if begins {
        *hold = reading.at_hand.map(|i| (i, p.start_ms));
    } else if ends && let Some((item, from)) = hold.take() {
        let ms = p.start_ms.saturating_sub(from);
        let rule = lex.items[item].hold.as_ref();
        #[allow(clippy::cast_precision_loss)] // holds last seconds
        let too_short = rule.is_some_and(|h| (ms as f64) < h.at_least * 1000.0);
        holds.push(Held { item, side: None, ms, seq, too_short });
    }
}

fn section_times(timeline: &[Event]) -> Vec<SectionTime> {
    let mut out: BTreeMap<usize, u64> = BTreeMap::new();
    for pair in timeline.windows(2) {
        if let Some(s) = pair[0].section.filter(|_| !pair[0].paused) {
            *out.entry(s).or_default() +=
                pair[1].phrase.start_ms.saturating_sub(pair[0].phrase.start_ms);
        }
    }
    if let Some(last) = timeline.last()
        && let Some(s) = last.section
    {
        *out.entry(s).or_default() += last.phrase.end_ms.saturating_sub(last.phrase.start_ms);
    }
    out.into_iter().map(|(section, ms)| SectionTime { section, ms }).collect()
}

/// Checks what a person chose against the lexicon.
///
/// # Errors
/// Says what is not in the lexicon, or does not go together.
pub fn check_chosen(c: &Chosen, lex: &Lexicon) -> Result<(ItemId, Option<Side>, Status), String> {
    let item = lex.item(&c.item).ok_or_else(|| {
        let near = crate::problem::nearest(&c.item, lex.items.iter().map(|i| i.id.as_str()));
        let hint = near.map_or(String::new(), |n| format!("; did you mean `{n}`?"));
        format!("there is no item `{}`{hint}", c.item)
    })?;
    let it = &lex.items[item];
    let status = [Status::Observed, Status::NotObtained, Status::Skipped]
        .into_iter()
        .find(|s| s.word() == c.status)
        .ok_or_else(|| {
            format!("there is no status `{}`; use observed, not_obtained or skipped", c.status)
        })?;
    let side = match (&c.side, it.sided) {
        (None, false) => None,
        (Some(s), false) => {
            return Err(format!("{} has no sides, so not `{s}`", it.name));
        }
        (None, true) => return Err(format!("{} needs a side: left, right or both", it.name)),
        (Some(s), true) => {
            Some(Side::named(s).filter(|s| *s != Side::Unstated).ok_or_else(|| {
                format!("there is no side `{s}`; use left, right, both or midline")
            })?)
        }
    };
    if let Some(v) = &c.value
        && it.value(v).is_none()
        && v != crate::lexicon::model::STATED_NORMAL
        && v != crate::lexicon::model::STATED_ABNORMAL
    {
        let known: Vec<&str> = it.values.iter().map(|v| v.code.as_str()).collect();
        let near = crate::problem::nearest(v, known.iter().copied())
            .map_or(String::new(), |n| format!("; did you mean `{n}`?"));
        let all = if known.is_empty() {
            format!("{} takes a number", it.name)
        } else {
            format!("values: {}", known.join(", "))
        };
        return Err(format!("{} has no value `{v}`{near} ({all})", it.name));
    }
    let numeric = c.number.is_some() || c.low.is_some() || c.high.is_some();
    if numeric && it.number.is_none() {
        return Err(format!("{} takes no number", it.name));
    }
    if c.low.is_some() != c.high.is_some() || c.low.zip(c.high).is_some_and(|(a, b)| a >= b) {
        return Err("a range needs both ends, the smaller first".into());
    }
    if let (Some(u), Some(n)) = (&c.unit, &it.number)
        && lex.units[n.unit].id != *u
    {
        return Err(format!("{} is in {}, not {u}", it.name, lex.units[n.unit].id));
    }
    if status == Status::Observed && c.value.is_none() && !numeric {
        return Err("an observed finding needs a value or a number".into());
    }
    Ok((item, side, status))
}

fn chosen_finding(
    c: &Chosen,
    id: FindingId,
    at_ms: u64,
    who: &str,
    lex: &Lexicon,
) -> Result<Finding, String> {
    let (item, side, status) = check_chosen(c, lex)?;
    let it = &lex.items[item];
    let numeric = c.number.is_some() || c.low.is_some();
    let unit = it.number.as_ref().filter(|_| numeric).map(|n| lex.units[n.unit].id.clone());
    Ok(Finding {
        id,
        item,
        side,
        status,
        value: c.value.clone(),
        wording: None,
        number: c.number,
        range: c.low.zip(c.high),
        unit,
        reason: None,
        doubts: Vec::new(),
        why: format!("settled by {who}"),
        corrects: Vec::new(),
        again: false,
        at_ms,
    })
}

fn settle(fold: &mut Fold, x: &mut Exam, s: &Settlement, line: &Line, lex: &Lexicon) {
    let seq = line.seq;
    let mut stray = |why: String| x.stray.push(Stray { seq, why });
    let target = s.target.as_ref().map(|t| FindingId { phrase: t.phrase, index: t.index });
    let place = |f: Finding, old: Option<&Standing>, at_ms: u64| Standing {
        trials: vec![trial_of(&f, old.and_then(|o| o.state).or_else(|| x_state(&x.states, at_ms)))],
        state: old.and_then(|o| o.state).or_else(|| x_state(&x.states, at_ms)),
        phrases: old.map_or_else(Vec::new, |o| o.phrases.clone()),
        line: old.and_then(|o| o.line),
        until_ms: old.map_or(at_ms, |o| o.until_ms),
        settled_by: Some(s.who.clone()),
        settled_in: Some(seq),
        finding: f,
    };
    match &s.decision {
        Decision::Choose(c) => {
            let Some(id) = target else { return stray("names no finding".into()) };
            let Some(old) = fold.standing.iter().find(|o| o.finding.id == id).cloned() else {
                return stray(format!("finding {id} stands no longer"));
            };
            // The settled finding keeps the name of the one it settles, so that later settlements
            // can still speak of it.
            match chosen_finding(c, id, old.finding.at_ms, &s.who, lex) {
                Ok(mut f) => {
                    f.reason.clone_from(&old.finding.reason);
                    // What is accepted is what was said, no more than that.
                    f.wording =
                        old.finding.wording.clone().filter(|_| f.value == old.finding.value);
                    fold.remove(id, None, seq, Some(id), How::Settled);
                    let placed = place(f, Some(&old), old.finding.at_ms);
                    // The person decided: what else stood for this item and side gives way.
                    supersede(fold, &placed.finding, seq);
                    fold.standing.push(placed);
                }
                Err(why) => stray(why),
            }
        }
        Decision::NotAFinding => {
            let Some(id) = target else { return stray("names no finding".into()) };
            if !fold.remove(id, None, seq, None, How::Settled) {
                stray(format!("finding {id} stands no longer"));
            }
        }
        // A state is no finding; it stands in the track.
        Decision::Add { chosen, .. } if given_state(chosen, lex).is_some() => {}
        Decision::Add { chosen, at_ms } => {
            let id = FindingId { phrase: seq, index: 1 };
            match chosen_finding(chosen, id, *at_ms, &s.who, lex) {
                Ok(f) => {
                    let placed = place(f, None, *at_ms);
                    supersede(fold, &placed.finding, seq);
                    fold.standing.push(placed);
                }
                Err(why) => stray(why),
            }
        }
        Decision::GapReason { item, side, reason } => match lex.item(item) {
            Some(i) => x.reasons.push(GapReason {
                item: i,
                side: side.as_deref().and_then(Side::named),
                reason: reason.clone(),
                who: s.who.clone(),
                seq,
            }),
            None => stray(format!("there is no item `{item}`")),
        },
        Decision::Input { scale, sign, at, value } => x.inputs.push(Input {
            scale: scale.clone(),
            sign: sign.clone(),
            at: *at,
            value: value.clone(),
            who: s.who.clone(),
            seq,
        }),
        Decision::Undo { .. } => {}
    }
}

fn x_state(states: &[Stretch], at_ms: u64) -> Option<usize> {
    states.iter().rev().find(|s| s.from_ms <= at_ms).map(|s| s.state)
}

/// Takes out what stood for the item and side a person has now decided on.
fn supersede(fold: &mut Fold, f: &Finding, seq: u64) {
    let ids: Vec<FindingId> = fold
        .standing
        .iter()
        .filter(|s| s.finding.item == f.item && s.finding.id != f.id && s.finding.covers(f.side))
        .map(|s| s.finding.id)
        .collect();
    for id in ids {
        fold.remove(id, f.side, seq, Some(f.id), How::Settled);
    }
}

/// Doubts of a finding in words, for lists.
pub fn doubts(f: &Finding) -> String {
    f.doubts.iter().map(Doubt::to_string).collect::<Vec<_>>().join("; ")
}
