//! How many items came to what, domain by domain.
//!
//! An item is counted once, under what weighs most: an item outside on one side and expected on
//! the other is outside. What was not looked at is never counted as expected.

use serde::Serialize;

use super::expect::{Grade, Graded, Ungraded};
use crate::exam::{Exam, Standing};
use crate::lexicon::model::{ItemId, Lexicon, Need};
use crate::reading::types::{Side, Status};

/// What an item came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CameTo {
    /// As expected, on every side.
    Expected,
    /// Found, and not compared with anything.
    Ungraded,
    /// Found on one side; nothing is known of the other.
    OneSide,
    /// A person still has to decide.
    Unsettled,
    /// Found in a state in which it cannot be judged.
    Invalid,
    /// Nothing was found.
    Missing,
    /// Borderline.
    Borderline,
    /// Outside.
    Outside,
}

/// How many items came to what.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
#[serde(rename_all = "snake_case")]
pub struct Counts {
    /// As expected on every side.
    pub expected: usize,
    /// Borderline on a side, and outside on none.
    pub borderline: usize,
    /// Outside on a side.
    pub outside: usize,
    /// Found, and not compared with anything.
    pub ungraded: usize,
    /// Found in a state in which they cannot be judged.
    pub invalid: usize,
    /// A person still has to decide.
    pub unsettled: usize,
    /// Found on one side only, and there not borderline or outside.
    pub one_side: usize,
    /// Nothing was found, by no word or with a reason.
    pub missing: usize,
}

impl Counts {
    fn add(&mut self, s: CameTo) {
        *match s {
            CameTo::Expected => &mut self.expected,
            CameTo::Ungraded => &mut self.ungraded,
            CameTo::OneSide => &mut self.one_side,
            CameTo::Unsettled => &mut self.unsettled,
            CameTo::Invalid => &mut self.invalid,
            CameTo::Missing => &mut self.missing,
            CameTo::Borderline => &mut self.borderline,
            CameTo::Outside => &mut self.outside,
        } += 1;
    }

    /// All items counted.
    pub fn items(&self) -> usize {
        let Counts { expected, borderline, outside, .. } = self;
        let Counts { ungraded, invalid, unsettled, one_side, missing, .. } = self;
        expected + borderline + outside + ungraded + invalid + unsettled + one_side + missing
    }

    /// The counts with their words, those of no item left out.
    pub fn told(&self) -> Vec<(usize, &'static str)> {
        [
            (self.outside, "outside"),
            (self.borderline, "borderline"),
            (self.expected, "as expected"),
            (self.ungraded, "recorded and not graded"),
            (self.invalid, "not valid as examined"),
            (self.unsettled, "unsettled"),
            (self.one_side, "on one side only"),
            (self.missing, "not assessed"),
        ]
        .into_iter()
        .filter(|(n, _)| *n > 0)
        .collect()
    }
}

/// One domain: a section of the lexicon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Domain {
    /// Section, index into the lexicon's sections.
    pub section: usize,
    /// Its items.
    pub counts: Counts,
}

/// The exam by domain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Summary {
    /// Domains with an item, in examination order.
    pub domains: Vec<Domain>,
    /// All of them together.
    pub all: Counts,
}

impl Summary {
    /// The overall line. It counts, and concludes nothing.
    pub fn line(&self) -> String {
        let n = self.all.items();
        let told: Vec<String> = self
            .all
            .told()
            .iter()
            .map(|(k, what)| match *what {
                "not assessed" => format!("{k} of {n} items not assessed"),
                _ => format!("{k} {what}"),
            })
            .collect();
        match n {
            0 => "no item was asked for, and none was found".into(),
            1 => format!("1 item: {}", told.join(", ")),
            _ => format!("{n} items: {}", told.join(", ")),
        }
    }
}

/// Counts the items the protocol requires and those found beside them.
pub fn summary(exam: &Exam, graded: &Graded, lex: &Lexicon) -> Summary {
    let protocol = lex.protocol(exam.header.protocol.as_deref());
    let required = |item: ItemId| {
        protocol.is_some_and(|p| p.items.iter().any(|(i, n, _)| *i == item && *n == Need::Required))
    };
    let found = |item: ItemId| exam.of(item).any(|s| s.finding.status != Status::Skipped);
    let mut out = Summary { domains: Vec::new(), all: Counts::default() };
    for item in (0..lex.items.len()).filter(|&i| required(i) || found(i)) {
        let came_to = of_item(exam, graded, lex, item);
        let section = lex.items[item].section;
        out.all.add(came_to);
        match out.domains.iter_mut().find(|d| d.section == section) {
            Some(d) => d.counts.add(came_to),
            None => {
                let mut counts = Counts::default();
                counts.add(came_to);
                out.domains.push(Domain { section, counts });
            }
        }
    }
    out.domains.sort_by_key(|d| d.section);
    out
}

fn of_item(exam: &Exam, graded: &Graded, lex: &Lexicon, item: ItemId) -> CameTo {
    if lex.state_item == Some(item) && !exam.states.is_empty() && exam.of(item).next().is_none() {
        // The state is kept as a track, which is compared with nothing.
        return CameTo::Ungraded;
    }
    let sides: &[Option<Side>] = match lex.items[item].sided {
        true => &[Some(Side::Left), Some(Side::Right)],
        false => &[None],
    };
    let at: Vec<CameTo> = sides.iter().map(|&side| at_place(exam, graded, item, side)).collect();
    let worst = at.iter().copied().max().unwrap_or(CameTo::Missing);
    match worst {
        CameTo::Missing if at.iter().any(|s| *s != CameTo::Missing) => {
            // What is there may have a trouble of its own, which then tells more.
            let rest = at.iter().copied().filter(|s| *s != CameTo::Missing).max();
            rest.filter(|r| *r > CameTo::OneSide).unwrap_or(CameTo::OneSide)
        }
        w => w,
    }
}

fn at_place(exam: &Exam, graded: &Graded, item: ItemId, side: Option<Side>) -> CameTo {
    let of = |s: &Standing, g: Option<&Grade>| {
        if !s.finding.is_sure() {
            return CameTo::Unsettled;
        }
        match (s.finding.status, g) {
            (Status::Skipped, _) => CameTo::Missing,
            (_, Some(Grade::Expected)) => CameTo::Expected,
            (_, Some(Grade::Borderline)) => CameTo::Borderline,
            (_, Some(Grade::Outside)) => CameTo::Outside,
            (_, Some(Grade::Ungraded(Ungraded::WrongState))) => CameTo::Invalid,
            (_, Some(Grade::Ungraded(Ungraded::Unsettled))) => CameTo::Unsettled,
            (_, Some(Grade::Ungraded(_)) | None) => CameTo::Ungraded,
        }
    };
    let here = exam.findings.iter().enumerate().filter(|(_, s)| {
        let f = &s.finding;
        // A side that was not said may be this one.
        f.item == item && (f.covers(side) || f.side == Some(Side::Unstated))
    });
    here.map(|(k, s)| of(s, graded.grades.get(k))).max().unwrap_or(CameTo::Missing)
}
