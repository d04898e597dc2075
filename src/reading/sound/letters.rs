//! Words to phones: the dictionary first, then letter-to-sound rules; digits as number words.
//!
//! The rules are data (`lexicon/sounds/letter-to-sound.toml`, which explains their form). No
//! crate is used: those at hand wrap a C synthesiser or a neural model many times this size.

use std::collections::HashMap;

use serde::Deserialize;
use toml::Spanned;

use super::phones::{Phone, parse};
use super::{MOST_A_WORD, dictionary, join, trade};
use crate::problem::Problem;

/// A run of like characters inside a word.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Part {
    /// Letters and apostrophes, lower case.
    Letters {
        /// The letters.
        text: String,
        /// Whether all were capitals, and more than one.
        capitals: bool,
    },
    /// Digits, with at most one decimal point among them.
    Number(String),
    /// Any other visible sign.
    Sign(char),
}

/// Takes a word apart into letters, numbers and signs.
pub fn parts(word: &str) -> Vec<Part> {
    let mut out = Vec::new();
    let chars: Vec<char> = word.chars().map(|c| if c == '\u{2019}' { '\'' } else { c }).collect();
    let mut at = 0;
    while at < chars.len() {
        let from = at;
        let c = chars[at];
        if c.is_alphabetic() || c == '\'' {
            while at < chars.len() && (chars[at].is_alphabetic() || chars[at] == '\'') {
                at += 1;
            }
            let run: String = chars[from..at].iter().collect();
            let run = run.trim_matches('\'');
            if !run.is_empty() {
                let capitals = run.chars().count() > 1 && run.chars().all(char::is_uppercase);
                let text = run.chars().flat_map(char::to_lowercase).map(plain).collect();
                out.push(Part::Letters { text, capitals });
            }
        } else if c.is_ascii_digit() {
            let mut point = false;
            while at < chars.len()
                && (chars[at].is_ascii_digit()
                    || (chars[at] == '.'
                        && !point
                        && chars.get(at + 1).is_some_and(char::is_ascii_digit)))
            {
                point |= chars[at] == '.';
                at += 1;
            }
            out.push(Part::Number(chars[from..at].iter().collect()));
        } else {
            if !c.is_whitespace() {
                out.push(Part::Sign(c));
            }
            at += 1;
        }
    }
    out
}

/// The letter without its accent, for the few accents English borrows.
fn plain(c: char) -> char {
    match c {
        'à' | 'â' | 'ä' | 'á' | 'å' => 'a',
        'ç' => 'c',
        'è' | 'é' | 'ê' | 'ë' => 'e',
        'ì' | 'í' | 'î' | 'ï' => 'i',
        'ñ' => 'n',
        'ò' | 'ó' | 'ô' | 'ö' => 'o',
        'ù' | 'ú' | 'û' | 'ü' => 'u',
        other => other,
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    hand: RuleList,
    derived: RuleList,
    numbers: Numbers,
    signs: HashMap<char, String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RuleList {
    rules: Vec<Spanned<String>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Numbers {
    units: Vec<String>,
    tens: Vec<String>,
    hundred: String,
    thousand: String,
    and: String,
    point: String,
}

/// One letter-to-sound rule.
#[derive(Debug)]
struct Rule {
    left: Vec<char>,
    letters: Vec<char>,
    right: Vec<char>,
    phones: Vec<Phone>,
}

impl Rule {
    fn read(text: &str) -> Result<Rule, String> {
        let shape = "the form is left[letters]right = PHONES";
        let (place, phones) = text.split_once('=').ok_or(shape)?;
        let (left, rest) = place.trim().split_once('[').ok_or(shape)?;
        let (letters, right) = rest.split_once(']').ok_or(shape)?;
        if letters.is_empty() {
            return Err("no letters stand between [ and ]".into());
        }
        let phones = parse(phones).map_err(|p| format!("`{p}` is no ARPAbet phone"))?;
        Ok(Rule {
            left: left.chars().collect(),
            letters: letters.chars().collect(),
            right: right.chars().collect(),
            phones,
        })
    }

    /// Whether it fits at `at` of `word`, which carries `^` before and `$` behind.
    fn fits(&self, word: &[char], at: usize) -> bool {
        let end = at + self.letters.len();
        let matches = |pattern: &char, c: &char| match pattern {
            'V' => is_vowel_letter(*c),
            'K' => !is_vowel_letter(*c) && !matches!(c, '^' | '$'),
            literal => literal == c,
        };
        word.len() >= end + self.right.len()
            && at >= self.left.len()
            && word[at..end] == self.letters[..]
            && self.left.iter().zip(&word[at - self.left.len()..at]).all(|(p, c)| matches(p, c))
            && self.right.iter().zip(&word[end..]).all(|(p, c)| matches(p, c))
    }
}

fn is_vowel_letter(c: char) -> bool {
    matches!(c, 'a' | 'e' | 'i' | 'o' | 'u' | 'y')
}

/// How far a rule may look past either end of a word: every edge mark beyond the first repeats it.
const EDGE: usize = 4;

/// Longest run of letters spelled out when it has no vowel or is in capitals.
const LONGEST_SPELLED: usize = 5;

/// The letter-to-sound rules, number words and signs.
#[derive(Debug)]
pub struct Letters {
    /// Rules by the first letter they read, in their order.
    rules: HashMap<char, Vec<Rule>>,
    numbers: Numbers,
    signs: HashMap<char, String>,
}

impl Letters {
    /// Reads the rules from TOML text; `file` is for the error only.
    ///
    /// # Errors
    ///
    /// A [`Problem`] naming file and line: not TOML, a rule out of form, an unknown phone, too
    /// few number words.
    pub fn read(file: &str, text: &str) -> Result<Letters, Problem> {
        let table: Table = toml::from_str(text).map_err(|e| {
            let line = e.span().map_or(0, |s| line_of(text, s.start));
            Problem::at(file, line, 0, e.message().to_owned())
        })?;
        if table.numbers.units.len() != 20 || table.numbers.tens.len() != 8 {
            return Err(Problem::in_file(file, "the number words are not complete")
                .help("units has twenty words (zero to nineteen), tens eight (twenty to ninety)"));
        }
        let mut rules: HashMap<char, Vec<Rule>> = HashMap::new();
        for spanned in table.hand.rules.iter().chain(&table.derived.rules) {
            let rule = Rule::read(spanned.get_ref()).map_err(|why| {
                Problem::at(file, line_of(text, spanned.span().start), 0, why)
                    .excerpt(spanned.get_ref().clone())
                    .help("for example t[re]$ = ER")
            })?;
            rules.entry(rule.letters[0]).or_default().push(rule);
        }
        Ok(Letters { rules, numbers: table.numbers, signs: table.signs })
    }

    /// What the rules alone make of `word` (lower case letters), the dictionary aside. A letter
    /// with no rule is silent.
    pub fn by_rule(&self, word: &str) -> Vec<Phone> {
        let mut padded = vec!['^'; EDGE];
        padded.extend(word.chars().filter(|c| c.is_alphabetic()));
        let end = padded.len();
        padded.extend(['$'; EDGE + 1]);
        let mut phones: Vec<Phone> = Vec::new();
        let mut at = EDGE;
        while at < end {
            let rule = self
                .rules
                .get(&padded[at])
                .and_then(|rules| rules.iter().find(|r| r.fits(&padded, at)));
            match rule {
                Some(rule) => {
                    phones.extend(&rule.phones);
                    at += rule.letters.len();
                }
                None => at += 1,
            }
        }
        // Doubled letters and rules that meet must not say a consonant twice.
        phones.dedup_by(|a, b| a == b && !a.is_vowel());
        phones
    }

    /// The ways to say one part of a word, most usual first.
    pub(super) fn pronounce_part(&self, part: &Part) -> Vec<Vec<Phone>> {
        match part {
            Part::Number(digits) => self.pronounce_number(digits),
            Part::Sign(sign) => match self.signs.get(sign) {
                Some(word) => dictionary::look_up(word).into_iter().take(1).collect(),
                None => Vec::new(),
            },
            Part::Letters { text, capitals } => {
                let mut known = trade::look_up(text).to_vec();
                for way in dictionary::look_up(text) {
                    if !known.contains(&way) {
                        known.push(way);
                    }
                }
                known.truncate(MOST_A_WORD);
                if !known.is_empty() {
                    return known;
                }
                if is_spelled(text, *capitals) {
                    let name = |c: char| dictionary::look_up(&format!("{c}."));
                    return text.chars().fold(vec![Vec::new()], |ways, c| join(&ways, &name(c), 1));
                }
                if let Some(stem) = plural_stem(text) {
                    let mut ways = dictionary::look_up(stem);
                    ways.truncate(MOST_A_WORD);
                    ways.iter_mut().for_each(add_plural);
                    return ways;
                }
                let guessed = self.by_rule(text);
                if guessed.is_empty() { Vec::new() } else { vec![guessed] }
            }
        }
    }

    /// Whether a part's sound comes from the dictionary, the number words or letter names.
    pub(super) fn is_known(&self, part: &Part) -> bool {
        match part {
            Part::Number(_) => true,
            Part::Sign(_) => true,
            Part::Letters { text, capitals } => {
                !trade::look_up(text).is_empty()
                    || dictionary::has(text)
                    || is_spelled(text, *capitals)
                    || plural_stem(text).is_some()
            }
        }
    }

    /// 140 is said "one hundred forty", "one hundred and forty" and "one forty".
    fn pronounce_number(&self, digits: &str) -> Vec<Vec<Phone>> {
        let (whole, decimals) = digits.split_once('.').unwrap_or((digits, ""));
        let mut readings: Vec<Vec<&str>> = match whole.parse::<u32>() {
            // A leading nought ("007") is read out; so is what no scale or measure reaches.
            Ok(n) if n < 1_000_000 && (whole.len() == 1 || !whole.starts_with('0')) => {
                let mut readings = vec![self.cardinal(n, false), self.cardinal(n, true)];
                if (100..1000).contains(&n) && n % 100 >= 10 {
                    let mut short = self.cardinal(n / 100, false);
                    short.extend(self.cardinal(n % 100, false));
                    readings.push(short);
                }
                readings
            }
            _ => vec![self.one_by_one(whole)],
        };
        let mut ways: Vec<Vec<Phone>> = Vec::new();
        for reading in &mut readings {
            if !decimals.is_empty() {
                reading.push(&self.numbers.point);
                reading.extend(self.one_by_one(decimals));
            }
            let way: Vec<Phone> = reading
                .iter()
                .flat_map(|w| dictionary::look_up(w).into_iter().next().unwrap_or_default())
                .collect();
            if !ways.contains(&way) {
                ways.push(way);
            }
        }
        ways
    }

    fn one_by_one(&self, digits: &str) -> Vec<&str> {
        digits
            .chars()
            .filter_map(|c| c.to_digit(10))
            .map(|d| self.numbers.units[d as usize].as_str())
            .collect()
    }

    fn cardinal(&self, n: u32, with_and: bool) -> Vec<&str> {
        let words = &self.numbers;
        let mut out = Vec::new();
        let mut rest = n;
        if rest >= 1000 {
            out.extend(self.cardinal(rest / 1000, with_and));
            out.push(words.thousand.as_str());
            rest %= 1000;
        }
        if rest >= 100 {
            out.push(words.units[(rest / 100) as usize].as_str());
            out.push(words.hundred.as_str());
            rest %= 100;
            if rest > 0 && with_and {
                out.push(words.and.as_str());
            }
        }
        if rest >= 20 {
            out.push(words.tens[(rest / 10 - 2) as usize].as_str());
            if !rest.is_multiple_of(10) {
                out.push(words.units[(rest % 10) as usize].as_str());
            }
        } else if rest > 0 || out.is_empty() {
            out.push(words.units[rest as usize].as_str());
        }
        out
    }
}

fn line_of(text: &str, byte: usize) -> usize {
    text[..byte.min(text.len())].matches('\n').count() + 1
}

/// Whether letters outside the dictionary are said by their names.
fn is_spelled(text: &str, capitals: bool) -> bool {
    text.chars().count() <= LONGEST_SPELLED
        && text.chars().all(|c| c.is_ascii_lowercase())
        && (capitals || !text.chars().any(is_vowel_letter))
}

/// The word in the dictionary of which `text` is the plural or the possessive.
fn plural_stem(text: &str) -> Option<&str> {
    let stem = text.strip_suffix("'s").or_else(|| text.strip_suffix('s'))?;
    [Some(stem), stem.strip_suffix('e')]
        .into_iter()
        .flatten()
        .find(|s| s.len() > 2 && dictionary::has(s))
}

/// English plural: IH Z after a sibilant, S after a voiceless consonant, else Z.
fn add_plural(way: &mut Vec<Phone>) {
    use Phone::*;
    match way.last() {
        Some(S | Z | SH | ZH | CH | JH) => way.extend([IH, Z]),
        Some(P | T | K | F | TH) => way.push(S),
        _ => way.push(Z),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::sound::Sounds;

    fn spoken(word: &str) -> Vec<String> {
        Sounds::shipped()
            .pronounce(word)
            .iter()
            .map(|way| way.iter().map(|p| p.symbol()).collect::<Vec<_>>().join(" "))
            .collect()
    }

    /// Phone edits (substitution, insertion, deletion each 1) from `a` to `b`.
    fn edits(a: &[Phone], b: &[Phone]) -> usize {
        strsim::generic_levenshtein(&Slice(a), &Slice(b))
    }

    struct Slice<'a>(&'a [Phone]);
    impl<'b> IntoIterator for &'b Slice<'_> {
        type Item = Phone;
        type IntoIter = std::iter::Copied<std::slice::Iter<'b, Phone>>;
        fn into_iter(self) -> Self::IntoIter {
            self.0.iter().copied()
        }
    }

    /// Oracle: CMUdict itself, on 2000 of the words that `tests/sound/derive-letter-rules.py` left out
    /// (every 57th of the plain words of three letters or more, from the first on).
    #[test]
    fn the_rules_say_unseen_dictionary_words_with_at_most_one_phone_in_eight_wrong() {
        let sounds = Sounds::shipped();
        let words: Vec<&str> = dictionary::plain_words().filter(|w| w.len() >= 3).collect();
        let sample: Vec<&str> = words.iter().step_by(57).copied().take(2000).collect();
        assert_eq!(sample.len(), 2000);
        let (mut wrong, mut all, mut whole) = (0, 0, 0);
        for word in sample {
            let said = sounds.letters().by_rule(word);
            let (miss, length) = dictionary::look_up(word)
                .iter()
                .map(|truth| (edits(&said, truth), truth.len()))
                .min()
                .unwrap();
            wrong += miss;
            all += length;
            whole += usize::from(miss == 0);
        }
        let rate = wrong as f64 / all as f64;
        println!("letter-to-sound: phone error rate {rate:.4}, whole words {whole} of 2000");
        assert!(rate < 1.0 / 8.0, "phone error rate {rate:.4}");
    }

    #[test]
    fn a_plural_takes_the_sound_of_the_word_it_is_made_from() {
        assert_eq!(plural_stem("blorptangs"), None);
        assert_eq!(spoken("doldrum's"), ["D OW L D R AH M Z"]);
        assert_eq!(spoken("Lintel's"), ["L IH N T AH L Z"]);
    }

    #[test]
    fn digits_and_signs_are_read_as_words() {
        assert_eq!(spoken("15"), spoken("fifteen")[..1]);
        assert_eq!(spoken("2+"), ["T UW P L AH S"]);
        assert_eq!(spoken("34.5"), ["TH ER D IY F AO R P OY N T F AY V"]);
        let forty = spoken("140");
        assert_eq!(forty.len(), 3);
        assert_eq!(forty[2], "W AH N F AO R T IY");
        assert_eq!(spoken("0"), spoken("zero")[..1]);
        assert_eq!(spoken("007").len(), 1);
        assert!(spoken("99999999999999999999").len() == 1);
    }

    #[test]
    fn capitals_and_vowelless_runs_outside_the_dictionary_are_spelled() {
        assert_eq!(spoken("AQTR"), ["EY K Y UW T IY AA R"]);
        assert_eq!(spoken("xj"), ["EH K S JH EY"]);
    }

    #[test]
    fn punctuation_says_nothing_and_a_hyphen_parts_a_word() {
        assert!(spoken("...").is_empty() && spoken("").is_empty() && spoken("'").is_empty());
        assert_eq!(spoken("toe-grip,"), ["T OW G R IH P"]);
    }

    #[test]
    fn a_bad_rule_is_named_with_its_line() {
        let good = include_str!("../../../lexicon/sounds/letter-to-sound.toml");
        for (bad, word) in [
            ("'t[re] ER'", "form"),
            ("'t[re]$ = QX'", "QX"),
            ("'[] = T'", "between"),
            ("'re = ER'", "form"),
        ] {
            let text = good.replacen("'t[re]$ = ER'", bad, 1);
            let line = 1 + text.lines().position(|l| l.contains(bad)).unwrap();
            let problem = Letters::read("x.toml", &text).unwrap_err();
            assert_eq!((problem.file.as_str(), problem.line), ("x.toml", line));
            assert!(problem.message.contains(word), "{problem}");
        }
        assert!(Letters::read("x.toml", &good.replace("\"zero\",", "")).is_err());
        assert!(Letters::read("x.toml", "hand = 3").is_err());
    }
}
