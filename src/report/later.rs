//! What was added to an exam after it was signed: findings corrected or entered late, by signed
//! entries of their own.
//!
//! The signed note is never changed, and `note` prints it first. Whoever works with the findings as
//! data must not be handed one that its author has corrected since: tables and documents are made
//! from the exam with such entries applied, each finding marked with what was added to it.

use chrono::{DateTime, FixedOffset};

use crate::exam::build::check_chosen;
use crate::exam::{Exam, Standing, Trial};
use crate::journal::{Addendum, Entry, Form, Line};
use crate::lexicon::Lexicon;
use crate::reading::types::{Finding, FindingId};

/// One signed entry, with the finding it speaks of.
#[derive(Debug, Clone, PartialEq)]
pub struct Later {
    /// Its entry in the journal.
    pub seq: u64,
    /// When it was written.
    pub wall: DateTime<FixedOffset>,
    /// What it says.
    pub added: Addendum,
    /// The finding it speaks of, or makes.
    pub finding: Option<FindingId>,
    /// The finding as it was signed, where the entry puts another in its place.
    pub was: Option<Finding>,
}

impl Later {
    /// The word for its kind, as exports write it.
    pub fn word(&self) -> &'static str {
        match self.added.form {
            Form::Addendum => "addendum",
            Form::LateEntry => "late-entry",
            Form::Correction => "correction",
        }
    }
}

/// The last entry that speaks of a finding.
pub fn of(list: &[Later], id: FindingId) -> Option<&Later> {
    list.iter().rfind(|l| l.finding == Some(id))
}

/// The exam with the findings of later entries in place, and those entries.
pub fn applied(x: &Exam, lines: &[Line], lex: &Lexicon) -> (Exam, Vec<Later>) {
    let mut x = x.clone();
    let mut out = Vec::new();
    for line in lines {
        let Entry::Addendum(added) = &line.entry else { continue };
        let about = added.about.map(|t| FindingId { phrase: t.phrase, index: t.index });
        let mut later = Later {
            seq: line.seq,
            wall: line.wall,
            added: added.as_ref().clone(),
            finding: about,
            was: None,
        };
        if let Some(c) = &added.finding
            && let Ok((item, side, status)) = check_chosen(c, lex)
        {
            let of_number = lex.items[item].number.as_ref().map(|n| lex.units[n.unit].id.clone());
            let id = about.unwrap_or(FindingId { phrase: line.seq, index: 1 });
            let old = x.findings.iter().position(|s| s.finding.id == id);
            let at_ms = old.map_or(x.end_ms, |k| x.findings[k].finding.at_ms);
            let finding = Finding {
                id,
                item,
                side,
                status,
                value: c.value.clone(),
                wording: None,
                number: c.number,
                range: c.low.zip(c.high),
                unit: of_number.filter(|_| c.number.is_some() || c.low.is_some()),
                reason: None,
                doubts: Vec::new(),
                why: format!("{} by {}", added.form.words(), added.who),
                corrects: Vec::new(),
                again: false,
                at_ms,
            };
            later.finding = Some(id);
            match old {
                Some(k) => {
                    later.was = Some(x.findings[k].finding.clone());
                    let s = &mut x.findings[k];
                    s.trials = vec![one_trial(&finding, s.state)];
                    s.settled_by = Some(added.who.clone());
                    s.finding = finding;
                }
                None => x.findings.push(Standing {
                    trials: vec![one_trial(&finding, None)],
                    state: None,
                    phrases: Vec::new(),
                    line: None,
                    until_ms: at_ms,
                    settled_by: Some(added.who.clone()),
                    settled_in: None,
                    finding,
                }),
            }
        }
        out.push(later);
    }
    x.findings.sort_by_key(|s| (s.finding.item, s.finding.side, s.finding.at_ms, s.finding.id));
    (x, out)
}

fn one_trial(f: &Finding, state: Option<usize>) -> Trial {
    Trial {
        id: f.id,
        value: f.value.clone(),
        number: f.number,
        range: f.range,
        status: f.status,
        at_ms: f.at_ms,
        state,
    }
}
