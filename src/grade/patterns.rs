//! Groups of findings held against each other, such as upper against lower limbs.
//!
//! Which findings belong to which group, and whether a value is less or more than usual, stands in
//! the lexicon. A pattern is told, not graded, and lists every finding it rests on.

use crate::exam::Exam;
use crate::lexicon::model::{ItemId, Lexicon};
use crate::reading::types::{FindingId, Status};

/// A finding a pattern rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fed {
    /// The finding.
    pub finding: FindingId,
    /// Its item.
    pub item: ItemId,
    /// -1 less than usual, 0 usual, 1 more.
    pub level: i8,
}

/// How the first group stands to the second.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Against {
    /// All of the first is less than all of the second.
    Less,
    /// All of the first is more than all of the second.
    More,
    /// All the findings of both are on one level.
    Same,
    /// The groups overlap.
    Mixed,
    /// One of them has no finding that counts, or a finding of an item of theirs is not settled and may
    /// turn it.
    Unknown,
}

/// A pattern as found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    /// Index into [`Lexicon::patterns`].
    pub pattern: usize,
    /// How the groups stand to each other.
    pub against: Against,
    /// The findings of the first group, then of the second.
    pub fed: [Vec<Fed>; 2],
    /// Items of each group without a finding that counts: not done, not settled, in a wrong state,
    /// or said in a way that tells no level.
    pub missing: [Vec<ItemId>; 2],
}

/// All patterns of the lexicon, those without a finding too.
pub fn patterns(exam: &Exam, lex: &Lexicon) -> Vec<Pattern> {
    lex.patterns
        .iter()
        .enumerate()
        .map(|(k, p)| {
            let mut fed = [Vec::new(), Vec::new()];
            let mut missing = [Vec::new(), Vec::new()];
            for (group, parts) in p.parts.iter().enumerate() {
                for part in parts {
                    let before = fed[group].len();
                    let counts = exam.of(part.item).filter(|s| {
                        s.finding.is_sure()
                            && s.finding.status == Status::Observed
                            && !s.in_wrong_state(lex)
                    });
                    for s in counts {
                        let value = s.finding.value.as_deref();
                        let level = value
                            .and_then(|v| lex.items[part.item].value(v))
                            .and_then(|v| part.levels[v]);
                        if let Some(level) = level {
                            fed[group].push(Fed { finding: s.finding.id, item: part.item, level });
                        }
                    }
                    if fed[group].len() == before {
                        missing[group].push(part.item);
                    }
                }
            }
            let mut items = p.parts.iter().flatten().map(|part| part.item);
            let against = match items.any(|i| exam.of(i).any(|s| !s.finding.is_sure())) {
                true => Against::Unknown,
                false => against(&fed),
            };
            Pattern { pattern: k, against, fed, missing }
        })
        .collect()
}

fn against(fed: &[Vec<Fed>; 2]) -> Against {
    let ends = |list: &[Fed]| {
        let levels = || list.iter().map(|f| f.level);
        levels().min().zip(levels().max())
    };
    let (Some((a, b)), Some((c, d))) = (ends(&fed[0]), ends(&fed[1])) else {
        return Against::Unknown;
    };
    if b < c {
        Against::Less
    } else if a > d {
        Against::More
    } else if a == b && b == c && c == d {
        Against::Same
    } else {
        Against::Mixed
    }
}
