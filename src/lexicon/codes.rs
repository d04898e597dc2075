//! How exports code what an exam holds: codes of published terminologies, and the bands that take
//! the place of exact ages where an export must not tell them.

use std::collections::HashMap;

use serde::Deserialize;
use toml::Spanned;

use super::model::{Basis, ItemId};
use super::schema::Text;

/// `[[code_system]]`: a published terminology.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CodeSystem {
    /// Its URI, as exports name it.
    pub uri: String,
    /// Name for people.
    pub name: String,
    /// The notice its licence asks for; empty when none is asked for.
    #[serde(default)]
    pub notice: String,
}

/// `[[code]]`: a published code for an item, a scale or a fact of the header.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CodeRow {
    /// Item it is for.
    pub item: Option<Text>,
    /// Scale it is for.
    pub scale: Option<String>,
    /// Time of that scale, for one scored at several.
    pub at: Option<u32>,
    /// Fact it is for; see [`Fact`].
    pub fact: Option<Fact>,
    /// URI of its terminology; a `[[code_system]]` has it.
    pub system: Text,
    /// The code.
    pub code: String,
    /// The terminology's name for it.
    pub say: String,
    /// The item is a vital sign: the profile its number keeps to.
    pub vital_sign: Option<String>,
    /// Where the code was read.
    pub source: Option<Text>,
    /// Whether it was read for this very claim.
    pub verified: Option<bool>,
}

/// What a code can be for besides items and scales.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fact {
    /// The document as a whole.
    Document,
    /// Gestational age at birth.
    GestationAtBirth,
}

/// `[bands]`: bands in place of exact ages.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BandRow {
    /// Completed weeks of gestation at which a band ends and the next begins, ascending.
    pub gestation_weeks: Spanned<Vec<u32>>,
    /// Completed hours since birth at which a band ends and the next begins, ascending.
    pub age_hours: Spanned<Vec<u32>>,
    /// Source.
    pub source: Option<Text>,
    /// Whether it was read.
    pub verified: Option<bool>,
}

/// What a code stands for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CodeOf {
    /// An item.
    Item(ItemId),
    /// A scale by its id, at one of its times where it has several.
    Scale(String, Option<u32>),
    /// Something of the exam as a whole.
    Fact(Fact),
}

/// A published code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Code {
    /// What it stands for.
    pub of: CodeOf,
    /// URI of its terminology.
    pub system: String,
    /// The code.
    pub code: String,
    /// The terminology's name for it.
    pub say: String,
    /// The profile of a vital sign that the item's number keeps to.
    pub vital_sign: Option<String>,
    /// Source.
    pub basis: Basis,
}

/// All of it.
#[derive(Debug, Clone, Default)]
pub struct Codes {
    /// Terminologies.
    pub systems: Vec<CodeSystem>,
    /// Codes.
    pub list: Vec<Code>,
    /// Ends of the bands of gestation, completed weeks.
    pub gestation_weeks: Vec<u32>,
    /// Ends of the bands of age since birth, completed hours.
    pub age_hours: Vec<u32>,
}

impl Codes {
    /// The codes of an item.
    pub fn of_item(&self, item: ItemId) -> impl Iterator<Item = &Code> {
        self.list.iter().filter(move |c| c.of == CodeOf::Item(item))
    }

    /// The codes of a scale at one of its times.
    pub fn of_scale(&self, id: &str, at: Option<u32>) -> impl Iterator<Item = &Code> {
        let wanted = CodeOf::Scale(id.to_owned(), at);
        self.list.iter().filter(move |c| c.of == wanted)
    }

    /// The codes of a fact.
    pub fn of_fact(&self, fact: Fact) -> impl Iterator<Item = &Code> {
        self.list.iter().filter(move |c| c.of == CodeOf::Fact(fact))
    }
}

/// A mistake in a row: byte in its file, what is wrong, what would be right.
pub type Mistake = (usize, String, String);

/// Resolves a `[[code]]` row.
///
/// # Errors
/// What the row names and the lexicon does not hold, or names twice over.
pub fn code(
    row: &CodeRow,
    items: &HashMap<String, ItemId>,
    systems: &[CodeSystem],
) -> Result<Code, Mistake> {
    let at = row.system.span().start;
    let of = match (&row.item, &row.scale, row.fact) {
        (Some(item), None, None) => match items.get(item.get_ref()) {
            Some(&i) => CodeOf::Item(i),
            None => {
                let what = format!("there is no item `{}`", item.get_ref());
                return Err((item.span().start, what, "name an item of the lexicon".into()));
            }
        },
        (None, Some(scale), None) => CodeOf::Scale(scale.clone(), row.at),
        (None, None, Some(fact)) => CodeOf::Fact(fact),
        _ => {
            let help = "a code is for one of item, scale or fact".to_owned();
            return Err((at, format!("the code `{}` is for none, or for several", row.code), help));
        }
    };
    if !systems.iter().any(|s| s.uri == *row.system.get_ref()) {
        let what = format!("there is no code system `{}`", row.system.get_ref());
        return Err((at, what, "add a [[code_system]] row with this uri".into()));
    }
    Ok(Code {
        of,
        system: row.system.get_ref().clone(),
        code: row.code.clone(),
        say: row.say.clone(),
        vital_sign: row.vital_sign.clone(),
        basis: Basis {
            source: row.source.as_ref().map(|s| s.get_ref().clone()),
            verified: row.verified.unwrap_or(false),
        },
    })
}

/// Ends of bands must ascend from above 0.
///
/// # Errors
/// Where they do not.
pub fn ends(list: &Spanned<Vec<u32>>) -> Result<Vec<u32>, Mistake> {
    let ends = list.get_ref();
    match ends.first() != Some(&0) && ends.windows(2).all(|p| p[0] < p[1]) {
        true => Ok(ends.clone()),
        false => Err((
            list.span().start,
            "the ends of these bands do not ascend from above 0".into(),
            "write them in order, such as [28, 32, 37]".into(),
        )),
    }
}
