//! What became of a phrase, compared with what its words give when they are typed.

use std::collections::BTreeMap;
use std::fmt;

use cotside::capture::{Phrase, Source};
use cotside::exam::fold::{Fold, Moment};
use cotside::lexicon::Lexicon;
use cotside::reading::{Reader, Side};

/// Findings by what they say, with whether they are sure.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Typed(BTreeMap<String, bool>);

impl Typed {
    /// Of typed words.
    pub fn of(text: &str, lex: &Lexicon) -> Typed {
        let phrase = Phrase {
            text: text.to_owned(),
            start_ms: 0,
            end_ms: 2000,
            source: Source::Keys,
            line: None,
            speaker: None,
            alternatives: Vec::new(),
            words: Vec::new(),
            certainty: None,
        };
        Typed(stand(&[phrase], lex))
    }

    /// Whether there are findings and all are sure.
    pub fn all_sure(&self) -> bool {
        !self.0.is_empty() && self.0.values().all(|s| *s)
    }
}

fn stand(phrases: &[Phrase], lex: &Lexicon) -> BTreeMap<String, bool> {
    let mut reader = Reader::new(lex);
    let mut fold = Fold::default();
    for (i, p) in phrases.iter().enumerate() {
        let r = reader.read(i as u64 + 1, p);
        fold.take(&r, Moment { state: None, line: None, until_ms: p.end_ms }, lex);
    }
    let mut out = BTreeMap::new();
    for s in &fold.standing {
        let f = &s.finding;
        let sides: &[&str] = match f.side {
            Some(Side::Both) => &["left", "right"],
            Some(s) => &[s.word()],
            None => &["-"],
        };
        for side in sides {
            let what = format!(
                "{} {side} {} {} {:?} {:?}",
                lex.items[f.item].id,
                f.status.word(),
                f.value.as_deref().unwrap_or("-"),
                f.number,
                f.range
            );
            out.insert(what, f.is_sure());
        }
    }
    out
}

/// Sure and unsettled findings of phrases.
pub fn findings(phrases: &[Phrase], lex: &Lexicon) -> (usize, usize) {
    let all = stand(phrases, lex);
    let sure = all.values().filter(|s| **s).count();
    (sure, all.len() - sure)
}

/// What became of a phrase.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// All findings, all sure, no other.
    Right,
    /// All findings, some left to a person.
    Unsettled,
    /// Findings missing or others there, none of those sure.
    Missed,
    /// A sure finding that was not said.
    WrongSure,
}

impl Outcome {
    /// Of what was heard.
    pub fn of(want: &Typed, heard: &[Phrase], lex: &Lexicon) -> Outcome {
        let made = stand(heard, lex);
        let wrong = made.iter().any(|(what, sure)| *sure && !want.0.contains_key(what));
        let all = want.0.keys().all(|what| made.contains_key(what));
        let sure = want.0.keys().all(|what| made.get(what) == Some(&true));
        match () {
            () if wrong => Outcome::WrongSure,
            () if sure && made.len() == want.0.len() => Outcome::Right,
            () if all => Outcome::Unsettled,
            () => Outcome::Missed,
        }
    }
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Outcome::Right => "right",
            Outcome::Unsettled => "unsettled",
            Outcome::Missed => "missed",
            Outcome::WrongSure => "wrong-but-sure",
        })
    }
}

/// Counts of outcomes.
#[derive(Debug, Default)]
pub struct Table(BTreeMap<Outcome, usize>);

impl Table {
    /// Counts one.
    pub fn add(&mut self, o: Outcome) {
        *self.0.entry(o).or_default() += 1;
    }
}

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let n: usize = self.0.values().sum();
        let share = |o| 100.0 * self.0.get(&o).copied().unwrap_or(0) as f64 / n.max(1) as f64;
        write!(
            f,
            "right {:5.1} %  unsettled {:5.1} %  missed {:5.1} %  wrong-but-sure {:4.1} %  (n {n})",
            share(Outcome::Right),
            share(Outcome::Unsettled),
            share(Outcome::Missed),
            share(Outcome::WrongSure)
        )
    }
}
