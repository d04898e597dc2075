//! Finds lexicon phrases inside heard words by the sound alone.
//!
//! Each phrase is aligned, phone against phone, with every stretch of the heard words that starts
//! and ends at a word break; the breaks inside do not matter. The alignment is the usual dynamic
//! programme for approximate matching (Sellers, J Algorithms 1980;1:359-373), here over a lattice,
//! since a heard word may have several pronunciations. Nothing is approximated to gain speed:
//! phrases that begin alike share their rows, and a phrase is left as soon as a lower bound of its
//! cost shows that it cannot come under the limit.

use std::collections::HashMap;
use std::ops::Range;
use std::sync::Arc;

use super::confusion::Strength;
use super::phones::Phone;
use super::{Sounds, join};

/// Most pronunciations kept for one phrase.
const MOST_A_PHRASE: usize = 8;

/// Costs are counted in whole ten-thousandths, so that sums are exact and ties are ties.
const SCALE: f32 = 10_000.0;

/// A lexicon phrase that sounds like a stretch of the heard words.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundHit {
    /// The phrase, as its number was given to [`SoundIndex::new`].
    pub id: u32,
    /// The heard words, as indices into what was searched.
    pub words: Range<usize>,
    /// Mean cost a phone of the phrase: 0 for the same sound; costs of slips are 0 to 1 each.
    pub cost: f32,
    /// Phones of the phrase, in the pronunciation that fitted best.
    pub phones: usize,
}

/// A phone of a phrase and what it costs when it was not heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
struct Symbol {
    phone: Phone,
    missing: u32,
}

/// One pronunciation of one phrase.
#[derive(Debug)]
struct Entry {
    id: u32,
    /// Indices into [`SoundIndex::symbols`].
    symbols: Vec<u16>,
}

/// Lexicon phrases by their sound.
#[derive(Debug)]
pub struct SoundIndex {
    sounds: Arc<Sounds>,
    symbols: Vec<Symbol>,
    /// In the order of their symbols, so that phrases that begin alike stand together.
    entries: Vec<Entry>,
}

/// The heard words as a graph: nodes between phones, an edge for each phone.
struct Lattice {
    nodes: usize,
    /// In an order in which every edge into a node stands before every edge out of it.
    edges: Vec<Edge>,
    /// The node before each word, and at the end the node after the last.
    breaks: Vec<usize>,
    heard: [bool; Phone::COUNT],
}

struct Edge {
    from: u32,
    to: u32,
    phone: Phone,
    /// In the upper half, as in a cell.
    extra: Cell,
}

/// Cost in the upper half, where the stretch started in the lower (inverted, so that of two equal
/// costs the later start, the shorter stretch, is the smaller number).
type Cell = u64;
const NEVER: Cell = (u32::MAX as u64 / 2) << 32;

fn cell(cost: u32, start: usize) -> Cell {
    (u64::from(cost) << 32) | u64::from(!(start as u32))
}

fn cost_of(cell: Cell) -> u32 {
    (cell >> 32) as u32
}

fn start_of(cell: Cell) -> usize {
    !(cell as u32) as usize
}

/// A cost as it is added to a cell.
fn step(cost: u32) -> Cell {
    u64::from(cost) << 32
}

fn plus(cell: Cell, step: Cell) -> Cell {
    // Saturating: only a text of hundreds of thousands of words could get there, and it must not
    // bring the program down.
    cell.saturating_add(step)
}

fn counted(cost: f32) -> u32 {
    (cost * SCALE).round() as u32
}

impl SoundIndex {
    /// An index of lexicon phrases with the shipped sounds.
    ///
    /// Each entry is a number of the caller's (several entries may share one), the phrase, and,
    /// where the letters mislead, how it sounds, spelled in ordinary words ("too lips" for tulips);
    /// several such spellings are parted by `/`. A given spelling stands beside the phrase's own
    /// sound when that is known from the dictionary, and in its place when it would be guessed
    /// from letters. A phrase with nothing to say is left out.
    pub fn new<'a>(entries: impl Iterator<Item = (u32, &'a str, Option<&'a str>)>) -> SoundIndex {
        SoundIndex::with_sounds(Sounds::shipped(), entries)
    }

    /// As [`SoundIndex::new`], with sounds of the caller's own.
    pub fn with_sounds<'a>(
        sounds: Arc<Sounds>,
        entries: impl Iterator<Item = (u32, &'a str, Option<&'a str>)>,
    ) -> SoundIndex {
        let mut index = SoundIndex { sounds, symbols: Vec::new(), entries: Vec::new() };
        let mut known: HashMap<Symbol, u16> = HashMap::new();
        // Tens of thousands of phrases are made of a few thousand words: each is sounded out once.
        let mut said: HashMap<&str, Vec<Vec<Phone>>> = HashMap::new();
        for (id, phrase, spelling) in entries {
            let mut ways: Vec<Vec<Symbol>> = Vec::new();
            let sure = || phrase.split_whitespace().all(|w| index.sounds.is_known(w));
            let own = (spelling.is_none() || sure()).then_some(phrase);
            for text in own.into_iter().chain(spelling.into_iter().flat_map(|s| s.split('/'))) {
                let words: Vec<&str> = text.split_whitespace().collect();
                for word in &words {
                    said.entry(word).or_insert_with(|| index.sounds.pronounce(word));
                }
                let said: Vec<&[Vec<Phone>]> = words.iter().map(|w| said[w].as_slice()).collect();
                for way in index.phrase_symbols(&said) {
                    if !ways.contains(&way) {
                        ways.push(way);
                    }
                }
            }
            for way in ways {
                let symbols = way
                    .into_iter()
                    .map(|symbol| {
                        *known.entry(symbol).or_insert_with(|| {
                            index.symbols.push(symbol);
                            // At most 39 phones times the thirteen costs of the table.
                            (index.symbols.len() - 1) as u16
                        })
                    })
                    .collect();
                index.entries.push(Entry { id, symbols });
            }
        }
        index.entries.sort_by(|a, b| (&a.symbols, a.id).cmp(&(&b.symbols, b.id)));
        index
    }

    /// The largest mean cost any phrase may have to be worth anything: what to give
    /// [`SoundIndex::search`] before sorting its hits by [`SoundIndex::strength`].
    pub fn widest(&self) -> f32 {
        self.sounds.confusion().gates().in_context.mean
    }

    /// The sounds it compares with.
    pub fn sounds(&self) -> &Sounds {
        &self.sounds
    }

    /// What a hit of this index is worth, by the gates of the shipped or given phone table.
    pub fn strength(&self, hit: &SoundHit) -> Strength {
        self.sounds.confusion().strength(hit.phones, hit.cost)
    }

    /// Every lexicon phrase that sounds like a stretch of `words` at a mean cost of at most
    /// `max_cost` a phone, the best first (of equal costs the longer phrase, then the earlier).
    ///
    /// Hits of different phrases may overlap; the caller chooses among them. Of one number's hits
    /// that overlap each other only the best is given. A stretch that fits worse than silence (all
    /// of the phrase's phones missing) is no hit, whatever `max_cost`. Time grows with the number of phones heard
    /// and with the number of phrases, less the starts they share and those soon ruled out.
    pub fn search(&self, words: &[&str], max_cost: f32) -> Vec<SoundHit> {
        let lattice = self.lattice(words);
        if lattice.edges.is_empty() || max_cost.is_nan() {
            return Vec::new();
        }
        let mut first = vec![NEVER; lattice.nodes];
        for node in &lattice.breaks {
            first[*node] = cell(0, *node);
        }
        let mut word_of = vec![usize::MAX; lattice.nodes];
        for (word, node) in lattice.breaks.iter().enumerate() {
            word_of[*node] = word;
        }
        let mut found: HashMap<u32, Vec<SoundHit>> = HashMap::new();
        self.align(&lattice, first, max_cost.clamp(0.0, 1.0), |entry, row| {
            for (end, node) in lattice.breaks.iter().enumerate().skip(1) {
                let cost = mean(cost_of(row[*node]), entry.symbols.len());
                if row[*node] >= NEVER || cost > max_cost {
                    continue;
                }
                // A word with nothing to say shares its node with the next: start at the latter.
                let start = word_of[start_of(row[*node])];
                if start < end {
                    found.entry(entry.id).or_default().push(SoundHit {
                        id: entry.id,
                        words: start..end,
                        cost,
                        phones: entry.symbols.len(),
                    });
                }
            }
        });
        let mut hits: Vec<SoundHit> = found.into_values().flat_map(best_apart).collect();
        hits.sort_by(order);
        hits
    }

    /// Mean cost a phone of `phrase` at which the whole of `heard` sounds like the whole of
    /// `phrase`, by the pronunciations that fit best; infinite when either says nothing.
    pub fn distance(&self, heard: &[&str], phrase: &str) -> f32 {
        let lattice = self.lattice(heard);
        let index =
            SoundIndex::with_sounds(self.sounds.clone(), std::iter::once((0, phrase, None)));
        if lattice.edges.is_empty() {
            return f32::INFINITY;
        }
        let (start, end) = (lattice.breaks[0], lattice.breaks[heard.len()]);
        let mut first = vec![NEVER; lattice.nodes];
        first[start] = cell(0, start);
        let mut best = f32::INFINITY;
        index.align(&lattice, first, f32::MAX, |entry, row| {
            best = best.min(mean(cost_of(row[end]), entry.symbols.len()));
        });
        best
    }

    /// Runs the alignment of every entry from the row `first`, and hands each entry that may come
    /// under `max_cost` to `reach` with its last row.
    fn align(
        &self,
        lattice: &Lattice,
        first: Vec<Cell>,
        max_cost: f32,
        mut reach: impl FnMut(&Entry, &[Cell]),
    ) {
        let confusion = self.sounds.confusion();
        let swaps: Vec<[u32; Phone::COUNT]> =
            Phone::ALL.iter().map(|a| Phone::ALL.map(|b| counted(confusion.swap(*a, b)))).collect();
        let steps: Vec<[Cell; Phone::COUNT]> = swaps.iter().map(|s| s.map(step)).collect();
        // The least any alignment can pay for a symbol, given which phones were heard at all.
        let least: Vec<u32> = self
            .symbols
            .iter()
            .map(|s| {
                let heard = Phone::ALL.iter().filter(|h| lattice.heard[**h as usize]);
                let swap = heard.map(|h| swaps[s.phone as usize][*h as usize]).min();
                s.missing.min(swap.unwrap_or(u32::MAX))
            })
            .collect();
        let mut rows: Vec<Vec<Cell>> = vec![first];
        relax_extras(lattice, &mut rows[0]);
        // Along the symbols of the entry at hand: the least its beginning can cost, and the most by
        // which a row has shown that it costs more.
        let mut sums: Vec<u32> = vec![0];
        let mut excess: Vec<i64> = vec![0];
        let mut before: &[u16] = &[];
        // How many rows belong to the beginning of the entry at hand.
        let mut made = 0;
        for entry in &self.entries {
            let length = entry.symbols.len();
            let budget = (f64::from(max_cost) * length as f64 * f64::from(SCALE) + 0.5) as u32;
            let shared = before.iter().zip(&entry.symbols).take_while(|(a, b)| a == b).count();
            before = &entry.symbols;
            made = made.min(shared);
            sums.truncate(shared + 1);
            let mut sum = sums[shared];
            sums.extend(entry.symbols[shared..].iter().map(|s| {
                sum = sum.saturating_add(least[*s as usize]);
                sum
            }));
            let hopeless = |excess: i64| i64::from(sum) + excess > i64::from(budget);
            while made < length && !hopeless(excess[made]) {
                let depth = made + 1;
                if rows.len() == depth {
                    rows.push(Vec::new());
                    excess.push(0);
                }
                let (above, below) = rows.split_at_mut(depth);
                let s = self.symbols[entry.symbols[made] as usize];
                let swaps = &steps[s.phone as usize];
                next_row(lattice, &above[made], &mut below[0], swaps, step(s.missing));
                let lowest = below[0].iter().min().map_or(0, |c| cost_of(*c));
                excess[depth] = excess[made].max(i64::from(lowest) - i64::from(sums[depth]));
                made = depth;
            }
            if made == length && !hopeless(excess[length]) {
                reach(entry, &rows[length]);
            }
        }
    }

    /// The heard words as a lattice of all their pronunciations.
    fn lattice(&self, words: &[&str]) -> Lattice {
        let mut lattice =
            Lattice { nodes: 1, edges: Vec::new(), breaks: vec![0], heard: [false; Phone::COUNT] };
        let mut before: Vec<Phone> = Vec::new();
        for word in words {
            let ways = self.sounds.pronounce(word);
            let from = lattice.nodes - 1;
            if ways.is_empty() {
                lattice.breaks.push(from);
                continue;
            }
            let to = from + 1 + ways.iter().map(|w| w.len() - 1).sum::<usize>();
            let mut node = from;
            for way in &ways {
                let mut last = from;
                for (at, phone) in way.iter().enumerate() {
                    let next = if at + 1 == way.len() {
                        to
                    } else {
                        node += 1;
                        node
                    };
                    lattice.heard[*phone as usize] = true;
                    lattice.edges.push(Edge {
                        from: last as u32,
                        to: next as u32,
                        phone: *phone,
                        extra: step(counted(self.sounds.confusion().missing(way, at, &before))),
                    });
                    last = next;
                }
            }
            lattice.nodes = to + 1;
            lattice.breaks.push(to);
            before = ways.iter().filter_map(|w| w.last().copied()).collect();
        }
        lattice
    }

    /// The ways to say the words of a phrase, each phone with what it costs to miss it.
    fn phrase_symbols(&self, words: &[&[Vec<Phone>]]) -> Vec<Vec<Symbol>> {
        // Joined a word at a time: what a missing phone costs hangs on its place in its word.
        let mut ways: Vec<(Vec<Phone>, Vec<Symbol>)> = vec![Default::default()];
        for said in words.iter().filter(|said| !said.is_empty()) {
            let mut pairs: Vec<(usize, usize)> =
                (0..ways.len()).flat_map(|l| (0..said.len()).map(move |r| (l, r))).collect();
            pairs.sort_by_key(|(l, r)| l + r);
            pairs.truncate(MOST_A_PHRASE);
            ways = pairs
                .into_iter()
                .map(|(l, r)| {
                    let (mut phones, mut symbols) = ways[l].clone();
                    let before: Vec<Phone> = phones.last().copied().into_iter().collect();
                    for (at, phone) in said[r].iter().enumerate() {
                        let missing = self.sounds.confusion().missing(&said[r], at, &before);
                        symbols.push(Symbol { phone: *phone, missing: counted(missing) });
                    }
                    phones.extend(&said[r]);
                    (phones, symbols)
                })
                .collect();
        }
        ways.into_iter().map(|(_, symbols)| symbols).filter(|s| !s.is_empty()).collect()
    }
}

/// Lets the first row go over heard phones that answer to nothing.
fn relax_extras(lattice: &Lattice, row: &mut [Cell]) {
    for edge in &lattice.edges {
        let c = plus(row[edge.from as usize], edge.extra);
        let to = &mut row[edge.to as usize];
        *to = (*to).min(c);
    }
}

/// The row of one more phone of the phrase.
fn next_row(
    lattice: &Lattice,
    above: &[Cell],
    row: &mut Vec<Cell>,
    swaps: &[Cell; Phone::COUNT],
    missing: Cell,
) {
    row.clear();
    row.extend(above.iter().map(|c| plus(*c, missing)));
    for edge in &lattice.edges {
        let swapped = plus(above[edge.from as usize], swaps[edge.phone as usize]);
        let extra = plus(row[edge.from as usize], edge.extra);
        let to = &mut row[edge.to as usize];
        *to = (*to).min(swapped).min(extra);
    }
}

fn mean(cost: u32, phones: usize) -> f32 {
    cost as f32 / SCALE / phones as f32
}

/// Best first; of equal costs the longer phrase, then the earlier, then the smaller number.
fn order(a: &SoundHit, b: &SoundHit) -> std::cmp::Ordering {
    a.cost
        .total_cmp(&b.cost)
        .then(b.phones.cmp(&a.phones))
        .then(a.words.start.cmp(&b.words.start))
        .then(a.words.end.cmp(&b.words.end))
        .then(a.id.cmp(&b.id))
}

/// Of one number's hits, the best of those that overlap.
fn best_apart(mut hits: Vec<SoundHit>) -> Vec<SoundHit> {
    hits.sort_by(order);
    let mut kept: Vec<SoundHit> = Vec::new();
    for hit in hits {
        if kept.iter().all(|k| !overlap(k, &hit)) {
            kept.push(hit);
        }
    }
    kept
}

fn overlap(a: &SoundHit, b: &SoundHit) -> bool {
    a.words.start < b.words.end && b.words.start < a.words.end
}

/// Whether two hits of different numbers contend for the same heard words: more than half of the
/// shorter stretch is common to both, and their costs are less than `margin` apart.
///
/// Neither may then be taken without asking, unless the caller knows that both mean the same.
pub fn competes(a: &SoundHit, b: &SoundHit, margin: f32) -> bool {
    let common = a.words.end.min(b.words.end).saturating_sub(a.words.start.max(b.words.start));
    let shorter = a.words.len().min(b.words.len());
    a.id != b.id && 2 * common > shorter && (a.cost - b.cost).abs() < margin
}

/// The best of `hits` that overlaps `hit` and does not mean the same, with how much more it costs
/// a phone (less than nought when it fits better than `hit`).
///
/// `same(id, id)` says whether two numbers mean the same (synonyms of one item).
pub fn runner_up<'a>(
    hits: &'a [SoundHit],
    hit: &SoundHit,
    same: impl Fn(u32, u32) -> bool,
) -> Option<(&'a SoundHit, f32)> {
    hits.iter()
        .filter(|other| overlap(other, hit) && other.id != hit.id && !same(other.id, hit.id))
        .min_by(|a, b| order(a, b))
        .map(|other| (other, other.cost - hit.cost))
}

/// Whether two texts can be said alike: the same phones, whatever the stress and word breaks; a
/// consonant that ends one word and begins the next counts once.
///
/// Nothing is the same sound as a text with nothing to say.
pub fn same_sound(a: &str, b: &str) -> bool {
    let sounds = Sounds::shipped();
    let ways = |text: &str| {
        text.split_whitespace()
            .map(|w| sounds.pronounce(w))
            .fold(vec![Vec::new()], |ways, said| join(&ways, &said, 8 * MOST_A_PHRASE))
            .into_iter()
            .map(|mut way: Vec<Phone>| {
                way.dedup_by(|a, b| a == b && !a.is_vowel());
                way
            })
            .collect::<Vec<_>>()
    };
    let a = ways(a);
    ways(b).iter().any(|way| !way.is_empty() && a.contains(way))
}
