//! From tokens to atoms: the smallest stretches of a phrase that mean something.

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Hit, Meaning, Naming, Saying};
use crate::lexicon::model::{ItemId, Lexicon};
use crate::lexicon::text::{Break, Token, tokenize};

use super::ears::Ears;
use super::numbers::{self, Spoken};

/// The smallest stretch of a phrase that means something.
#[derive(Debug, Clone)]
pub struct Atom {
    /// First token.
    pub from: usize,
    /// One past the last token.
    pub to: usize,
    /// Comma group it stands in, counted through the phrase.
    pub group: usize,
    /// Sentence it stands in.
    pub sentence: usize,
    /// All that the stretch may mean.
    pub hits: Vec<Hit>,
    /// What shorter stretches inside it may mean, longest first.
    pub inner: Vec<Hit>,
    /// A number.
    pub number: Option<Spoken>,
    /// Unit said after the number.
    pub unit: Option<usize>,
    /// Matched by sound, with a word on it.
    pub by_sound: Option<String>,
    /// Whether it can be a judgement.
    pub judges: bool,
    /// Whether it is a negation.
    pub negation: bool,
}

/// A phrase cut into atoms.
#[derive(Debug)]
pub struct Cut {
    /// Its tokens.
    pub tokens: Vec<Token>,
    /// Comma group of each token.
    pub groups: Vec<usize>,
    /// Sentence of each token.
    pub sentences: Vec<usize>,
    /// How each sentence ends.
    pub ends: Vec<Option<Break>>,
    /// Atoms in order, not overlapping.
    pub atoms: Vec<Atom>,
    /// Tokens that belong to no atom, are no filler and no ordinary talk.
    pub unknown: Vec<usize>,
    /// Words that cast doubt on what was said last: first and one past the last token. They stand
    /// beside the atoms and take no words from them.
    pub second_thoughts: Vec<(usize, usize)>,
    /// Words after which a state is not the infant's state now: first and one past the last token.
    pub not_a_state: Vec<(usize, usize)>,
}

impl Atom {
    /// Meanings of the whole stretch.
    pub fn meanings<'a>(&'a self, lex: &'a Lexicon) -> impl Iterator<Item = (Meaning, &'a Hit)> {
        self.hits.iter().map(|h| (lex.matcher.meaning(h), h))
    }

    /// Whether it is of that family.
    pub fn is(&self, lex: &Lexicon, family: Family) -> bool {
        self.meanings(lex).any(|(m, _)| m == Meaning::Family(family))
    }

    /// Items the stretch names, and how.
    pub fn items(&self, lex: &Lexicon) -> Vec<(usize, Naming, bool)> {
        let mut out: Vec<(usize, Naming, bool)> = Vec::new();
        for (m, h) in self.meanings(lex) {
            if let Meaning::Item(i, n) = m
                && !out.iter().any(|(k, _, _)| *k == i)
            {
                out.push((i, n, h.plural));
            }
        }
        out
    }
}

/// Cuts a text into atoms; with `ears`, words that were mistyped or misheard are looked for too.
pub fn cut(text: &str, lex: &Lexicon, ears: Option<(&Ears, &[usize])>) -> Cut {
    let near = ears.map_or(&[][..], |(_, n)| n);
    let mut c = cut_tokens(tokenize(text), near, lex);
    let Some((ears, at_hand)) = ears.filter(|_| !c.unknown.is_empty()) else { return c };
    let mended = ears.mend(&c.tokens, &c.unknown, lex);
    if !mended.is_empty() {
        let mut tokens = c.tokens.clone();
        for (i, word) in &mended {
            tokens[*i].folded = crate::lexicon::text::fold(word);
        }
        c = cut_tokens(tokens, near, lex);
        for a in &mut c.atoms {
            if let Some((i, word)) = mended.iter().find(|(i, _)| (a.from..a.to).contains(i)) {
                a.by_sound = Some(format!("\"{}\" as \"{word}\"", c.tokens[*i].surface));
            }
        }
    }
    ears.listen(&mut c, at_hand, lex);
    c
}

fn cut_tokens(tokens: Vec<Token>, at_hand: &[ItemId], lex: &Lexicon) -> Cut {
    let n = tokens.len();
    let (mut groups, mut sentences) = (vec![0; n], vec![0; n]);
    let mut ends: Vec<Option<Break>> = vec![None];
    let (mut g, mut s) = (0, 0);
    for (i, t) in tokens.iter().enumerate() {
        groups[i] = g;
        sentences[i] = s;
        if let Some(b) = t.brk {
            g += 1;
            if b != Break::Comma {
                ends[s] = Some(b);
                s += 1;
                ends.push(None);
            }
        }
    }
    let spoken = numbers::numbers(&tokens, &lex.number_words);
    let mut hits = lex.matcher.scan(&tokens);
    // "… right, left …" is two sides one after the other, not both; nor is "right, up" no side. Only
    // trade phrases and words of command may be cut by a breath ("soft, flat", "no, wait").
    hits.retain(|h| {
        let may_cross = match lex.matcher.meaning(h) {
            Meaning::Family(f) => {
                matches!(f, Family::Correct | Family::Strike | Family::Withdraw)
                    || tokens[h.from].surface == "not"
            }
            Meaning::Item(_, Naming::Sound)
            | Meaning::Value { how: Saying::Sound, .. }
            | Meaning::State { sound: true, .. } => false,
            _ => true,
        };
        may_cross || tokens[h.from..h.to].iter().all(|t| t.brk.is_none())
    });
    // "So no" refuses only where the breath ends.
    hits.retain(|h| {
        lex.matcher.meaning(h) != Meaning::Family(Family::WeakSkip)
            || tokens.get(h.to).is_none_or(|t| t.brk.is_some())
    });
    // A value that only means something for an item nobody speaks of takes no words from others.
    let mut spoken_of: Vec<ItemId> = at_hand.to_vec();
    for h in &hits {
        match lex.matcher.meaning(h) {
            Meaning::Item(i, _) | Meaning::Value { item: i, how: Saying::Alone, .. } => {
                spoken_of.push(i);
            }
            Meaning::Group(g) => spoken_of.extend(&lex.groups[g].items),
            _ => {}
        }
    }
    hits.retain(|h| match lex.matcher.meaning(h) {
        Meaning::Value { item, how, .. } => how == Saying::Alone || spoken_of.contains(&item),
        _ => true,
    });
    let chosen = choose(lex, &hits, &spoken, n);
    let mut atoms: Vec<Atom> = Vec::new();
    for (from, to) in chosen {
        let same: Vec<Hit> =
            hits.iter().filter(|h| h.from == from && h.to == to).copied().collect();
        let mut inner: Vec<Hit> = hits
            .iter()
            .filter(|h| h.from >= from && h.to <= to && (h.from, h.to) != (from, to))
            .copied()
            .collect();
        inner.sort_by_key(|h| std::cmp::Reverse(h.words));
        let number = spoken.iter().find(|x| x.from == from && x.to == to).copied();
        atoms.push(Atom {
            from,
            to,
            group: groups[from],
            sentence: sentences[from],
            hits: same,
            inner,
            number,
            unit: None,
            by_sound: None,
            judges: false,
            negation: false,
        });
    }
    homophones(&tokens, &mut atoms, &groups, &sentences, lex);
    absorb_units(&mut atoms, lex);
    // "Ten degrees more than the right" is a difference, not a measurement.
    for a in &mut atoms {
        let after = |k: usize| tokens.get(a.to + k).map_or("", |t| t.surface.as_str());
        if after(1) == "than"
            && !after(0).is_empty()
            && let Some(n) = a.number.as_mut()
        {
            n.idle = true;
        }
    }
    for a in &mut atoms {
        a.judges = super::assemble::may_judge(a, lex);
        a.negation = a.is(lex, Family::Negation);
    }
    let mut used = vec![false; n];
    for a in &atoms {
        used[a.from..a.to].iter_mut().for_each(|u| *u = true);
    }
    let talk: Vec<(usize, usize)> = hits
        .iter()
        .filter(|h| lex.matcher.meaning(h) == Meaning::Family(Family::Talk))
        .map(|h| (h.from, h.to))
        .collect();
    let unknown = (0..n)
        .filter(|&i| {
            tokens[i].brk.is_none()
                && !used[i]
                && !lex.matcher.is_filler(&tokens[i].folded)
                && !talk.iter().any(|(a, b)| (*a..*b).contains(&i))
        })
        .collect();
    let beside = |family: Family| -> Vec<(usize, usize)> {
        hits.iter()
            .filter(|h| lex.matcher.meaning(h) == Meaning::Family(family))
            .map(|h| (h.from, h.to))
            .collect()
    };
    let second_thoughts = beside(Family::SecondThoughts);
    let not_a_state = beside(Family::NotAState);
    Cut { tokens, groups, sentences, ends, atoms, unknown, second_thoughts, not_a_state }
}

/// Chooses the stretches that together explain the text best: long ones first, since a longer
/// match is far less likely to be chance (weighted interval scheduling).
fn choose(lex: &Lexicon, hits: &[Hit], spoken: &[Spoken], n: usize) -> Vec<(usize, usize)> {
    let mut spans: std::collections::BTreeMap<(usize, usize), u32> =
        std::collections::BTreeMap::new();
    for h in hits {
        let m = lex.matcher.meaning(h);
        // One word of ordinary talk explains nothing; a set phrase ("good morning") does.
        if m == Meaning::Family(Family::Talk) && h.words < 2
            || matches!(m, Meaning::Family(Family::SecondThoughts | Family::NotAState))
        {
            continue;
        }
        let words = u32::try_from(h.words).unwrap_or(u32::MAX).min(30);
        let bonus = match m {
            Meaning::Item(_, Naming::Plain | Naming::Plural) | Meaning::Value { .. } => 2,
            Meaning::Family(Family::NotASide) => 5,
            Meaning::Family(_) => 0,
            _ => 1,
        };
        let weight = match m {
            // Small words must not outweigh a value that holds them ("is not" and "not tense").
            Meaning::Family(
                Family::Negation | Family::Because | Family::Was | Family::Range | Family::Doing,
            ) => 15 * words - 7,
            Meaning::Family(Family::Skip | Family::NotObtained) => words * words * 10 + 3,
            Meaning::Family(Family::Defer) => words * words * 10 + 4,
            _ => words * words * 10 + bonus,
        };
        let w = spans.entry((h.from, h.to)).or_default();
        *w = (*w).max(weight);
    }
    for s in spoken {
        let words = u32::try_from(s.to - s.from).unwrap_or(1).min(30);
        let w = spans.entry((s.from, s.to)).or_default();
        *w = (*w).max(words * words * 10 + 3);
    }
    // best[i]: best weight of tokens [0, i), with the span that ends there.
    let mut best: Vec<(u32, Option<(usize, usize)>)> = vec![(0, None); n + 1];
    let mut by_end: Vec<Vec<(usize, u32)>> = vec![Vec::new(); n + 1];
    for (&(from, to), &w) in &spans {
        by_end[to].push((from, w));
    }
    for i in 1..=n {
        best[i] = (best[i - 1].0, None);
        for &(from, w) in &by_end[i] {
            let total = best[from].0 + w;
            if total > best[i].0 {
                best[i] = (total, Some((from, i)));
            }
        }
    }
    let mut out = Vec::new();
    let mut i = n;
    while i > 0 {
        if let Some((from, to)) = best[i].1 {
            out.push((from, to));
            i = from;
        } else {
            i -= 1;
        }
    }
    out.reverse();
    out
}

/// Words that sound like a number, where a number is wanted: before a unit ("for beats"), after a
/// round number ("one forty for breathing"), or beside a side in a sentence without any number
/// ("to right and to left"). What is taken so is marked and never certain.
fn homophones(
    tokens: &[Token],
    atoms: &mut Vec<Atom>,
    groups: &[usize],
    sentences: &[usize],
    lex: &Lexicon,
) {
    let words = &lex.number_words.homophones;
    for (i, t) in tokens.iter().enumerate() {
        let Some(&value) = words.get(&t.surface) else { continue };
        let taken = atoms.iter().any(|a| a.from <= i && i < a.to && a.to - a.from > 1);
        if taken {
            continue;
        }
        let next = atoms.iter().find(|a| a.from == i + 1);
        let unit =
            next.is_some_and(|a| a.meanings(lex).any(|(m, _)| matches!(m, Meaning::Unit(_))));
        let round = atoms.iter().position(|a| {
            a.to == i
                && a.number
                    .is_some_and(|n| n.high.is_none() && n.value >= 20.0 && n.value % 10.0 == 0.0)
        });
        let ends = next.is_none_or(|a| !a.is(lex, Family::Left) && !a.is(lex, Family::Right));
        let side = next.is_some_and(|a| a.is(lex, Family::Left) || a.is(lex, Family::Right));
        let no_number = !atoms
            .iter()
            .any(|a| a.sentence == sentences[i] && a.number.is_some_and(|n| !n.by_sound));
        let sound = |from: usize, value: f64| Spoken {
            from,
            to: i + 1,
            value,
            high: None,
            idle: false,
            graded: false,
            by_sound: true,
        };
        let (from, spoken) = if let Some(k) = round.filter(|_| ends && value < 10) {
            let n = atoms[k].number.expect("just seen");
            (atoms[k].from, sound(atoms[k].from, n.value + f64::from(value)))
        } else if unit || (side && no_number) {
            (i, sound(i, f64::from(value)))
        } else {
            continue;
        };
        let heard: Vec<&str> = tokens[from..=i].iter().map(|t| t.surface.as_str()).collect();
        let text = format!("\"{}\" as {}", heard.join(" "), spoken.value);
        atoms.retain(|a| a.to <= from || a.from > i);
        atoms.push(Atom {
            from,
            to: i + 1,
            group: groups[from],
            sentence: sentences[from],
            hits: Vec::new(),
            inner: Vec::new(),
            number: Some(spoken),
            unit: None,
            by_sound: Some(text),
            judges: true,
            negation: false,
        });
        atoms.sort_by_key(|a| a.from);
    }
}

/// A unit right after a number belongs to it.
fn absorb_units(atoms: &mut Vec<Atom>, lex: &Lexicon) {
    let mut i = 0;
    while i + 1 < atoms.len() {
        let unit = atoms[i].number.and_then(|n| {
            let next = &atoms[i + 1];
            (next.number.is_none() && next.from <= n.to + 1 && next.sentence == atoms[i].sentence)
                .then(|| {
                    next.meanings(lex).find_map(|(m, _)| match m {
                        Meaning::Unit(u) => Some(u),
                        _ => None,
                    })
                })
                .flatten()
        });
        if let Some(u) = unit {
            atoms[i].unit = Some(u);
            atoms[i].to = atoms[i + 1].to;
            // The unit may be more than a unit ("flashes"): keep it if it names an item.
            atoms.remove(i + 1);
        }
        i += 1;
    }
}
