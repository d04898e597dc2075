//! The shape of a scale file, exactly as written in TOML. One file holds one scale.

use serde::Deserialize;
use toml::Spanned;

use crate::lexicon::schema::{Source, Text};

/// A scale file.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct File {
    /// What the scale is.
    pub scale: Head,
    /// How a sum is read; for `method = "sum"` and nothing else.
    pub sum: Option<Sum>,
    /// How categories are counted; for `method = "count"` and nothing else.
    pub count: Option<Count>,
    /// When the scale holds at all.
    #[serde(default)]
    pub gate: Vec<Gate>,
    /// Parts of a sum, or the categories that are counted.
    #[serde(default)]
    pub group: Vec<Group>,
    /// What is scored.
    #[serde(default)]
    pub sign: Vec<Sign>,
    /// Sources this file names beside those of the lexicon.
    #[serde(default)]
    pub source: Vec<Source>,
}

/// `[scale]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// Id, used in the journal and in exports.
    pub id: Text,
    /// Name for people.
    pub name: String,
    /// How the signs come to a result.
    pub method: Spanned<Method>,
    /// Source id.
    pub source: Text,
    /// Whether the source was read for these very rows.
    pub verified: bool,
    /// What whoever reads the result must know.
    #[serde(default)]
    pub notes: Vec<String>,
    /// Protocols in whose note the result always stands.
    #[serde(default)]
    pub protocols: Vec<Text>,
    /// Scored anew at each of these times since birth; such a scale takes entered values only.
    #[serde(default)]
    pub times: Vec<Spanned<u32>>,
    /// Unit printed behind a time.
    #[serde(default)]
    pub time_unit: String,
}

/// How the signs come to a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// The scores are added.
    Sum,
    /// The worst score of each category is its level; categories with a level are counted.
    Count,
}

/// `[sum]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sum {
    /// Whether a total may be entered where its parts are not known.
    #[serde(default)]
    pub total_given: bool,
    /// What the total stands for.
    pub result: Option<Derived>,
    /// Names of stretches of the total, bounds inclusive.
    #[serde(default)]
    pub band: Vec<Band>,
}

/// `[sum.result]`: what a total stands for, by a published table. Between two rows of the table
/// the value lies on the straight line; beyond its ends there is none.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Derived {
    /// Name for people.
    pub name: String,
    /// Printed behind the value.
    pub unit: String,
    /// Decimals printed.
    pub decimals: u8,
    /// Rows `[total, value]`, totals ascending.
    pub table: Spanned<Vec<(i32, f64)>>,
}

/// `[[sum.band]]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Band {
    /// Smallest total.
    pub from: Spanned<i32>,
    /// Largest total.
    pub to: i32,
    /// Its name.
    pub say: String,
    /// Source, when it differs from the scale's.
    pub source: Option<Text>,
    /// As the scale's.
    pub verified: Option<bool>,
}

/// `[count]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Count {
    /// Names of the levels from 0 on; level 0 is no sign.
    pub levels: Spanned<Vec<String>>,
    /// Categories with a level above 0 that meet the criteria.
    pub needed: Spanned<usize>,
    /// Group whose level decides when two levels have as many categories.
    pub tie: Option<Text>,
    /// What is said when the criteria are not met.
    pub unmet: String,
    /// A sign that suffices alone.
    pub alone: Option<Alone>,
}

/// `[count.alone]`: a sign that suffices alone. The result is at least the level it gives.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Alone {
    /// Sign; it belongs to no group.
    pub sign: Text,
    /// Score from which on it suffices.
    pub from: i32,
    /// Name of the level it gives.
    pub gives: Text,
}

/// A fact a gate looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fact {
    /// Hours from birth to the start of the exam.
    AgeHours,
    /// Gestational age at birth, weeks and fractions of weeks.
    GestationWeeks,
    /// Postmenstrual age at the exam, weeks and fractions of weeks.
    PostmenstrualWeeks,
}

/// What a gate that does not hold does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Effect {
    /// No result is given.
    Refuse,
    /// The result is given, and the gate is said beside it.
    Flag,
}

/// `[[gate]]`: when the scale holds. Bounds inclusive.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gate {
    /// What it looks at.
    pub fact: Spanned<Fact>,
    /// Smallest number.
    pub at_least: Option<f64>,
    /// Largest number.
    pub at_most: Option<f64>,
    /// What happens outside.
    pub effect: Effect,
    /// Looked at only where the result that the total stands for may lie below this.
    pub result_below: Option<f64>,
    /// The rule, for people.
    pub say: String,
    /// Source, when it differs from the scale's.
    pub source: Option<Text>,
    /// As the scale's.
    pub verified: Option<bool>,
}

/// `[[group]]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Group {
    /// Id, used by signs.
    pub id: Text,
    /// Name for people.
    pub name: String,
}

/// Which side counts where two were found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sides {
    /// The side with the lower score.
    Lower,
    /// The side with the higher score.
    Higher,
    /// The left.
    Left,
    /// The right.
    Right,
    /// No rule: the result is given for either side.
    Either,
}

impl Sides {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Sides::Lower => "the lower",
            Sides::Higher => "the higher",
            Sides::Left => "the left",
            Sides::Right => "the right",
            Sides::Either => "either",
        }
    }
}

/// `[[sign]]`: one thing scored, from a finding, from an entered value, or both.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sign {
    /// Id, used to enter a value.
    pub id: Text,
    /// Name for people.
    pub name: String,
    /// Group it belongs to.
    pub group: Option<Text>,
    /// Item of the lexicon whose finding feeds it.
    pub item: Option<Text>,
    /// Which side counts; needed where the item has sides.
    pub sides: Option<Spanned<Sides>>,
    /// Whether one side examined is enough.
    #[serde(default)]
    pub one_side_enough: bool,
    /// Whether a person may enter its score; a sign without an item always takes one.
    #[serde(default)]
    pub entered: bool,
    /// What whoever reads the score must know.
    #[serde(default)]
    pub note: String,
    /// Findings of other items that may show the sign, too.
    #[serde(default)]
    pub also: Vec<Also>,
    /// Its scores.
    #[serde(default)]
    pub score: Vec<Score>,
}

/// `[[sign.also]]`: findings of another item that may show the sign although its own item says
/// otherwise or nothing. They can raise the score, and never lower it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Also {
    /// Item.
    pub item: Text,
    /// Values of it.
    pub values: Vec<Text>,
    /// Scores that such a finding leaves possible.
    pub scores: Spanned<Vec<i32>>,
}

/// `[[sign.score]]`: a score and what it stands for. A value or number that stands in several rows
/// does not tell them apart, and leaves all of them possible.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Score {
    /// The score.
    pub score: Spanned<i32>,
    /// What it stands for.
    pub say: String,
    /// Only for this sex.
    pub sex: Option<crate::journal::Sex>,
    /// Values of the item.
    #[serde(default)]
    pub values: Vec<Text>,
    /// Numbers of the item.
    #[serde(default)]
    pub numbers: Vec<Spanned<Numbers>>,
    /// Whether "tried and not elicited" scores this.
    #[serde(default)]
    pub not_elicited: bool,
    /// Source, when it differs from the scale's.
    pub source: Option<Text>,
    /// As the scale's.
    pub verified: Option<bool>,
}

/// A stretch of numbers.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Numbers {
    /// This very number.
    pub at: Option<f64>,
    /// Smallest, inclusive.
    pub from: Option<f64>,
    /// Largest, inclusive.
    pub to: Option<f64>,
    /// Larger than this.
    pub above: Option<f64>,
    /// Smaller than this.
    pub below: Option<f64>,
}

impl Numbers {
    /// Whether a number between `low` and `high`, both inclusive, can lie in this stretch.
    pub fn meets(&self, low: f64, high: f64) -> bool {
        self.at.is_none_or(|n| low <= n && n <= high)
            && self.from.is_none_or(|n| high >= n)
            && self.to.is_none_or(|n| low <= n)
            && self.above.is_none_or(|n| high > n)
            && self.below.is_none_or(|n| low < n)
    }

    /// Whether no number at all lies in it, or every number does.
    pub fn is_senseless(&self) -> bool {
        let open = [self.at, self.from, self.to, self.above, self.below];
        let low = self.from.into_iter().chain(self.above).fold(f64::NEG_INFINITY, f64::max);
        let high = self.to.into_iter().chain(self.below).fold(f64::INFINITY, f64::min);
        let bounded = open.iter().skip(1).any(Option::is_some);
        let strict = self.above.is_some() || self.below.is_some();
        open.iter().all(Option::is_none)
            || open.iter().flatten().any(|n| !n.is_finite())
            || (self.at.is_some() && bounded)
            || low > high
            || (strict && low >= high)
    }
}
