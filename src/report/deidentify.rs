//! What takes the place of what could tell whose exam it is: bands for ages, codes for words.
//!
//! A de-identified export is built from what may be told, not by taking out what may not: codes
//! of the lexicon, numbers, sides, states, times since the exam's start. Names of people, wall
//! times, the exam's code and every spoken or typed word have no way into it.

use crate::grade::Ages;
use crate::journal::Header;
use crate::lexicon::Lexicon;
use crate::lexicon::matcher::Meaning;
use crate::lexicon::text::tokenize;
use crate::reading::types::Doubt;

/// How an exam is shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Shown {
    /// As it is.
    Whole,
    /// De-identified, under this code made for the export.
    Deidentified {
        /// The code that stands for the exam.
        code: String,
    },
}

impl Shown {
    /// Whether nothing may tell whose exam it is.
    pub fn is_deidentified(&self) -> bool {
        matches!(self, Shown::Deidentified { .. })
    }

    /// The code the exam goes by.
    pub fn code<'a>(&'a self, h: &'a Header) -> &'a str {
        match self {
            Shown::Whole => h.code.as_str(),
            Shown::Deidentified { code } => code,
        }
    }
}

/// The code of the lexicon's reason that the words of a reason hold; `None` when they hold none.
pub fn reason_code<'l>(words: &str, lex: &'l Lexicon) -> Option<&'l str> {
    let tokens = tokenize(words);
    lex.matcher.scan(&tokens).iter().find_map(|h| match lex.matcher.meaning(h) {
        Meaning::Reason(k) => lex.reasons.get(k).map(|r| r.code.as_str()),
        _ => None,
    })
}

/// What kind of doubt, without the words it quotes.
pub fn doubt_code(d: &Doubt) -> &'static str {
    match d {
        Doubt::SideNotSaid => "side-not-said",
        Doubt::SidesNotNamed => "sides-not-named",
        Doubt::SoundsLike(_) => "sounds-like",
        Doubt::NumberBySound(_) => "number-by-sound",
        Doubt::Hedged(_) => "hedged",
        Doubt::TwoValues(_) => "two-values",
        Doubt::MuchNotUnderstood(_) => "much-not-understood",
        Doubt::Implausible(_) => "implausible",
        Doubt::AbsentOrNotDone => "absent-or-not-done",
        Doubt::ItemNotNamed => "item-not-named",
        Doubt::SeveralItems(_) => "several-items",
        Doubt::Group(_) => "group",
        Doubt::Remark(_) => "remark",
        Doubt::Denied(_) => "denied",
        Doubt::MaybeStruck(_) => "maybe-struck",
        Doubt::HeardUnsurely(_) => "heard-unsurely",
        Doubt::OneReader(_) => "one-reader",
        Doubt::ReadersDiffer(_) => "readers-differ",
        Doubt::SaidDifferently(_) => "said-differently",
    }
}

/// The band a number falls into: its first number, and the one at which the next band begins.
fn band(n: u32, ends: &[u32]) -> Option<(Option<u32>, Option<u32>)> {
    let k = ends.iter().take_while(|e| **e <= n).count();
    let from = k.checked_sub(1).map(|k| ends[k]);
    (!ends.is_empty()).then(|| (from, ends.get(k).copied()))
}

/// The band of gestation at birth, such as `32+0 to 36+6 weeks`; `None` when it is not told, or
/// the lexicon has no bands.
pub fn gestation_band(h: &Header, lex: &Lexicon) -> Option<String> {
    let ga = h.ga?;
    let (from, to) = band(u32::from(ga.weeks()), &lex.codes.gestation_weeks)?;
    Some(match (from, to) {
        (Some(from), Some(to)) => format!("{from}+0 to {}+6 weeks", to - 1),
        (None, Some(to)) => format!("before {to}+0 weeks"),
        (Some(from), None) => format!("from {from}+0 weeks"),
        (None, None) => return None,
    })
}

/// The band of the age since birth, such as `24 to 71 h`; `None` when it is not known, or the
/// lexicon has no bands.
pub fn age_band(a: &Ages, lex: &Lexicon) -> Option<String> {
    let hours = u32::try_from(a.hours?).unwrap_or(u32::MAX);
    let (from, to) = band(hours, &lex.codes.age_hours)?;
    Some(match (from, to) {
        (Some(from), Some(to)) => format!("{from} to {} h", to - 1),
        (None, Some(to)) => format!("below {to} h"),
        (Some(from), None) => format!("from {from} h"),
        (None, None) => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_falls_into_exactly_one_band() {
        let ends = [6, 24, 72];
        assert_eq!(band(0, &ends), Some((None, Some(6))));
        assert_eq!(band(5, &ends), Some((None, Some(6))));
        assert_eq!(band(6, &ends), Some((Some(6), Some(24))));
        assert_eq!(band(71, &ends), Some((Some(24), Some(72))));
        assert_eq!(band(72, &ends), Some((Some(72), None)));
        assert_eq!(band(3, &[]), None);
    }
}
