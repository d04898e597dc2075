//! What a journal line can say.
//!
//! Items, sides, values, units and states are opaque words here: this room keeps them and knows
//! nothing of what they mean.

use super::clock::Resumed;
use super::header::{Header, HeaderChange, SCHEMA};
use super::signed::{Addendum, AudioRemoval, Signing};
use crate::capture::Phrase;
use crate::tagger::Marks;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;
use std::path::{Component, Path};
use std::str::FromStr;

/// Fewest completed weeks a [`Ga`] can hold.
///
/// Both bounds say what the header's field can hold, so that a slip of the keys is caught; they
/// judge nothing. Common practice, no single source.
pub const FEWEST_WEEKS: u8 = 20;
/// Most completed weeks a [`Ga`] can hold; see [`FEWEST_WEEKS`].
pub const MOST_WEEKS: u8 = 45;

/// Gestational age at birth: completed weeks and days, written `39+2`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Ga {
    weeks: u8,
    days: u8,
}

impl Ga {
    /// An age of `weeks` completed weeks and `days` days.
    ///
    /// # Errors
    /// A sentence saying what would be right when `weeks` is not 20 to 45 or `days` not 0 to 6.
    pub fn new(weeks: u32, days: u32) -> Result<Self, String> {
        let found = format!("{weeks}+{days}");
        let bounds = u32::from(FEWEST_WEEKS)..=u32::from(MOST_WEEKS);
        if days > 6 {
            let whole = weeks.saturating_add(days / 7);
            let hint = match bounds.contains(&whole) {
                true => format!(" ({found} would be {whole}+{})", days % 7),
                false => String::new(),
            };
            return Err(format!("gestational age {found}: days run from 0 to 6{hint}"));
        }
        match (bounds.contains(&weeks), u8::try_from(weeks), u8::try_from(days)) {
            (true, Ok(weeks), Ok(days)) => Ok(Ga { weeks, days }),
            _ => Err(format!(
                "gestational age {found}: weeks run from {FEWEST_WEEKS} to {MOST_WEEKS}"
            )),
        }
    }

    /// Completed weeks, 20 to 45.
    pub fn weeks(self) -> u8 {
        self.weeks
    }

    /// Days beyond the completed weeks, 0 to 6.
    pub fn days(self) -> u8 {
        self.days
    }

    /// The whole age in days.
    pub fn total_days(self) -> u32 {
        u32::from(self.weeks) * 7 + u32::from(self.days)
    }
}

impl FromStr for Ga {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let form = "write completed weeks, a plus sign and days, such as 39+2";
        let Some((weeks, days)) = text.split_once('+') else {
            let hint = match text.parse::<u32>() {
                Ok(weeks) if Ga::new(weeks, 0).is_ok() => {
                    format!(" ({weeks} weeks and no days is {weeks}+0)")
                }
                _ => String::new(),
            };
            return Err(format!("gestational age {text:?} has no plus sign: {form}{hint}"));
        };
        let number = |part: &str, name: &str| {
            let digits = (1..=3).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit());
            match part.parse::<u32>() {
                Ok(n) if digits => Ok(n),
                _ => Err(format!(
                    "gestational age {text:?}: the {name} {part:?} are not a plain number: {form}"
                )),
            }
        };
        Ga::new(number(weeks, "weeks")?, number(days, "days")?)
    }
}

impl fmt::Display for Ga {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}+{}", self.weeks, self.days)
    }
}

impl Serialize for Ga {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Ga {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

/// One thing the journal records.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Entry {
    /// What the exam says about itself; the first line and no other.
    Header(Box<Header>),
    /// A later change to the header.
    HeaderChange(Box<HeaderChange>),
    /// What was said or keyed.
    Phrase(Phrase),
    /// What the tool showed at the bedside in answer.
    Echo(Echo),
    /// What the second reader made of a phrase.
    Marks(Marks),
    /// What a person decided.
    Settlement(Settlement),
    /// What happened to hearing and to the sound file.
    AudioMark(AudioMark),
    /// Logging paused.
    Pause,
    /// Logging resumed.
    Resume(Resume),
    /// The exam ended. Settlements and header changes may still follow.
    End,
    /// The exam was signed: from here on only addenda and removals of sound follow.
    Signing(Box<Signing>),
    /// What was added after signing; what was signed stays as it is.
    Addendum(Box<Addendum>),
    /// Sound files were removed, and their digests stay.
    AudioRemoval(Box<AudioRemoval>),
}

/// Every kind, as written in the journal.
pub const KINDS: [&str; 13] = [
    "header",
    "header-change",
    "phrase",
    "echo",
    "marks",
    "settlement",
    "audio-mark",
    "pause",
    "resume",
    "end",
    "signing",
    "addendum",
    "audio-removal",
];

/// What the tool showed at the bedside for a phrase.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Echo {
    /// Sequence number of the phrase answered.
    pub phrase: u64,
    /// The text shown, exactly.
    pub text: String,
}

/// What a person decided about a reading, a gap or an earlier decision.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settlement {
    /// Initials of whoever decided.
    pub who: String,
    /// The reading decided about; absent when the decision is about none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target: Option<Target>,
    /// What was decided.
    pub decision: Decision,
}

/// A reading: which phrase, and which of its readings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Target {
    /// Sequence number of the phrase.
    pub phrase: u64,
    /// Which of its readings, counted from 1, as findings are named.
    pub index: u32,
}

/// The decision itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "act", rename_all = "kebab-case")]
pub enum Decision {
    /// The reading stands for this.
    Choose(Chosen),
    /// The reading stands for nothing.
    NotAFinding,
    /// Something seen that no phrase holds.
    Add {
        /// What was seen.
        #[serde(flatten)]
        chosen: Chosen,
        /// When, milliseconds on the exam clock.
        at_ms: u64,
    },
    /// Why something was left undone.
    GapReason {
        /// The item left undone.
        item: String,
        /// The side left undone; absent for the whole item.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        side: Option<String>,
        /// The reason, in words.
        reason: String,
    },
    /// A value entered for a sign of a scale that no finding holds.
    Input {
        /// The scale.
        scale: String,
        /// The sign, or the name under which the scale takes a whole total.
        sign: String,
        /// The time since birth it belongs to, for a scale scored at several times.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        at: Option<u32>,
        /// The value, as entered.
        value: String,
    },
    /// An earlier settlement no longer holds.
    Undo {
        /// Sequence number of that settlement.
        seq: u64,
    },
}

/// What a person says a finding is. All words are the lexicon's and opaque here.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Chosen {
    /// The item.
    pub item: String,
    /// The side, when it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side: Option<String>,
    /// The value, when it is a word.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// The value, when it is a number, in `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub number: Option<f64>,
    /// Lower end, when it is a range, in `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// Upper end, when it is a range, in `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// The unit of the numbers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// How the finding stands, such as judged or not elicited.
    pub status: String,
}

/// What happened to hearing over a stretch of the exam.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AudioMark {
    /// What happened.
    pub mark: Mark,
    /// The sound file, relative to the exam folder; absent when no sound is kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub file: Option<String>,
    /// Start on the exam clock, milliseconds.
    pub from_ms: u64,
    /// End on the exam clock, milliseconds; equal to `from_ms` for a moment.
    pub to_ms: u64,
}

/// Kinds of audio mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// Hearing started.
    Start,
    /// Hearing stopped.
    Stop,
    /// Sound was lost between the two times.
    GapInHearing,
    /// The tool itself was sounding between the two times; nothing heard then is a phrase.
    OwnPlayback,
}

/// Logging resumed.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Resume {
    /// How the exam clock went on, when the journal was opened again; absent after a pause.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock: Option<Resumed>,
}

impl Entry {
    /// The kind as written in the journal.
    pub fn kind(&self) -> &'static str {
        match self {
            Entry::Header(_) => "header",
            Entry::HeaderChange(_) => "header-change",
            Entry::Phrase(_) => "phrase",
            Entry::Echo(_) => "echo",
            Entry::Marks(_) => "marks",
            Entry::Settlement(_) => "settlement",
            Entry::AudioMark(_) => "audio-mark",
            Entry::Pause => "pause",
            Entry::Resume(_) => "resume",
            Entry::End => "end",
            Entry::Signing(_) => "signing",
            Entry::Addendum(_) => "addendum",
            Entry::AudioRemoval(_) => "audio-removal",
        }
    }

    /// Rules an entry must keep by itself, whatever stands before it.
    ///
    /// # Errors
    /// What is wrong, and what would be right.
    pub(super) fn check(&self) -> Result<(), (String, String)> {
        match self {
            Entry::Header(header) => {
                if header.schema != SCHEMA {
                    return fault(
                        format!("the header's schema is {}", header.schema),
                        format!("this version writes and reads schema {SCHEMA}"),
                    );
                }
                not_blank("lexicon name", &header.lexicon.name)?;
                not_blank("tool version", &header.tool)
            }
            Entry::HeaderChange(change) => {
                not_blank("who", &change.who)?;
                if change.is_empty() {
                    return fault(
                        "the header change changes nothing",
                        "name at least one field of the header and its new value",
                    );
                }
                Ok(())
            }
            Entry::Phrase(phrase) => {
                in_order("phrase", "start_ms", phrase.start_ms, "end_ms", phrase.end_ms)?;
                phrase.alternatives.iter().try_for_each(|a| finite("score", Some(a.score)))
            }
            Entry::Settlement(settlement) => {
                not_blank("who", &settlement.who)?;
                settlement.check_decision()
            }
            Entry::AudioMark(mark) => {
                in_order("audio mark", "from_ms", mark.from_ms, "to_ms", mark.to_ms)?;
                mark.file.as_deref().map_or(Ok(()), inside_the_folder)
            }
            Entry::Marks(marks) => marks.marks.iter().try_for_each(|m| {
                not_blank("item", &m.item)?;
                not_blank("value", &m.value)?;
                m.chances.iter().try_for_each(|&c| match (0.0..=1.0).contains(&c) {
                    true => Ok(()),
                    false => fault(format!("a chance is {c}"), "a chance is from 0 to 1"),
                })
            }),
            Entry::Signing(signing) => signing.check(),
            Entry::Addendum(addendum) => addendum.check(),
            Entry::AudioRemoval(removal) => removal.check(),
            Entry::Echo(_) | Entry::Pause | Entry::Resume(_) | Entry::End => Ok(()),
        }
    }
}

impl Settlement {
    fn check_decision(&self) -> Result<(), (String, String)> {
        let target_needed = match &self.decision {
            Decision::Choose(chosen) => {
                chosen.check()?;
                Some("choose")
            }
            Decision::Add { chosen, .. } => {
                chosen.check()?;
                None
            }
            Decision::GapReason { item, reason, .. } => {
                not_blank("item", item)?;
                not_blank("reason", reason)?;
                None
            }
            Decision::Input { scale, sign, value, .. } => {
                not_blank("scale", scale)?;
                not_blank("sign", sign)?;
                not_blank("value", value)?;
                None
            }
            Decision::NotAFinding => Some("not-a-finding"),
            Decision::Undo { .. } => None,
        };
        match (target_needed, self.target) {
            (Some(act), None) => fault(
                format!("the settlement `{act}` names no reading"),
                r#"give `target`, such as {"phrase":4,"index":0}"#,
            ),
            _ => Ok(()),
        }
    }
}

impl Chosen {
    pub(super) fn check(&self) -> Result<(), (String, String)> {
        not_blank("item", &self.item)?;
        not_blank("status", &self.status)?;
        finite("number", self.number)?;
        finite("low", self.low)?;
        finite("high", self.high)?;
        match (self.low, self.high) {
            (Some(low), Some(high)) if low > high => fault(
                format!("the range runs from {low} down to {high}"),
                "`low` is at most `high`",
            ),
            _ => Ok(()),
        }
    }
}

pub(super) fn fault(
    message: impl Into<String>,
    help: impl Into<String>,
) -> Result<(), (String, String)> {
    Err((message.into(), help.into()))
}

pub(super) fn not_blank(name: &str, text: &str) -> Result<(), (String, String)> {
    match text.trim().is_empty() {
        true => fault(format!("the {name} is blank"), format!("say the {name}")),
        false => Ok(()),
    }
}

fn finite(name: &str, number: Option<f64>) -> Result<(), (String, String)> {
    match number {
        // JSON has no word for these (RFC 8259, section 6), so the line could not be read back.
        Some(n) if !n.is_finite() => {
            fault(format!("the {name} is {n}"), format!("the {name} must be a finite number"))
        }
        _ => Ok(()),
    }
}

fn in_order(
    what: &str,
    start: &str,
    start_ms: u64,
    end: &str,
    end_ms: u64,
) -> Result<(), (String, String)> {
    match end_ms < start_ms {
        true => fault(
            format!("the {what} ends at {end_ms} ms before it starts at {start_ms} ms"),
            format!("`{end}` is at least `{start}`"),
        ),
        false => Ok(()),
    }
}

/// A file name out of a journal is opened later, so it may not lead out of the exam folder.
pub(super) fn inside_the_folder(file: &str) -> Result<(), (String, String)> {
    let path = Path::new(file);
    let plain = path.components().all(|c| matches!(c, Component::Normal(_)));
    match plain && !file.is_empty() && !file.contains(['\\', '\0']) {
        true => Ok(()),
        false => fault(
            format!("the sound file {file:?} is not inside the exam folder"),
            "name it from the exam folder on, such as audio/1.wav",
        ),
    }
}
