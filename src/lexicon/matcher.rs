//! Finds every lexicon phrase in a text, word for word.
//!
//! One aho-corasick automaton for phrases in which fillers do not count (items, values,
//! concepts) and one for families in which they do ("I won't", "it was"). Every match is
//! returned, overlapping ones too: which of them is meant depends on the item at hand, and that
//! is the reader's business.

use std::collections::{HashMap, HashSet};
use std::fmt;

use aho_corasick::AhoCorasick;

use super::family::Family;
use super::model::ItemId;
use super::pattern::PatternWord;
use super::text::{Break, Token};

/// How a phrase names an item.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Naming {
    /// It names the item.
    Plain,
    /// It names both sides of it at once.
    Plural,
    /// It names the item only beside one of its values, or as a topic.
    Weak,
    /// It is how a recogniser spells the name.
    Sound,
}

/// How a phrase says a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Saying {
    /// Once the item is known.
    InContext,
    /// It names the item too.
    Alone,
    /// Unless a more telling phrase stands beside it.
    Yields,
    /// It is how a recogniser spells it.
    Sound,
}

/// What a phrase means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Meaning {
    /// An item.
    Item(ItemId, Naming),
    /// A group of items.
    Group(usize),
    /// A value of an item.
    Value {
        /// Item.
        item: ItemId,
        /// Index of the value.
        value: usize,
        /// How the phrase says it.
        how: Saying,
    },
    /// A shared meaning.
    Concept(usize),
    /// A state; `implied` when an event is said that implies it.
    State {
        /// Index of the state.
        state: usize,
        /// Said of an event.
        implied: bool,
        /// The phrase is how a recogniser spells it.
        sound: bool,
    },
    /// A published numbering of states.
    Numbering(usize),
    /// A unit.
    Unit(usize),
    /// A control act.
    Control(usize),
    /// A section heading.
    Section(usize),
    /// A reason.
    Reason(usize),
    /// An ordinary word.
    Family(Family),
}

/// A phrase with its meaning.
#[derive(Debug, Clone)]
pub struct Entry {
    /// Its words.
    pub words: Vec<PatternWord>,
    /// Its meaning.
    pub meaning: Meaning,
}

/// One match: the tokens `[from, to)` of the text mean `entry`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hit {
    /// First token.
    pub from: usize,
    /// One past the last token.
    pub to: usize,
    /// Index of the entry.
    pub entry: usize,
    /// Words that counted in the match.
    pub words: usize,
    /// Whether the last word is a plural the entry does not have.
    pub plural: bool,
}

struct Automaton {
    ac: AhoCorasick,
    /// For each pattern, the entries with its key.
    entries: Vec<Vec<usize>>,
}

/// Finds every lexicon phrase in a text.
pub struct Matcher {
    /// All phrases.
    pub entries: Vec<Entry>,
    fillers: HashSet<String>,
    vocabulary: HashSet<String>,
    plain: Automaton,
    full: Automaton,
}

impl fmt::Debug for Matcher {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Matcher").field("entries", &self.entries.len()).finish_non_exhaustive()
    }
}

/// Whether fillers count in phrases of this meaning.
pub fn counts_fillers(meaning: Meaning) -> bool {
    match meaning {
        Meaning::Control(_) | Meaning::Section(_) => true,
        Meaning::Family(f) => !matches!(
            f,
            Family::Left | Family::Right | Family::BodyPart | Family::Times | Family::Ordinal
        ),
        _ => false,
    }
}

/// Whether an entry is looked for in the full text: its meaning wants it, one of its words is a
/// filler that must stand there exactly (`=there`), or it is how a recogniser spells something and
/// without fillers only one ordinary word would be left of it ("more oh").
fn full_text(entry: &Entry, fillers: &HashSet<String>) -> bool {
    let by_sound = matches!(
        entry.meaning,
        Meaning::Item(_, Naming::Sound)
            | Meaning::Value { how: Saying::Sound, .. }
            | Meaning::State { sound: true, .. }
    );
    let left = entry.words.iter().filter(|w| !fillers.contains(&w.folded)).count();
    counts_fillers(entry.meaning)
        || (by_sound && left < 2 && entry.words.len() > left)
        || entry.words.iter().any(|w| w.exact && fillers.contains(&w.folded))
}

impl Matcher {
    /// Builds the automata.
    pub fn new(entries: Vec<Entry>, fillers: HashSet<String>) -> Matcher {
        let build = |want_full: bool| {
            let mut keys: HashMap<String, usize> = HashMap::new();
            let mut patterns: Vec<String> = Vec::new();
            let mut of: Vec<Vec<usize>> = Vec::new();
            for (i, e) in entries.iter().enumerate() {
                if full_text(e, &fillers) != want_full {
                    continue;
                }
                let mut key = String::from(" ");
                for w in &e.words {
                    if want_full || !fillers.contains(&w.folded) {
                        key.push_str(&w.folded);
                        key.push(' ');
                    }
                }
                let k = *keys.entry(key.clone()).or_insert_with(|| {
                    patterns.push(key);
                    of.push(Vec::new());
                    patterns.len() - 1
                });
                of[k].push(i);
            }
            let ac = AhoCorasick::new(&patterns).expect("patterns fit the automaton");
            Automaton { ac, entries: of }
        };
        let vocabulary =
            entries.iter().flat_map(|e| e.words.iter().map(|w| w.folded.clone())).collect();
        let (plain, full) = rayon::join(|| build(false), || build(true));
        Matcher { plain, full, entries, fillers, vocabulary }
    }

    /// Whether the word is left out when phrases are compared.
    pub fn is_filler(&self, folded: &str) -> bool {
        self.fillers.contains(folded)
    }

    /// The words left out when phrases are compared, folded, in no particular order.
    pub fn fillers(&self) -> impl Iterator<Item = &str> {
        self.fillers.iter().map(String::as_str)
    }

    /// Whether the word stands in any phrase.
    pub fn knows(&self, folded: &str) -> bool {
        self.vocabulary.contains(folded)
    }

    /// All matches in the tokens, overlapping ones too, in no particular order.
    pub fn scan(&self, tokens: &[Token]) -> Vec<Hit> {
        let mut hits = Vec::new();
        for (automaton, full) in [(&self.plain, false), (&self.full, true)] {
            // A comma does not part a phrase; a full stop does.
            let mut hay = String::from(" ");
            let mut starts: Vec<(usize, usize)> = Vec::new();
            for (i, t) in tokens.iter().enumerate() {
                match t.brk {
                    Some(Break::Comma) => {}
                    Some(_) => hay.push_str("| "),
                    None => {
                        if full || !self.is_filler(&t.folded) {
                            starts.push((hay.len() - 1, i));
                            hay.push_str(&t.folded);
                            hay.push(' ');
                        }
                    }
                }
            }
            for m in automaton.ac.find_overlapping_iter(&hay) {
                let a = starts.partition_point(|(s, _)| *s < m.start());
                let b = starts.partition_point(|(s, _)| *s < m.end() - 1);
                if a >= b || starts[a].0 != m.start() {
                    continue;
                }
                let at: Vec<usize> = starts[a..b].iter().map(|(_, i)| *i).collect();
                for &entry in &automaton.entries[m.pattern().as_usize()] {
                    let e = &self.entries[entry];
                    let wanted: Vec<&PatternWord> =
                        e.words.iter().filter(|w| full || !self.is_filler(&w.folded)).collect();
                    if wanted.len() != at.len()
                        || wanted
                            .iter()
                            .zip(&at)
                            .any(|(w, i)| w.exact && w.surface != tokens[*i].surface)
                    {
                        continue;
                    }
                    let plural = wanted.iter().zip(&at).any(|(w, i)| {
                        let t = &tokens[*i].surface;
                        t.len() > w.surface.len() && t.ends_with('s') && !w.surface.ends_with('s')
                            || (t == "feet" && w.surface == "foot")
                    });
                    hits.push(Hit {
                        from: at[0],
                        to: at[at.len() - 1] + 1,
                        entry,
                        words: at.len(),
                        plural,
                    });
                }
            }
        }
        hits
    }

    /// The phrases of a kind of meaning, as written, in the order of the files.
    pub fn phrases(&self, of: impl Fn(Meaning) -> bool) -> Vec<(String, Meaning)> {
        (0..self.entries.len())
            .filter(|&k| of(self.entries[k].meaning))
            .map(|k| (self.phrase(k), self.entries[k].meaning))
            .collect()
    }

    /// Meaning of a hit.
    pub fn meaning(&self, hit: &Hit) -> Meaning {
        self.entries[hit.entry].meaning
    }

    /// The phrase of an entry as written, brackets expanded.
    pub fn phrase(&self, entry: usize) -> String {
        let words: Vec<&str> =
            self.entries[entry].words.iter().map(|w| w.surface.as_str()).collect();
        words.join(" ")
    }
}
