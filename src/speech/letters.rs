//! The letter ear: follows the lexicon's graph of letters through the chances that the second head gives
//! for each letter, every 20 ms.
//!
//! A frame gives each letter a chance, or none (connectionist temporal classification: Graves et al. 2006).
//! A beam of paths through the graph goes from frame to frame; all ways to stretch a path's letters over the
//! frames are summed (prefix search: Hannun et al. 2014, algorithm 1). Words that are in no list are passed
//! over at a cost a letter, along the likeliest letters: so a finding within talk is found, and what is not
//! understood is seen.

use std::cmp::Ordering;
use std::collections::HashMap;

use super::grammar::{Grammar, Label, Place, Trail};
use super::spoken::{BLANK, Letters};
use crate::lexicon::Lexicon;

/// The numbers the beam goes by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beam {
    /// Most paths followed.
    pub paths: usize,
    /// Paths this much less likely than the best are dropped.
    pub within: f32,
    /// A letter less likely than this at a frame is not said there.
    pub floor: f32,
    /// Most paths that stand in the same place and differ in what was said before.
    pub alike: usize,
}

impl Default for Beam {
    fn default() -> Self {
        Beam { paths: 300, within: 14.0, floor: -9.0, alike: 4 }
    }
}

/// Most paths handed on.
const PATHS: usize = 6;
/// Where no letter is as likely as this, frames pass without a look at the graph.
const SURELY_NONE: f32 = -0.004;
/// Frames of a sound are numbered in so many bits.
const BITS: u32 = 16;

/// A path that came to its end.
#[derive(Debug, Clone, PartialEq)]
pub struct Path {
    /// What it says, as written: numbers in digits, talk as it was heard.
    pub text: String,
    /// What it says, spoken.
    pub spoken: String,
    /// What it says, by the lexicon.
    pub meaning: Vec<Label>,
    /// Logarithm of its chance.
    pub log_prob: f32,
    /// The same, less what the path costs.
    pub score: f32,
    /// Letters of words that are in no list.
    pub talk: usize,
}

/// What the letter ear heard.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Spelt {
    /// Paths through the graph, best first, each of other words and another meaning than those before it.
    pub paths: Vec<Path>,
    /// The likeliest letters, whatever they say.
    pub free: String,
    /// Logarithm of their chance.
    pub free_log_prob: f32,
}

impl Spelt {
    /// How much likelier, a letter, the likeliest letters are than the best path.
    pub fn ratio(&self) -> f32 {
        self.paths.first().map_or(f32::MAX, |p| {
            (self.free_log_prob - p.log_prob) / p.spoken.chars().count().max(1) as f32
        })
    }

    /// How far the best path lies above the best of another meaning.
    pub fn margin(&self) -> f32 {
        match self.paths.as_slice() {
            [] => 0.0,
            [_] => f32::MAX,
            [a, b, ..] => a.score - b.score,
        }
    }
}

#[derive(Clone, Copy)]
struct Standing {
    place: Place,
    /// The last letter said; 0 before the first.
    last: u32,
    /// First frame of the talk it stands in.
    from: u32,
    /// Logarithms of the chances with no letter at this frame, and with the last one.
    none: f32,
    letter: f32,
}

impl Standing {
    fn all(&self) -> f32 {
        log_add(self.none, self.letter)
    }

    fn score(&self) -> f32 {
        self.all() - self.place.cost
    }
}

fn log_add(a: f32, b: f32) -> f32 {
    let (high, low) = if a > b { (a, b) } else { (b, a) };
    match high - low {
        d if d < 16.0 => high + (-d).exp().ln_1p(),
        _ => high,
    }
}

const NEVER: f32 = f32::NEG_INFINITY;

/// Follows the graph through the chances of each frame.
pub fn listen(rows: &[Vec<f32>], grammar: &Grammar, lex: &Lexicon, beam: &Beam) -> Spelt {
    let mut trail = Trail::default();
    let mut standing: Vec<Standing> = Vec::new();
    for p in grammar.start() {
        let begun = |place, last| Standing { place, last, from: 0, none: 0.0, letter: NEVER };
        // The blank before the first word is not said.
        grammar.follow(&p, &mut trail, &|s| s == BLANK, &mut |_, q| standing.push(begun(q, 0)));
        standing.extend(grammar.talk(&p).map(|q| begun(q, 0)));
    }
    let (likely, free_log_prob) = likeliest(rows);
    let mut grown: Vec<Standing> = Vec::new();
    for (t, row) in rows.iter().enumerate() {
        let best = likely[t];
        let fresh = best > 0 && (t == 0 || likely[t - 1] != best);
        if row[0] > SURELY_NONE {
            for s in &mut standing {
                let stays = if s.place.in_talk() { NEVER } else { s.letter + row[s.last as usize] };
                (s.none, s.letter) = (s.all() + row[0], stays);
            }
            continue;
        }
        grown.clear();
        for s in &standing {
            let all = s.all();
            if s.place.in_talk() {
                let mut place = s.place;
                if fresh && best != BLANK {
                    place.cost += grammar.costs.letter;
                }
                grown.push(Standing { place, none: all + row[best as usize], letter: NEVER, ..*s });
                if row[BLANK as usize] > beam.floor && t as u32 > s.from {
                    let behind =
                        grammar.behind_talk(&s.place, s.from << BITS | t as u32, &mut trail);
                    let letter = all + row[BLANK as usize];
                    let next =
                        |place| Standing { place, last: BLANK, from: 0, none: NEVER, letter };
                    grammar.follow(&behind, &mut trail, &|s| s == BLANK, &mut |_, q| {
                        grown.push(next(q))
                    });
                }
                continue;
            }
            let letter = s.letter + row[s.last as usize];
            grown.push(Standing { none: all + row[0], letter, ..*s });
            grammar.follow(
                &s.place,
                &mut trail,
                &|c| row[c as usize] > beam.floor,
                &mut |c, place| {
                    // The same letter twice is two only with none between.
                    let before = if c == s.last { s.none } else { all };
                    let letter = before + row[c as usize];
                    grown.push(Standing { place, last: c, from: 0, none: NEVER, letter });
                },
            );
            if row[BLANK as usize] > beam.floor
                && let Some(place) = grammar.talk(&s.place)
            {
                let none = all + row[BLANK as usize];
                grown.push(Standing {
                    place,
                    last: BLANK,
                    from: t as u32 + 1,
                    none,
                    letter: NEVER,
                });
            }
        }
        merge(&mut grown);
        prune(&mut grown, beam);
        std::mem::swap(&mut standing, &mut grown);
    }
    let mut out = Spelt { paths: Vec::new(), free: letters_of(&likely), free_log_prob };
    let mut ended: Vec<(f32, Place, f32)> = Vec::new();
    for s in &standing {
        let mut place = s.place;
        if place.in_talk() {
            place = grammar.behind_talk(&place, s.from << BITS | rows.len() as u32, &mut trail);
        }
        if let Some((place, cost)) = grammar.ending(&[place]) {
            ended.push((s.all() - cost, *place, s.all()));
        }
    }
    ended.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.key().cmp(&b.1.key())));
    for (score, place, log_prob) in ended {
        let meaning = trail.meaning(&place, lex);
        if out.paths.iter().any(|p| p.meaning == meaning) {
            continue;
        }
        let (text, spoken, talk) = written(&trail.said(&place), grammar, &likely);
        // The same words taken otherwise are no rival: the likelier way to take them counts.
        if out.paths.iter().any(|p| p.spoken == spoken) {
            continue;
        }
        out.paths.push(Path { text, spoken, meaning, log_prob, score, talk });
        if out.paths.len() == PATHS {
            break;
        }
    }
    out
}

/// The likeliest letter of each frame, and the logarithm of the chance of them all.
fn likeliest(rows: &[Vec<f32>]) -> (Vec<u32>, f32) {
    let best = |row: &Vec<f32>| -> (u32, f32) {
        let most = row.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1).then(b.0.cmp(&a.0)));
        most.map_or((0, 0.0), |(i, p)| (i as u32, *p))
    };
    let all: Vec<(u32, f32)> = rows.iter().map(best).collect();
    (all.iter().map(|b| b.0).collect(), all.iter().map(|b| b.1).sum())
}

/// The text of letters a frame each: repeated ones are one, and none is none.
fn letters_of(frames: &[u32]) -> String {
    let said = |i: usize| frames[i] > 0 && (i == 0 || frames[i - 1] != frames[i]);
    let all: String =
        (0..frames.len()).filter(|&i| said(i)).map(|i| Letters::letter(frames[i])).collect();
    all.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Ways to stretch the same letters over the frames are summed; of talk the likeliest is kept.
fn merge(all: &mut Vec<Standing>) {
    all.sort_unstable_by(|a, b| a.place.key().cmp(&b.place.key()).then(order(a, b)));
    all.dedup_by(|next, kept| {
        let same = next.place.key() == kept.place.key();
        if same && !kept.place.in_talk() {
            kept.none = log_add(kept.none, next.none);
            kept.letter = log_add(kept.letter, next.letter);
            kept.place.cost = kept.place.cost.min(next.place.cost);
        }
        same
    });
}

/// The likelier first; equals in a fixed order, so that the same sound is always heard alike.
fn order(a: &Standing, b: &Standing) -> Ordering {
    b.score().total_cmp(&a.score()).then((a.place.key(), a.from).cmp(&(b.place.key(), b.from)))
}

fn prune(all: &mut Vec<Standing>, beam: &Beam) {
    let mut scored: Vec<(f32, Standing)> = all.drain(..).map(|s| (s.score(), s)).collect();
    let best = scored.iter().map(|s| s.0).fold(f32::MIN, f32::max);
    // Words in no list always may go on: whatever is said has an end.
    let talks = scored.iter().filter(|s| s.1.place.in_talk()).map(|s| s.0).fold(f32::MIN, f32::max);
    scored.retain(|s| s.0 > best - beam.within || s.0 == talks && s.1.place.in_talk());
    scored.sort_unstable_by(|a, b| {
        b.0.total_cmp(&a.0).then((a.1.place.key(), a.1.from).cmp(&(b.1.place.key(), b.1.from)))
    });
    let mut here: HashMap<(u32, u32), usize> = HashMap::new();
    for (score, s) in scored {
        let n = here.entry(s.place.here()).or_default();
        *n += 1;
        if *n <= beam.alike && (all.len() < beam.paths || score == talks) {
            all.push(s);
        }
    }
}

/// From which number on digits are written.
const DIGITS: u32 = 10;

/// What a path says: as written, as spoken, and letters of talk in it.
fn written(said: &[(Label, u32)], grammar: &Grammar, likely: &[u32]) -> (String, String, usize) {
    let (mut text, mut spoken, mut talk) = (Vec::new(), Vec::new(), 0);
    let letters = Letters::default();
    for (i, (label, at)) in said.iter().enumerate() {
        let tenths = |l: Option<&(Label, u32)>| match l {
            Some((Label::Tenths(d), _)) => Some(*d),
            _ => None,
        };
        let (word, aloud) = match label {
            Label::Talk => {
                let frames = (*at >> BITS) as usize..(*at & ((1 << BITS) - 1)) as usize;
                let heard = likely.get(frames).map(letters_of).unwrap_or_default();
                talk += heard.chars().filter(|c| *c != ' ').count();
                (heard.clone(), heard)
            }
            label => {
                let words = grammar.text(*at);
                let aloud = letters.spoken(words);
                match label {
                    Label::Number(n) if tenths(said.get(i + 1)).is_some() => (n.to_string(), aloud),
                    Label::Number(n) if *n >= DIGITS => (n.to_string(), aloud),
                    Label::Tenths(d) => (format!(".{d}"), aloud),
                    _ => (words.to_owned(), aloud),
                }
            }
        };
        if !word.is_empty() {
            text.push(word);
            spoken.push(aloud);
        }
    }
    (text.join(" ").replace(" .", "."), spoken.join(" "), talk)
}

/// The logarithm of the chance of a spoken text, all ways to stretch its letters over the frames summed.
pub fn chance(rows: &[Vec<f32>], spoken: &str) -> f32 {
    let states = stretched(spoken);
    let mut now = vec![NEVER; states.len()];
    now[0] = 0.0;
    for (t, row) in rows.iter().enumerate() {
        for s in (0..states.len()).rev() {
            let mut all = now[s];
            // At the first frame the first letter is as near as none.
            if s > 0 && (t > 0 || s == 1) {
                all = log_add(all, now[s - 1]);
            }
            if t > 0 && skips(&states, s) {
                all = log_add(all, now[s - 2]);
            }
            now[s] = all + row[states[s] as usize];
        }
    }
    match now.as_slice() {
        [.., a, b] => log_add(*a, *b),
        all => all.first().copied().unwrap_or(NEVER),
    }
}

/// Letters with none before, between and behind them.
fn stretched(spoken: &str) -> Vec<u32> {
    std::iter::once(0).chain(Letters::symbols(spoken).into_iter().flat_map(|l| [l, 0])).collect()
}

/// Whether the none before a letter may be left out: only the same letter twice needs it.
fn skips(states: &[u32], s: usize) -> bool {
    s >= 2 && states[s] != 0 && states[s] != states[s - 2]
}

/// Where the letters of a spoken text lie, and how well the sound bears them out: for each letter its first
/// frame, the one behind its last, and how much less likely it is than the likeliest letters there.
pub fn align(rows: &[Vec<f32>], spoken: &str) -> Vec<(usize, usize, f32)> {
    let letters = Letters::symbols(spoken);
    let states = stretched(spoken);
    if letters.is_empty() || rows.is_empty() {
        return vec![(0, 0, f32::MAX); letters.len()];
    }
    let most: Vec<f32> = rows.iter().map(|r| r.iter().copied().fold(f32::MIN, f32::max)).collect();
    let n = states.len();
    let mut best = vec![NEVER; n];
    (best[0], best[1]) = (rows[0][0], rows[0][states[1] as usize]);
    let mut from: Vec<Vec<u8>> = vec![vec![0; n]];
    for row in &rows[1..] {
        let mut next = vec![NEVER; n];
        let mut step = vec![0u8; n];
        for s in 0..n {
            for back in 0..=usize::from(s > 0) + usize::from(skips(&states, s)) {
                if best[s - back] > next[s] {
                    next[s] = best[s - back];
                    step[s] = back as u8;
                }
            }
            next[s] += row[states[s] as usize];
        }
        best = next;
        from.push(step);
    }
    let mut s = if best[n - 1] > best[n - 2] { n - 1 } else { n - 2 };
    if best[s] == NEVER {
        return vec![(0, rows.len(), f32::MAX); letters.len()];
    }
    let mut out = vec![(usize::MAX, 0, 0.0f32); letters.len()];
    for t in (0..rows.len()).rev() {
        let letter = s.saturating_sub(1) / 2;
        let slot = &mut out[letter];
        slot.2 += most[t] - rows[t][states[s] as usize];
        if states[s] != 0 {
            slot.0 = slot.0.min(t);
            slot.1 = slot.1.max(t + 1);
        }
        s -= usize::from(from[t][s]);
    }
    out
}

/// The chances of frames in which a text is spelt out, with slips at a cost: to read the word ear's text
/// through the same graph.
pub fn rows_of(spoken: &str, slip: f32) -> Vec<Vec<f32>> {
    let frame = |letter: u32| -> Vec<f32> {
        let n = super::model::adapted::LETTERS.len() + 1;
        (0..n as u32).map(|l| if l == letter { 0.0 } else { slip }).collect()
    };
    let mut out = vec![frame(0)];
    for l in Letters::symbols(spoken) {
        out.extend([frame(l), frame(0)]);
    }
    out
}

/// Words of a text with where they lie in its spoken form: letters from, to.
pub type Words = Vec<(String, usize, usize)>;

/// The words of a text, and the text as it is spoken.
pub fn words_of(text: &str, letters: &Letters) -> (Words, String) {
    let words: Vec<&str> = text.split_whitespace().collect();
    let said: Vec<String> = words.iter().map(|w| letters.spoken(w)).collect();
    joined(&words, &said)
}

fn joined(words: &[&str], said: &[String]) -> (Words, String) {
    let (mut out, mut spoken) = (Vec::new(), String::new());
    for (word, said) in words.iter().zip(said) {
        if !spoken.is_empty() && !said.is_empty() {
            spoken.push(' ');
        }
        let from = spoken.len();
        spoken.push_str(said);
        out.push(((*word).to_owned(), from, spoken.len()));
    }
    (out, spoken)
}

/// The same, each number said in the way that the sound bears out best.
pub fn words_heard(rows: &[Vec<f32>], text: &str, letters: &Letters) -> (Words, String) {
    let words: Vec<&str> = text.split_whitespace().collect();
    let mut said: Vec<String> = words.iter().map(|w| letters.spoken(w)).collect();
    for (i, word) in words.iter().enumerate() {
        let ways = letters.ways(word);
        if ways.len() < 2 {
            continue;
        }
        let with = |way: &String| {
            let mut said = said.clone();
            said[i].clone_from(way);
            chance(rows, &said.join(" "))
        };
        let best = ways.iter().max_by(|a, b| with(a).total_cmp(&with(b))).cloned();
        said[i] = best.unwrap_or_default();
    }
    joined(&words, &said)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The text of the best path where each letter is heard as clearly as can be.
    fn heard(text: &str) -> Spelt {
        let lex = crate::lexicon::shipped("newborn").unwrap();
        let letters = Letters::default();
        let grammar = Grammar::of(&lex, &letters);
        listen(&rows_of(&letters.spoken(text), -20.0), &grammar, &lex, &Beam::default())
    }

    #[test]
    fn what_the_lexicon_can_say_is_followed_in_any_order_and_written_with_digits() {
        for (said, written) in [
            ("popliteal angle ninety degrees right", "popliteal angle 90 degrees right"),
            ("right popliteal angle one hundred and ten", "right popliteal angle 110"),
            ("head circumference thirty four point five", "head circumference 34.5"),
            (
                "scarf sign left midline arm recoil brisk both sides",
                "scarf sign left midline arm recoil brisk both sides",
            ),
        ] {
            let got = heard(said);
            assert_eq!(got.paths[0].text, written);
            assert_eq!(got.paths[0].talk, 0);
            assert!(got.ratio().abs() < 0.5 && got.margin() > 5.0, "{got:?}");
        }
    }

    #[test]
    fn a_finding_within_talk_is_found_and_the_talk_is_seen() {
        let got = heard("my grandmother came knee jerk brisk left before breakfast");
        let best = &got.paths[0];
        assert!(best.text.contains("knee jerk brisk left"), "{best:?}");
        assert!(best.text.contains("grandmother") && best.talk > 15, "{best:?}");
        let plain = heard("knee jerk brisk left");
        assert_eq!(plain.paths[0].meaning, best.meaning);
    }

    #[test]
    fn two_sides_said_in_another_order_are_another_meaning() {
        let meaning = |t: &str| heard(t).paths[0].meaning.clone();
        let one = meaning("knee jerk left brisk right weak");
        assert_ne!(one, meaning("knee jerk right brisk left weak"));
        assert_eq!(meaning("knee jerk left brisk"), meaning("knee jerk brisk left"));
    }

    #[test]
    fn the_chance_of_a_text_is_that_of_its_path() {
        let rows = rows_of("scarf sign left", -6.0);
        assert!(chance(&rows, "scarf sign left") > -0.1);
        let one_letter = chance(&rows, "scarf sign lift");
        assert!((-13.0..-5.0).contains(&one_letter), "{one_letter}");
        let lex = crate::lexicon::shipped("newborn").unwrap();
        let grammar = Grammar::of(&lex, &Letters::default());
        let best = listen(&rows, &grammar, &lex, &Beam::default()).paths.remove(0);
        assert!((best.log_prob - chance(&rows, &best.spoken)).abs() < 0.05, "{best:?}");
    }

    #[test]
    fn each_word_has_its_place_in_the_sound_and_a_wrong_one_is_not_borne_out() {
        let rows = rows_of("arm recoil brisk", -12.0);
        let lies = align(&rows, "arm recoil brisk");
        assert!(lies.iter().all(|l| l.2 < 0.1), "{lies:?}");
        assert!(lies.windows(2).all(|w| w[0].0 < w[1].0));
        let wrong = align(&rows, "arm recoil weak");
        let of = |word: std::ops::Range<usize>| wrong[word].iter().map(|l| l.2).sum::<f32>();
        assert!(of(0..10) < 0.1 && of(11..15) > 10.0, "{wrong:?}");
    }
}
