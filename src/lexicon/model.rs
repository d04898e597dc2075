//! The lexicon as the other rooms use it: ids resolved, phrases expanded.

use std::collections::BTreeMap;

use super::files::SourceFile;
use super::matcher::Matcher;
use super::reference::Reference;
pub use super::schema::{Elicited, Expect, Hold, Need, NoMeans, NumberWords, Stated, Trials};

/// Index of an item in [`Lexicon::items`].
pub type ItemId = usize;

/// What a row rests on.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Basis {
    /// Source id; see [`Lexicon::sources`].
    pub source: Option<String>,
    /// Whether the source was read for this very claim.
    pub verified: bool,
}

/// A whole lexicon, language layer included.
#[derive(Debug)]
pub struct Lexicon {
    /// Short name.
    pub name: String,
    /// Title for people.
    pub title: String,
    /// Version of the data.
    pub version: String,
    /// SHA-256 of its files, hex.
    pub digest: String,
    /// What the one examined is called in a note.
    pub subject: String,
    /// The item that carries the subject's state.
    pub state_item: Option<ItemId>,
    /// Milliseconds an announced item waits for its judgement.
    pub item_context_ms: u64,
    /// Milliseconds a side named alone waits.
    pub side_context_ms: u64,
    /// Whether ages by gestation apply.
    pub gestation: bool,
    /// Completed weeks `[from, to)` of gestation to which expectations apply.
    pub term_weeks: Option<[u32; 2]>,
    /// Days after birth up to which they apply, inclusive.
    pub term_days: Option<u32>,
    /// Cautions at the foot of a note.
    pub cautions: Vec<String>,
    /// Sections in examination order.
    pub sections: Vec<Section>,
    /// Items in examination order.
    pub items: Vec<Item>,
    /// Words that name several items.
    pub groups: Vec<Group>,
    /// States in order.
    pub states: Vec<State>,
    /// Published numberings.
    pub numberings: Vec<Numbering>,
    /// Protocols.
    pub protocols: Vec<Protocol>,
    /// Reasons for leaving out.
    pub reasons: Vec<Reason>,
    /// Control acts.
    pub controls: Vec<String>,
    /// Shared meanings.
    pub concepts: Vec<Concept>,
    /// Units.
    pub units: Vec<Unit>,
    /// Source id to citation.
    pub sources: BTreeMap<String, String>,
    /// Groups of folded phrases never to be merged.
    pub confusables: Vec<Vec<String>>,
    /// Words that must never vanish from a note.
    pub never_lost: super::never_lost::NeverLost,
    /// How numbers are said.
    pub number_words: NumberWords,
    /// Groups of findings held against each other.
    pub patterns: Vec<Pattern>,
    /// Growth references, those supplied by the user first, then by rank.
    pub references: Vec<Reference>,
    /// How exports code it.
    pub codes: super::codes::Codes,
    /// Files of its scales, not read yet.
    pub scale_files: Vec<SourceFile>,
    /// Finds all phrases in a text.
    pub matcher: Matcher,
}

/// Items done together.
#[derive(Debug)]
pub struct Section {
    /// Id.
    pub id: String,
    /// Name for people.
    pub name: String,
}

/// A thing examined.
#[derive(Debug)]
pub struct Item {
    /// Id.
    pub id: String,
    /// Index of its section.
    pub section: usize,
    /// Name for people.
    pub name: String,
    /// Whether the name begins with a proper name.
    pub proper: bool,
    /// Name in the sentences of a note.
    pub in_note: Option<String>,
    /// Name of one side of it, where the name is a plural.
    pub one_side: Option<String>,
    /// Whether it has sides.
    pub sided: bool,
    /// How a sided item is elicited.
    pub elicited: Elicited,
    /// Indexes of the states in which it can be judged; empty: any.
    pub valid_states: Vec<usize>,
    /// The manoeuvre.
    pub rule: String,
    /// A position held before release.
    pub hold: Option<Hold>,
    /// Which trial counts.
    pub trials: Trials,
    /// What "no ITEM" means.
    pub no_means: NoMeans,
    /// Number it takes.
    pub number: Option<Number>,
    /// Grade number to index of value.
    pub grades: BTreeMap<u32, usize>,
    /// Values in order.
    pub values: Vec<Value>,
    /// Bands of its number.
    pub bands: Vec<Band>,
    /// Expectations before term, by postmenstrual age.
    pub age_bands: Vec<AgeBand>,
    /// How a z-score of its number stands.
    pub growth: Option<Growth>,
    /// The error of judging its number by eye.
    pub noise: Option<Noise>,
    /// A published mean of its number.
    pub mean: Option<Mean>,
    /// A stimulus repeated until it is no longer answered.
    pub series: Option<Series>,
    /// Source.
    pub basis: Basis,
    /// Spoken names, for search by sound and for help.
    pub names: Vec<String>,
}

/// A number an item takes.
#[derive(Debug)]
pub struct Number {
    /// Index of its unit.
    pub unit: usize,
    /// Smallest and largest plausible, inclusive.
    pub plausible: [f64; 2],
    /// Whether "none" is zero.
    pub none_is_zero: bool,
    /// Decimals printed.
    pub decimals: u8,
    /// Whether the unit must be said.
    pub unit_needed: bool,
}

/// One value of an item.
#[derive(Debug)]
pub struct Value {
    /// Code.
    pub code: String,
    /// How lists and tables say it.
    pub say: String,
    /// How a sentence of a note says it.
    pub in_note: Option<String>,
    /// A whole sentence for a note, without its full stop.
    pub sentence: Option<String>,
    /// Whether it counts in whatever state it was seen, and gives way to nothing that reassures.
    pub any_state: bool,
    /// Whether the value itself says that the finding is in the middle.
    pub midline: bool,
    /// Concepts that mean it here.
    pub concepts: Vec<usize>,
    /// Phrases and concepts that mean it but say less than `say` does, with what the note says then.
    pub less: BTreeMap<String, String>,
    /// How it stands at term.
    pub expect: Option<Expect>,
    /// Source.
    pub basis: Basis,
}

/// A band of an item's number, bounds inclusive.
#[derive(Debug)]
pub struct Band {
    /// Smallest.
    pub from: f64,
    /// Largest.
    pub to: f64,
    /// How it stands.
    pub is: Expect,
    /// Source.
    pub basis: Basis,
}

/// What is expected at a postmenstrual age before term.
#[derive(Debug)]
pub struct AgeBand {
    /// First postmenstrual age, days, inclusive.
    pub from_days: u32,
    /// Last postmenstrual age, days, inclusive.
    pub to_days: u32,
    /// Hours after birth for which it holds, inclusive.
    pub hours: Option<u32>,
    /// How each value stands, beside [`Item::values`].
    pub values: Vec<Option<Expect>>,
    /// How numbers stand.
    pub numbers: Vec<Band>,
    /// Source.
    pub basis: Basis,
}

/// How a z-score stands.
#[derive(Debug)]
pub struct Growth {
    /// Further from 0 than this, the measurement is implausible.
    pub implausible_beyond: f64,
    /// Source of that limit.
    pub basis: Basis,
    /// From the nearest to 0 outwards; the last `within` is infinite.
    pub rows: Vec<GrowthRow>,
}

/// A row of it.
#[derive(Debug)]
pub struct GrowthRow {
    /// Largest distance from 0, inclusive.
    pub within: f64,
    /// How it stands.
    pub is: Expect,
    /// Source.
    pub basis: Basis,
}

/// The error of judging a number by eye.
#[derive(Debug)]
pub struct Noise {
    /// A smaller difference is within it.
    pub below: f64,
    /// Source.
    pub basis: Basis,
}

/// A published mean.
#[derive(Debug)]
pub struct Mean {
    /// Smallest and largest published mean.
    pub between: [f64; 2],
    /// Source.
    pub basis: Basis,
}

/// A stimulus repeated until it is no longer answered.
#[derive(Debug)]
pub struct Series {
    /// Folded words of an answered stimulus, longest first.
    pub answered: Vec<Vec<String>>,
    /// Folded words of a missed one, longest first.
    pub missed: Vec<Vec<String>>,
    /// Folded words beside them that mean nothing here.
    pub beside: Vec<String>,
    /// Missed stimuli in a row that end it.
    pub misses: u32,
    /// Stimuli after which it ends anyway.
    pub most: u32,
    /// Index of the value when not even the first was answered.
    pub none_answered: usize,
    /// Index of the value when the last was still answered.
    pub still_answered: usize,
    /// Source.
    pub basis: Basis,
}

/// Two groups of findings held against each other.
#[derive(Debug)]
pub struct Pattern {
    /// Id.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// What the two groups are called.
    pub groups: [String; 2],
    /// Items of the first group, then of the second.
    pub parts: [Vec<PatternPart>; 2],
    /// A word of caution.
    pub caution: String,
    /// Source.
    pub basis: Basis,
}

/// An item of a pattern.
#[derive(Debug)]
pub struct PatternPart {
    /// Item.
    pub item: ItemId,
    /// Beside [`Item::values`]: -1 less than usual, 0 usual, 1 more; `None` says nothing.
    pub levels: Vec<Option<i8>>,
}

/// Words that name several items.
#[derive(Debug)]
pub struct Group {
    /// Id.
    pub id: String,
    /// Items.
    pub items: Vec<ItemId>,
}

/// A state of the subject.
#[derive(Debug)]
pub struct State {
    /// Code.
    pub code: String,
    /// Name for people.
    pub name: String,
    /// How a sentence says that something was seen in it.
    pub during: Option<String>,
    /// Source.
    pub basis: Basis,
}

/// A published numbering of the states.
#[derive(Debug)]
pub struct Numbering {
    /// Id.
    pub id: String,
    /// Number to index of state.
    pub states: BTreeMap<u32, usize>,
    /// Whether a bare number is read by it.
    pub default: bool,
    /// Source.
    pub basis: Basis,
}

/// What a complete examination holds.
#[derive(Debug)]
pub struct Protocol {
    /// Id.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// Used when none is named.
    pub default: bool,
    /// Completed weeks of gestation `[from, to)` it is meant for; none: any.
    pub weeks: Option<[u32; 2]>,
    /// Items with their need and, for only-if, the indication.
    pub items: Vec<(ItemId, Need, String)>,
    /// A clock that runs from birth.
    pub watch: Option<Watch>,
}

/// A clock that runs from birth, and the ages at which an exam is due.
#[derive(Debug, Clone)]
pub struct Watch {
    /// Name of what ends with it.
    pub name: String,
    /// Hours from birth at which it ends.
    pub hours: f64,
    /// Hours from birth at which the exam is due, ascending.
    pub due: Vec<f64>,
    /// Printed with it, always.
    pub say: String,
    /// Source.
    pub basis: Basis,
}

/// Why something is left out.
#[derive(Debug)]
pub struct Reason {
    /// Code.
    pub code: String,
    /// How the note says it.
    pub say: String,
}

/// A meaning shared by many items.
#[derive(Debug)]
pub struct Concept {
    /// Id.
    pub id: String,
    /// What a bare judgement amounts to.
    pub stated: Option<Stated>,
    /// Concept meant when negated.
    pub negated: Option<usize>,
}

/// A unit.
#[derive(Debug)]
pub struct Unit {
    /// Id as exported.
    pub id: String,
    /// UCUM code.
    pub ucum: String,
    /// Printed after a number.
    pub say: String,
    /// Other unit and factor.
    pub converts: Option<(usize, f64)>,
}

/// Code of "said to be normal, no more".
pub const STATED_NORMAL: &str = "stated-normal";
/// Code of "said to be abnormal, no more".
pub const STATED_ABNORMAL: &str = "stated-abnormal";

impl Lexicon {
    /// Item of that id.
    pub fn item(&self, id: &str) -> Option<ItemId> {
        self.items.iter().position(|i| i.id == id)
    }

    /// State of that code.
    pub fn state(&self, code: &str) -> Option<usize> {
        self.states.iter().position(|s| s.code == code)
    }

    /// Protocol of that id; without one, the default.
    pub fn protocol(&self, id: Option<&str>) -> Option<&Protocol> {
        match id {
            Some(id) => self.protocols.iter().find(|p| p.id == id),
            None => self.protocols.iter().find(|p| p.default).or(self.protocols.first()),
        }
    }

    /// Takes in a growth reference of the user's; it goes before all there are.
    ///
    /// # Errors
    /// Every problem found in the file, each with line and column.
    pub fn supply(
        &mut self,
        file: &super::files::SourceFile,
    ) -> Result<(), Vec<crate::problem::Problem>> {
        let known = super::reference::Known::of(self);
        let mut list = super::reference::parse(file, &known)?;
        for r in &mut list {
            r.supplied = true;
        }
        // Those named first on the command line are asked first.
        let at = self.references.iter().take_while(|r| r.supplied).count();
        self.references.splice(at..at, list);
        Ok(())
    }

    /// Full citation of a basis, with a word on whether it was read.
    pub fn cite(&self, basis: &Basis) -> String {
        let Some(id) = &basis.source else { return "no source".into() };
        let text = self.sources.get(id).map_or(id.as_str(), String::as_str);
        if basis.verified { text.to_owned() } else { format!("{text} (needs clinician review)") }
    }
}

impl Item {
    /// Index of the value with that code.
    pub fn value(&self, code: &str) -> Option<usize> {
        self.values.iter().position(|v| v.code == code)
    }

    /// How the note says a value code, the two *stated* codes included.
    pub fn say<'a>(&'a self, code: &'a str) -> &'a str {
        match code {
            STATED_NORMAL => "said to be normal",
            STATED_ABNORMAL => "said to be abnormal",
            _ => self.value(code).map_or(code, |v| &self.values[v].say),
        }
    }
}
