//! What the network says of each word, to marks: where the chance of an item is highest, with the value
//! and side that go with it.

use std::collections::HashMap;
use std::ops::Range;

use super::network::Said;
use super::{Mark, Marks, Tagger};

/// A finding is one peak within this many words on either side.
pub const NEAR: usize = 3;
/// Marks less likely than this are not worth keeping.
const FLOOR: f32 = 0.1;

/// What was read of the words of a stream, by word.
#[derive(Default)]
pub struct Chances {
    words: HashMap<usize, Word>,
}

/// What was read of one word.
struct Word {
    /// Chance that a finding of each item is complete here.
    item: Vec<f32>,
    /// Value head, before any squashing.
    value: Vec<f32>,
    /// Chance of each side.
    side: Vec<f32>,
    /// Chance that nothing of now is spoken of.
    aside: f32,
}

impl Chances {
    /// Whether all words of the range were read.
    pub fn holds(&self, range: Range<usize>) -> bool {
        range.into_iter().all(|k| self.words.contains_key(&k))
    }

    /// Keeps what was said of the words of the range.
    pub fn keep(&mut self, range: Range<usize>, said: Said) {
        let rows = said.item.into_iter().zip(said.value).zip(said.side).zip(said.scope);
        for (k, (((item, value), side), scope)) in range.zip(rows) {
            self.words.insert(
                k,
                Word {
                    item: item.into_iter().map(|x| 1.0 / (1.0 + (-x).exp())).collect(),
                    value,
                    side: softmax(&side),
                    aside: 1.0 - softmax(&scope)[0],
                },
            );
        }
    }

    /// Forgets the words from one on: more was not said behind them yet, and they will be read again.
    pub fn forget_from(&mut self, word: usize) {
        self.words.retain(|k, _| *k < word);
    }

    fn chance(&self, word: usize, item: usize) -> f32 {
        self.words.get(&word).map_or(0.0, |w| w.item[item])
    }
}

/// The marks of the phrase whose words begin at `first`.
pub fn decode(c: &Chances, phrase: u64, first: usize, many: usize, tagger: &Tagger) -> Marks {
    let labels = &tagger.labels;
    let mut marks = Vec::new();
    for word in first..first + many {
        for (i, item) in labels.items.iter().enumerate() {
            let here = c.chance(word, i);
            let near = word.saturating_sub(NEAR)..word + NEAR + 1;
            let all = 1.0 - near.clone().map(|k| 1.0 - c.chance(k, i)).product::<f32>();
            // Of two equally high the first.
            let peak = near.clone().all(|k| {
                let there = c.chance(k, i);
                if k < word { there < here } else { there <= here }
            });
            if all <= FLOOR || !peak {
                continue;
            }
            let weight: f32 = near.clone().map(|k| c.chance(k, i)).sum();
            let codes: Vec<usize> =
                (0..labels.values.len()).filter(|v| labels.values[*v].0 == *item).collect();
            let (mut values, mut sides) = (vec![0.0; codes.len()], vec![0.0; labels.sides.len()]);
            for k in near {
                let Some(w) = c.words.get(&k) else { continue };
                let share = w.item[i] / weight;
                let of: Vec<f32> = codes.iter().map(|v| w.value[*v]).collect();
                softmax(&of).iter().zip(&mut values).for_each(|(x, v)| *v += share * x);
                w.side.iter().zip(&mut sides).for_each(|(x, s)| *s += share * x);
            }
            let (v, value) = most(&values);
            let (s, side) = if labels.sided[i] { most(&sides) } else { (0, 1.0) };
            marks.push(Mark {
                word: (word - first) as u32,
                item: item.clone(),
                value: labels.values[codes[v]].1.clone(),
                side: labels.sided[i].then(|| labels.sides[s].clone()),
                chances: [rounded(all), rounded(value), rounded(side)],
            });
        }
    }
    let asides = (first..first + many).filter_map(|k| c.words.get(&k)).map(|w| w.aside);
    let aside = asides.sum::<f32>() / many.max(1) as f32;
    Marks { phrase, by: tagger.by.clone(), marks, aside: rounded(aside) }
}

/// Three decimals: what is kept in the journal does not hang on the last bits of a processor.
fn rounded(x: f32) -> f32 {
    (x * 1000.0).round() / 1000.0
}

fn most(x: &[f32]) -> (usize, f32) {
    x.iter().copied().enumerate().fold((0, f32::MIN), |a, b| if b.1 > a.1 { b } else { a })
}

fn softmax(x: &[f32]) -> Vec<f32> {
    let top = x.iter().copied().fold(f32::MIN, f32::max);
    let e: Vec<f32> = x.iter().map(|v| (v - top).exp()).collect();
    let sum: f32 = e.iter().sum();
    e.into_iter().map(|v| v / sum).collect()
}
