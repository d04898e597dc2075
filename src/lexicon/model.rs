//! The lexicon as the other rooms use it: ids resolved, phrases expanded.

use std::collections::BTreeMap;

use super::files::SourceFile;
use super::matcher::Matcher;
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
    /// How numbers are said.
    pub number_words: NumberWords,
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
    /// How the note says it.
    pub say: String,
    /// Whether the value itself says that the finding is in the middle.
    pub midline: bool,
    /// Concepts that mean it here.
    pub concepts: Vec<usize>,
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
    /// Items with their need and, for only-if, the indication.
    pub items: Vec<(ItemId, Need, String)>,
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
