//! A scale as the engine uses it: ids resolved, sources looked up.

use super::schema::{Effect, Fact, Numbers, Sides};
use crate::journal::Sex;
use crate::lexicon::ItemId;

/// A published scale.
#[derive(Debug, Clone)]
pub struct Scale {
    /// Id.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// What it rests on.
    pub cited: Cited,
    /// What whoever reads the result must know.
    pub notes: Vec<String>,
    /// Ids of the protocols in whose note the result always stands.
    pub protocols: Vec<String>,
    /// Times since birth at which it is scored anew; empty: once an exam.
    pub times: Vec<u32>,
    /// Unit of the times.
    pub time_unit: String,
    /// How the signs come to a result.
    pub rule: Rule,
    /// When it holds.
    pub gates: Vec<Gate>,
    /// Parts of the sum, or categories.
    pub groups: Vec<Group>,
    /// What is scored.
    pub signs: Vec<Sign>,
}

/// A source in full.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cited {
    /// The publication.
    pub cite: String,
    /// Whether it was read for this very claim.
    pub verified: bool,
}

impl std::fmt::Display for Cited {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let review = if self.verified { "" } else { " (needs clinician review)" };
        write!(f, "{}{review}", self.cite)
    }
}

/// How signs come to a result.
#[derive(Debug, Clone)]
pub enum Rule {
    /// The scores are added.
    Sum(Sum),
    /// Categories with a level are counted.
    Count(Count),
}

/// How a sum is read.
#[derive(Debug, Clone)]
pub struct Sum {
    /// Whether a total may be entered.
    pub total_given: bool,
    /// What the total stands for.
    pub derived: Option<Derived>,
    /// Names of stretches of the total.
    pub bands: Vec<Band>,
}

/// What a total stands for.
#[derive(Debug, Clone)]
pub struct Derived {
    /// Name for people.
    pub name: String,
    /// Printed behind the value.
    pub unit: String,
    /// Decimals printed.
    pub decimals: u8,
    /// Rows of total and value, totals ascending, at least two.
    pub table: Vec<(i32, f64)>,
}

/// A named stretch of the total, bounds inclusive.
#[derive(Debug, Clone)]
pub struct Band {
    /// Smallest total.
    pub from: i32,
    /// Largest total.
    pub to: i32,
    /// Name.
    pub say: String,
    /// What it rests on.
    pub cited: Cited,
}

/// How categories are counted.
#[derive(Debug, Clone)]
pub struct Count {
    /// Names of the levels; level 0 is no sign.
    pub levels: Vec<String>,
    /// Categories with a level above 0 that meet the criteria.
    pub needed: usize,
    /// Group that decides a tie.
    pub tie: Option<usize>,
    /// What is said when the criteria are not met.
    pub unmet: String,
    /// Sign that suffices alone: its index, the score from which on, the level it gives.
    pub alone: Option<(usize, i32, usize)>,
}

/// When a scale holds.
#[derive(Debug, Clone)]
pub struct Gate {
    /// What it looks at.
    pub fact: Fact,
    /// Smallest number, inclusive.
    pub at_least: Option<f64>,
    /// Largest number, inclusive.
    pub at_most: Option<f64>,
    /// What happens outside.
    pub effect: Effect,
    /// Looked at only where the derived result may lie below this.
    pub result_below: Option<f64>,
    /// The rule, for people.
    pub say: String,
    /// What it rests on.
    pub cited: Cited,
}

/// A part of a sum, or a category.
#[derive(Debug, Clone)]
pub struct Group {
    /// Id.
    pub id: String,
    /// Name for people.
    pub name: String,
}

/// One thing scored.
#[derive(Debug, Clone)]
pub struct Sign {
    /// Id.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// Index of its group.
    pub group: Option<usize>,
    /// Item whose finding feeds it.
    pub item: Option<ItemId>,
    /// Which side counts; absent where the item has none.
    pub sides: Option<Sides>,
    /// Whether one side examined is enough.
    pub one_side_enough: bool,
    /// Whether a person may enter its score.
    pub entered: bool,
    /// What whoever reads the score must know; may be empty.
    pub note: String,
    /// Rows, scores ascending; a score may stand in one row for each sex.
    pub rows: Vec<Row>,
    /// Findings of other items that can raise the score.
    pub also: Vec<Also>,
}

/// Findings of another item that may show a sign.
#[derive(Debug, Clone)]
pub struct Also {
    /// Item.
    pub item: ItemId,
    /// Value codes of it.
    pub values: Vec<String>,
    /// Scores they leave possible, ascending.
    pub scores: Vec<i32>,
}

/// A score and what it stands for.
#[derive(Debug, Clone)]
pub struct Row {
    /// The score.
    pub score: i32,
    /// What it stands for.
    pub say: String,
    /// Only for this sex.
    pub sex: Option<Sex>,
    /// Value codes of the item.
    pub values: Vec<String>,
    /// Numbers of the item.
    pub numbers: Vec<Numbers>,
    /// Whether "tried and not elicited" scores this.
    pub not_elicited: bool,
    /// What it rests on.
    pub cited: Cited,
}

impl Sign {
    /// Rows that apply to a subject of that sex; of an unknown sex, all.
    pub fn rows(&self, sex: Option<Sex>) -> impl Iterator<Item = &Row> {
        self.rows.iter().filter(move |r| r.sex.is_none() || sex.is_none() || r.sex == sex)
    }

    /// Every score it can have, ascending.
    pub fn scores(&self, sex: Option<Sex>) -> Vec<i32> {
        let mut all: Vec<i32> = self.rows(sex).map(|r| r.score).collect();
        all.sort_unstable();
        all.dedup();
        all
    }
}

impl Scale {
    /// The sign of that id.
    pub fn sign(&self, id: &str) -> Option<usize> {
        self.signs.iter().position(|s| s.id == id)
    }

    /// Times at which it is scored; one `None` for a scale scored once an exam.
    pub fn occasions(&self) -> Vec<Option<u32>> {
        match self.times.is_empty() {
            true => vec![None],
            false => self.times.iter().copied().map(Some).collect(),
        }
    }

    /// Names of the results of a counted scale, the unmet first; none for a sum.
    pub fn outcomes(&self) -> Vec<&str> {
        match &self.rule {
            Rule::Sum(_) => Vec::new(),
            Rule::Count(c) => std::iter::once(c.unmet.as_str())
                .chain(c.levels.iter().skip(1).map(String::as_str))
                .collect(),
        }
    }
}
