//! The shape of the lexicon files, exactly as written in TOML.
//!
//! A lexicon is a folder. Its `lexicon.toml` names it and its language layer; every other
//! `*.toml` file in it may hold any of the tables below (`[[item]]`, `[[state]]`, …), so a long
//! catalogue can be cut into files of one section each. The language layer (`english/`) is a
//! folder of the same kind that holds ordinary words: sides, negation, numbers, corrections.
//!
//! # Phrases
//!
//! Wherever a list of phrases stands, a phrase is plain lower-case words with three marks:
//!
//! - `(a|b c)` one of these must stand here;
//! - `[a|b]` one of these, or nothing;
//! - `=word` this very form: `=fixed` is not matched by *fixes*.
//!
//! Words are compared without their ending (`jerk` matches *jerks*; `turn` matches *turned*),
//! and the language layer's fillers (*the*, *is*, *her*) are left out on both sides, so they
//! need not be written. Any spelling of *does not / isn't / won't* is written `not`; any of
//! *cannot / can't / couldn't* is written `cannot`.

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

/// A text with its place in the file.
pub type Text = Spanned<String>;

/// One TOML file of a lexicon. Every table is optional in every file.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct File {
    /// Name, language and limits; exactly one file of a lexicon has it.
    pub lexicon: Option<Head>,
    /// Sections in examination order.
    #[serde(default)]
    pub section: Vec<Section>,
    /// The things examined.
    #[serde(default)]
    pub item: Vec<Item>,
    /// Words that name several items at once.
    #[serde(default)]
    pub group: Vec<Group>,
    /// The subject's states.
    #[serde(default)]
    pub state: Vec<State>,
    /// Published numberings of the states.
    #[serde(default)]
    pub numbering: Vec<Numbering>,
    /// What a complete examination holds.
    #[serde(default)]
    pub protocol: Vec<Protocol>,
    /// Why something is left out.
    #[serde(default)]
    pub reason: Vec<Reason>,
    /// Words to the logger itself.
    #[serde(default)]
    pub control: Vec<Control>,
    /// Named families of words the reader asks for by name (language layer).
    #[serde(default)]
    pub words: BTreeMap<String, WordList>,
    /// Meanings shared by many items (*absent*, *normal*).
    #[serde(default)]
    pub concept: Vec<Concept>,
    /// Units of numbers.
    #[serde(default)]
    pub unit: Vec<Unit>,
    /// Sources named by `source = "…"`.
    #[serde(default)]
    pub source: Vec<Source>,
    /// Groups of phrases that must never be taken for one another.
    #[serde(default)]
    pub confusable: Vec<Confusable>,
    /// Words that must never vanish from a note.
    #[serde(default)]
    pub never_lost: Vec<super::never_lost::Row>,
    /// Groups of findings held against each other.
    #[serde(default)]
    pub pattern: Vec<Pattern>,
    /// What a recogniser makes of a speaker's words (personal layer).
    #[serde(default)]
    pub heard: Vec<Heard>,
    /// Number words (language layer).
    pub number_words: Option<NumberWords>,
    /// Published terminologies that exports code by.
    #[serde(default)]
    pub code_system: Vec<super::codes::CodeSystem>,
    /// Published codes.
    #[serde(default)]
    pub code: Vec<super::codes::CodeRow>,
    /// Bands in place of exact ages.
    pub bands: Option<super::codes::BandRow>,
}

/// `[[heard]]`: how a recogniser spells one speaker's name of an item, or of a value of it. It is
/// written by `cotside lexicon teach` and read like the item's own `sounds`: always with a doubt.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Heard {
    /// Item.
    pub item: Text,
    /// Value of the item; without it, the item itself.
    pub value: Option<Text>,
    /// The spellings.
    pub words: Vec<Text>,
}

/// `[number_words]`: how numbers are said.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NumberWords {
    /// zero to nineteen.
    pub small: BTreeMap<String, u32>,
    /// twenty to ninety.
    pub tens: BTreeMap<String, u32>,
    /// Words for a hundred.
    pub hundred: Vec<String>,
    /// Words for the decimal point.
    pub point: Vec<String>,
    /// Words for a half (*thirty-four and a half*).
    pub half: Vec<String>,
    /// Words that join (*a hundred and ten*).
    pub and: Vec<String>,
    /// Words that may stand for one before a hundred or a half (*a hundred*).
    pub article: Vec<String>,
    /// Words for the grade sign after a number (*two plus*).
    pub plus: Vec<String>,
    /// Words that join the ends of a range (*eighty to ninety*).
    pub range: Vec<String>,
    /// Words before which *one* is a pronoun (*one side*).
    #[serde(default)]
    pub one_before: Vec<String>,
    /// Words after which *one* is a pronoun (*this one*).
    #[serde(default)]
    pub one_after: Vec<String>,
    /// Words that sound like a number.
    #[serde(default)]
    pub homophones: BTreeMap<String, u32>,
}

/// `[lexicon]`: what this lexicon is.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// Short name, also the folder's.
    pub name: Text,
    /// Title for people.
    pub title: String,
    /// Version of the data; goes into every exam's header with the digest.
    pub version: String,
    /// Folder name of the language layer, beside this one.
    pub language: Text,
    /// What the one examined is called in a note (`infant`).
    pub subject: String,
    /// Item that carries the subject's state, if the lexicon has states.
    pub state_item: Option<Text>,
    /// Seconds an announced item waits for its judgement.
    pub item_context_s: u32,
    /// Seconds a side named alone waits for its judgement.
    pub side_context_s: u32,
    /// Whether ages by gestation apply (`grade/` then wants a gestational age).
    #[serde(default)]
    pub gestation: bool,
    /// Completed weeks of gestation below which term expectations are not applied, exclusive
    /// upper bound after.
    pub term_weeks: Option<[u32; 2]>,
    /// Days after birth up to which the expectations hold.
    pub term_days: Option<u32>,
    /// Cautions printed at the foot of every note.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// Source of the expectations as a whole.
    pub source: Option<Text>,
}

/// `[[section]]`: items done together.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Section {
    /// Id, used by items.
    pub id: Text,
    /// Name for people.
    pub name: String,
    /// Spoken names: announcing them opens no item but is understood.
    #[serde(default)]
    pub names: Vec<Text>,
}

/// How an item with sides is elicited.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Elicited {
    /// One manoeuvre shows both sides: a bare finding holds for both.
    Together,
    /// One side at a time: a bare singular finding leaves the side unstated.
    Each,
}

/// Which of several trials counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum Trials {
    /// The last one.
    #[default]
    Last,
    /// The best: the value that stands first in the item's list.
    Best,
    /// The largest number.
    Largest,
    /// What comes and goes: a value marked `any_state`, once it was seen, over one that reassures,
    /// said before or after; of two marked ones the one further down the list. Otherwise the last.
    Seen,
}

/// What "no ITEM" means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum NoMeans {
    /// The thing was looked for and is not there (*no clonus*).
    Absent,
    /// Could be absent or not done: left unsettled unless the words say which.
    #[default]
    Unclear,
}

/// How a finding stands to what is expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Expect {
    /// As expected.
    Expected,
    /// Neither clearly expected nor clearly outside.
    Borderline,
    /// Outside what is expected.
    Outside,
}

/// `[[item]]`: a thing examined.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Item {
    /// Id, used everywhere.
    pub id: Text,
    /// Section id.
    pub section: Text,
    /// Name for people, as the note prints it.
    pub name: String,
    /// Whether the name begins with a proper name, which keeps its capital in a sentence.
    #[serde(default)]
    pub proper: bool,
    /// Name in the sentences of a note, where `name` is too long or reads badly before a colon.
    pub in_note: Option<Text>,
    /// Name of one side of it, where `name` is a plural (*pupil* of *Pupils*).
    pub one_side: Option<Text>,
    /// Whether the item has a left and a right.
    pub sided: bool,
    /// How a sided item is elicited.
    pub elicited: Option<Elicited>,
    /// States (codes) in which the item can be judged; empty: any.
    #[serde(default)]
    pub valid_states: Vec<Text>,
    /// The manoeuvre, for people.
    #[serde(default)]
    pub rule: String,
    /// A position to be held before release.
    pub hold: Option<Hold>,
    /// Which trial counts.
    #[serde(default)]
    pub trials: Trials,
    /// What "no ITEM" means.
    #[serde(default)]
    pub no_means: NoMeans,
    /// Phrases that name the item.
    #[serde(default)]
    pub names: Vec<Text>,
    /// Phrases that name both sides of it at once (*hips*, *plantars*).
    #[serde(default)]
    pub plural_names: Vec<Text>,
    /// Words that name the item only together with one of its values, or alone as a topic
    /// (*hands*, *eyes*, *grasp*).
    #[serde(default)]
    pub weak_names: Vec<Text>,
    /// Spellings a recogniser gives for the names (*more row*).
    #[serde(default)]
    pub sounds: Vec<Text>,
    /// A number this item takes.
    pub number: Option<Number>,
    /// Grade numbers said for values: `"2" = "normal"`.
    #[serde(default)]
    pub grades: BTreeMap<String, Text>,
    /// Values in order, best or least first.
    #[serde(default)]
    pub value: Vec<Value>,
    /// Expectations for the number.
    #[serde(default)]
    pub expect: Vec<NumberExpect>,
    /// Expectations before term, by postmenstrual age.
    #[serde(default)]
    pub band: Vec<AgeBand>,
    /// How a z-score of the number stands; the number is then judged by a growth reference.
    pub growth: Option<Growth>,
    /// The error of judging the number by eye: sides closer than this are not flagged.
    pub noise: Option<Noise>,
    /// A published mean of the number, to be printed beside it.
    pub mean: Option<Mean>,
    /// A stimulus repeated until it is no longer answered, counted from what is said.
    pub series: Option<Series>,
    /// Source of the row.
    pub source: Option<Text>,
    /// Whether the source was read (true) or the row is from memory or common practice (false).
    pub verified: Option<bool>,
}

/// A position to be held before release.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hold {
    /// Seconds to hold.
    pub seconds: f64,
    /// Shortest hold, in seconds, that is not flagged.
    pub at_least: f64,
}

/// A number an item takes.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Number {
    /// Unit id.
    pub unit: Text,
    /// Smallest and largest plausible value, inclusive; outside is kept and flagged.
    pub plausible: [f64; 2],
    /// Whether a plain "none / no ITEM" is the number 0.
    #[serde(default)]
    pub none_is_zero: bool,
    /// Numbers with this many decimals are usual; only for printing.
    #[serde(default)]
    pub decimals: u8,
    /// The number is only taken when its unit is said, or when the item has no value yet.
    #[serde(default)]
    pub unit_needed: bool,
}

/// `[[item.value]]`: one value of an item.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Value {
    /// Code, used in exports.
    pub code: Text,
    /// How lists and tables say it.
    pub say: String,
    /// How a sentence of a note says it behind the item's name; without it, `say`.
    pub in_note: Option<Text>,
    /// A whole sentence for a note, without its full stop and without the item's name, where name
    /// and value make none; a side that was said is put behind it.
    pub sentence: Option<Text>,
    /// The value is a sign that counts in whatever state it was seen, so that the item's
    /// `valid_states` do not take it away: it is graded, it feeds scales, and the note tells it
    /// first, with the state. Nor does a value said later that reassures: where the item says
    /// `trials = "seen"` the sign stands, said first or last, and both are shown; elsewhere it is
    /// left to a person. Beside a sign without the mark that stands further down the list the
    /// rules for any two values hold, so that the milder never hides the graver. Never for a value
    /// that is expected.
    #[serde(default)]
    pub any_state: bool,
    /// Phrases that mean this value once the item is known.
    #[serde(default)]
    pub words: Vec<Text>,
    /// Phrases that mean item and value together (*upgoing toes*).
    #[serde(default)]
    pub alone: Vec<Text>,
    /// Concepts (language layer) that mean this value here (*absent*, *normal*).
    #[serde(default)]
    pub concepts: Vec<Text>,
    /// Phrases that mean this value unless a more telling one stands beside them (*fixes and
    /// follows*, then *briefly*).
    #[serde(default)]
    pub yields: Vec<Text>,
    /// Phrases of this value, of those above, and concepts of it, that say less than `say` does,
    /// each with what the note says instead (*flat* of "soft and flat", *present* of "full").
    #[serde(default)]
    pub less: BTreeMap<Text, String>,
    /// Spellings a recogniser gives for the words.
    #[serde(default)]
    pub sounds: Vec<Text>,
    /// Set to `"midline"` where the value itself says that the finding is in the middle.
    pub side: Option<Text>,
    /// How the value stands in a term subject.
    pub expect: Option<Expect>,
    /// Source, when it differs from the item's.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[[item.expect]]`: how a number stands in a term subject. Bounds inclusive.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NumberExpect {
    /// Smallest number of the band.
    pub from: Option<f64>,
    /// Largest number of the band.
    pub to: Option<f64>,
    /// How it stands.
    pub is: Expect,
    /// Source, when it differs from the item's.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[[item.band]]`: what is expected at a postmenstrual age for which the rows for term subjects do
/// not hold. A value or number in none of its rows is not graded.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AgeBand {
    /// First postmenstrual age, `weeks+days`, inclusive.
    pub from: Text,
    /// Last postmenstrual age, `weeks+days`, inclusive.
    pub to: Text,
    /// Hours after birth for which the source holds, inclusive; without it, any.
    pub hours: Option<u32>,
    /// Value code to how it stands.
    #[serde(default)]
    pub values: BTreeMap<String, Spanned<Expect>>,
    /// How numbers stand, bounds inclusive.
    #[serde(default)]
    pub numbers: Vec<NumberExpect>,
    /// Source, when it differs from the item's.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[item.growth]`: how a z-score stands.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Growth {
    /// A z-score further from 0 than this is a measurement to be repeated, not a finding.
    pub implausible_beyond: Spanned<f64>,
    /// Rows from the nearest to 0 outwards; the last has no `within`.
    pub row: Vec<GrowthRow>,
    /// Source of `implausible_beyond`, when it differs from the item's.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[[item.growth.row]]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GrowthRow {
    /// Largest distance from 0, inclusive; none: all that is further.
    pub within: Option<Spanned<f64>>,
    /// How it stands.
    pub is: Spanned<Expect>,
    /// Source, when it differs from the item's.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[item.noise]`: the error of judging a number by eye.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Noise {
    /// A difference between the sides below this is shown and not flagged.
    pub below: Spanned<f64>,
    /// Source, when it differs from the item's.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[item.mean]`: a published mean of the number, or the two that sources differ by.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mean {
    /// Smallest and largest published mean; the same twice when there is one.
    pub between: Spanned<[f64; 2]>,
    /// Source, when it differs from the item's.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[item.series]`: a stimulus repeated until it is no longer answered.
///
/// While the item is at hand, a phrase made of these words alone is one stimulus or more. The count
/// is the number of stimuli before the first of `misses` missed ones in a row.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Series {
    /// Phrases for an answered stimulus.
    pub answered: Vec<Text>,
    /// Phrases for one that was not answered.
    pub missed: Vec<Text>,
    /// Words beside them that mean nothing here (*flash*, *again*); numbers are left out anyway.
    #[serde(default)]
    pub beside: Vec<Text>,
    /// Missed stimuli in a row that end the series.
    pub misses: Spanned<u32>,
    /// Stimuli after which the series ends anyway.
    pub most: Spanned<u32>,
    /// Value code when not even the first stimulus was answered.
    pub none_answered: Text,
    /// Value code when the last of `most` was still answered.
    pub still_answered: Text,
    /// Source, when it differs from the item's.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[[pattern]]`: two groups of findings held against each other. It is told, not graded.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pattern {
    /// Id, used in exports.
    pub id: Text,
    /// Name for people.
    pub name: String,
    /// What the first group is called.
    pub first: Text,
    /// What the second group is called.
    pub second: Text,
    /// The findings of both.
    pub part: Vec<PatternPart>,
    /// A word of caution printed with it.
    #[serde(default)]
    pub caution: String,
    /// Source of the row.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[[pattern.part]]`: an item of one of the groups.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PatternPart {
    /// `first` or `second` of the pattern, by what it is called.
    pub of: Text,
    /// Item id.
    pub item: Text,
    /// Value codes that mean less than usual.
    #[serde(default)]
    pub less: Vec<Text>,
    /// Value codes that mean the usual.
    #[serde(default)]
    pub usual: Vec<Text>,
    /// Value codes that mean more than usual.
    #[serde(default)]
    pub more: Vec<Text>,
}

/// `[[group]]`: words that name several items at once.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Group {
    /// Id.
    pub id: Text,
    /// Phrases that name the group.
    pub names: Vec<Text>,
    /// Item ids.
    pub items: Vec<Text>,
}

/// `[[state]]`: a state of the subject.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct State {
    /// Code; must be a value of the state item.
    pub code: Text,
    /// Name for people.
    pub name: String,
    /// How a sentence says that something was seen in it (*while asleep*).
    pub during: Option<Text>,
    /// Phrases that name the state as such.
    pub words: Vec<Text>,
    /// Phrases of an event that implies it (*she is off, screaming*).
    #[serde(default)]
    pub implied: Vec<Text>,
    /// Spellings a recogniser gives.
    #[serde(default)]
    pub sounds: Vec<Text>,
    /// Source of the row.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[[numbering]]`: a published numbering of the states.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Numbering {
    /// Id.
    pub id: Text,
    /// Phrases that name it.
    pub names: Vec<Text>,
    /// Number (as text) to state code.
    pub states: BTreeMap<String, Text>,
    /// Whether a bare "state four" is read by this numbering.
    #[serde(default)]
    pub default: bool,
    /// Source of the row.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// Whether a protocol wants an item.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Need {
    /// Must be found, or left out with a reason.
    Required,
    /// May be left out without a word.
    Optional,
    /// Only when indicated.
    OnlyIf,
}

/// `[[protocol]]`: what a complete examination holds.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Protocol {
    /// Id, named on the command line.
    pub id: Text,
    /// Name for people.
    pub name: String,
    /// Used when the header names none.
    #[serde(default)]
    pub default: bool,
    /// Completed weeks of gestation it is meant for, the first inclusive and the second exclusive;
    /// none: any.
    pub weeks: Option<[u32; 2]>,
    /// Items, in the order of the note.
    pub required: Vec<Text>,
    /// Items that may be left out.
    #[serde(default)]
    pub optional: Vec<Text>,
    /// Items done only on an indication.
    #[serde(default)]
    pub only_if: Vec<OnlyIf>,
    /// A clock that runs from birth, for an exam that is repeated.
    pub watch: Option<Watch>,
    /// Source of the row.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[protocol.watch]`: a clock that runs from birth, and the ages at which the exam is due.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Watch {
    /// Name of what ends with the clock (*six hours from birth*).
    pub name: String,
    /// Hours from birth at which it ends.
    pub hours: Spanned<f64>,
    /// Hours from birth at which the exam is due, ascending.
    pub due: Spanned<Vec<f64>>,
    /// Printed with the clock, always.
    pub say: String,
    /// Source, when it differs from the protocol's.
    pub source: Option<Text>,
    /// As the protocol's.
    pub verified: Option<bool>,
}

/// An item of a protocol that is done only on an indication.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OnlyIf {
    /// Item id.
    pub item: Text,
    /// The indication, for people.
    pub when: String,
}

/// `[[reason]]`: why something is left out.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reason {
    /// Code.
    pub code: Text,
    /// How the note says it.
    pub say: String,
    /// Phrases that mean it.
    pub words: Vec<Text>,
    /// Source of the row.
    pub source: Option<Text>,
    /// As the item's.
    pub verified: Option<bool>,
}

/// `[[control]]`: words to the logger itself.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Control {
    /// One of the acts the engine knows.
    pub act: Text,
    /// Phrases.
    pub words: Vec<Text>,
}

/// A named family of words.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WordList {
    /// Phrases. For families the reader scans in full text, fillers count.
    pub words: Vec<Text>,
}

/// `[[concept]]`: a meaning shared by many items.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Concept {
    /// Id.
    pub id: Text,
    /// Phrases.
    pub words: Vec<Text>,
    /// Whether the concept stands for "as expected, no more said" or "not as expected, no more
    /// said" where the item has no value of its own for it.
    pub stated: Option<Stated>,
    /// Concept meant when this one is negated.
    pub negated: Option<Text>,
}

/// What a bare judgement amounts to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stated {
    /// Said to be normal, no more.
    Normal,
    /// Said to be abnormal, no more.
    Abnormal,
}

/// `[[unit]]`: a unit of numbers.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Unit {
    /// Id as exported (`deg`, `cm`).
    pub id: Text,
    /// UCUM code.
    pub ucum: String,
    /// How the note prints it after a number.
    pub say: String,
    /// Phrases.
    pub words: Vec<Text>,
    /// Factor to another unit, when a number in this one may be converted to it.
    pub converts: Option<Converts>,
}

/// Conversion of a unit.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Converts {
    /// Unit id converted to.
    pub to: Text,
    /// Multiply by this.
    pub factor: f64,
}

/// `[[source]]`: a publication, or what stands in for one.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// Id named by `source = "…"`.
    pub id: Text,
    /// The publication in full.
    pub cite: String,
}

/// `[[confusable]]`: phrases that must never be taken for one another by sound or spelling.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Confusable {
    /// The words, each a single word or short phrase.
    pub words: Vec<Text>,
}
