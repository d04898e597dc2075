//! From tokens to atoms: the smallest stretches of a phrase that mean something.

use std::sync::Arc;

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Hit, Meaning, Naming, Saying};
use crate::lexicon::model::{ItemId, Lexicon};
use crate::lexicon::text::{Break, Token, tokenize};

use super::ears::Ears;
use super::numbers::{self, Spoken};
use super::types::Side;

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
    /// Words that correct only where a judgement follows them: first and one past the last token.
    pub mild: Vec<(usize, usize)>,
    /// Words that judge nothing where they stand alone: first and one past the last token.
    pub praise: Vec<(usize, usize)>,
    /// Words that judge, but may be said of anything: first and one past the last token.
    pub bare: Vec<(usize, usize)>,
    /// Tokens of a *right* that may mean *just* ("right at the midline").
    pub just: Vec<usize>,
    /// Words after which a state is not the state at hand: first and one past the last token.
    pub not_a_state: Vec<(usize, usize)>,
    /// Tokens that speak to somebody.
    pub addressed: Vec<usize>,
    /// Tokens that may say more of a finding they stand beside.
    pub qualifiers: Vec<usize>,
    /// Tokens that say nothing of how an item is, and those that measure something else.
    pub idle: Vec<usize>,
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

    /// Whether it names an item outright, in the singular or the plural.
    pub fn names_plainly(&self, lex: &Lexicon) -> bool {
        self.items(lex).iter().any(|(_, n, _)| matches!(n, Naming::Plain | Naming::Plural))
    }

    /// Whether it may be a reason for leaving something out.
    pub fn is_reason(&self, lex: &Lexicon) -> bool {
        self.meanings(lex).any(|(m, _)| matches!(m, Meaning::Reason(_)))
    }

    /// Whether it means a reason and nothing else.
    pub fn means_only_reason(&self, lex: &Lexicon) -> bool {
        self.meanings(lex).all(|(m, _)| matches!(m, Meaning::Reason(_)))
    }

    /// Left or right, if it is one of them.
    pub fn left_or_right(&self, lex: &Lexicon) -> Option<Side> {
        if self.is(lex, Family::Left) {
            Some(Side::Left)
        } else if self.is(lex, Family::Right) {
            Some(Side::Right)
        } else {
            None
        }
    }

    /// Items the stretch names: item, how it is named, whether in the plural.
    pub fn items(&self, lex: &Lexicon) -> Vec<(ItemId, Naming, bool)> {
        let mut out: Vec<(ItemId, Naming, bool)> = Vec::new();
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

impl Cut {
    /// The words of an atom as said.
    pub fn said(&self, atom: usize) -> String {
        let a = &self.atoms[atom];
        self.words(a.from, a.to)
    }

    /// The words of a stretch of tokens, breaks left out.
    pub fn words(&self, from: usize, to: usize) -> String {
        let words: Vec<&str> = self.tokens[from..to]
            .iter()
            .filter(|t| t.brk.is_none())
            .map(|t| t.surface.as_str())
            .collect();
        words.join(" ")
    }

    /// Whether two atoms stand side by side, but for fillers and at most `gap` unknown words.
    pub fn adjacent(&self, a: usize, b: usize, gap: usize) -> bool {
        let (x, y) = (&self.atoms[a], &self.atoms[b]);
        y.from >= x.to
            && self.tokens[x.to..y.from].iter().all(|t| t.brk.is_none())
            && self.unknown.iter().filter(|&&u| u >= x.to && u < y.from).count() <= gap
    }

    /// Whether a comma stands right after an atom.
    pub fn comma_after(&self, atom: &Atom) -> bool {
        self.break_after(atom) == Some(Break::Comma)
    }

    /// The break right after an atom, if there is one.
    pub fn break_after(&self, atom: &Atom) -> Option<Break> {
        self.tokens.get(atom.to).and_then(|t| t.brk)
    }

    /// Whether a breath ends right after an atom: at a break, or with the phrase.
    pub fn ends_breath(&self, atom: &Atom) -> bool {
        self.tokens.get(atom.to).is_none_or(|t| t.brk.is_some())
    }

    /// Whether an atom opens its breath.
    pub fn opens_breath(&self, atom: &Atom) -> bool {
        atom.from == 0 || self.tokens[atom.from - 1].brk.is_some()
    }

    /// Whether all an atom says is in words that judge nothing by themselves (*okay*, *good*).
    pub fn is_praise(&self, atom: &Atom) -> bool {
        (atom.from..atom.to).all(|t| {
            self.tokens[t].brk.is_some() || self.praise.iter().any(|s| (s.0..s.1).contains(&t))
        })
    }

    /// Whether all an atom says may be said of anything (*none*, *fine*).
    pub fn is_bare(&self, atom: &Atom) -> bool {
        self.bare.contains(&(atom.from, atom.to))
    }

    /// Words not understood, of the tokens for which `wanted` holds.
    pub fn unknown_where(&self, wanted: impl Fn(usize) -> bool) -> Vec<&str> {
        self.unknown
            .iter()
            .filter(|&&u| wanted(u))
            .map(|&u| self.tokens[u].surface.as_str())
            .collect()
    }
}

/// Gives the index of sounds. It takes longest of all to make, and is not asked for where every word
/// is understood.
pub type Listening<'e> = &'e dyn Fn() -> Arc<Ears>;

/// Cuts a text into atoms; with `ears`, words that were mistyped or misheard are looked for too.
pub fn cut(text: &str, lex: &Lexicon, ears: Option<(Listening<'_>, &[usize])>) -> Cut {
    let near = ears.map_or(&[][..], |(_, n)| n);
    let mut c = cut_tokens(tokenize(text), near, lex);
    let Some((ears, at_hand)) = ears.filter(|_| !c.unknown.is_empty()) else { return c };
    let ears = ears();
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
    let (groups, sentences, ends) = part(&tokens);
    let spoken = numbers::numbers(&tokens, &lex.number_words);
    let mut hits = lex.matcher.scan(&tokens);
    let mut just: Vec<usize> = Vec::new();
    let perhaps: Vec<(usize, usize)> = hits
        .iter()
        .filter(|h| lex.matcher.meaning(h) == Meaning::Family(Family::PerhapsASide))
        .map(|h| (h.from, h.to))
        .collect();
    hits.retain(|h| {
        let side = lex.matcher.meaning(h) == Meaning::Family(Family::NotASide)
            && perhaps.contains(&(h.from, h.to))
            && may_be_side(h, &tokens, &groups, &sentences);
        if side {
            just.push(h.from);
        }
        !side && may_stand(h, &tokens, lex)
    });
    drop_unspoken_of(&mut hits, at_hand, lex);
    let mut atoms: Vec<Atom> = choose(lex, &hits, &spoken, tokens.len())
        .into_iter()
        .map(|(from, to)| Atom {
            from,
            to,
            group: groups[from],
            sentence: sentences[from],
            hits: hits.iter().filter(|h| (h.from, h.to) == (from, to)).copied().collect(),
            inner: inner(&hits, from, to, lex),
            number: spoken.iter().find(|x| x.from == from && x.to == to).copied(),
            unit: None,
            by_sound: None,
            judges: false,
            negation: false,
        })
        .collect();
    homophones(&tokens, &mut atoms, &groups, &sentences, lex);
    absorb_units(&mut atoms, lex);
    idle_differences(&mut atoms, &tokens);
    for a in &mut atoms {
        a.judges = super::pieces::may_judge(a, lex);
        a.negation = a.is(lex, Family::Negation);
    }
    let stretches_of = |family: Family| -> Vec<(usize, usize)> {
        hits.iter()
            .filter(|h| lex.matcher.meaning(h) == Meaning::Family(family))
            .map(|h| (h.from, h.to))
            .collect()
    };
    let talk = stretches_of(Family::Talk);
    let unknown = (0..tokens.len())
        .filter(|&i| {
            let within = |&(from, to): &(usize, usize)| (from..to).contains(&i);
            tokens[i].brk.is_none()
                && !atoms.iter().any(|a| (a.from..a.to).contains(&i))
                && !lex.matcher.is_filler(&tokens[i].folded)
                && !talk.iter().any(within)
        })
        .collect();
    let second_thoughts = stretches_of(Family::SecondThoughts);
    let not_a_state = stretches_of(Family::NotAState);
    let mild = stretches_of(Family::MildCorrect);
    let praise = stretches_of(Family::Praise);
    let bare = stretches_of(Family::Bare);
    let tokens_of = |family: Family| -> Vec<usize> {
        stretches_of(family).into_iter().flat_map(|(from, to)| from..to).collect()
    };
    let mut idle = tokens_of(Family::Idle);
    for (from, to) in stretches_of(Family::OtherMeasure) {
        let own = atoms.iter_mut().find(|a| a.from >= to && a.group == groups[from]);
        let end = own.and_then(|a| {
            // "One thirty and sats ninety-eight": its number is of no item.
            a.number.as_mut()?.idle = true;
            a.judges = false;
            Some(a.to)
        });
        idle.extend(from..end.unwrap_or(to));
    }
    // Set phrases of talk ("no more than that") say nothing of an item.
    idle.extend(talk.iter().filter(|(from, to)| to - from > 1).flat_map(|&(from, to)| from..to));
    let qualifiers = tokens_of(Family::Qualifier);
    Cut {
        tokens,
        groups,
        sentences,
        ends,
        atoms,
        unknown,
        second_thoughts,
        mild,
        praise,
        bare,
        just,
        not_a_state,
        addressed: tokens_of(Family::Address),
        qualifiers,
        idle,
    }
}

/// Comma group and sentence of each token, and how each sentence ends.
fn part(tokens: &[Token]) -> (Vec<usize>, Vec<usize>, Vec<Option<Break>>) {
    let (mut groups, mut sentences) = (Vec::new(), Vec::new());
    let mut ends: Vec<Option<Break>> = Vec::new();
    let mut group = 0;
    for t in tokens {
        groups.push(group);
        sentences.push(ends.len());
        if let Some(b) = t.brk {
            group += 1;
            if b != Break::Comma {
                ends.push(Some(b));
            }
        }
    }
    // What follows the last full stop, if only silence.
    ends.push(None);
    (groups, sentences, ends)
}

/// "Right at the midline": just there, or the right side? Where it opens a breath, or follows an *and*
/// or *but*, a side can be meant.
fn may_be_side(h: &Hit, tokens: &[Token], groups: &[usize], sentences: &[usize]) -> bool {
    let goes_on = tokens.get(h.to).is_some_and(|t| t.brk.is_none());
    let opens = h.from == 0
        || tokens[h.from - 1].brk.is_some()
        || ["and", "but", "on", "then"].contains(&tokens[h.from - 1].surface.as_str());
    // "Right at the midline, left short of it": each side has a breath of its own.
    let said = |i: usize| matches!(tokens[i].surface.as_str(), "left" | "right");
    let left = (0..tokens.len()).any(|i| {
        sentences[i] == sentences[h.from]
            && tokens[i].surface == "left"
            && groups[i] != groups[h.from]
    }) && !(0..h.from).any(|i| groups[i] == groups[h.from] && said(i));
    goes_on && (opens || left)
}

/// Whether a match may stand where it was found.
fn may_stand(h: &Hit, tokens: &[Token], lex: &Lexicon) -> bool {
    let meaning = lex.matcher.meaning(h);
    // "So no" refuses only where the breath ends.
    if meaning == Meaning::Family(Family::WeakSkip)
        && tokens.get(h.to).is_some_and(|t| t.brk.is_none())
    {
        return false;
    }
    // "On the left it clicks": with an article before it and none but small words after, it is one.
    if meaning == Meaning::Family(Family::NotASide)
        && h.from > 0
        && tokens[h.from - 1].surface == "the"
        && matches!(tokens[h.from].surface.as_str(), "left" | "right")
        && tokens[h.from + 1..h.to].iter().all(|t| lex.matcher.is_filler(&t.folded))
    {
        return false;
    }
    // "… right, left …" is two sides one after the other, not both; nor is "right, up" no side. Only
    // trade phrases and words of command may be cut by a breath ("soft, flat", "no, wait").
    let may_cross = match meaning {
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
}

/// A value that only means something for an item nobody speaks of takes no words from others.
fn drop_unspoken_of(hits: &mut Vec<Hit>, at_hand: &[ItemId], lex: &Lexicon) {
    let mut spoken_of: Vec<ItemId> = at_hand.to_vec();
    for h in hits.iter() {
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
}

/// Shorter matches inside a stretch, longest first. The words of a state's name judge no item: in
/// "deep sleep" nothing is deep but the sleep.
fn inner(hits: &[Hit], from: usize, to: usize, lex: &Lexicon) -> Vec<Hit> {
    let whole = |h: &Hit| (h.from, h.to) == (from, to);
    let names_a_state = hits.iter().filter(|h| whole(h)).any(|h| {
        matches!(lex.matcher.meaning(h), Meaning::State { implied: false, sound: false, .. })
    });
    let judges = |h: &Hit| match lex.matcher.meaning(h) {
        Meaning::Value { how, .. } => how != Saying::Alone,
        Meaning::Concept(_) => true,
        _ => false,
    };
    let mut inner: Vec<Hit> = hits
        .iter()
        .filter(|h| h.from >= from && h.to <= to && !whole(h))
        .filter(|h| !(names_a_state && judges(h)))
        .copied()
        .collect();
    inner.sort_by_key(|h| std::cmp::Reverse(h.words));
    inner
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
            || matches!(m, Meaning::Family(f) if f.stands_beside())
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
        let round = atoms.iter().find(|a| a.to == i).and_then(|a| {
            let n = a.number.filter(|n| n.high.is_none())?;
            (n.value >= 20.0 && n.value % 10.0 == 0.0).then_some((a.from, n.value))
        });
        let side = next.is_some_and(|a| a.left_or_right(lex).is_some());
        let no_number = !atoms
            .iter()
            .any(|a| a.sentence == sentences[i] && a.number.is_some_and(|n| !n.by_sound));
        let (from, value) = match round {
            Some((from, tens)) if !side && value < 10 => (from, tens + f64::from(value)),
            _ if unit || (side && no_number) => (i, f64::from(value)),
            _ => continue,
        };
        let spoken = Spoken { by_sound: true, ..Spoken::plain(from, i + 1, value) };
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

/// "Ten degrees more than the right" is a difference, not a measurement.
fn idle_differences(atoms: &mut [Atom], tokens: &[Token]) {
    for a in atoms {
        let after = |k: usize| tokens.get(a.to + k).map_or("", |t| t.surface.as_str());
        if after(1) == "than"
            && !after(0).is_empty()
            && let Some(n) = a.number.as_mut()
        {
            n.idle = true;
        }
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
