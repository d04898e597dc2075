//! Text as it is spoken, spelt in the letters that the letter ear hears.
//!
//! Small letters, numbers in words, no marks: as the texts were spelt that the letter head was trained on.

use std::collections::BTreeMap;

use super::grammar::Spelling;
use super::model::adapted::LETTERS;

/// The blank between two words, as a symbol. Symbol 0 is no letter.
pub const BLANK: u32 = 1;

const SMALL: [&str; 20] = [
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
];
const TENS: [&str; 10] =
    ["", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"];

/// Vowels, and what may stand for one.
const VOWELS: &[char] = &['a', 'e', 'i', 'o', 'u', 'y'];
/// Abbreviations without a vowel are shorter than this.
const LONGEST_SPELT: usize = 5;

/// Spells in letters.
#[derive(Debug, Clone, Default)]
pub struct Letters {
    /// Words that are spelt otherwise than they are written.
    spelt: BTreeMap<String, String>,
}

impl Letters {
    /// With words that are spelt otherwise than they are written.
    pub fn new(spelt: BTreeMap<String, String>) -> Letters {
        Letters { spelt }
    }

    /// A text as it is spoken: words of letters, a blank between two.
    pub fn spoken(&self, text: &str) -> String {
        let mut out: Vec<String> = Vec::new();
        for part in text.to_lowercase().replace('’', "'").split_whitespace() {
            self.word(part, &mut out);
        }
        out.join(" ")
    }

    /// A word with its marks.
    fn word(&self, word: &str, out: &mut Vec<String>) {
        let chars: Vec<char> = word.chars().collect();
        let kind = |c: char| match c {
            'a'..='z' | '\'' => 0,
            '0'..='9' => 1,
            _ => 2,
        };
        let mut i = 0;
        while i < chars.len() {
            let from = i;
            while i < chars.len() && kind(chars[i]) == kind(chars[from]) {
                i += 1;
            }
            let run: String = chars[from..i].iter().collect();
            match kind(chars[from]) {
                0 if run.trim_matches('\'').is_empty() => {}
                0 => match self.spelt.get(&run) {
                    Some(other) => out.extend(other.split(' ').map(str::to_owned)),
                    // An abbreviation is said letter by letter.
                    None if run.len() < LONGEST_SPELT && !run.contains(VOWELS) => {
                        out.extend(run.chars().filter(|c| *c != '\'').map(String::from));
                    }
                    None => out.push(run),
                },
                1 => {
                    // Digits behind a point are said one by one.
                    let behind = from > 1 && chars[from - 1] == '.' && kind(chars[from - 2]) == 1;
                    match behind {
                        true => {
                            out.push("point".into());
                            out.extend(
                                run.bytes().map(|b| SMALL[usize::from(b - b'0')].to_owned()),
                            );
                        }
                        false => out.extend(number(&run)),
                    }
                }
                _ => {
                    let said = |c| match c {
                        '&' => Some("and"),
                        '%' => Some("percent"),
                        '°' => Some("degrees"),
                        _ => None,
                    };
                    out.extend(chars[from..i].iter().filter_map(|c| said(*c)).map(str::to_owned));
                }
            }
        }
    }

    /// Ways to say a word: of a number from a hundred on there are several, the plain one first.
    pub fn ways(&self, word: &str) -> Vec<String> {
        let plain = self.spoken(word);
        let mut out = vec![plain.clone()];
        if let Some((hundreds, rest)) = plain.split_once(" hundred") {
            let rest = rest.trim_start();
            let one = hundreds == SMALL[1];
            let heads = [Some(hundreds), one.then_some("a"), one.then_some("")];
            for head in heads.into_iter().flatten() {
                let and = if rest.is_empty() { vec![""] } else { vec!["", "and "] };
                out.extend(
                    and.iter().map(|and| format!("{head} hundred {and}{rest}").trim().to_owned()),
                );
            }
            if !rest.is_empty() {
                out.push(format!("{hundreds} {rest}"));
            }
        }
        out
    }

    /// The symbols of a spoken text, without a blank before it.
    pub fn symbols(spoken: &str) -> Vec<u32> {
        spoken.bytes().filter_map(symbol).collect()
    }

    /// The letter of a symbol.
    pub fn letter(symbol: u32) -> char {
        let at = (symbol as usize).wrapping_sub(1);
        LETTERS.as_bytes().get(at).map_or(' ', |b| char::from(*b))
    }
}

fn symbol(letter: u8) -> Option<u32> {
    let at = LETTERS.bytes().position(|l| l == letter)?;
    u32::try_from(at + 1).ok()
}

/// The words of a whole number of up to three digits; longer ones are said in too many ways.
fn number(digits: &str) -> Vec<String> {
    let Some(n) = digits.parse::<usize>().ok().filter(|_| digits.len() < 4) else {
        return Vec::new();
    };
    let mut out = Vec::new();
    if n >= 100 {
        out.extend([SMALL[n / 100], "hundred"]);
    }
    match n % 100 {
        0 if n > 0 => {}
        r if r < 20 => out.push(SMALL[r]),
        r => {
            out.push(TENS[r / 10]);
            if r % 10 > 0 {
                out.push(SMALL[r % 10]);
            }
        }
    }
    out.into_iter().map(str::to_owned).collect()
}

impl Spelling for Letters {
    fn words(&self, text: &str) -> Vec<u32> {
        match self.spoken(text) {
            said if said.is_empty() => Vec::new(),
            said => Letters::symbols(&format!(" {said}")),
        }
    }

    fn mark(&self, _: &str) -> Vec<u32> {
        Vec::new()
    }

    fn capitals(&self) -> bool {
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_is_spelt_as_it_is_spoken() {
        let letters = Letters::new(BTreeMap::from([("cm".into(), "centimetres".into())]));
        let spoken = |t: &str| letters.spoken(t);
        assert_eq!(
            spoken("Head circumference, 34.5 cm."),
            "head circumference thirty four point five centimetres"
        );
        assert_eq!(spoken("34.5cm"), "thirty four point five centimetres");
        assert_eq!(spoken("110°, doll’s eyes"), "one hundred ten degrees doll's eyes");
        assert_eq!(spoken("0 / 15 / 100"), "zero fifteen one hundred");
        assert_eq!(spoken("BJ, hm"), "b j h m");
        let ways = letters.ways("151,");
        for way in ["one fifty one", "a hundred and fifty one", "one hundred fifty one"] {
            assert!(ways.contains(&way.to_owned()), "{ways:?}");
        }
        assert!(letters.ways("100").contains(&"hundred".to_owned()));
        assert_eq!(letters.ways("knee"), ["knee"]);
        assert_eq!(spoken("half-way, 12345"), "half way");
        assert_eq!(Letters::symbols("a b'"), [3, 1, 4, 2]);
    }
}
