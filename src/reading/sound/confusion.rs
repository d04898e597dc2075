//! What a slip between phones costs, from what the phones are made of.
//!
//! Features and weights are data (`lexicon/sounds/phones.toml`, which names its sources).

use std::collections::BTreeMap;

use serde::Deserialize;

use super::phones::Phone;
use crate::problem::Problem;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    consonants: BTreeMap<String, Consonant>,
    vowels: BTreeMap<String, Vowel>,
    weights: Weights,
    manners: BTreeMap<String, f32>,
    pairs: BTreeMap<String, f32>,
    missing: Missing,
    gates: Gates,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Manner {
    Stop,
    Affricate,
    Fricative,
    Nasal,
    Liquid,
    Glide,
}

impl Manner {
    fn name(self) -> &'static str {
        match self {
            Manner::Stop => "stop",
            Manner::Affricate => "affricate",
            Manner::Fricative => "fricative",
            Manner::Nasal => "nasal",
            Manner::Liquid => "liquid",
            Manner::Glide => "glide",
        }
    }
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
struct Consonant {
    voiced: bool,
    place: f32,
    manner: Manner,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Glide {
    #[default]
    None,
    Front,
    Back,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
struct Vowel {
    height: f32,
    back: f32,
    #[serde(default)]
    round: bool,
    #[serde(default)]
    glide: Glide,
    #[serde(default)]
    rhotic: bool,
    #[serde(default)]
    weak: bool,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
struct Weights {
    voicing: f32,
    place_differs: f32,
    place_step: f32,
    nasal_place: f32,
    height_step: f32,
    back_step: f32,
    round: f32,
    glide: f32,
    rhotic: f32,
    weak_vowel: f32,
    vowel_for_consonant: f32,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
struct Missing {
    consonant: f32,
    vowel: f32,
    #[serde(rename = "AH")]
    ah: f32,
    #[serde(rename = "IH")]
    ih: f32,
    #[serde(rename = "ER")]
    er: f32,
    #[serde(rename = "HH")]
    hh: f32,
    #[serde(rename = "Y")]
    y: f32,
    r_after_vowel: f32,
    stop_at_word_end: f32,
    stop_in_cluster: f32,
    sibilant_at_word_end: f32,
    consonant_at_word_end: f32,
    doubled: f32,
}

/// How well a phrase of a given length must fit.
///
/// A phrase of n phones passes at a mean cost of at most `mean * (1 - short / n)`, and always at
/// nought: a short phrase is like a great many ordinary words, so it must fit better.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gate {
    /// Mean cost a phone that a very long phrase may have.
    pub mean: f32,
    /// Phones' worth of strictness for short phrases.
    pub short: f32,
}

impl Gate {
    /// The largest mean cost at which a phrase of `phones` phones passes.
    pub fn limit(self, phones: usize) -> f32 {
        if phones == 0 {
            return 0.0;
        }
        self.mean * (1.0 - self.short / phones as f32).max(0.0)
    }

    /// Whether a phrase of `phones` phones passes at mean cost `cost`.
    pub fn passes(self, phones: usize, cost: f32) -> bool {
        cost <= self.limit(phones)
    }
}

/// The gates a hit by sound may pass, each wider than the one before.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gates {
    /// Few ordinary words pass it.
    pub near_certain: Gate,
    /// Worth asking about; ordinary words pass it now and then.
    pub plausible: Gate,
    /// Worth believing only with other grounds, such as a value of that very item beside it.
    pub in_context: Gate,
    /// Two hits on the same words whose mean costs are less than this apart contend: neither is
    /// to be taken without asking (see [`competes`](super::competes)).
    pub margin: f32,
}

/// What a hit by sound is worth, before anything else is known of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Strength {
    /// Passes no gate.
    Weak,
    /// Passes the widest gate: worth something only with other grounds.
    InContext,
    /// Passes the middle gate: worth asking about.
    Plausible,
    /// Passes the narrowest gate. Still only a likeness: see [`competes`](super::competes).
    NearCertain,
}

/// The costs of every slip, ready to look up.
#[derive(Debug)]
pub struct Confusion {
    swap: [[f32; Phone::COUNT]; Phone::COUNT],
    missing: Missing,
    gates: Gates,
}

impl Confusion {
    /// Reads the table from TOML text; `file` is for the error only.
    ///
    /// # Errors
    ///
    /// A [`Problem`] naming the file (and the line, where TOML tells it): not TOML, a phone left
    /// out or unknown, two manners without a cost, a cost outside 0 to 1.
    pub fn read(file: &str, text: &str) -> Result<Confusion, Problem> {
        let table: Table = toml::from_str(text).map_err(|e| {
            let line = e.span().map_or(0, |s| text[..s.start].matches('\n').count() + 1);
            Problem::at(file, line, 0, e.message().to_owned())
        })?;
        let fail = |why: String| Problem::in_file(file, why);
        for symbol in table.consonants.keys().chain(table.vowels.keys()) {
            if Phone::from_symbol(symbol).is_none_or(|p| p.symbol() != symbol) {
                return Err(fail(format!("`{symbol}` is no ARPAbet phone")));
            }
        }
        for p in Phone::ALL {
            let vowel = table.vowels.contains_key(p.symbol());
            let consonant = table.consonants.contains_key(p.symbol());
            if vowel != p.is_vowel() || consonant == p.is_vowel() {
                let kind = if p.is_vowel() { "vowels" } else { "consonants" };
                return Err(fail(format!("{p} must stand under [{kind}], once")));
            }
        }
        let mut swap = [[0.0; Phone::COUNT]; Phone::COUNT];
        for a in Phone::ALL {
            for b in Phone::ALL {
                if a != b {
                    swap[a as usize][b as usize] = table.cost(a, b).map_err(fail)?;
                }
            }
        }
        for (pair, cost) in &table.pairs {
            let ends = pair.split_once('-').and_then(|(a, b)| {
                Some((Phone::from_symbol(a)? as usize, Phone::from_symbol(b)? as usize))
            });
            let Some((a, b)) = ends else {
                return Err(fail(format!("`{pair}` under [pairs] is not two phones, as in T-D")));
            };
            if a == b || !(0.0..=1.0).contains(cost) {
                return Err(fail(format!("the cost of `{pair}` is not a slip from 0 to 1")));
            }
            swap[a][b] = *cost;
            swap[b][a] = *cost;
        }
        let m = &table.missing;
        let costs = [
            m.consonant,
            m.vowel,
            m.ah,
            m.ih,
            m.er,
            m.hh,
            m.y,
            m.r_after_vowel,
            m.stop_at_word_end,
            m.stop_in_cluster,
            m.sibilant_at_word_end,
            m.consonant_at_word_end,
            m.doubled,
        ];
        if costs.iter().any(|c| !(0.01..=1.0).contains(c)) {
            return Err(fail("a cost under [missing] is not from 0.01 to 1".into()));
        }
        let g = &table.gates;
        for phones in 1..=64 {
            let limits = [g.near_certain, g.plausible, g.in_context].map(|g| g.limit(phones));
            if limits.iter().any(|l| !l.is_finite()) || !limits.is_sorted() {
                return Err(fail(format!("the gates do not widen in order at {phones} phones")));
            }
        }
        if !g.margin.is_finite() || g.margin < 0.0 {
            return Err(fail("the margin under [gates] is not a cost".into()));
        }
        Ok(Confusion { swap, missing: table.missing, gates: table.gates })
    }

    /// The cost of hearing `b` for `a`: 0 when they are the same, 1 when nothing is alike. The
    /// order of the two does not matter.
    pub fn swap(&self, a: Phone, b: Phone) -> f32 {
        self.swap[a as usize][b as usize]
    }

    /// The cost of leaving out (or adding) the phone at `at` of a word's phones `word`.
    ///
    /// `before` are the phones with which the word before may end: the same consonant at the end
    /// of one word and the start of the next is one sound.
    pub fn missing(&self, word: &[Phone], at: usize, before: &[Phone]) -> f32 {
        use Phone::*;
        let m = &self.missing;
        let phone = word[at];
        let left = at.checked_sub(1).map(|i| word[i]);
        let right = word.get(at + 1).copied();
        let last = right.is_none();
        if at == 0 && !phone.is_vowel() && before.contains(&phone) {
            return m.doubled;
        }
        match phone {
            AH => m.ah,
            IH => m.ih,
            ER => m.er,
            HH => m.hh,
            Y => m.y,
            p if p.is_vowel() => m.vowel,
            R if left.is_some_and(Phone::is_vowel) && !right.is_some_and(Phone::is_vowel) => {
                m.r_after_vowel
            }
            T | D if left.is_some_and(|l| !l.is_vowel()) && !right.is_some_and(Phone::is_vowel) => {
                m.stop_in_cluster
            }
            P | B | T | D | K | G if last && left.is_some() => m.stop_at_word_end,
            S | Z if last && left.is_some() => m.sibilant_at_word_end,
            _ if last && left.is_some() => m.consonant_at_word_end,
            _ => m.consonant,
        }
    }

    /// The gates.
    pub fn gates(&self) -> Gates {
        self.gates
    }

    /// What a hit of `phones` phones at mean cost `cost` is worth.
    pub fn strength(&self, phones: usize, cost: f32) -> Strength {
        if self.gates.near_certain.passes(phones, cost) {
            Strength::NearCertain
        } else if self.gates.plausible.passes(phones, cost) {
            Strength::Plausible
        } else if self.gates.in_context.passes(phones, cost) {
            Strength::InContext
        } else {
            Strength::Weak
        }
    }
}

impl Table {
    fn cost(&self, a: Phone, b: Phone) -> Result<f32, String> {
        let w = &self.weights;
        let cost = match (a.is_vowel(), b.is_vowel()) {
            (true, true) => {
                let (a, b) = (self.vowels[a.symbol()], self.vowels[b.symbol()]);
                let mut cost = w.height_step * (a.height - b.height).abs()
                    + w.back_step * (a.back - b.back).abs();
                for (differs, weight) in [
                    (a.round != b.round, w.round),
                    (a.glide != b.glide, w.glide),
                    (a.rhotic != b.rhotic, w.rhotic),
                ] {
                    cost += if differs { weight } else { 0.0 };
                }
                if a.weak || b.weak { cost * w.weak_vowel } else { cost }
            }
            (false, false) => {
                let (a, b) = (self.consonants[a.symbol()], self.consonants[b.symbol()]);
                let mut cost = if a.voiced != b.voiced { w.voicing } else { 0.0 };
                if a.place != b.place {
                    let nasal = a.manner == Manner::Nasal && b.manner == Manner::Nasal;
                    let place = w.place_differs + w.place_step * (a.place - b.place).abs();
                    cost += if nasal { place * w.nasal_place } else { place };
                }
                if a.manner != b.manner {
                    let (x, y) = (a.manner.name(), b.manner.name());
                    cost += self
                        .manners
                        .get(&format!("{x}-{y}"))
                        .or_else(|| self.manners.get(&format!("{y}-{x}")))
                        .ok_or(format!("[manners] gives no cost for {x}-{y}"))?;
                }
                cost
            }
            _ => w.vowel_for_consonant,
        };
        if !cost.is_finite() || cost <= 0.0 {
            return Err(format!("nothing tells {a} from {b}: their features are the same"));
        }
        Ok(cost.min(1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::sound::Sounds;
    use crate::reading::sound::phones::parse;

    #[test]
    fn slips_are_symmetric_and_only_the_same_phone_is_free() {
        let sounds = Sounds::shipped();
        for a in Phone::ALL {
            for b in Phone::ALL {
                let cost = sounds.confusion().swap(a, b);
                assert_eq!(cost, sounds.confusion().swap(b, a));
                assert!((0.0..=1.0).contains(&cost) && (cost == 0.0) == (a == b), "{a} {b} {cost}");
            }
        }
    }

    /// Which pairs are near: Miller and Nicely, J Acoust Soc Am 1955;27:338 (place is lost before
    /// voicing and nasality), from memory; vowels by their neighbours in the vowel chart.
    #[test]
    fn near_phones_cost_less_than_far_ones() {
        let sounds = Sounds::shipped();
        let cost = |a: &str, b: &str| {
            sounds.confusion().swap(Phone::from_symbol(a).unwrap(), Phone::from_symbol(b).unwrap())
        };
        for near in
            ["P B", "T D", "K G", "M N", "IY IH", "ER AH", "S Z", "F TH", "AA AO", "EH AE", "V DH"]
        {
            let (a, b) = near.split_once(' ').unwrap();
            assert!(cost(a, b) <= 0.25, "{near} {}", cost(a, b));
        }
        for far in ["P M", "S AA", "K Y", "IY AA", "OY IH", "CH W", "HH NG"] {
            let (a, b) = far.split_once(' ').unwrap();
            assert!(cost(a, b) >= 0.55, "{far} {}", cost(a, b));
        }
    }

    #[test]
    fn a_sound_easily_swallowed_costs_less_to_miss_than_a_firm_one() {
        let sounds = Sounds::shipped();
        let word = parse("S K AA R F T").unwrap();
        let missing = |at| sounds.confusion().missing(&word, at, &[]);
        assert!(missing(3) < 0.2, "r after a vowel");
        assert!(missing(5) < 0.3, "t in a cluster");
        assert!(missing(0) > 0.6 && missing(2) > 0.6);
        assert!(sounds.confusion().missing(&word, 0, &[Phone::S]) < 0.2, "doubled consonant");
    }

    #[test]
    fn a_bad_phone_table_is_refused_with_its_reason() {
        let good = include_str!("../../../lexicon/sounds/phones.toml");
        for (from, to, word) in [
            ("P  = {", "PP = {", "PP"),
            ("manner = \"stop\"", "manner = \"click\"", "click"),
            ("stop-glide = 0.75\n", "", "stop-glide"),
            ("T-D = 0.10", "T-D = 7", "T-D"),
            ("T-D = 0.10", "TD = 0.1", "TD"),
            ("vowel = 0.75", "vowel = 0.0", "missing"),
            ("plausible = { mean = 0.17", "plausible = { mean = 0.02", "widen"),
            ("margin = 0.06", "margin = nan", "margin"),
            (
                "B  = { voiced = true,  place = 0",
                "B  = { voiced = false,  place = 0",
                "nothing tells",
            ),
            ("AH = { height = 2.7, back = 2.3, weak = true }\n", "", "AH"),
        ] {
            let text = good.replacen(from, to, 1);
            assert_ne!(text, good);
            let problem = Confusion::read("x.toml", &text).unwrap_err();
            assert!(problem.to_string().contains(word), "{word}: {problem}");
        }
    }

    #[test]
    fn a_gate_is_stricter_for_short_phrases_and_never_refuses_identical_sound() {
        let gate = Gate { mean: 0.2, short: 3.0 };
        assert!(gate.limit(4) < gate.limit(8) && gate.limit(8) < gate.limit(20));
        assert!(gate.passes(1, 0.0) && gate.passes(3, 0.0) && !gate.passes(3, 0.01));
    }
}
