//! The judge: what the rules read and what the second reader marked, weighed against one another.
//!
//! A finding is sure when both say the same, or when one of them does and the other does not speak
//! against it on ground where the first was never wrong on narration kept out of its making. What only
//! one of them has is unsettled, and says so; where they contradict, both are told. Nothing is decided
//! by a clock or a file: the same readings and marks give the same findings.

use std::collections::{HashMap, HashSet};

use crate::capture::Phrase;
use crate::lexicon::family::Family;
use crate::lexicon::matcher::Meaning;
use crate::lexicon::model::{Expect, ItemId, Lexicon};
use crate::tagger::{Mark, Marks};

use super::atoms::{Atom, Cut, cut};
use super::resolve::{Judged, absence, resolve};
use super::types::{Doubt, Finding, FindingId, Reading, Side, Status};
use super::wording;

/// Words before a mark in which its value is looked for, and behind it.
const BEFORE: usize = 14;
const BEHIND: usize = 6;
/// Words between a mark and its number.
const NUMBER: usize = 5;
/// Phrases on either side of a state by sound in which a state said outright takes its place.
const NEAR_STATE: usize = 3;
/// Words between a mark and the phrase of a finding that are still one place.
pub const NEAR: usize = 24;

/// How likely a mark must be for what it allows; each from 0 to 1. Fitted on narrations whose writers were
/// kept out of the training (`tests/narrations/train/README.md` has the table).
mod least {
    /// To be a finding at all, unsettled.
    pub const PROPOSED: f32 = 0.3;
    /// The same for a value that would be outside of what is expected: asked rather than lost.
    pub const PROPOSED_SIGN: f32 = 0.2;
    /// To leave a finding sure that the rules are sure of.
    pub const CONFIRMS: f32 = 0.4;
    /// To make a finding sure that the rules doubted.
    pub const LIFTS: f32 = 0.85;
    /// The same where they only met words they did not understand, and a denial stands behind.
    pub const LIFTS_DENIED: f32 = 0.98;
    /// The same where they took a word by its sound.
    pub const LIFTS_SOUND: f32 = 0.6;
    /// To keep a finding both read where its item's name, said again in passing, may have taken it back.
    pub const HOLDS: f32 = 0.9;
    /// To be sure where the rules read nothing, but the words near it say the value.
    pub const STANDS: f32 = 0.98;
    /// The same where it is a number, or the phrase may speak of something else.
    pub const STANDS_WORDED: f32 = 0.985;
    /// The same where they do not.
    pub const STANDS_ALONE: f32 = 0.995;
    /// To go before a value that the rules are sure of, where the two differ.
    pub const OVERRULES: f32 = 0.9;
    /// Of a phrase's words, to take what the rules alone doubtfully read for no finding of now.
    pub const ASIDE: f32 = 0.25;
    /// Of a phrase's words, at most, to be sure of what the second reader alone read in it.
    pub const OF_NOW: f32 = 0.05;
}

/// A phrase and what the rules made of it.
pub struct Read<'p> {
    /// Sequence number.
    pub seq: u64,
    /// The phrase.
    pub phrase: &'p Phrase,
    /// What was read.
    pub reading: Reading,
}

/// What the words themselves say for a mark, looked up in the lexicon.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Evidence {
    /// A phrase of the lexicon near the mark says its value.
    pub value: bool,
    /// The side was said near it; for both sides, no single one was.
    pub side: bool,
    /// Nothing right behind it takes it back, denies it or leaves a part out.
    pub unopposed: bool,
    /// A number of the item was said with its unit near it.
    pub measured: bool,
}

/// A mark with its place and what the words say for it.
#[derive(Debug, Clone)]
pub struct Proposal {
    /// Index of the phrase.
    pub at: usize,
    /// Word of the stream.
    pub word: usize,
    /// Item.
    pub item: ItemId,
    /// Side.
    pub side: Option<Side>,
    /// Status.
    pub status: Status,
    /// Value and number.
    pub judged: Judged,
    /// Chances of item, value and side.
    pub chances: [f32; 3],
    /// What the words say.
    pub evidence: Evidence,
}

impl Proposal {
    /// Chance that all of it holds.
    pub fn chance(&self) -> f32 {
        self.chances.iter().product()
    }

    /// Whether it says what the finding says; a number that it does not speak of is no difference.
    fn same_value(&self, f: &Finding) -> bool {
        let both = self.judged.is_numeric() && (f.number.is_some() || f.range.is_some());
        let worded = self.judged.value.is_some() && self.judged.value == f.value;
        let counted = (self.judged.number, self.judged.range) == (f.number, f.range);
        self.status == f.status
            && (f.status != Status::Observed
                || if both { counted && (worded || f.value.is_none()) } else { worded })
    }

    /// What it says, for people.
    fn words(&self, lex: &Lexicon) -> String {
        let j = &self.judged;
        let said =
            wording::said(self.item, self.status, j.value.as_deref(), j.number, j.range, lex);
        let side = self.side.filter(|s| *s != Side::Unstated).map_or("", Side::word);
        format!("{side} {said} ({:.2})", self.chance()).trim_start().to_owned()
    }

    /// Whether it is sure without a word of the rules; `aside`, how likely its phrase speaks of something else.
    fn stands(&self, aside: f32) -> bool {
        let e = self.evidence;
        let plain = e.value && aside < least::OF_NOW && !self.judged.is_numeric();
        let least = match (plain, e.value) {
            (true, _) => least::STANDS,
            (_, true) => least::STANDS_WORDED,
            _ => least::STANDS_ALONE,
        };
        let sided = !matches!(self.side, Some(Side::Both)) || e.side;
        let told = !self.judged.is_numeric() || e.value;
        self.chance() >= least && e.unopposed && sided && told
    }

    fn sign(&self, lex: &Lexicon) -> bool {
        is_sign(self.item, self.judged.value.as_deref(), lex)
    }
}

/// Whether that value of the item is outside of what is expected.
fn is_sign(item: ItemId, value: Option<&str>, lex: &Lexicon) -> bool {
    let it = &lex.items[item];
    value.and_then(|v| it.value(v)).is_some_and(|k| it.values[k].expect == Some(Expect::Outside))
}

/// The words of a log in one stream.
pub struct Words<'p> {
    words: Vec<&'p str>,
    /// Phrase of each word.
    of: Vec<usize>,
    /// First word of each phrase.
    first: Vec<usize>,
}

impl<'p> Words<'p> {
    /// The words of the phrases.
    pub fn of(read: &[Read<'p>]) -> Self {
        let mut out = Words { words: Vec::new(), of: Vec::new(), first: Vec::new() };
        for (k, r) in read.iter().enumerate() {
            out.first.push(out.words.len());
            for w in r.phrase.text.split_whitespace() {
                out.words.push(w);
                out.of.push(k);
            }
        }
        out
    }

    fn text(&self, from: usize, to: usize) -> String {
        self.words[from..to.min(self.words.len())].join(" ")
    }

    /// First word of a phrase.
    pub fn first_of(&self, phrase: usize) -> usize {
        self.first[phrase]
    }

    /// Words between a word and a phrase.
    pub fn apart(&self, word: usize, phrase: usize) -> usize {
        let first = self.first[phrase];
        let end = self.first.get(phrase + 1).copied().unwrap_or(self.words.len());
        if word < first { first - word } else { (word + 1).saturating_sub(end) }
    }
}

/// The marks of a log as proposals, in the order of their words. What the lexicon does not hold, or a
/// number that was not said, is left out.
pub fn proposals(
    read: &[Read<'_>],
    marks: &HashMap<u64, &Marks>,
    words: &Words<'_>,
    lex: &Lexicon,
) -> Vec<Proposal> {
    let mut out = Vec::new();
    for (at, r) in read.iter().enumerate() {
        for m in marks.get(&r.seq).iter().flat_map(|m| &m.marks) {
            let word = words.first[at] + m.word as usize;
            out.extend(proposal(m, at, word.min(words.words.len().saturating_sub(1)), words, lex));
        }
    }
    out.sort_by_key(|p| p.word);
    out
}

fn proposal(
    m: &Mark,
    at: usize,
    word: usize,
    words: &Words<'_>,
    lex: &Lexicon,
) -> Option<Proposal> {
    let item = lex.item(&m.item)?;
    let it = &lex.items[item];
    let side = match (it.sided, m.side.as_deref()) {
        (true, side) => Some(side.and_then(Side::named).unwrap_or(Side::Unstated)),
        _ => None,
    };
    let from = word.saturating_sub(BEFORE);
    let near = cut(&words.text(from, word + BEHIND + 1), lex, None);
    let place = Place::new(&near, words, from);
    let status = match m.value.as_str() {
        "skipped" => Status::Skipped,
        "not_obtained" => Status::NotObtained,
        _ => Status::Observed,
    };
    let mut side = side;
    let mut evidence = Evidence::default();
    let judged = match (status, m.value.as_str()) {
        (Status::Observed, "#") => {
            let (j, alone) = place.number(item, word, lex)?;
            // Of two numbers side by side it is not certain which was meant.
            evidence.value = alone && j.implausible.is_none();
            j
        }
        (Status::Observed, code) => {
            let said = place.value(item, code, word, lex);
            evidence.value = said.is_some();
            let said = said
                .unwrap_or_else(|| Judged { value: Some(code.to_owned()), ..Judged::default() });
            // "Soft, two centimetres": the number said beside it, when its unit was said.
            match place.number(item, word, lex) {
                Some((j, true)) if j.unit_said && j.value.is_none() => {
                    Judged { number: j.number, range: j.range, implausible: j.implausible, ..said }
                }
                _ => said,
            }
        }
        _ => Judged::default(),
    };
    if judged.value.as_deref().and_then(|v| it.value(v)).is_some_and(|k| it.values[k].midline) {
        side = side.map(|_| Side::Midline);
    }
    let single = |a: &Atom| a.left_or_right(lex).is_some() || a.is(lex, Family::OtherSide);
    evidence.side = match side {
        Some(s @ (Side::Left | Side::Right)) => {
            near.atoms.iter().any(|a| a.left_or_right(lex) == Some(s))
        }
        Some(Side::Both) => !place.within(word, 8, BEHIND).any(single),
        _ => true,
    };
    let opposes = |a: &Atom| {
        a.negation
            || [Family::Negation, Family::Correct, Family::Strike, Family::Except, Family::But]
                .iter()
                .any(|f| a.is(lex, *f))
    };
    evidence.unopposed = !place.behind(word, 5).any(opposes);
    evidence.measured = near.atoms.iter().any(|a| {
        resolve(&near, a, item, false, true, lex).is_some_and(|j| j.is_numeric() && j.unit_said)
    });
    Some(Proposal { at, word, item, side, status, judged, chances: m.chances, evidence })
}

/// Atoms of a stretch of the stream, by word.
struct Place<'a> {
    cut: &'a Cut,
    /// Word of the stream of each token.
    word_of: Vec<usize>,
}

impl<'a> Place<'a> {
    fn new(cut: &'a Cut, words: &Words<'_>, from: usize) -> Self {
        // Tokens are parts of words: a word that was cut in several is found again by its letters.
        let mut word_of = Vec::with_capacity(cut.tokens.len());
        let (mut word, mut left) = (from, words.words.get(from).map_or(0, |w| letters(w)));
        for t in &cut.tokens {
            if t.brk.is_none() {
                let mut need = letters(&t.surface);
                while left == 0 && word + 1 < words.words.len() {
                    word += 1;
                    left = letters(words.words[word]);
                }
                word_of.push(word);
                while need > left && word + 1 < words.words.len() {
                    need -= left;
                    word += 1;
                    left = letters(words.words[word]);
                }
                left = left.saturating_sub(need);
            } else {
                word_of.push(word);
            }
        }
        Place { cut, word_of }
    }

    /// Words between a word and an atom.
    fn apart(&self, atom: usize, word: usize) -> usize {
        let a = &self.cut.atoms[atom];
        let (first, last) = (self.word_of[a.from], self.word_of[a.to - 1]);
        first.saturating_sub(word).max(word.saturating_sub(last))
    }

    /// Atoms that touch the words from `before` ahead of a word to `behind` after it.
    fn within(&self, word: usize, before: usize, behind: usize) -> impl Iterator<Item = &Atom> {
        let range = word.saturating_sub(before)..=word + behind;
        self.cut.atoms.iter().filter(move |a| range.contains(&self.word_of[a.from]))
    }

    /// Atoms that begin in the few words after a word.
    fn behind(&self, word: usize, many: usize) -> impl Iterator<Item = &Atom> {
        let range = word + 1..=word + many;
        self.cut.atoms.iter().filter(move |a| range.contains(&self.word_of[a.from]))
    }

    /// The value of that code said nearest to the word.
    fn value(&self, item: ItemId, code: &str, word: usize, lex: &Lexicon) -> Option<Judged> {
        let said = (0..self.cut.atoms.len()).filter_map(|k| {
            let a = &self.cut.atoms[k];
            let denied = self.cut.atoms[k.saturating_sub(2)..k].iter().any(|b| b.negation);
            let j = resolve(self.cut, a, item, denied, true, lex)?;
            let is = j.value.as_deref() == Some(code) && !j.denied;
            is.then(|| (self.apart(k, word), j))
        });
        said.min_by_key(|(d, j)| (j.by_concept, *d)).map(|(_, j)| j)
    }

    /// The number said nearest to the word that can be one of the item, and whether no other stands near.
    fn number(&self, item: ItemId, word: usize, lex: &Lexicon) -> Option<(Judged, bool)> {
        let mut said: Vec<(usize, Judged)> = (0..self.cut.atoms.len())
            .filter_map(|k| {
                let j = resolve(self.cut, &self.cut.atoms[k], item, false, true, lex)?;
                // "Not one beat": a denied number is none.
                let denied = k > 0 && self.cut.atoms[k - 1].negation;
                let j = if denied { absence(item, lex)? } else { j };
                j.is_numeric().then(|| (self.apart(k, word), j))
            })
            .collect();
        said.sort_by_key(|(d, j)| (*d, j.by_concept));
        let alone = said.get(1).is_none_or(|(d, j)| *d > 5 || j.same_value(&said[0].1));
        // "Ninety on the right. No clonus": a denial nearer than any number is the number none.
        let denied = (0..self.cut.atoms.len())
            .filter(|&k| self.cut.atoms[k].negation)
            .map(|k| self.apart(k, word))
            .min();
        let nearest = said.first().map(|(d, _)| *d);
        if denied.is_some_and(|d| d <= NUMBER && nearest.is_none_or(|n| d < n)) {
            return absence(item, lex).filter(Judged::is_numeric).map(|j| (j, true));
        }
        // A number farther off was said of something else.
        let near = said.into_iter().next().filter(|(d, _)| *d <= NUMBER);
        near.map(|(d, j)| (j, alone && d <= 3))
    }
}

fn letters(word: &str) -> usize {
    word.chars().filter(|c| c.is_alphanumeric()).count()
}

/// How a finding of the rules and a proposal stand to one another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stands {
    /// Item, value and side are the same.
    Agrees,
    /// Item and value are the same; the rules heard no side, or another.
    OtherSide,
    /// The item is the same, and what is said of that side is not.
    OtherValue,
    /// The item is the same, of another side.
    Elsewhere,
}

/// What the second reader makes of a finding of the rules: of its proposals for the item near it, the one
/// that says most of the same.
pub fn beside<'p>(
    f: &Finding,
    at: usize,
    all: &'p [Proposal],
    words: &Words<'_>,
) -> Option<(Stands, &'p Proposal)> {
    let near = all.iter().filter(|p| p.item == f.item && words.apart(p.word, at) <= NEAR);
    near.map(|p| {
        let stands = match (p.same_value(f), covers(p.side, f.side), Side::overlap(p.side, f.side))
        {
            (true, true, _) => Stands::Agrees,
            (true, false, _) => Stands::OtherSide,
            (false, _, true) => Stands::OtherValue,
            _ => Stands::Elsewhere,
        };
        (stands, p)
    })
    .min_by(|(s, p), (t, q)| {
        let order = (*s, words.apart(p.word, at)).cmp(&(*t, words.apart(q.word, at)));
        order.then(q.chance().total_cmp(&p.chance()))
    })
}

/// Whether what is said of one side speaks for the other: the same, or both sides for one of them.
fn covers(said: Option<Side>, of: Option<Side>) -> bool {
    said == of || matches!((said, of), (Some(Side::Both), Some(Side::Left | Side::Right)))
}

/// Whether another witness for the same finding lifts a doubt, at that chance: what it doubts is what the
/// witness says.
fn lifted(d: &Doubt, chance: f32) -> bool {
    let least = match d {
        Doubt::SoundsLike(_) => least::LIFTS_SOUND,
        Doubt::ItemNotNamed
        | Doubt::MuchNotUnderstood(_)
        | Doubt::SeveralItems(_)
        | Doubt::Group(_)
        | Doubt::Remark(_)
        | Doubt::AbsentOrNotDone => least::LIFTS,
        _ => return false,
    };
    chance >= least
}

/// Weighs what the rules read against the marks; the readings are changed in place. Phrases without marks
/// are left as the rules read them.
pub fn judge(read: &mut [Read<'_>], marks: &HashMap<u64, &Marks>, lex: &Lexicon) {
    if marks.is_empty() {
        return;
    }
    let words = Words::of(read);
    let all = proposals(read, marks, &words, lex);
    let said_states: Vec<bool> =
        read.iter().map(|r| r.reading.states.iter().any(|s| !s.implied)).collect();
    let mut held: HashSet<FindingId> = HashSet::new();
    for (at, r) in read.iter_mut().enumerate() {
        let Some(marked) = marks.get(&r.seq) else { continue };
        let reading = &mut r.reading;
        // Measured twice in one breath: a mark that says one of the numbers says nothing of the other.
        let spoken_for: HashSet<(FindingId, usize)> = (reading.findings.iter())
            .filter(|f| f.number.is_some())
            .filter_map(|f| match beside(f, at, &all, &words) {
                Some((Stands::Agrees, p)) => Some((f.id, p.word)),
                _ => None,
            })
            .collect();
        for mut f in std::mem::take(&mut reading.findings) {
            if f.number.is_some()
                && let Some((Stands::OtherValue, p)) = beside(&f, at, &all, &words)
                && spoken_for.iter().any(|(id, word)| *id != f.id && *word == p.word)
            {
                f.doubts.push(Doubt::OneReader("the rules".into()));
                reading.findings.push(f);
                continue;
            }
            // A state taken by sound where one was said outright: nothing hangs on it.
            let near = at.saturating_sub(NEAR_STATE)..(at + NEAR_STATE + 1).min(said_states.len());
            if Some(f.item) == lex.state_item
                && f.doubts.iter().any(|d| matches!(d, Doubt::SoundsLike(_)))
                && said_states[near].contains(&true)
            {
                reading.set_aside.push(format!("a state by sound ({}), said near", f.why));
                continue;
            }
            let agreed = |(s, p): (Stands, &Proposal)| {
                let number = f.number.is_some() && f.value.is_some();
                s == Stands::Agrees && p.chance() >= least::HOLDS && p.evidence.unopposed && !number
            };
            if beside(&f, at, &all, &words).is_some_and(agreed) {
                held.insert(f.id);
            }
            if weigh(&mut f, at, &all, &words, marked.aside, lex) {
                reading.findings.push(f);
            } else {
                let item = &lex.items[f.item].name;
                reading.set_aside.push(format!("the second reader sees no {item} here"));
                reading.let_go.push(f);
            }
        }
    }
    for r in read.iter_mut().filter(|r| marks.contains_key(&r.seq)) {
        // The name of an item again ("hips", in passing) takes nothing back that both read.
        let command = |words: &str| says_strike(words, lex);
        r.reading.maybe_struck.retain(|(id, words)| command(words) || !held.contains(id));
    }
    add_what_rules_did_not_read(read, &all, marks, &words, lex);
}

/// Whether words say that value of the item.
fn says_value(words: &str, item: ItemId, value: Option<&str>, lex: &Lexicon) -> bool {
    let cut = cut(words, lex, None);
    cut.atoms.iter().any(|a| {
        resolve(&cut, a, item, false, true, lex).is_some_and(|j| j.value.as_deref() == value)
    })
}

/// Whether words take something back or doubt it, whatever it is; not the mere name of an item said again.
fn says_strike(words: &str, lex: &Lexicon) -> bool {
    let cut = cut(words, lex, None);
    let takes = [Family::Strike, Family::Withdraw, Family::Recall, Family::Correct, Family::Swap];
    !cut.second_thoughts.is_empty()
        || !cut.mild.is_empty()
        || cut.atoms.iter().any(|a| {
            a.negation
                || takes.iter().any(|f| a.is(lex, *f))
                || a.meanings(lex).any(|(m, _)| matches!(m, Meaning::Control(_)))
        })
}

/// Weighs one finding of the rules; whether it is kept.
fn weigh(
    f: &mut Finding,
    at: usize,
    all: &[Proposal],
    words: &Words<'_>,
    aside: f32,
    lex: &Lexicon,
) -> bool {
    if Some(f.item) == lex.state_item {
        // The track of states takes it for sure: words beside it ("ready for a cuddle") are no doubt of it.
        if aside < least::ASIDE {
            f.doubts.retain(|d| !matches!(d, Doubt::MuchNotUnderstood(_)));
        }
        return true;
    }
    match beside(f, at, all, words) {
        Some((Stands::Agrees, p)) if p.chance() >= least::PROPOSED_SIGN => {
            f.why += &format!("; second reader: {}", p.words(lex));
            if f.number.is_none() && f.range.is_none() && p.judged.is_numeric() {
                (f.number, f.range) = (p.judged.number, p.judged.range);
                f.unit = unit_of(f.item, &p.judged, lex);
            } else if f.value.is_some()
                && f.number.is_some()
                && !p.judged.is_numeric()
                && !p.evidence.measured
            {
                // "Right one", "count five": a number beside the value that only the rules took for one.
                f.doubts.push(Doubt::ReadersDiffer("the second reads no number".into()));
            }
            let doubted = f.doubts.len();
            if p.evidence.unopposed {
                f.doubts.retain(|d| !lifted(d, p.chance()));
            } else if p.chance() >= least::LIFTS_DENIED {
                // "Regular, no gasping": what is denied is another value, when the value is not among
                // what was not understood.
                let other = |words: &str| !says_value(words, f.item, f.value.as_deref(), lex);
                f.doubts.retain(|d| !matches!(d, Doubt::MuchNotUnderstood(w) if other(w)));
            }
            if f.doubts.len() == doubted && p.chance() < least::CONFIRMS && f.doubts.is_empty() {
                f.doubts
                    .push(Doubt::OneReader(format!("the second is not sure: {}", p.words(lex))));
            }
        }
        Some((Stands::OtherSide, p)) if p.chance() >= least::PROPOSED => {
            f.why += &format!("; second reader: {}", p.words(lex));
            if f.side == Some(Side::Unstated) && p.evidence.side && p.chance() >= least::LIFTS {
                // The words beside it say the side that the second reader took.
                f.side = p.side;
                f.doubts.retain(|d| !lifted(d, p.chance()) && *d != Doubt::SideNotSaid);
                if p.chance() < least::STANDS {
                    f.doubts.push(Doubt::OneReader(format!("the side: {}", p.words(lex))));
                }
            } else {
                f.doubts.push(Doubt::ReadersDiffer(format!("the second reads {}", p.words(lex))));
                if f.side.is_none_or(|s| s.opposite().is_none()) {
                    f.side = p.side;
                    f.doubts.retain(|d| *d != Doubt::SideNotSaid);
                }
            }
        }
        Some((Stands::OtherValue, p)) if p.chance() >= least::PROPOSED => {
            let first = shown(f, lex);
            let overruled = !f.doubts.is_empty() || p.chance() >= least::OVERRULES;
            if overruled && p.at.abs_diff(at) <= 3 {
                f.status = p.status;
                f.value.clone_from(&p.judged.value);
                f.wording.clone_from(&p.judged.wording);
                (f.number, f.range) = (p.judged.number, p.judged.range);
                f.unit = unit_of(f.item, &p.judged, lex);
                f.doubts.push(Doubt::ReadersDiffer(format!("the rules read {first}")));
            } else {
                f.doubts.push(Doubt::ReadersDiffer(format!("the second reads {}", p.words(lex))));
            }
        }
        _ => {
            let sign = is_sign(f.item, f.value.as_deref(), lex);
            if !f.is_sure() && (!sign || aside >= least::ASIDE) || aside >= 2.0 * least::ASIDE {
                return false;
            }
            f.doubts.push(Doubt::OneReader("the rules".into()));
        }
    }
    true
}

/// Findings that only the second reader has.
fn add_what_rules_did_not_read(
    read: &mut [Read<'_>],
    all: &[Proposal],
    marks: &HashMap<u64, &Marks>,
    words: &Words<'_>,
    lex: &Lexicon,
) {
    for p in all {
        let least = if p.sign(lex) { least::PROPOSED_SIGN } else { least::PROPOSED };
        if p.chance() < least || Some(p.item) == lex.state_item {
            continue;
        }
        let has = |r: &Read<'_>, k: usize| {
            words.apart(p.word, k) <= NEAR
                && r.reading.findings.iter().any(|f| {
                    f.item == p.item
                        && Side::overlap(f.side, p.side)
                        && covers(f.side, p.side)
                        && (p.same_value(f)
                            || f.doubts.iter().any(|d| matches!(d, Doubt::ReadersDiffer(_))))
                })
        };
        let from = p.at.saturating_sub(8);
        if (from..(p.at + 9).min(read.len())).any(|k| has(&read[k], k)) {
            continue;
        }
        if p.chance() < least::OVERRULES && contradicted(p, read, lex) {
            continue;
        }
        let r = &mut read[p.at];
        let aside = marks.get(&r.seq).map_or(0.0, |m| m.aside);
        let index =
            r.reading.findings.iter().map(|f| f.id.index).max().unwrap_or(0).max(SECOND) + 1;
        let mut doubts = Vec::new();
        if !p.stands(aside) {
            doubts.push(Doubt::OneReader(format!("the second: {}", p.words(lex))));
        }
        if p.side == Some(Side::Unstated) && p.status != Status::Skipped {
            doubts.push(Doubt::SideNotSaid);
        }
        if let Some(why) = &p.judged.implausible {
            doubts.push(Doubt::Implausible(why.clone()));
        }
        r.reading.announced.retain(|i| *i != p.item);
        r.reading.findings.push(Finding {
            id: FindingId { phrase: r.seq, index },
            item: p.item,
            side: p.side,
            status: p.status,
            value: p.judged.value.clone(),
            wording: p.judged.wording.clone(),
            number: p.judged.number,
            range: p.judged.range,
            unit: unit_of(p.item, &p.judged, lex),
            reason: None,
            doubts,
            why: format!("second reader: {}", p.words(lex)),
            corrects: Vec::new(),
            again: false,
            at_ms: r.phrase.start_ms,
        });
    }
}

/// Whether something else was found of the item on that side, by whichever reader. A mark that is not very
/// likely takes no finding's place; would it be a sign, it casts doubt on what reassures.
fn contradicted(p: &Proposal, read: &mut [Read<'_>], lex: &Lexicon) -> bool {
    let mut found = false;
    for f in read.iter_mut().flat_map(|r| &mut r.reading.findings) {
        let other = f.item == p.item && Side::overlap(f.side, p.side) && !p.same_value(f);
        if !other || f.status == Status::Skipped {
            continue;
        }
        found = true;
        if p.sign(lex) && !is_sign(f.item, f.value.as_deref(), lex) && f.is_sure() {
            f.doubts.push(Doubt::ReadersDiffer(format!("the second reads {}", p.words(lex))));
        }
    }
    found
}

/// Findings of the second reader are counted from here on, so that their names never change when the rules
/// come to read more.
const SECOND: u32 = 100;

fn unit_of(item: ItemId, judged: &Judged, lex: &Lexicon) -> Option<String> {
    let number = lex.items[item].number.as_ref().filter(|_| judged.is_numeric())?;
    Some(lex.units[number.unit].id.clone())
}

fn shown(f: &Finding, lex: &Lexicon) -> String {
    let side = f.side.filter(|s| *s != Side::Unstated).map_or("", Side::word);
    format!("{side} {}", wording::of(f, lex)).trim_start().to_owned()
}
