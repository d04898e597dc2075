//! What was said and stands in no finding, and yet tells something: a phrase worth a person's eyes.
//!
//! Neither reader is whole, and what both leave out would vanish. So every phrase is weighed once more, when
//! its findings are known: by what the second reader saw faintly, by what the judge let go, by trade words,
//! limbs, sides, numbers and denials nothing was made of, and by the words that must never vanish
//! (`lexicon::never_lost`). What weighs enough is quoted, never read.

use std::collections::HashMap;

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming, Saying};
use crate::lexicon::model::{ItemId, Lexicon};
use crate::lexicon::text::tokenize;
use crate::tagger::Marks;

use super::atoms::{Atom, cut};
use super::judge::{NEAR, Read, Words};
use super::types::Side;

/// Words of the next phrase in which a grave phrase may end: captions cut anywhere.
const OVER: usize = 3;
/// Words before a grave phrase in which it may be denied.
const DENIED: usize = 3;

/// Why a phrase is quoted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Untold {
    /// Row of the words that must never vanish, when one of them was said of this infant, as it seems.
    pub grave: Option<usize>,
    /// In words, for whoever asks why.
    pub why: String,
}

/// What a phrase holds of which nothing was made.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Signs {
    /// Row of grave words that no finding tells of.
    pub grave: Option<usize>,
    /// Whether these are said as of now and not denied.
    pub of_now: bool,
    /// Chance of the likeliest item that the second reader saw and of which nothing was made.
    pub mark: f32,
    /// Findings of the rules that the judge let go.
    pub let_go: usize,
    /// Phrases of the lexicon that name a value by themselves.
    pub alone: usize,
    /// Phrases that are a value of some item.
    pub values: usize,
    /// Names of items, and states.
    pub names: usize,
    /// Meanings that many items share (*absent*, *weak*).
    pub shared: usize,
    /// Sides and limbs.
    pub places: usize,
    /// Numbers.
    pub numbers: usize,
    /// Denials.
    pub denials: usize,
    /// Whether any phrase of an item, a value or a state stands in it, be it inside a longer one.
    pub of_trade: bool,
    /// Words not understood.
    pub unknown: usize,
    /// Words.
    pub words: usize,
    /// How likely it speaks of no finding of now, where there are marks.
    pub aside: Option<f32>,
    /// Whether the rules set some of it aside.
    pub set_aside: bool,
    /// Whether left or right was named and no finding near speaks of that side.
    pub side_left: bool,
    /// Whether it brings up an item.
    pub announces: bool,
    /// Whether nothing at all was made of it.
    pub empty: bool,
}

/// What each sign weighs, as the logarithm of the odds that a phrase in which nothing was read tells something:
/// a logistic regression on narrations whose writers were kept out of the second reader's training, rounded
/// (`tests/narrations/train/README.md`).
mod weight {
    pub const LET_GO: f32 = 1.6;
    pub const VALUE: f32 = 0.3;
    pub const SHARED: f32 = 0.4;
    pub const PLACE: f32 = 0.5;
    pub const DENIAL: f32 = 0.3;
    pub const ANNOUNCED: f32 = 0.1;
    /// Times the chance that nothing of now is spoken of.
    pub const ASIDE: f32 = -7.2;
    /// Times the share of the phrases around it in which something was read.
    pub const AMONG_FINDINGS: f32 = 2.8;
    /// Times that chance in the next phrase: teaching follows what was seen.
    pub const NEXT_ASIDE: f32 = 3.1;
    pub const NEXT_MARK: f32 = 0.6;
    /// To be quoted.
    pub const LEAST: f32 = 2.2;
}
/// A chance of speaking of something else tells no more above this.
const ASIDE_MOST: f32 = 0.5;
/// What the rules read where that is less likely is quoted, though the second reader saw nothing.
const ASIDE_LEAST: f32 = 0.1;
/// What the rules take for a time before this exam is quoted where the second reader hears that too.
const ASIDE_BEFORE: f32 = 0.3;
/// Phrases at the start that say who lies there.
const SETTING: usize = 3;
/// Phrases on either side that are around one.
const AROUND: usize = 8;

/// Looks over every phrase once its findings are known, and notes which are to be quoted.
pub fn note(read: &mut [Read<'_>], marks: &HashMap<u64, &Marks>, lex: &Lexicon) {
    let all = signs(read, marks, lex);
    let found: Vec<bool> = read.iter().map(|r| !r.reading.findings.is_empty()).collect();
    for (at, s) in all.iter().enumerate() {
        let around = &found[at.saturating_sub(AROUND)..(at + AROUND + 1).min(found.len())];
        #[allow(clippy::cast_precision_loss)] // a handful
        let share = around.iter().filter(|f| **f).count() as f32 / around.len() as f32;
        let reading = &mut read[at].reading;
        reading.marked = s.aside.is_some();
        reading.untold = s.quoted(!reading.findings.is_empty(), share, all.get(at + 1), lex);
        if reading.untold.is_none() && s.empty {
            let aside = s.aside.unwrap_or(1.0);
            let before = reading.earlier && !reading.set_aside.is_empty() && aside >= ASIDE_BEFORE;
            let setting = s.aside.is_some() && at < SETTING && s.numbers > 0;
            let why = match (before, setting) {
                (true, _) => "said of a time before this exam",
                (_, true) => "said at the start, of whom it is about",
                _ => continue,
            };
            reading.untold = Some(Untold { grave: None, why: why.into() });
        }
    }
}

/// What each phrase holds of which nothing was made.
pub fn signs(read: &[Read<'_>], marks: &HashMap<u64, &Marks>, lex: &Lexicon) -> Vec<Signs> {
    let words = Words::of(read);
    let found: Vec<(usize, ItemId, Option<Side>)> = read
        .iter()
        .enumerate()
        .flat_map(|(k, r)| r.reading.findings.iter().map(move |f| (k, f.item, f.side)))
        .collect();
    (0..read.len())
        .map(|at| {
            let r = &read[at];
            let marked = marks.get(&r.seq);
            let mut s = Signs {
                aside: marked.map(|m| m.aside),
                let_go: r.reading.let_go.len(),
                set_aside: !r.reading.set_aside.is_empty(),
                announces: !r.reading.announced.is_empty(),
                empty: r.reading.means_nothing(),
                words: r.phrase.text.split_whitespace().count(),
                ..Signs::default()
            };
            s.mark = marked.map_or(0.0, |m| faint(m, at, &found, &words, lex));
            let sides: Vec<Option<Side>> = found
                .iter()
                .filter(|(k, ..)| k.abs_diff(at) <= 1)
                .map(|(.., side)| *side)
                .collect();
            count(&mut s, &r.phrase.text, &sides, lex);
            grave(&mut s, at, read, &found, lex);
            s
        })
        .collect()
}

/// The likeliest item among the marks of a phrase of which nothing was found near.
fn faint(
    m: &Marks,
    at: usize,
    found: &[(usize, ItemId, Option<Side>)],
    words: &Words<'_>,
    lex: &Lexicon,
) -> f32 {
    let mut most = 0.0_f32;
    for mark in &m.marks {
        let Some(item) = lex.item(&mark.item) else { continue };
        let side = mark.side.as_deref().and_then(Side::named);
        let word = words.first_of(at) + mark.word as usize;
        let told = found.iter().any(|(k, i, s)| {
            *i == item && Side::overlap(*s, side) && words.apart(word, *k) <= NEAR
        });
        if !told {
            most = most.max(mark.chances[0]);
        }
    }
    most
}

/// Counts what the words of a phrase are; `sides` are those of the findings in it and beside it.
fn count(s: &mut Signs, text: &str, sides: &[Option<Side>], lex: &Lexicon) {
    let cut = cut(text, lex, None);
    s.of_trade = lex.matcher.scan(&cut.tokens).iter().any(|h| {
        matches!(
            lex.matcher.meaning(h),
            Meaning::Item(..) | Meaning::Value { .. } | Meaning::State { .. }
        )
    });
    s.unknown = cut.unknown.len();
    for a in &cut.atoms {
        let means = |of: &dyn Fn(Meaning) -> bool| a.meanings(lex).any(|(m, _)| of(m));
        let one = |is: bool| usize::from(is);
        let alone = means(&|m| matches!(m, Meaning::Value { how: Saying::Alone, .. }));
        s.alone += one(alone);
        s.values += one(!alone && means(&|m| matches!(m, Meaning::Value { .. })));
        s.names += one(!alone
            && means(&|m| {
                matches!(m, Meaning::Item(_, n) if n != Naming::Sound)
                    || matches!(m, Meaning::State { .. })
            }));
        s.shared += one(means(&|m| matches!(m, Meaning::Concept(_))));
        s.places += one(is_place(a, lex));
        s.side_left |= a.left_or_right(lex).is_some_and(|side| {
            !sides.iter().any(|of| Side::overlap(*of, Some(side)) || *of == Some(Side::Unstated))
        });
        s.numbers += one(a.number.as_ref().is_some_and(|n| !n.idle));
        s.denials += one(a.negation || a.is(lex, Family::Negation));
    }
}

fn is_place(a: &Atom, lex: &Lexicon) -> bool {
    [
        Family::Left,
        Family::Right,
        Family::Both,
        Family::OtherSide,
        Family::ThisSide,
        Family::BodyPart,
    ]
    .iter()
    .any(|f| a.is(lex, *f))
}

/// Grave words of a phrase that no finding near tells of.
fn grave(
    s: &mut Signs,
    at: usize,
    read: &[Read<'_>],
    found: &[(usize, ItemId, Option<Side>)],
    lex: &Lexicon,
) {
    let own = tokenize(&read[at].phrase.text).len();
    let mut text = read[at].phrase.text.clone();
    if let Some(next) = read.get(at + 1) {
        for w in next.phrase.text.split_whitespace().take(OVER) {
            text.push(' ');
            text.push_str(w);
        }
    }
    let tokens = tokenize(&text);
    let near = at.saturating_sub(1)..=at + 1;
    let told = |row: usize| {
        let by = &lex.never_lost.rows[row].told_by;
        found.iter().any(|(k, i, _)| near.contains(k) && by.contains(i))
    };
    let Some(said) =
        lex.never_lost.scan(&tokens).into_iter().find(|g| g.from < own && !told(g.row))
    else {
        return;
    };
    let before = said.from.saturating_sub(DENIED)..said.from;
    let denied = lex.matcher.scan(&tokens).iter().any(|h| {
        before.contains(&h.from) && lex.matcher.meaning(h) == Meaning::Family(Family::Negation)
    });
    let r = &read[at].reading;
    let elsewhere = !r.set_aside.is_empty() && !r.earlier;
    s.grave = Some(said.row);
    s.of_now = !denied && !elsewhere && s.aside.is_none_or(|a| a < 0.5 || r.earlier);
}

impl Signs {
    /// Whether it is worth a person's eyes: `read`, something was read in it; `share`, of the phrases around it
    /// how many hold a finding.
    fn quoted(
        &self,
        read: bool,
        share: f32,
        next: Option<&Signs>,
        lex: &Lexicon,
    ) -> Option<Untold> {
        let why = if let Some(row) = self.grave {
            format!("speaks of {}", lex.never_lost.rows[row].say)
        } else if self.aside.is_none() {
            // By rules alone: words of the trade of which nothing was made, and nothing set aside.
            (self.empty && self.of_trade && !self.set_aside)
                .then(|| "words of the trade, of which nothing was made".into())?
        } else if self.mark > 0.0 {
            "the second reader saw something, too faintly to say what".into()
        } else if self.let_go > 0 && self.aside.is_none_or(|a| a < ASIDE_LEAST) {
            "the rules read something, and the second reader nothing".into()
        } else if read && self.side_left {
            "a side was named, and nothing of it was read".into()
        } else if !read && self.weighs(share, next) >= weight::LEAST {
            "seems to tell something, and nothing was made of it".into()
        } else {
            return None;
        };
        Some(Untold { grave: self.grave.filter(|_| self.of_now), why })
    }

    fn weighs(&self, share: f32, next: Option<&Signs>) -> f32 {
        let aside = |s: &Signs| s.aside.unwrap_or(0.0).min(ASIDE_MOST);
        let counted = [
            (self.let_go > 0, weight::LET_GO),
            (self.alone + self.values > 0, weight::VALUE),
            (self.shared > 0, weight::SHARED),
            (self.places > 0, weight::PLACE),
            (self.denials > 0, weight::DENIAL),
            (self.announces, weight::ANNOUNCED),
            (next.is_some_and(|n| n.mark > 0.0), weight::NEXT_MARK),
        ];
        let counted: f32 = counted.iter().filter(|(is, _)| *is).map(|(_, w)| w).sum();
        counted
            + weight::ASIDE * aside(self)
            + weight::AMONG_FINDINGS * share
            + weight::NEXT_ASIDE * next.map_or(0.0, aside)
    }
}
