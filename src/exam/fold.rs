//! Readings, one after the other, to the findings that stand at the end.
//!
//! Corrections, strikes, trials and repeats are settled here. Nothing is thrown away: what no
//! longer stands is kept with what replaced it.

use crate::lexicon::model::{Expect, ItemId, Lexicon};
use crate::lexicon::schema::Trials;
use crate::reading::types::{Doubt, Finding, FindingId, Reading, Side, Status};
use crate::reading::wording;

/// One trial of a manoeuvre.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    /// The finding of that trial.
    pub id: FindingId,
    /// Value code.
    pub value: Option<String>,
    /// Number.
    pub number: Option<f64>,
    /// Range.
    pub range: Option<(f64, f64)>,
    /// Status.
    pub status: Status,
    /// When, milliseconds on the exam clock.
    pub at_ms: u64,
    /// State of the subject at the time, index into the lexicon's states.
    pub state: Option<usize>,
}

/// A finding that stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// As read, sides narrowed and doubts added by what came later.
    pub finding: Finding,
    /// All trials, the counting one included, in order.
    pub trials: Vec<Trial>,
    /// State of the subject at the time, index into the lexicon's states.
    pub state: Option<usize>,
    /// Phrases it rests on.
    pub phrases: Vec<u64>,
    /// Input line or cue number of the phrase it was read from.
    pub line: Option<u32>,
    /// End of that phrase, milliseconds.
    pub until_ms: u64,
    /// Initials of who settled it, when a person did.
    pub settled_by: Option<String>,
    /// The settlement, as its entry in the journal, when a person settled it.
    pub settled_in: Option<u64>,
}

/// How a finding came to stand no longer.
#[derive(Debug, Clone, PartialEq)]
pub struct Gone {
    /// What it was.
    pub finding: Finding,
    /// Finding that replaced it, if one did.
    pub by: Option<FindingId>,
    /// Phrase or settlement that took it back.
    pub at_seq: u64,
    /// Why.
    pub how: How,
}

/// Why a finding stands no longer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// By a word of correction.
    Corrected,
    /// Taken back.
    Struck,
    /// Done or said again later.
    Superseded,
    /// By a person, afterwards.
    Settled,
}

/// The findings so far.
#[derive(Debug, Clone, Default)]
pub struct Fold {
    /// What stands.
    pub standing: Vec<Standing>,
    /// What stands no longer.
    pub gone: Vec<Gone>,
}

/// Where and when a reading was made.
#[derive(Debug, Clone, Copy)]
pub struct Moment {
    /// State at the time.
    pub state: Option<usize>,
    /// Input line or cue number.
    pub line: Option<u32>,
    /// End of the phrase, milliseconds.
    pub until_ms: u64,
}

pub(super) fn trial_of(f: &Finding, state: Option<usize>) -> Trial {
    Trial {
        state,
        id: f.id,
        value: f.value.clone(),
        number: f.number,
        range: f.range,
        status: f.status,
        at_ms: f.at_ms,
    }
}

impl Fold {
    /// Takes in one reading.
    pub fn take(&mut self, reading: &Reading, moment: Moment, lex: &Lexicon) {
        for s in &reading.strikes {
            if self.remove(s.target, s.side, s.target.phrase, None, How::Struck) {
                self.bring_back(s.target, &s.words, moment);
            }
        }
        for (id, words) in &reading.maybe_struck {
            if let Some(s) = self.standing.iter_mut().find(|s| s.finding.id == *id) {
                s.finding.doubts.push(Doubt::MaybeStruck(words.clone()));
            }
        }
        for f in &reading.findings {
            self.add(f.clone(), moment, lex);
        }
    }

    /// What a finding had replaced, now that it is struck: "weak on the right", cancelled, leaves the
    /// right as it was before. A person looks at it, since it was not said again.
    fn bring_back(&mut self, struck: FindingId, words: &str, moment: Moment) {
        let free = |fold: &Self, g: &Gone| {
            g.by == Some(struck) && fold.overlapping(g.finding.item, g.finding.side).is_empty()
        };
        while let Some(k) = (0..self.gone.len()).find(|&k| free(self, &self.gone[k])) {
            let mut f = self.gone.remove(k).finding;
            let doubt = Doubt::MaybeStruck(words.to_owned());
            // Its other side still stands: the two are one finding again.
            if let Some(rest) = self.standing.iter_mut().find(|s| s.finding.id == f.id) {
                rest.finding.side = Some(Side::Both);
                rest.finding.doubts.push(doubt);
                continue;
            }
            f.doubts.push(doubt);
            self.standing.push(Standing {
                trials: vec![trial_of(&f, moment.state)],
                state: moment.state,
                phrases: vec![f.id.phrase],
                line: moment.line,
                until_ms: moment.until_ms,
                settled_by: None,
                settled_in: None,
                finding: f,
            });
        }
    }

    /// Takes a finding back, for one side or whole.
    pub fn remove(
        &mut self,
        id: FindingId,
        side: Option<Side>,
        at_seq: u64,
        by: Option<FindingId>,
        how: How,
    ) -> bool {
        let Some(k) = self
            .standing
            .iter()
            .position(|s| s.finding.id == id && (side.is_none() || s.finding.covers(side)))
        else {
            return false;
        };
        let mut gone = self.standing[k].finding.clone();
        match (gone.side, side.and_then(Side::opposite)) {
            (Some(Side::Both), Some(rest)) => {
                self.standing[k].finding.side = Some(rest);
                gone.side = side;
            }
            _ => {
                self.standing.remove(k);
            }
        }
        self.gone.push(Gone { finding: gone, by, at_seq, how });
        true
    }

    fn overlapping(&self, item: ItemId, side: Option<Side>) -> Vec<FindingId> {
        self.standing
            .iter()
            .filter(|s| s.finding.item == item && s.finding.covers(side))
            .map(|s| s.finding.id)
            .collect()
    }

    fn add(&mut self, mut f: Finding, moment: Moment, lex: &Lexicon) {
        let item = &lex.items[f.item];
        for id in f.corrects.clone() {
            // A corrected side takes the whole finding with it.
            let side = f.side.filter(|s| {
                self.standing.iter().any(|o| o.finding.id == id && o.finding.covers(Some(*s)))
            });
            self.remove(id, side, f.id.phrase, Some(f.id), How::Corrected);
        }
        let fresh = |f: Finding| Standing {
            trials: vec![trial_of(&f, moment.state)],
            state: moment.state,
            phrases: vec![f.id.phrase],
            line: moment.line,
            until_ms: moment.until_ms,
            settled_by: None,
            settled_in: None,
            finding: f,
        };
        // Two sides whose names were not said stand beside each other when said in one phrase.
        // Said in two phrases ("this side ninety", "the other side a hundred"), as long as there are two.
        let unnamed = |s: &Standing| {
            s.finding.item == f.item && s.finding.doubts.contains(&Doubt::SidesNotNamed)
        };
        let of_two = self.standing.iter().filter(|s| unnamed(s)).count() == 1;
        let pair_in_phrase = |s: &Standing| {
            f.doubts.contains(&Doubt::SidesNotNamed)
                && (s.finding.id.phrase == f.id.phrase || (of_two && unnamed(s)))
        };
        let mut ids = self.overlapping(f.item, f.side);
        ids.retain(|id| !self.standing.iter().any(|s| s.finding.id == *id && pair_in_phrase(s)));
        let mut trials: Vec<Trial> = Vec::new();
        for id in ids {
            let Some(k) = self.standing.iter().position(|s| s.finding.id == id) else { continue };
            let old = self.standing[k].clone();
            let narrower = old.finding.side == Some(Side::Both) && f.side != Some(Side::Both);
            if old.finding.same_value(&f) {
                // "Seizure-like", then "cycling": two signs under one value, and both must be seen.
                // Two wordings of what is expected are one.
                let expected = f
                    .value
                    .as_deref()
                    .and_then(|v| item.value(v))
                    .is_some_and(|k| item.values[k].expect == Some(Expect::Expected));
                if item.trials == Trials::Seen && old.finding.wording != f.wording && !expected {
                    let (was, then) = (&old.finding, &f);
                    let doubt = |other: &Finding| {
                        let said = other.wording.clone().unwrap_or_else(|| wording::of(other, lex));
                        Doubt::SaidDifferently(format!("{said} (phrase {})", other.id.phrase))
                    };
                    match narrower || was.side == then.side {
                        true => self.standing[k].finding.doubts.push(doubt(then)),
                        false => f.doubts.push(doubt(was)),
                    }
                }
                // "Withdraws on both sides", then of one arm "withdraws weakly": more was said of that
                // side than was understood, and it may be worse. It is left to a person.
                let unclear = old.finding.is_sure()
                    && f.value.is_some()
                    && !f.again
                    && f.is_half_understood();
                if unclear && old.finding.side == f.side {
                    let said = format!(
                        "then {} (phrase {}), not all understood",
                        wording::of(&f, lex),
                        f.id.phrase
                    );
                    self.standing[k].finding.doubts.push(Doubt::SaidDifferently(said));
                }
                // Said again: the clearer of the two stands.
                if (narrower && !unclear) || old.finding.side == f.side {
                    let o = &mut self.standing[k];
                    if !o.phrases.contains(&f.id.phrase) {
                        o.phrases.push(f.id.phrase);
                    }
                    if f.again || item.trials == Trials::Largest {
                        o.trials.push(trial_of(&f, moment.state));
                    }
                    if f.is_sure() && o.finding.side == f.side && o.finding.wording == f.wording {
                        o.finding.doubts.clear();
                    }
                    // Seen once where it cannot be judged and once where it can: the latter counts.
                    if o.finding.side == f.side
                        && old.in_wrong_state(lex)
                        && !wrong_state(&f, moment.state, lex)
                    {
                        o.state = moment.state;
                    }
                    return;
                }
                self.remove(id, f.side, f.id.phrase, Some(f.id), How::Superseded);
                continue;
            }
            // "Pupils three millimetres", and later "pupils reactive": one finding in two phrases.
            if item.trials != Trials::Seen && completes(&old, &f, moment) {
                let o = &mut self.standing[k];
                if !o.phrases.contains(&f.id.phrase) {
                    o.phrases.push(f.id.phrase);
                }
                o.until_ms = o.until_ms.max(moment.until_ms);
                let whole = &mut o.finding;
                if whole.value.is_none() {
                    (whole.value, whole.wording) = (f.value, f.wording);
                }
                if whole.number.is_none() && whole.range.is_none() {
                    (whole.number, whole.range, whole.unit) = (f.number, f.range, f.unit);
                }
                let trial = trial_of(&o.finding, o.state);
                if let Some(last) = o.trials.last_mut() {
                    *last = trial;
                }
                return;
            }
            match counts(&old, &f, moment, lex) {
                Counts::Old(doubt) => {
                    let o = &mut self.standing[k];
                    // What may be about another item is no observation of this one.
                    if is_trial(&f) && (doubt.is_none() || !half_heard(&f)) {
                        o.trials.push(trial_of(&f, moment.state));
                        o.phrases.push(f.id.phrase);
                    }
                    o.finding.doubts.extend(doubt);
                    // Of a finding of both sides, the side that is not decided here is left.
                    match (f.side, o.finding.side.and_then(Side::opposite)) {
                        (Some(Side::Both), Some(rest)) => f.side = Some(rest),
                        _ => return,
                    }
                }
                Counts::New(doubt) => {
                    if is_trial(&old.finding) && is_trial(&f) {
                        trials.extend(old.trials.iter().cloned());
                    }
                    f.doubts.extend(doubt);
                    self.remove(id, f.side, f.id.phrase, Some(f.id), How::Superseded);
                }
            }
        }
        let mut s = fresh(f);
        if !trials.is_empty() {
            trials.append(&mut s.trials);
            s.trials = trials;
        }
        self.standing.push(s);
    }
}

/// Whether two sure findings, made in one state, say a word and a number that do not contradict one
/// another: what one lacks the other says.
fn completes(old: &Standing, new: &Finding, now: Moment) -> bool {
    let was = &old.finding;
    let plain = |f: &Finding| f.status == Status::Observed && f.is_sure() && !f.again;
    let word = was.value.is_none() || new.value.is_none() || was.value == new.value;
    let numeric = |f: &Finding| f.number.is_some() || f.range.is_some();
    let same_number = (was.number, was.range) == (new.number, new.range);
    let number = !numeric(was) || !numeric(new) || same_number;
    let differ = was.value.is_none() != new.value.is_none() || numeric(was) != numeric(new);
    plain(was)
        && plain(new)
        && new.corrects.is_empty()
        && was.side == new.side
        && old.state == now.state
        && old.trials.len() == 1
        && (word && number && differ)
}

/// Which of two findings of an item and side stands, with the doubt it is left with.
enum Counts {
    /// The one said first.
    Old(Option<Doubt>),
    /// The one said last.
    New(Option<Doubt>),
}

fn is_trial(f: &Finding) -> bool {
    f.status != Status::Skipped
}

/// Which of two findings that say different things counts: where what was seen counts, a sign that
/// counts in any state before what reassures; a valid state before one in which the item cannot be judged, then the item's rule.
fn counts(old: &Standing, new: &Finding, now: Moment, lex: &Lexicon) -> Counts {
    let was = &old.finding;
    let item = &lex.items[new.item];
    match (was.status, new.status) {
        (Status::Skipped, _) => return Counts::New(None),
        // Found first, "not done" later: the finding stands, and a person looks.
        (Status::Observed, Status::Skipped) => {
            return Counts::Old(Some(Doubt::SaidDifferently(format!(
                "then said not to be done (phrase {})",
                new.id.phrase
            ))));
        }
        // Tried and then left: why it was left belongs to the trying.
        (Status::NotObtained, Status::Skipped) => return Counts::New(None),
        _ => {}
    }
    let half = was.is_sure() && half_heard(new);
    let then = || {
        Doubt::SaidDifferently(format!("then {} (phrase {})", wording::of(new, lex), new.id.phrase))
    };
    let (a, b) = (counts_in_any_state(was, lex), counts_in_any_state(new, lex));
    if item.trials == Trials::Seen {
        match (a, b) {
            (Some(a), Some(b)) if a > b => return Counts::Old(None),
            (Some(_), Some(_)) if half => return Counts::Old(Some(then())),
            (Some(_), Some(_)) => return Counts::New(None),
            (None, Some(b)) if !half && gives_way(was, b, lex) => return Counts::New(None),
            (Some(a), None) if gives_way(new, a, lex) => return Counts::Old(None),
            _ => {}
        }
    } else if a.is_some_and(|a| b.is_none() && gives_way(new, a, lex)) && !new.again {
        // What lasts cannot be there and then not: one of the two is wrong, and a person decides.
        return Counts::Old(Some(then()));
    }
    match (old.in_wrong_state(lex), wrong_state(new, now.state, lex)) {
        (true, false) => return Counts::New(None),
        // No state hides a sign, save a response that did not come.
        (false, true) if is_sign(new, lex) => return Counts::Old(Some(then())),
        (false, true) => return Counts::Old(None),
        _ => {}
    }
    if was.status == Status::NotObtained {
        // Tried again, and elicited.
        return Counts::New(None);
    }
    if matches!(item.trials, Trials::Best | Trials::Largest) {
        let over = new.status == Status::Observed && counts_over(was, new, lex);
        // What is doubtful takes no place, and is not swallowed where it may be worse.
        let worse = was.is_sure() && !new.is_sure() && !new.again;
        return match over {
            true => Counts::New(None),
            false => Counts::Old(worse.then(then)),
        };
    }
    if half {
        // What may not even be about the item takes no sure finding's place.
        return Counts::Old(Some(then()));
    }
    let doubt = (!new.again).then(|| {
        Doubt::SaidDifferently(format!("{} (phrase {})", wording::of(was, lex), was.id.phrase))
    });
    Counts::New(doubt)
}

/// Whether a finding gives way to a sign of its item that counts in any state, `sign` being that
/// sign's place in the list. What reassures does, and so does what stands above it in the list;
/// another sign further down does not, lest the milder of two hide the graver.
fn gives_way(f: &Finding, sign: usize, lex: &Lexicon) -> bool {
    let item = &lex.items[f.item];
    f.value
        .as_deref()
        .and_then(|v| item.value(v))
        .is_none_or(|k| k < sign || item.values[k].expect == Some(Expect::Expected))
}

/// Whether its value is outside what is expected, and not one of what did not come.
fn is_sign(f: &Finding, lex: &Lexicon) -> bool {
    let item = &lex.items[f.item];
    f.value.as_deref().and_then(|v| item.value(v)).map(|k| &item.values[k]).is_some_and(|v| {
        v.expect == Some(Expect::Outside)
            && !v.concepts.iter().any(|&c| lex.concepts[c].id == "absent")
    })
}

/// Whether the new trial counts over the old by the item's rule.
fn counts_over(old: &Finding, new: &Finding, lex: &Lexicon) -> bool {
    let item = &lex.items[new.item];
    match item.trials {
        Trials::Last | Trials::Seen => true,
        Trials::Largest => {
            let n = |f: &Finding| f.number.or(f.range.map(|r| r.1)).unwrap_or(f64::MIN);
            n(new) >= n(old)
        }
        Trials::Best => {
            let rank =
                |f: &Finding| f.value.as_deref().and_then(|v| item.value(v)).unwrap_or(usize::MAX);
            rank(new) <= rank(old)
        }
    }
}

/// Whether it is doubtful that the finding was said of its item at all.
fn half_heard(f: &Finding) -> bool {
    f.corrects.is_empty()
        && f.doubts.iter().any(|d| {
            matches!(
                d,
                Doubt::MuchNotUnderstood(_)
                    | Doubt::ItemNotNamed
                    | Doubt::SoundsLike(_)
                    | Doubt::Denied(_)
                    | Doubt::Implausible(_)
                    | Doubt::NumberBySound(_)
            )
        })
}

/// Whether a finding made in a state is made in one in which it cannot be judged.
pub fn not_valid_in(f: &Finding, state: Option<usize>, lex: &Lexicon) -> bool {
    f.status != Status::Skipped && wrong_state(f, state, lex)
}

/// Place in the item's list of a value that the lexicon says counts in any state.
fn counts_in_any_state(f: &Finding, lex: &Lexicon) -> Option<usize> {
    let item = &lex.items[f.item];
    f.value.as_deref().and_then(|v| item.value(v)).filter(|&k| item.values[k].any_state)
}

/// Whether the item cannot be judged in that state; of what counts in any state, never.
fn wrong_state(f: &Finding, state: Option<usize>, lex: &Lexicon) -> bool {
    outside_valid_states(f.item, state, lex) && counts_in_any_state(f, lex).is_none()
}

fn outside_valid_states(item: ItemId, state: Option<usize>, lex: &Lexicon) -> bool {
    let valid = &lex.items[item].valid_states;
    state.is_some_and(|s| !valid.is_empty() && !valid.contains(&s))
}

impl Standing {
    /// Whether it was made in a state in which its item cannot be judged. A state nobody said is
    /// not a wrong one, and a sign that counts in any state is never in a wrong one.
    pub fn in_wrong_state(&self, lex: &Lexicon) -> bool {
        wrong_state(&self.finding, self.state, lex)
    }

    /// Whether it was made in none of the states the lexicon gives for its item, whatever it is.
    pub fn outside_valid_states(&self, lex: &Lexicon) -> bool {
        outside_valid_states(self.finding.item, self.state, lex)
    }
}
