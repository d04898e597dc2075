//! Words that were misheard or mistyped: the nearest lexicon phrase, with the distance kept.
//!
//! Exact matches come first and keep their words. A word the dictionary does not know is first
//! taken for a slip of the pen (edit distance over the lexicon's words); what is then still not
//! understood is looked for by sound across word breaks. Whatever is found here carries the words
//! that were heard, and no finding that rests on it is ever certain.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex, PoisonError};

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Hit, Meaning, Naming, Saying};
use crate::lexicon::model::{ItemId, Lexicon};
use crate::lexicon::text::{Token, fold};

use super::assemble::resolve;
use super::atoms::{Atom, Cut};
use super::sound::{SoundHit, SoundIndex, Sounds, Strength, competes};

/// Slips of the pen are looked for in words of at least this many letters.
const SHORTEST_SLIP: usize = 5;

/// The index of the lexicon's trade phrases by sound.
#[derive(Debug)]
pub struct Ears {
    index: SoundIndex,
    /// For each id of the index, the lexicon entries with that phrase.
    entries: Vec<Vec<usize>>,
    phrases: Vec<String>,
    /// Folded words of the lexicon's trade phrases, with a surface.
    words: Vec<(String, String)>,
}

fn is_trade(m: Meaning) -> bool {
    matches!(
        m,
        Meaning::Item(_, Naming::Plain | Naming::Plural)
            | Meaning::Value { how: Saying::InContext | Saying::Alone | Saying::Yields, .. }
            | Meaning::State { implied: false, sound: false, .. }
            | Meaning::Concept(_)
    )
}

impl Ears {
    /// The index of that lexicon, built once for each lexicon (they are told apart by their
    /// digest).
    pub fn of(lex: &Lexicon) -> Arc<Ears> {
        static BUILT: Mutex<Vec<(String, Arc<Ears>)>> = Mutex::new(Vec::new());
        // A poisoned lock only means that another thread failed while building; the list is whole.
        let mut built = BUILT.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, ears)) = built.iter().find(|(d, _)| *d == lex.digest) {
            return ears.clone();
        }
        let ears = Arc::new(Ears::new(lex));
        built.push((lex.digest.clone(), ears.clone()));
        ears
    }

    /// Builds the index.
    pub fn new(lex: &Lexicon) -> Ears {
        let mut ids: HashMap<String, usize> = HashMap::new();
        let mut phrases: Vec<String> = Vec::new();
        let mut entries: Vec<Vec<usize>> = Vec::new();
        let mut words: HashMap<String, String> = HashMap::new();
        for (i, e) in lex.matcher.entries.iter().enumerate() {
            if !is_trade(e.meaning) {
                continue;
            }
            for w in &e.words {
                if w.folded.len() >= SHORTEST_SLIP {
                    words.entry(w.folded.clone()).or_insert_with(|| w.surface.clone());
                }
            }
            let phrase = lex.matcher.phrase(i);
            let id = *ids.entry(phrase.clone()).or_insert_with(|| {
                phrases.push(phrase);
                entries.push(Vec::new());
                phrases.len() - 1
            });
            entries[id].push(i);
        }
        let index = SoundIndex::new(
            phrases
                .iter()
                .enumerate()
                .map(|(i, p)| (u32::try_from(i).unwrap_or(u32::MAX), p.as_str(), None)),
        );
        let mut words: Vec<(String, String)> = words.into_iter().collect();
        words.sort();
        Ears { index, entries, phrases, words }
    }

    /// Tokens with slips of the pen mended, and where: token, as written, as taken.
    pub fn mend(&self, tokens: &[Token], unknown: &[usize], lex: &Lexicon) -> Vec<(usize, String)> {
        let sounds = Sounds::shipped();
        let mut out = Vec::new();
        for &u in unknown {
            let t = &tokens[u];
            if t.surface.len() < SHORTEST_SLIP || t.is_digits() || known(&sounds, &t.surface) {
                continue;
            }
            let most = if t.folded.len() >= 8 { 2 } else { 1 };
            let mut near: Vec<(usize, &(String, String))> = self
                .words
                .iter()
                .map(|w| (strsim::damerau_levenshtein(&t.folded, &w.0), w))
                .filter(|(d, _)| *d <= most)
                .collect();
            near.sort();
            let Some(&(d, best)) = near.first() else { continue };
            let rival = near[1..].iter().any(|(e, w)| {
                *e == d && w.0 != best.0 || *e <= d + 1 && confusable(lex, &best.0, &w.0)
            });
            if !rival {
                out.push((u, best.1.clone()));
            }
        }
        out
    }

    /// Adds atoms for trade phrases found by sound where the exact scan left words over.
    pub fn listen(&self, cut: &mut Cut, at_hand: &[ItemId], lex: &Lexicon) {
        if cut.unknown.is_empty() {
            return;
        }
        let sentences: HashSet<usize> = cut.unknown.iter().map(|&u| cut.sentences[u]).collect();
        let mut new: Vec<Atom> = Vec::new();
        for s in sentences {
            self.sentence(cut, s, at_hand, lex, &mut new);
        }
        for atom in new {
            // What it covers that was only half understood gives way.
            cut.atoms.retain(|a| a.to <= atom.from || a.from >= atom.to);
            cut.unknown.retain(|&u| u < atom.from || u >= atom.to);
            cut.atoms.push(atom);
        }
        cut.atoms.sort_by_key(|a| a.from);
    }

    fn sentence(
        &self,
        cut: &Cut,
        s: usize,
        at_hand: &[ItemId],
        lex: &Lexicon,
        new: &mut Vec<Atom>,
    ) {
        let at: Vec<usize> = (0..cut.tokens.len())
            .filter(|&i| cut.sentences[i] == s && cut.tokens[i].brk.is_none())
            .collect();
        if at.is_empty() || at.len() > 60 {
            return;
        }
        let words: Vec<&str> = at.iter().map(|&i| cut.tokens[i].surface.as_str()).collect();
        let hits = self.index.search(&words, self.index.widest());
        let same = |a: u32, b: u32| self.same_meaning(a, b, lex);
        let margin = self.index.sounds().confusion().gates().margin;
        let mut items: Vec<ItemId> = cut
            .atoms
            .iter()
            .filter(|a| a.sentence == s)
            .flat_map(|a| a.items(lex).into_iter().map(|(i, _, _)| i))
            .collect();
        // Items first: a value is only looked for once its item is known.
        for values in [false, true] {
            for h in &hits {
                let (from, to) = (at[h.words.start], at[h.words.end - 1] + 1);
                let entries = &self.entries[h.id as usize];
                let strength = self.index.strength(h);
                if strength < Strength::InContext
                    || new.iter().any(|a| a.from < to && a.to > from)
                    || !covers_unknown(cut, from, to)
                    || !may_override(
                        cut,
                        from,
                        to,
                        strength >= Strength::Plausible && to - from >= 2,
                        lex,
                    )
                    || crosses_break(cut, from, to)
                {
                    continue;
                }
                // A phrase that may as well be another is not taken at all.
                let inside = |o: &SoundHit| {
                    o.words.start >= h.words.start
                        && o.words.end <= h.words.end
                        && o.words.len() < h.words.len()
                };
                if hits.iter().any(|o| !inside(o) && competes(h, o, margin) && !same(h.id, o.id)) {
                    continue;
                }
                let meanings: Vec<Meaning> =
                    entries.iter().map(|&e| lex.matcher.entries[e].meaning).collect();
                let named: Vec<ItemId> = meanings
                    .iter()
                    .filter_map(|m| match m {
                        Meaning::Item(i, _) => Some(*i),
                        _ => None,
                    })
                    .collect();
                let alone =
                    meanings.iter().any(|m| matches!(m, Meaning::Value { how: Saying::Alone, .. }));
                let state = meanings.iter().any(|m| matches!(m, Meaning::State { .. }));
                let accepted = if values {
                    let of: Vec<ItemId> = meanings
                        .iter()
                        .filter_map(|m| match m {
                            Meaning::Value { item, .. } => Some(*item),
                            _ => None,
                        })
                        .collect();
                    let concept = meanings.iter().any(|m| matches!(m, Meaning::Concept(_)));
                    named.is_empty()
                        && ((concept && !items.is_empty() && strength >= Strength::Plausible)
                            || of.iter().any(|i| items.contains(i))
                            || (items.is_empty()
                                && of.iter().any(|i| at_hand.contains(i))
                                && strength >= Strength::Plausible)
                            || (state && strength >= Strength::Plausible)
                            || (alone
                                && to - from >= 2
                                && (strength == Strength::NearCertain
                                    || (to - from >= 3 && strength == Strength::Plausible))))
                } else {
                    // A judgement that fits must stand beside it, unless the sound is all but the
                    // same.
                    !named.is_empty()
                        && (strength == Strength::NearCertain
                            || cut.atoms.iter().any(|a| {
                                a.sentence == s
                                    && (a.to <= from || a.from >= to)
                                    && named.iter().any(|&i| {
                                        resolve(cut, a, i, false, true, lex)
                                            .is_some_and(|j| !j.stated && j.implausible.is_none())
                                            || a.is(lex, Family::Skip)
                                            || a.is(lex, Family::NotObtained)
                                    })
                            }))
                };
                if !accepted {
                    continue;
                }
                items.extend(&named);
                let heard = words[h.words.clone()].join(" ");
                let phrase = &self.phrases[h.id as usize];
                new.push(Atom {
                    from,
                    to,
                    group: cut.groups[from],
                    sentence: s,
                    hits: entries
                        .iter()
                        .map(|&entry| Hit { from, to, entry, words: to - from, plural: false })
                        .collect(),
                    inner: Vec::new(),
                    number: None,
                    unit: None,
                    by_sound: Some(format!(
                        "\"{heard}\" as \"{phrase}\" (distance {:.2} a phone)",
                        h.cost
                    )),
                    judges: named.is_empty(),
                    negation: false,
                });
            }
        }
    }

    fn same_meaning(&self, a: u32, b: u32, lex: &Lexicon) -> bool {
        let of = |id: u32| -> HashSet<(ItemId, Option<usize>)> {
            self.entries[id as usize]
                .iter()
                .filter_map(|&e| match lex.matcher.entries[e].meaning {
                    Meaning::Item(i, _) => Some((i, None)),
                    Meaning::Value { item, value, .. } => Some((item, Some(value))),
                    _ => None,
                })
                .collect()
        };
        let (x, y) = (of(a), of(b));
        x.iter().any(|m| {
            y.contains(m) || y.iter().any(|n| n.0 == m.0 && (n.1.is_none() || m.1.is_none()))
        }) || (x.is_empty() && y.is_empty())
    }
}

/// Whether the dictionary knows the word.
fn known(sounds: &Sounds, word: &str) -> bool {
    sounds.is_known(word)
}

fn confusable(lex: &Lexicon, a: &str, b: &str) -> bool {
    let has =
        |g: &[String], w: &str| g.iter().any(|x| x.split(' ').any(|p| fold(p) == w || p == w));
    a != b && lex.confusables.iter().any(|g| has(g, a) && has(g, b))
}

fn covers_unknown(cut: &Cut, from: usize, to: usize) -> bool {
    cut.unknown.iter().any(|&u| (from..to).contains(&u))
}

/// Whether what the exact scan made of the words may give way: only single words that say little on
/// their own, or, to a longer phrase that sounds plausible, any single word but a name or a side.
fn may_override(cut: &Cut, from: usize, to: usize, strong: bool, lex: &Lexicon) -> bool {
    cut.atoms.iter().filter(|a| a.from < to && a.to > from).all(|a| {
        a.to - a.from == 1
            && a.meanings(lex).all(|(m, _)| match m {
                Meaning::Item(_, n) => matches!(n, Naming::Weak | Naming::Sound),
                Meaning::Family(f) => {
                    !matches!(f, Family::Negation | Family::Left | Family::Right | Family::Both)
                }
                Meaning::Group(_) | Meaning::Unit(_) => true,
                _ => strong,
            })
    })
}

fn crosses_break(cut: &Cut, from: usize, to: usize) -> bool {
    cut.tokens[from..to].iter().any(|t| t.brk.is_some())
}
