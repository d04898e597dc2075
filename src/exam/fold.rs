//! Readings, one after the other, to the findings that stand at the end.
//!
//! Corrections, strikes, trials and repeats are settled here. Nothing is thrown away: what no
//! longer stands is kept with what replaced it.

use crate::lexicon::model::{ItemId, Lexicon};
use crate::lexicon::schema::Trials;
use crate::reading::types::{Doubt, Finding, FindingId, Reading, Side, Status};

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

fn trial_of(f: &Finding) -> Trial {
    Trial {
        id: f.id,
        value: f.value.clone(),
        number: f.number,
        range: f.range,
        status: f.status,
        at_ms: f.at_ms,
    }
}

fn shown(f: &Finding) -> String {
    let number = match (f.number, f.range) {
        (Some(n), _) => Some(n.to_string()),
        (_, Some((a, b))) => Some(format!("{a} to {b}")),
        _ => None,
    };
    let parts: Vec<String> = f.value.iter().cloned().chain(number).collect();
    if parts.is_empty() { f.status.word().replace('_', " ") } else { parts.join(" ") }
}

impl Fold {
    /// Takes in one reading.
    pub fn take(&mut self, reading: &Reading, moment: Moment, lex: &Lexicon) {
        for s in &reading.strikes {
            self.remove(s.target, s.side, s.target.phrase, None, How::Struck);
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
            trials: vec![trial_of(&f)],
            state: moment.state,
            phrases: vec![f.id.phrase],
            line: moment.line,
            until_ms: moment.until_ms,
            settled_by: None,
            settled_in: None,
            finding: f,
        };
        // Two sides whose names were not said stand beside each other when said in one phrase.
        let pair_in_phrase = |s: &Standing| {
            s.finding.id.phrase == f.id.phrase && f.doubts.contains(&Doubt::SidesNotNamed)
        };
        let mut ids = self.overlapping(f.item, f.side);
        ids.retain(|id| !self.standing.iter().any(|s| s.finding.id == *id && pair_in_phrase(s)));
        let mut trials: Vec<Trial> = Vec::new();
        for id in ids {
            let Some(k) = self.standing.iter().position(|s| s.finding.id == id) else { continue };
            let old = self.standing[k].clone();
            let narrower = old.finding.side == Some(Side::Both) && f.side != Some(Side::Both);
            if old.finding.same_value(&f) {
                // Said again: the clearer of the two stands.
                if narrower || old.finding.side == f.side {
                    let o = &mut self.standing[k];
                    if !o.phrases.contains(&f.id.phrase) {
                        o.phrases.push(f.id.phrase);
                    }
                    if f.again || item.trials == Trials::Largest {
                        o.trials.push(trial_of(&f));
                    }
                    if f.is_sure() && o.finding.side == f.side {
                        o.finding.doubts.clear();
                    }
                    return;
                }
                self.remove(id, f.side, f.id.phrase, Some(f.id), How::Superseded);
                continue;
            }
            match (old.finding.status, f.status) {
                (Status::Observed, Status::Skipped) => {
                    // Found first, "not done" later: the finding stands, and a person looks.
                    self.standing[k].finding.doubts.push(Doubt::SaidDifferently(format!(
                        "then said not to be done (phrase {})",
                        f.id.phrase
                    )));
                    return;
                }
                (Status::Observed, Status::Observed) => {
                    let trial = f.again || item.trials != Trials::Last;
                    if trial {
                        trials.extend(old.trials.iter().cloned());
                        if !self.counts_over(&old.finding, &f, lex) {
                            let o = &mut self.standing[k];
                            o.trials.push(trial_of(&f));
                            o.phrases.push(f.id.phrase);
                            return;
                        }
                    } else if judged_in_wrong_state(&old, moment, lex) {
                    } else if old.finding.is_sure() && half_heard(&f) {
                        // What may not even be about the item takes no sure finding's place.
                        let said = format!("then {} (phrase {})", shown(&f), f.id.phrase);
                        self.standing[k].finding.doubts.push(Doubt::SaidDifferently(said));
                        return;
                    } else {
                        f.doubts.push(Doubt::SaidDifferently(format!(
                            "{} (phrase {})",
                            shown(&old.finding),
                            old.finding.id.phrase
                        )));
                    }
                    self.remove(id, f.side, f.id.phrase, Some(f.id), How::Superseded);
                }
                _ => {
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

    /// Whether the new trial counts over the old by the item's rule.
    fn counts_over(&self, old: &Finding, new: &Finding, lex: &Lexicon) -> bool {
        let item = &lex.items[new.item];
        match item.trials {
            Trials::Last => true,
            Trials::Largest => {
                let n = |f: &Finding| f.number.or(f.range.map(|r| r.1)).unwrap_or(f64::MIN);
                n(new) >= n(old)
            }
            Trials::Best => {
                let rank = |f: &Finding| {
                    f.value.as_deref().and_then(|v| item.value(v)).unwrap_or(usize::MAX)
                };
                rank(new) <= rank(old)
            }
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

/// Whether the old finding was made in a state in which its item cannot be judged, and the new one
/// in one in which it can.
fn judged_in_wrong_state(old: &Standing, now: Moment, lex: &Lexicon) -> bool {
    old.in_wrong_state(lex) && !wrong_state(old.finding.item, now.state, lex)
}

/// Whether a finding made in a state is made in one in which it cannot be judged.
pub fn not_valid_in(f: &Finding, state: Option<usize>, lex: &Lexicon) -> bool {
    f.status != Status::Skipped && wrong_state(f.item, state, lex) && !counts_in_any_state(f, lex)
}

/// Whether the finding's value is one the lexicon says counts in any state.
fn counts_in_any_state(f: &Finding, lex: &Lexicon) -> bool {
    let item = &lex.items[f.item];
    f.value.as_deref().and_then(|v| item.value(v)).is_some_and(|k| item.values[k].any_state)
}

fn wrong_state(item: ItemId, state: Option<usize>, lex: &Lexicon) -> bool {
    let valid = &lex.items[item].valid_states;
    state.is_some_and(|s| !valid.is_empty() && !valid.contains(&s))
}

impl Standing {
    /// Whether it was made in a state in which its item cannot be judged. A state nobody said is
    /// not a wrong one, and a sign that counts in any state is never in a wrong one.
    pub fn in_wrong_state(&self, lex: &Lexicon) -> bool {
        self.outside_valid_states(lex) && !counts_in_any_state(&self.finding, lex)
    }

    /// Whether it was made in none of the states the lexicon gives for its item, whatever it is.
    pub fn outside_valid_states(&self, lex: &Lexicon) -> bool {
        wrong_state(self.finding.item, self.state, lex)
    }
}
