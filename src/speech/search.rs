//! The search: three searches over one encoded sound, a step of the network at a time.
//!
//! *Bound* follows the grammar and nothing else; *leaning* is free with a bonus along the trade's
//! phrases; *free* takes the likeliest token each time. They share each step of the network,
//! because reading its weights is what a step costs.

use std::time::{Duration, Instant};

use super::bias::{Bias, Standing};
use super::grammar::{Grammar, Label, Place, Trail};
use super::network::{Encoded, Memory, Network};
use crate::lexicon::Lexicon;

/// The numbers the search goes by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tuning {
    /// Hypotheses followed in the grammar, in the first steps and afterwards: a rare word's
    /// beginning is unlikely, and must be kept until its end makes up for it.
    pub bound: [usize; 2],
    /// Hypotheses followed with the bonus.
    pub leaning: usize,
    /// Exponent of the length by which scores are divided: without it long words lose to short
    /// ones.
    pub length: f32,
    /// Bonus of a token along a phrase, in units of log-probability.
    pub bonus: f32,
    /// Shortest window the network is given, frames of 10 ms.
    pub window: usize,
    /// Frames of silence behind the sound, at least.
    pub behind: usize,
    /// Bound hypotheses this much less likely than the best one of the same length are dropped, in
    /// units of log-probability, in the first steps and afterwards.
    pub abreast: [f32; 2],
    /// The same of the leaning ones.
    pub leaning_abreast: f32,
    /// Hypotheses this much below the best finished one, as both would be scored, are dropped.
    pub hopeless: f32,
    /// So are those this much less likely than the best finished one, whatever their length: they
    /// only become less likely.
    pub outdone: f32,
}

impl Default for Tuning {
    fn default() -> Self {
        Tuning {
            bound: [20, 10],
            leaning: 4,
            length: 0.8,
            bonus: 0.8,
            window: 400,
            behind: 50,
            abreast: [6.0, 4.0],
            leaning_abreast: 2.5,
            hopeless: 0.7,
            outdone: 10.0,
        }
    }
}

/// Steps that count as the first.
const FIRST_STEPS: usize = 4;
/// How much less likely than the best a token of the leaning search may be.
const LIKELY: f32 = 9.0;
/// Most alternatives kept.
const ALTERNATIVES: usize = 5;
/// As many tokens as these said a second time are the network running in circles.
const CIRCLE: usize = 4;

/// A hypothesis that came to its end.
#[derive(Debug, Clone)]
pub struct Found {
    /// Tokens, without the one that ended it.
    pub tokens: Vec<u32>,
    /// Sum of the log-probabilities, the end included.
    pub log_prob: f32,
    /// The same by length; larger is likelier. With what its path through the grammar cost, or
    /// what it gained by the trade's phrases.
    pub score: f32,
    /// By length, without cost or gain.
    pub plain: f32,
    /// What its path through the grammar says; empty for a free one.
    pub meaning: Vec<Label>,
}

/// What the three searches found.
#[derive(Debug, Clone, Default)]
pub struct Searched {
    /// Bound hypotheses, best first, one for each text.
    pub bound: Vec<Found>,
    /// Leaning hypotheses, best first.
    pub leaning: Vec<Found>,
    /// The free one.
    pub free: Option<Found>,
    /// Log-probability that the sound holds no text at all.
    pub nothing: f32,
    /// Where the time went.
    pub spent: Spent,
}

/// Where the time of a search went, for the bench.
#[derive(Debug, Clone, Copy, Default)]
pub struct Spent {
    /// Sound to bands.
    pub features: Duration,
    /// The encoder.
    pub encoder: Duration,
    /// The letter ear's beam.
    pub letters: Duration,
    /// Steps of the decoder.
    pub decoder: Duration,
    /// All three searches, without the decoder.
    pub search: Duration,
    /// Steps.
    pub steps: usize,
    /// Hypotheses taken a token further, in all steps.
    pub rows: usize,
}

impl std::ops::AddAssign for Spent {
    fn add_assign(&mut self, o: Spent) {
        self.features += o.features;
        self.encoder += o.encoder;
        self.letters += o.letters;
        self.decoder += o.decoder;
        self.search += o.search;
        self.steps += o.steps;
        self.rows += o.rows;
    }
}

/// What the search needs to know about tokens.
pub struct Tokens {
    /// Tokens every text begins with.
    pub prompt: Vec<u32>,
    /// The token that ends a text; all from it on are no text.
    pub end: u32,
    /// Tokens that are no speech (brackets, notes of music).
    pub silent: Vec<bool>,
}

struct Hypothesis {
    tokens: Vec<u32>,
    log_prob: f32,
    gained: f32,
    standing: Standing,
    places: Vec<Place>,
}

/// A hypothesis one token longer.
struct Longer {
    from: usize,
    token: u32,
    log_prob: f32,
    gained: f32,
    standing: Standing,
}

impl Tuning {
    /// For the word ear of an adapted model, which needs few hypotheses.
    pub fn adapted() -> Tuning {
        Tuning { leaning: 2, ..Tuning::default() }
    }

    fn by_length(&self, log_prob: f32, tokens: usize) -> f32 {
        log_prob / (tokens.max(1) as f32).powf(self.length)
    }
}

/// How many of the words are left when what is only said again is taken off the end: the network
/// likes to say a short phrase twice. Words are compared folded.
pub fn said_once(words: &[String]) -> usize {
    let n = words.len();
    let again = |p: usize| (p..n).all(|i| words[i] == words[i - p]);
    // Two words alike are a way of speaking ("no, no"); more are not.
    (1..=n / 2).find(|&p| again(p) && (p > 1 || n > 2)).unwrap_or(n)
}

/// Whether a token would end the second saying of the same few.
fn circles(tokens: &[u32], token: u32) -> bool {
    let Some(at) = (tokens.len() + 1).checked_sub(CIRCLE) else { return false };
    let tail = &tokens[at..];
    (0..at).any(|i| {
        i + CIRCLE <= tokens.len()
            && tokens[i..i + CIRCLE - 1] == *tail
            && tokens[i + CIRCLE - 1] == token
    })
}

/// What a search goes by.
pub struct Guide<'a> {
    /// What can be said.
    pub grammar: &'a Grammar,
    /// The trade's phrases.
    pub bias: &'a Bias,
    /// The tokens' kinds.
    pub tokens: &'a Tokens,
    /// The lexicon, to compare what two paths say.
    pub lex: &'a Lexicon,
    /// Its numbers.
    pub tuning: &'a Tuning,
    /// Only the leaning search: the letter ear does the rest.
    pub leaning_alone: bool,
}

/// Searches one sound. `most` is the most tokens a hypothesis may have.
///
/// # Errors
/// Those of the network.
pub fn search(
    net: &Network,
    sound: &Encoded,
    guide: &Guide<'_>,
    most: usize,
) -> candle_core::Result<Searched> {
    let Guide { grammar, tokens, .. } = *guide;
    let began = Instant::now();
    let mut spent = Spent::default();
    let mut memory = Memory::default();
    let mut rows = Vec::new();
    if let Some((last, before)) = tokens.prompt.split_last() {
        for t in before {
            net.take_in(sound, &mut memory, &[*t])?;
        }
        rows = net.step(sound, &mut memory, &[*last])?;
    }
    spent.decoder += began.elapsed();
    let first = rows.pop().unwrap_or_default();
    let mut out = Searched { nothing: first[tokens.end as usize], ..Searched::default() };
    let mut trail = Trail::default();
    let begin = |places| Hypothesis {
        tokens: Vec::new(),
        log_prob: 0.0,
        gained: 0.0,
        standing: Standing::default(),
        places,
    };
    let mut leaning = vec![begin(Vec::new())];
    // All three begin with the one row of the prompt.
    let (mut bound, mut free, mut chances) = match guide.leaning_alone {
        true => (Vec::new(), None, vec![first]),
        false => {
            let all = vec![first.clone(), first.clone(), first];
            (vec![begin(grammar.start())], Some(begin(Vec::new())), all)
        }
    };
    let most = most.min(net.most_words().saturating_sub(tokens.prompt.len() + 1));
    for _ in 0..most {
        let (of_bound, rest) = chances.split_at(bound.len());
        let (of_leaning, of_free) = rest.split_at(leaning.len());
        let shared = usize::from(memory_is_shared(&memory, tokens));
        let row_of = |group: usize, i: usize| if shared == 1 { 0 } else { group + i };

        let next_bound = step_bound(&bound, of_bound, guide, &mut trail, &mut out);
        let next_leaning = step_leaning(&leaning, of_leaning, guide, &mut out);
        let next_free = free.take().and_then(|f| step_free(f, of_free.first()?, guide, &mut out));

        let mut keep: Vec<u32> = Vec::new();
        let mut said: Vec<u32> = Vec::new();
        let mut grown_bound = Vec::new();
        for l in next_bound {
            let h = &bound[l.from];
            let places = grammar.advance(&h.places, l.token, &mut trail);
            keep.push(row_of(0, l.from) as u32);
            said.push(l.token);
            grown_bound.push(grown(h, &l, places));
        }
        let mut grown_leaning = Vec::new();
        for l in next_leaning {
            let h = &leaning[l.from];
            keep.push(row_of(bound.len(), l.from) as u32);
            said.push(l.token);
            grown_leaning.push(grown(h, &l, Vec::new()));
        }
        if let Some(f) = &next_free {
            keep.push(row_of(bound.len() + leaning.len(), 0) as u32);
            said.extend(f.tokens.last());
        }
        bound = grown_bound;
        leaning = grown_leaning;
        free = next_free;
        if said.is_empty() {
            break;
        }
        let stepped = Instant::now();
        memory.keep(&keep)?;
        chances = net.step(sound, &mut memory, &said)?;
        spent.decoder += stepped.elapsed();
        spent.steps += 1;
        spent.rows += said.len();
    }
    // A free text that never ended is kept as far as it went.
    if let (Some(f), None) = (free, &out.free) {
        let score = guide.tuning.by_length(f.log_prob, f.tokens.len());
        out.free = Some(Found {
            log_prob: f.log_prob,
            score,
            plain: score,
            tokens: f.tokens,
            meaning: Vec::new(),
        });
    }
    for list in [&mut out.bound, &mut out.leaning] {
        list.sort_by(|a, b| b.score.total_cmp(&a.score).then_with(|| a.tokens.cmp(&b.tokens)));
    }
    let best = out.bound.first().map(|f| f.meaning.clone());
    // Of the alternatives the likeliest that says something else is always kept.
    let other = out.bound.iter().position(|f| Some(&f.meaning) != best.as_ref());
    let mut n = 0;
    out.bound.retain(|_| {
        n += 1;
        n <= ALTERNATIVES || Some(n - 1) == other
    });
    out.leaning.truncate(ALTERNATIVES);
    spent.search = began.elapsed().saturating_sub(spent.decoder);
    out.spent = spent;
    Ok(out)
}

/// Behind the prompt all hypotheses still share one row.
fn memory_is_shared(memory: &Memory, tokens: &Tokens) -> bool {
    memory.len() == tokens.prompt.len()
}

fn grown(h: &Hypothesis, l: &Longer, places: Vec<Place>) -> Hypothesis {
    let mut tokens = h.tokens.clone();
    tokens.push(l.token);
    Hypothesis { tokens, log_prob: l.log_prob, gained: l.gained, standing: l.standing, places }
}

fn step_bound(
    hyps: &[Hypothesis],
    chances: &[Vec<f32>],
    guide: &Guide<'_>,
    trail: &mut Trail,
    out: &mut Searched,
) -> Vec<Longer> {
    let Guide { grammar, tokens, lex, tuning, .. } = *guide;
    let mut next: Vec<Longer> = Vec::new();
    for (k, h) in hyps.iter().enumerate() {
        let row = &chances[k];
        if let Some((place, cost)) = grammar.ending(&h.places) {
            let log_prob = h.log_prob + row[tokens.end as usize];
            out.bound.push(Found {
                tokens: h.tokens.clone(),
                log_prob,
                score: tuning.by_length(log_prob - cost, h.tokens.len() + 1),
                plain: tuning.by_length(log_prob, h.tokens.len() + 1),
                meaning: trail.meaning(place, lex),
            });
        }
        let mut seen: Vec<(u32, f32)> = Vec::new();
        grammar.next(&h.places, &mut |t, cost| seen.push((t, cost)));
        // The cheapest way to each token.
        seen.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        seen.dedup_by_key(|(t, _)| *t);
        seen.retain(|(t, _)| !circles(&h.tokens, *t));
        next.extend(seen.into_iter().map(|(token, cost)| Longer {
            from: k,
            token,
            log_prob: h.log_prob + row[token as usize],
            gained: -cost,
            standing: Standing::default(),
        }));
    }
    let said = hyps.first().map_or(0, |h| h.tokens.len());
    let best = out.bound.iter().map(|f| f.score).fold(f32::MIN, f32::max);
    if said >= FIRST_STEPS {
        let ended = |f: &Found| f.score * (f.tokens.len() as f32 + 1.0).powf(tuning.length);
        let likeliest = out.bound.iter().map(ended).fold(f32::MIN, f32::max);
        next.retain(|l| {
            let so_far = l.log_prob + l.gained;
            tuning.by_length(so_far, said + 2) > best - tuning.hopeless
                && so_far > likeliest - tuning.outdone
        });
    }
    let later = usize::from(said >= FIRST_STEPS);
    best_of(next, tuning.bound[later], tuning.abreast[later])
}

fn best_of(mut next: Vec<Longer>, n: usize, abreast: f32) -> Vec<Longer> {
    let likely = |l: &Longer| l.log_prob + l.gained;
    let best = next.iter().map(likely).fold(f32::MIN, f32::max);
    next.retain(|l| likely(l) >= best - abreast);
    // The order of equals is fixed, so that the same sound is always heard alike.
    next.sort_by(|a, b| {
        (b.log_prob + b.gained)
            .total_cmp(&(a.log_prob + a.gained))
            .then_with(|| (a.from, a.token).cmp(&(b.from, b.token)))
    });
    next.truncate(n);
    next
}

fn step_leaning(
    hyps: &[Hypothesis],
    chances: &[Vec<f32>],
    guide: &Guide<'_>,
    out: &mut Searched,
) -> Vec<Longer> {
    let Guide { bias, tokens, tuning, .. } = *guide;
    let mut next = Vec::new();
    for (k, h) in hyps.iter().enumerate() {
        let row = &chances[k];
        let most = row[..=tokens.end as usize].iter().copied().fold(f32::MIN, f32::max);
        if !h.tokens.is_empty() {
            let log_prob = h.log_prob + row[tokens.end as usize];
            let gained = h.gained + bias.end(h.standing);
            out.leaning.push(Found {
                tokens: h.tokens.clone(),
                log_prob,
                score: tuning.by_length(log_prob + gained, h.tokens.len() + 1),
                plain: tuning.by_length(log_prob, h.tokens.len() + 1),
                meaning: Vec::new(),
            });
        }
        for (t, &chance) in row[..tokens.end as usize].iter().enumerate() {
            if chance > most - LIKELY && !tokens.silent[t] && !circles(&h.tokens, t as u32) {
                let token = t as u32;
                let (standing, gain) = bias.step(h.standing, token, tuning.bonus);
                let gained = h.gained + gain;
                next.push(Longer {
                    from: k,
                    token,
                    log_prob: h.log_prob + chance,
                    gained,
                    standing,
                });
            }
        }
    }
    let best = out.leaning.iter().map(|f| f.score).fold(f32::MIN, f32::max);
    let length = hyps.first().map_or(1, |h| h.tokens.len() + 2);
    next.retain(|l| tuning.by_length(l.log_prob + l.gained, length) > best - 0.5);
    best_of(next, tuning.leaning, tuning.leaning_abreast)
}

fn step_free(
    mut h: Hypothesis,
    row: &[f32],
    guide: &Guide<'_>,
    out: &mut Searched,
) -> Option<Hypothesis> {
    let Guide { tokens, tuning, .. } = *guide;
    let (token, chance) = row[..=tokens.end as usize]
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1).then_with(|| b.0.cmp(&a.0)))?;
    h.log_prob += chance;
    if token as u32 == tokens.end || circles(&h.tokens, token as u32) {
        // What began the circle is not said twice.
        if token as u32 != tokens.end {
            h.tokens.truncate((h.tokens.len() + 1).saturating_sub(CIRCLE));
        }
        let score = tuning.by_length(h.log_prob, h.tokens.len() + 1);
        let (log_prob, tokens) = (h.log_prob, h.tokens);
        out.free = Some(Found { tokens, log_prob, score, plain: score, meaning: Vec::new() });
        return None;
    }
    h.tokens.push(token as u32);
    Some(h)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(text: &str) -> usize {
        said_once(&text.split(' ').map(str::to_owned).collect::<Vec<_>>())
    }

    #[test]
    fn what_is_only_said_again_is_taken_off_and_nothing_else() {
        assert_eq!(kept("a b c a b c"), 3);
        assert_eq!(kept("a b a b a"), 2);
        assert_eq!(kept("a a a"), 1);
        assert_eq!(kept("no no"), 2);
        assert_eq!(kept("step one step"), 3);
        assert_eq!(kept("a b c a b"), 5);
        assert_eq!(kept("a"), 1);
    }

    #[test]
    fn a_hypothesis_may_not_run_in_circles() {
        assert!(circles(&[1, 2, 3, 4, 9, 1, 2, 3], 4));
        assert!(!circles(&[1, 2, 3, 4, 9, 1, 2, 3], 5));
        assert!(!circles(&[1, 2, 3], 4));
    }
}
