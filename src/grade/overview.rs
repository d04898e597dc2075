//! What an exam comes to as a whole: its scales, and its findings counted by domain.

use super::expect::Graded;
use super::scales::{Scale, Scored, score_all};
use super::summary::{Summary, summary};
use crate::exam::Exam;
use crate::lexicon::Lexicon;

/// Scales and counts of an exam.
#[derive(Debug, Clone)]
pub struct Overview {
    /// The scales, as loaded.
    pub scales: Vec<Scale>,
    /// Each of them, at each of its times.
    pub scored: Vec<Scored>,
    /// Findings by domain.
    pub summary: Summary,
}

impl Overview {
    /// Holds the scales against an exam, and counts its findings.
    pub fn new(scales: Vec<Scale>, exam: &Exam, graded: &Graded, lex: &Lexicon) -> Self {
        let scored = score_all(&scales, exam, &graded.ages, lex);
        Overview { scored, summary: summary(exam, graded, lex), scales }
    }

    /// The scales that belong in the note: those the protocol asks for, those somebody entered a
    /// value for, and those that meet their criteria whatever is missing.
    pub fn in_note<'a>(
        &'a self,
        exam: &'a Exam,
        lex: &'a Lexicon,
    ) -> impl Iterator<Item = &'a Scored> {
        let protocol = lex.protocol(exam.header.protocol.as_deref()).map(|p| p.id.as_str());
        self.scored.iter().filter(move |s| {
            let scale = &self.scales[s.scale];
            let asked = protocol.is_some_and(|p| scale.protocols.iter().any(|x| x == p));
            let entered = exam.inputs.iter().any(|i| i.scale == scale.id && i.at == s.at);
            (asked && s.at.is_none()) || entered || s.meets(scale)
        })
    }
}
