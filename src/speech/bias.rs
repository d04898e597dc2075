//! Leans free decoding towards the trade's phrases.
//!
//! Every token along a phrase of the lexicon earns a bonus; when the path is left before the end
//! of a phrase, the bonus earned since its beginning is taken back. (Shallow fusion with a trie of
//! phrases: Zhao et al., Interspeech 2019, section 3.)

use std::collections::HashMap;

/// A trie of phrases.
#[derive(Debug, Default)]
pub struct Bias {
    next: HashMap<(u32, u32), u32>,
    ends: Vec<bool>,
}

/// Where a hypothesis stands among the phrases.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Standing {
    /// Node; 0 is none.
    node: u32,
    /// Bonus earned since the last phrase that was whole.
    open: f32,
}

impl Bias {
    /// Of token sequences.
    pub fn of(phrases: &[Vec<u32>]) -> Bias {
        let mut b = Bias { next: HashMap::new(), ends: vec![false] };
        for p in phrases {
            let mut at = 0;
            for &t in p {
                let fresh = u32::try_from(b.ends.len()).unwrap_or(0);
                at = *b.next.entry((at, t)).or_insert(fresh);
                if at == fresh {
                    b.ends.push(false);
                }
            }
            b.ends[at as usize] = true;
        }
        b
    }

    /// One token further: the new standing, and what the score gains (or loses).
    pub fn step(&self, s: Standing, token: u32, bonus: f32) -> (Standing, f32) {
        let to = |node| self.next.get(&(node, token)).copied();
        if let Some(node) = to(s.node) {
            let open = if self.ends[node as usize] { 0.0 } else { s.open + bonus };
            return (Standing { node, open }, bonus);
        }
        // Left before the end, or behind it: another phrase may begin here.
        let back = -s.open;
        match to(0).filter(|_| s.node != 0) {
            Some(node) => {
                let open = if self.ends[node as usize] { 0.0 } else { bonus };
                (Standing { node, open }, back + bonus)
            }
            None => (Standing::default(), back),
        }
    }

    /// What a hypothesis that ends here loses.
    pub fn end(&self, s: Standing) -> f32 {
        -s.open
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn total(b: &Bias, tokens: &[u32]) -> f32 {
        let mut s = Standing::default();
        let mut sum = 0.0;
        for &t in tokens {
            let (next, gain) = b.step(s, t, 1.0);
            s = next;
            sum += gain;
        }
        sum + b.end(s)
    }

    #[test]
    fn only_whole_phrases_keep_their_bonus() {
        let b = Bias::of(&[vec![1, 2, 3], vec![1, 2], vec![7, 8]]);
        assert_eq!(total(&b, &[1, 2, 3]), 3.0);
        assert_eq!(total(&b, &[1, 2, 9]), 2.0, "the shorter phrase was whole");
        assert_eq!(total(&b, &[1, 9, 9]), 0.0);
        assert_eq!(total(&b, &[7]), 0.0, "an end within a phrase");
        assert_eq!(total(&b, &[1, 7, 8]), 2.0, "left for another phrase");
    }
}
