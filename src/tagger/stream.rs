//! Phrases as one stream of words, read in windows that lie on a grid of their own: where captions or
//! pauses cut the words makes no difference.

use std::collections::VecDeque;
use std::sync::Arc;

use super::decode::{Chances, NEAR, decode};
use super::pieces::{CLOSE, OPEN};
use super::{Marks, Tagger};
use crate::problem::Problem;

/// Words read at once, and how many before and behind them are seen with them. As in training
/// (`tests/narrations/train/train.py`).
const BLOCK: usize = 64;
const BEFORE: usize = 96;
const BEHIND: usize = 32;

/// A stream of phrases being read.
pub struct Stream {
    tagger: Arc<Tagger>,
    /// Pieces of every word so far.
    words: Vec<Vec<u32>>,
    /// Phrases whose marks are still owed: sequence number, first word, how many.
    owed: VecDeque<(u64, usize, usize)>,
    /// What was read of every word so far.
    chances: Chances,
}

impl Stream {
    /// A stream that has heard nothing yet.
    pub fn new(tagger: Arc<Tagger>) -> Self {
        Stream { tagger, words: Vec::new(), owed: VecDeque::new(), chances: Chances::default() }
    }

    /// Takes in a phrase. `owed` is false where its marks are known already: then it is context only.
    pub fn take(&mut self, seq: u64, text: &str, owed: bool) {
        let first = self.words.len();
        self.words.extend(text.split_whitespace().map(|w| self.tagger.pieces.of(w)));
        if owed {
            self.owed.push_back((seq, first, self.words.len() - first));
        }
    }

    /// Marks of the phrases that enough was said behind by now; of all when nothing more will be said.
    ///
    /// # Errors
    /// Those of the network, which are faults of this program or of the model.
    pub fn ready(&mut self, nothing_more: bool) -> Result<Vec<Marks>, Problem> {
        let mut out = Vec::new();
        while let Some(&(phrase, first, many)) = self.owed.front() {
            // Peaks are looked for a few words around.
            let upto = first + many + NEAR;
            if !nothing_more && !self.whole(upto) {
                break;
            }
            self.read_to(first, upto.min(self.words.len()))?;
            out.push(decode(&self.chances, phrase, first, many, &self.tagger));
            self.owed.pop_front();
        }
        Ok(out)
    }

    /// Marks of the phrases still owed, from what was said so far: what is said next may change them, so they
    /// stay owed. First those that nothing can change any more, as [`Stream::ready`] gives them.
    ///
    /// # Errors
    /// Those of the network.
    pub fn so_far(&mut self) -> Result<(Vec<Marks>, Vec<Marks>), Problem> {
        let whole = self.ready(false)?;
        let mut rest = Vec::new();
        for (phrase, first, many) in self.owed.clone() {
            self.read_to(first, (first + many + NEAR).min(self.words.len()))?;
            rest.push(decode(&self.chances, phrase, first, many, &self.tagger));
        }
        // Blocks behind which not enough was said are read again.
        let sure = self.words.len().saturating_sub(BEHIND) / BLOCK * BLOCK;
        self.chances.forget_from(sure);
        Ok((whole, rest))
    }

    /// Whether the words before `upto` can be read with all that is to be seen behind them.
    fn whole(&self, upto: usize) -> bool {
        self.words.len() >= upto.div_ceil(BLOCK) * BLOCK + BEHIND
    }

    /// Reads every block that holds a word of `from..upto` and was not read.
    fn read_to(&mut self, from: usize, upto: usize) -> Result<(), Problem> {
        let tagger = Arc::clone(&self.tagger);
        let fault = |e: candle_core::Error| {
            Problem::in_file("tagger", format!("the second reader failed: {e}"))
                .help("install the model again with `cotside model install`")
        };
        // A peak may lie a few words before.
        let from = from.saturating_sub(NEAR);
        let blocks: Vec<usize> = (from / BLOCK..upto.div_ceil(BLOCK))
            .filter(|b| !self.chances.holds(b * BLOCK..((b + 1) * BLOCK).min(upto)))
            .collect();
        for b in blocks {
            let (start, end) = (b * BLOCK, ((b + 1) * BLOCK).min(self.words.len()));
            let mut lo = start.saturating_sub(BEFORE);
            let hi = (end + BEHIND).min(self.words.len());
            // Words of many pieces: what lies farthest back is not seen.
            let pieces = |lo: usize| self.words[lo..hi].iter().map(Vec::len).sum::<usize>() + 2;
            while lo < start && pieces(lo) > tagger.network.most() {
                lo += 1;
            }
            let (mut ids, mut at) = (vec![OPEN], Vec::new());
            for w in &self.words[lo..hi] {
                at.push(ids.len() as u32);
                ids.extend(w);
            }
            ids.push(CLOSE);
            ids.truncate(tagger.network.most());
            at.retain(|k| (*k as usize) < ids.len());
            let said = tagger.network.read(&ids, &at[start - lo..]).map_err(fault)?;
            self.chances.keep(start..end, said);
        }
        Ok(())
    }
}
