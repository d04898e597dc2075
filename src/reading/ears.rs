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

use super::atoms::{Atom, Cut};
use super::resolve::resolve;
use super::sound::{SoundHit, SoundIndex, Sounds, Strength, competes};

/// Slips of the pen are looked for in words of at least this many letters.
const SHORTEST_SLIP: usize = 5;
/// In words of at least this many letters, two slips may be mended.
const LONG_WORD: usize = 8;
/// Longer sentences are not searched by sound: nobody says so much in one breath, and the search
/// must not keep the listener waiting.
const LONGEST_SENTENCE: usize = 60;

/// The index of the lexicon's trade phrases by sound.
#[derive(Debug)]
pub struct Ears {
    index: SoundIndex,
    /// For each id of the index, the lexicon entries with that phrase.
    entries: Vec<Vec<usize>>,
    phrases: Vec<String>,
    /// Folded words of the lexicon's trade phrases, with a surface.
    words: Vec<(String, String)>,
    /// What was found in sentences searched before. An exam is rebuilt whenever something in it is
    /// settled or a page of it is asked for, and its sentences are the same each time.
    found: Mutex<HashMap<String, Arc<Vec<SoundHit>>>>,
}

/// Most sentences whose hits are kept.
const MOST_KEPT: usize = 4096;

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
        Ears { index, entries, phrases, words, found: Mutex::default() }
    }

    /// The trade phrases that sound like a stretch of a sentence. They hang on its words alone.
    fn search(&self, words: &[&str]) -> Arc<Vec<SoundHit>> {
        let sentence = words.join(" ");
        let kept = || self.found.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(hits) = kept().get(&sentence) {
            return Arc::clone(hits);
        }
        // Not under the lock: exams of an archive are read side by side.
        let hits = Arc::new(self.index.search(words, self.index.widest()));
        let mut kept = kept();
        if kept.len() >= MOST_KEPT {
            kept.clear();
        }
        kept.insert(sentence, Arc::clone(&hits));
        hits
    }

    /// Slips of the pen among the words not understood: the token, and the word it is taken for.
    pub fn mend(&self, tokens: &[Token], unknown: &[usize], lex: &Lexicon) -> Vec<(usize, String)> {
        let sounds = Sounds::shipped();
        let mut out = Vec::new();
        for &u in unknown {
            let t = &tokens[u];
            if t.surface.len() < SHORTEST_SLIP || t.is_digits() || sounds.is_known(&t.surface) {
                continue;
            }
            let most = if t.folded.len() >= LONG_WORD { 2 } else { 1 };
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

    /// Looks for trade phrases by sound in one sentence.
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
        if at.is_empty() || at.len() > LONGEST_SENTENCE {
            return;
        }
        let words: Vec<&str> = at.iter().map(|&i| cut.tokens[i].surface.as_str()).collect();
        let hits = self.search(&words);
        let mut items: Vec<ItemId> = cut
            .atoms
            .iter()
            .filter(|a| a.sentence == s)
            .flat_map(|a| a.items(lex).into_iter().map(|(i, _, _)| i))
            .collect();
        // Items first: a value is only looked for once its item is known.
        for values in [false, true] {
            for h in hits.iter() {
                let (from, to) = (at[h.words.start], at[h.words.end - 1] + 1);
                let strength = self.index.strength(h);
                if strength < Strength::InContext
                    || new.iter().any(|a| a.from < to && a.to > from)
                    || !has_room(cut, from, to, strength, lex)
                    || self.may_be_another(h, &hits, lex)
                {
                    continue;
                }
                let found = Found::new(from, to, strength, &self.entries[h.id as usize], lex);
                let accepted = if values {
                    found.is_wanted_value(&items, at_hand)
                } else {
                    found.is_wanted_name(cut, s, lex)
                };
                if accepted {
                    items.extend(&found.named);
                    let heard = words[h.words.clone()].join(" ");
                    new.push(self.atom(&found, h, &heard, cut));
                }
            }
        }
    }

    /// Whether a phrase may as well be another that means something else; then it is not taken.
    fn may_be_another(&self, h: &SoundHit, hits: &[SoundHit], lex: &Lexicon) -> bool {
        let margin = self.index.sounds().confusion().gates().margin;
        let inside = |o: &SoundHit| {
            o.words.start >= h.words.start
                && o.words.end <= h.words.end
                && o.words.len() < h.words.len()
        };
        hits.iter()
            .any(|o| !inside(o) && competes(h, o, margin) && !self.same_meaning(h.id, o.id, lex))
    }

    /// The atom of a phrase found by sound.
    fn atom(&self, found: &Found, h: &SoundHit, heard: &str, cut: &Cut) -> Atom {
        let Found { from, to, .. } = *found;
        let phrase = &self.phrases[h.id as usize];
        Atom {
            from,
            to,
            group: cut.groups[from],
            sentence: cut.sentences[from],
            hits: self.entries[h.id as usize]
                .iter()
                .map(|&entry| Hit { from, to, entry, words: to - from, plural: false })
                .collect(),
            inner: Vec::new(),
            number: None,
            unit: None,
            by_sound: Some(format!("\"{heard}\" as \"{phrase}\" (distance {:.2} a phone)", h.cost)),
            judges: found.named.is_empty(),
            negation: false,
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

/// A trade phrase found by sound, and what it may mean.
struct Found {
    from: usize,
    to: usize,
    strength: Strength,
    meanings: Vec<Meaning>,
    /// Items it names.
    named: Vec<ItemId>,
}

impl Found {
    fn new(from: usize, to: usize, strength: Strength, entries: &[usize], lex: &Lexicon) -> Found {
        let meanings: Vec<Meaning> =
            entries.iter().map(|&e| lex.matcher.entries[e].meaning).collect();
        let named = meanings
            .iter()
            .filter_map(|m| match m {
                Meaning::Item(i, _) => Some(*i),
                _ => None,
            })
            .collect();
        Found { from, to, strength, meanings, named }
    }

    /// Whether it is a value of an item that is spoken of, or one that says by itself, and clearly
    /// enough, what it is of. `items`: items the sentence names.
    fn is_wanted_value(&self, items: &[ItemId], at_hand: &[ItemId]) -> bool {
        let plausible = self.strength >= Strength::Plausible;
        let words = self.to - self.from;
        let is = |wanted: fn(&Meaning) -> bool| self.meanings.iter().any(wanted);
        let concept = is(|m| matches!(m, Meaning::Concept(_)));
        let state = is(|m| matches!(m, Meaning::State { .. }));
        let alone = is(|m| matches!(m, Meaning::Value { how: Saying::Alone, .. }));
        let of_any = |of: &[ItemId]| {
            self.meanings
                .iter()
                .any(|m| matches!(m, Meaning::Value { item, .. } if of.contains(item)))
        };
        self.named.is_empty()
            && ((concept && !items.is_empty() && plausible)
                || of_any(items)
                || (items.is_empty() && of_any(at_hand) && plausible)
                || (state && plausible)
                || (alone
                    && words >= 2
                    && (self.strength == Strength::NearCertain
                        || (words >= 3 && self.strength == Strength::Plausible))))
    }

    /// Whether it names an item, and a judgement that fits stands beside it in the sentence, unless
    /// the sound is all but the same.
    fn is_wanted_name(&self, cut: &Cut, sentence: usize, lex: &Lexicon) -> bool {
        let judges = |a: &Atom| {
            a.is(lex, Family::Skip)
                || a.is(lex, Family::NotObtained)
                || self.named.iter().any(|&i| {
                    resolve(cut, a, i, false, true, lex)
                        .is_some_and(|j| !j.stated && j.implausible.is_none())
                })
        };
        !self.named.is_empty()
            && (self.strength == Strength::NearCertain
                || cut.atoms.iter().any(|a| {
                    a.sentence == sentence && (a.to <= self.from || a.from >= self.to) && judges(a)
                }))
    }
}

fn confusable(lex: &Lexicon, a: &str, b: &str) -> bool {
    let has =
        |g: &[String], w: &str| g.iter().any(|x| x.split(' ').any(|p| fold(p) == w || p == w));
    a != b && lex.confusables.iter().any(|g| has(g, a) && has(g, b))
}

/// Whether a phrase may be heard there: within one breath, over words not understood, and over what
/// was understood only where that may give way.
fn has_room(cut: &Cut, from: usize, to: usize, strength: Strength, lex: &Lexicon) -> bool {
    let strong = strength >= Strength::Plausible && to - from >= 2;
    cut.unknown.iter().any(|&u| (from..to).contains(&u))
        && cut.tokens[from..to].iter().all(|t| t.brk.is_none())
        && may_override(cut, from, to, strong, lex)
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
