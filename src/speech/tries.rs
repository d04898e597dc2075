//! Tries of symbols with what ends at their nodes: built node by node, then packed into flat lists, which
//! take a tenth of the memory.

/// No node, no end.
const NONE: u32 = u32::MAX;

/// A node while tries are built: the first of those behind it, and the next beside it.
#[derive(Debug, Clone, Copy)]
struct Growing {
    symbol: u32,
    first: u32,
    beside: u32,
    ends: u32,
}

/// Tries that are being built; `E` is what ends at a node.
#[derive(Debug)]
pub struct Builder<E> {
    nodes: Vec<Growing>,
    ends: Vec<(E, u32)>,
}

impl<E> Default for Builder<E> {
    fn default() -> Self {
        Builder { nodes: Vec::new(), ends: Vec::new() }
    }
}

fn small(n: usize) -> u32 {
    u32::try_from(n).unwrap_or(NONE)
}

impl<E: Copy> Builder<E> {
    /// A new root.
    pub fn root(&mut self) -> u32 {
        self.fresh(0)
    }

    fn fresh(&mut self, symbol: u32) -> u32 {
        self.nodes.push(Growing { symbol, first: NONE, beside: NONE, ends: NONE });
        small(self.nodes.len() - 1)
    }

    /// Adds what ends behind these symbols; not where `same` finds it among those that end there already.
    pub fn insert(&mut self, root: u32, symbols: &[u32], end: E, same: impl Fn(&E, &E) -> bool) {
        let mut at = root;
        for &s in symbols {
            let mut next = self.nodes[at as usize].first;
            while next != NONE && self.nodes[next as usize].symbol != s {
                next = self.nodes[next as usize].beside;
            }
            if next == NONE {
                next = self.fresh(s);
                self.nodes[next as usize].beside = self.nodes[at as usize].first;
                self.nodes[at as usize].first = next;
            }
            at = next;
        }
        let (mut k, mut last) = (self.nodes[at as usize].ends, NONE);
        while k != NONE {
            if same(&self.ends[k as usize].0, &end) {
                return;
            }
            (last, k) = (k, self.ends[k as usize].1);
        }
        self.ends.push((end, NONE));
        let fresh = small(self.ends.len() - 1);
        match last {
            NONE => self.nodes[at as usize].ends = fresh,
            last => self.ends[last as usize].1 = fresh,
        }
    }

    /// The tries packed; their nodes keep their numbers.
    pub fn packed(self) -> Tries<E> {
        let n = self.nodes.len();
        let mut out = Tries {
            next: Vec::with_capacity(n),
            first_next: Vec::with_capacity(n + 1),
            ends: Vec::with_capacity(self.ends.len()),
            first_end: Vec::with_capacity(n + 1),
        };
        for node in &self.nodes {
            let (from, mut k) = (out.next.len(), node.first);
            out.first_next.push(small(from));
            while k != NONE {
                out.next.push((self.nodes[k as usize].symbol, k));
                k = self.nodes[k as usize].beside;
            }
            out.next[from..].sort_unstable();
            out.first_end.push(small(out.ends.len()));
            let mut k = node.ends;
            while k != NONE {
                out.ends.push(self.ends[k as usize].0);
                k = self.ends[k as usize].1;
            }
        }
        out.first_next.push(small(out.next.len()));
        out.first_end.push(small(out.ends.len()));
        out
    }
}

/// Tries as they are used.
#[derive(Debug)]
pub struct Tries<E> {
    next: Vec<(u32, u32)>,
    first_next: Vec<u32>,
    ends: Vec<E>,
    first_end: Vec<u32>,
}

impl<E> Default for Tries<E> {
    fn default() -> Self {
        Tries { next: Vec::new(), first_next: vec![0], ends: Vec::new(), first_end: vec![0] }
    }
}

impl<E> Tries<E> {
    /// Symbols that may follow a node, in order, and the nodes they lead to.
    pub fn next(&self, node: u32) -> &[(u32, u32)] {
        let at = node as usize;
        &self.next[self.first_next[at] as usize..self.first_next[at + 1] as usize]
    }

    /// The node that a symbol leads to.
    pub fn step(&self, node: u32, symbol: u32) -> Option<u32> {
        let next = self.next(node);
        next.binary_search_by_key(&symbol, |(s, _)| *s).ok().map(|i| next[i].1)
    }

    /// What ends at a node, in the order in which it was added.
    pub fn ends(&self, node: u32) -> &[E] {
        let at = node as usize;
        &self.ends[self.first_end[at] as usize..self.first_end[at + 1] as usize]
    }

    /// Number of nodes.
    pub fn len(&self) -> usize {
        self.first_next.len() - 1
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_put_in_is_found_and_nothing_else() {
        let mut b = Builder::default();
        let (one, two) = (b.root(), b.root());
        for (root, word, end) in [
            (one, &[3, 1][..], 'a'),
            (one, &[3, 2], 'b'),
            (one, &[3], 'c'),
            (one, &[3, 1], 'd'),
            (two, &[3, 1], 'e'),
        ] {
            b.insert(root, word, end, char::eq);
        }
        b.insert(one, &[3, 1], 'a', char::eq);
        let t = b.packed();
        let at = |root, word: &[u32]| word.iter().try_fold(root, |n, s| t.step(n, *s));
        let ends = |root, word: &[u32]| at(root, word).map(|n| t.ends(n).to_vec());
        assert_eq!(ends(one, &[3, 1]), Some(vec!['a', 'd']), "each once, in order");
        assert_eq!(ends(one, &[3, 2]), Some(vec!['b']));
        assert_eq!(ends(one, &[3]), Some(vec!['c']));
        assert_eq!(ends(two, &[3, 1]), Some(vec!['e']));
        assert_eq!(ends(two, &[3]), Some(vec![]));
        assert_eq!(ends(two, &[1]), None);
        let symbols: Vec<u32> = t.next(at(one, &[3]).unwrap()).iter().map(|(s, _)| *s).collect();
        assert_eq!(symbols, [1, 2], "in order");
        assert_eq!(t.len(), 7);
    }
}
