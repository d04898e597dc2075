//! Cuts text into tokens and folds words to the form in which they are compared.
//!
//! Both sides of every comparison go through here: lexicon phrases when the lexicon is loaded,
//! heard phrases when they are read. Folding takes off English inflection only (*jerks*, *turned*,
//! *stepping*). A general stemmer is not used on purpose: it also takes off derivation, and would
//! make *dislocatable* and *dislocated* one word, which are two findings.

use std::ops::Range;

/// A pause in writing: where a reader would draw breath.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Break {
    /// Comma, colon, dash, bracket: the thought goes on.
    Comma,
    /// Semicolon.
    Semicolon,
    /// Full stop, exclamation mark, line end.
    Stop,
    /// Question mark.
    Question,
}

/// One word, number or break.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Token {
    /// The word as written, lower case; empty for a break.
    pub surface: String,
    /// The word as compared.
    pub folded: String,
    /// Bytes of the original text.
    pub span: Range<usize>,
    /// The break, if this is one.
    pub brk: Option<Break>,
}

impl Token {
    fn word(surface: &str, span: Range<usize>) -> Self {
        Token { folded: fold(surface), surface: surface.to_owned(), span, brk: None }
    }

    /// Whether the surface is written in digits.
    pub fn is_digits(&self) -> bool {
        self.surface.starts_with(|c: char| c.is_ascii_digit())
    }
}

/// Takes inflection off a word: plural and third-person *s*, *-ed*, *-ing*, and a final *e* that
/// would otherwise tell *place* from *placing*.
///
/// ```
/// use cotside::lexicon::text::fold;
/// assert_eq!(fold("jerks"), fold("jerk"));
/// assert_eq!(fold("stepping"), fold("steps"));
/// assert_eq!(fold("curved"), fold("curve"));
/// assert_ne!(fold("dislocatable"), fold("dislocated"));
/// assert_ne!(fold("clonus"), fold("clone"));
/// ```
pub fn fold(word: &str) -> String {
    match word {
        "goes" | "gone" | "went" | "going" => return "go".into(),
        "feet" => return "foot".into(),
        "does" | "did" | "done" | "doing" => return "do".into(),
        _ => {}
    }
    let n = word.len();
    if n <= 3 || !word.is_ascii() || word.starts_with(|c: char| c.is_ascii_digit()) {
        return word.to_owned();
    }
    let has_vowel = |s: &str| s.contains(['a', 'e', 'i', 'o', 'u', 'y']);
    let undouble = |s: &str| -> String {
        let b = s.as_bytes();
        let k = b.len();
        if k > 3 && b[k - 1] == b[k - 2] && !b"aeiousl".contains(&b[k - 1]) {
            s[..k - 1].to_owned()
        } else {
            s.to_owned()
        }
    };
    let mut stem = if let Some(s) = word.strip_suffix("ies").filter(|s| s.len() >= 2) {
        format!("{s}y")
    } else if ["sses", "shes", "ches", "xes", "zes"].iter().any(|e| word.ends_with(e)) {
        word[..n - 2].to_owned()
    } else if word.ends_with('s') && !["ss", "us", "is"].iter().any(|e| word.ends_with(e)) {
        word[..n - 1].to_owned()
    } else if let Some(s) = word.strip_suffix("ing").filter(|s| s.len() >= 3 && has_vowel(s)) {
        undouble(s)
    } else if let Some(s) = word.strip_suffix("ied").filter(|s| s.len() >= 2) {
        format!("{s}y")
    } else if let Some(s) =
        word.strip_suffix("ed").filter(|s| s.len() >= 3 && has_vowel(s) && !word.ends_with("eed"))
    {
        undouble(s)
    } else {
        word.to_owned()
    };
    if stem.len() > 4 && stem.ends_with('e') {
        stem.pop();
    } else if stem.len() == 3 && stem.ends_with('v') && stem != word {
        // "moving" goes with "move".
        stem.push('e');
    }
    // "righting" is no side and "noted" no negation.
    if matches!(stem.as_str(), "right" | "left" | "not" | "no" | "non" | "nor") {
        return word.to_owned();
    }
    stem
}

/// An age written `weeks+days` in days, when it is one: whole numbers, days 0 to 6.
pub fn weeks_and_days(text: &str) -> Option<u32> {
    let (w, d) = text.trim().split_once('+')?;
    let whole = |s: &str| s.parse::<u32>().ok().filter(|_| s.bytes().all(|b| b.is_ascii_digit()));
    let (w, d) = (whole(w)?, whole(d)?);
    // The limit only keeps the arithmetic from running over.
    (d < 7 && w < 10_000).then(|| w * 7 + d)
}

/// Words that end in a contracted *not*, and what they are read as.
const CONTRACTED: &[(&str, &[&str])] = &[
    ("can't", &["cannot"]),
    ("cannot", &["cannot"]),
    ("cant", &["cannot"]),
    ("couldn't", &["cannot"]),
    ("couldnt", &["cannot"]),
    ("won't", &["will", "not"]),
    ("wont", &["will", "not"]),
    ("shan't", &["will", "not"]),
    ("doesnt", &["does", "not"]),
    ("dont", &["do", "not"]),
    ("didnt", &["did", "not"]),
    ("isnt", &["is", "not"]),
    ("wasnt", &["was", "not"]),
    ("arent", &["are", "not"]),
    ("havent", &["have", "not"]),
    ("hasnt", &["has", "not"]),
    ("'cause", &["because"]),
    ("cause", &["because"]),
    ("cos", &["because"]),
    ("'cos", &["because"]),
    ("gonna", &["going", "to"]),
    ("kinda", &["kind", "of"]),
];

/// Cuts text into words, numbers and breaks.
///
/// Hyphens part words (*thirty-four*); digits and letters part (*34cm*, *2+*); a dash or *to*
/// between digits becomes the word *to*; *'s* becomes a word of its own; *n't* becomes *not*.
///
/// ```
/// use cotside::lexicon::text::tokenize;
/// let words = |s: &str| tokenize(s).iter().map(|t| t.surface.clone()).collect::<Vec<_>>();
/// assert_eq!(words("Doesn't reach"), ["does", "not", "reach"]);
/// assert_eq!(words("80-90°"), ["80", "to", "90", "degrees"]);
/// assert_eq!(words("34,5cm"), ["34.5", "cm"]);
/// assert_eq!(words("2+"), ["2", "plus"]);
/// ```
pub fn tokenize(text: &str) -> Vec<Token> {
    let chars: Vec<(usize, char)> = text.char_indices().collect();
    let at = |i: usize| chars.get(i).map(|c| c.1);
    let end = |i: usize| chars.get(i).map_or(text.len(), |c| c.0);
    let mut out: Vec<Token> = Vec::new();
    let push_break = |b: Break, span: Range<usize>, out: &mut Vec<Token>| {
        // A run of breaks counts once, as the strongest of them.
        if let Some(last) = out.last_mut().filter(|t| t.brk.is_some()) {
            last.brk = last.brk.max(Some(b));
        } else {
            out.push(Token { surface: String::new(), folded: String::new(), span, brk: Some(b) });
        }
    };
    let mut i = 0;
    while i < chars.len() {
        let (pos, c) = chars[i];
        if c.is_ascii_digit() {
            let mut j = i;
            let mut s = String::new();
            while let Some(d) = at(j) {
                let decimal = (d == '.' || d == ',')
                    && at(j + 1).is_some_and(|x| x.is_ascii_digit())
                    && !s.contains('.')
                    // "1,000" is a thousand, "34,5" a decimal comma.
                    && !(d == ',' && (j + 4..j + 5).all(|k| at(k).is_none_or(|x| !x.is_ascii_digit()))
                        && (j + 1..j + 4).all(|k| at(k).is_some_and(|x| x.is_ascii_digit())));
                if d.is_ascii_digit() {
                    s.push(d);
                } else if decimal {
                    s.push('.');
                } else {
                    break;
                }
                j += 1;
            }
            out.push(Token::word(&s, pos..end(j)));
            i = j;
            // "80-90", "80–90"
            if matches!(at(i), Some('-' | '–' | '—'))
                && at(i + 1).is_some_and(|x| x.is_ascii_digit())
            {
                out.push(Token::word("to", end(i)..end(i + 1)));
                i += 1;
            }
            continue;
        }
        if c.is_alphabetic()
            || ((c == '\'' || c == '’')
                && at(i + 1).is_some_and(char::is_alphabetic)
                && !at(i.wrapping_sub(1)).is_some_and(char::is_alphanumeric))
        {
            let mut j = i;
            let mut s = String::new();
            while let Some(d) = at(j) {
                if d.is_alphabetic() {
                    s.extend(d.to_lowercase());
                } else if (d == '\'' || d == '’')
                    && (j == i || at(j + 1).is_some_and(char::is_alphabetic))
                {
                    s.push('\'');
                } else {
                    break;
                }
                j += 1;
            }
            push_word(&s, pos..end(j), &mut out);
            i = j;
            continue;
        }
        let here = pos..end(i + 1);
        match c {
            '+' => out.push(Token::word("plus", here)),
            '°' => out.push(Token::word("degrees", here)),
            '&' => out.push(Token::word("and", here)),
            '%' => out.push(Token::word("percent", here)),
            '½' => {
                out.push(Token::word("and", here.clone()));
                out.push(Token::word("half", here));
            }
            // "10/min"
            '/' if at(i + 1) == Some('m') => out.push(Token::word("per", here)),
            ',' | ':' | '(' | ')' | '–' | '—' | '…' | '"' | '“' | '”' => {
                push_break(Break::Comma, here, &mut out);
            }
            '-' => {
                let spaced = at(i.wrapping_sub(1)) == Some(' ') && at(i + 1) == Some(' ');
                if spaced {
                    push_break(Break::Comma, here, &mut out);
                }
            }
            ';' => push_break(Break::Semicolon, here, &mut out),
            '.' | '!' | '\n' => push_break(Break::Stop, here, &mut out),
            '?' => push_break(Break::Question, here, &mut out),
            _ => {}
        }
        i += 1;
    }
    out
}

fn push_word(s: &str, span: Range<usize>, out: &mut Vec<Token>) {
    if let Some((_, as_words)) = CONTRACTED.iter().find(|(w, _)| *w == s) {
        out.extend(as_words.iter().map(|w| Token::word(w, span.clone())));
    } else if let Some(stem) = s.strip_suffix("n't") {
        out.push(Token::word(stem, span.clone()));
        out.push(Token::word("not", span));
    } else if let Some((stem, tail)) = s.split_once('\'').filter(|(a, _)| !a.is_empty()) {
        let tail = match tail {
            "ll" => "will",
            // "She would" or "she had": compared as the first, shown as it was said.
            "d" => {
                out.push(Token::word(stem, span.clone()));
                out.push(Token { surface: "'d".to_owned(), ..Token::word("would", span) });
                return;
            }
            "ve" => "have",
            "re" => "are",
            "m" => "am",
            "s" | "" => "'s",
            other => other,
        };
        out.push(Token::word(stem, span.clone()));
        out.push(Token::word(tail, span));
    } else if s == "'s" {
        out.push(Token::word(s, span));
    } else {
        out.push(Token::word(s.trim_matches('\''), span));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inflected_forms_of_one_verb_fold_together() {
        for group in [
            &["turn", "turns", "turned", "turning"][..],
            &["open", "opens", "opened", "opening"],
            &["curve", "curves", "curved", "curving"],
            &["step", "steps", "stepped", "stepping"],
            &["reflex", "reflexes"],
            &["flex", "flexed", "flexes", "flexing"],
            &["biceps", "bicep"],
            &["foot", "feet"],
            &["knee", "knees"],
            &["toe", "toes"],
        ] {
            for w in group {
                assert_eq!(fold(w), fold(group[0]), "{w}");
            }
        }
    }

    #[test]
    fn words_that_are_different_findings_stay_different() {
        for (a, b) in [
            ("dislocated", "dislocatable"),
            ("palmar", "plantar"),
            ("flexors", "flexion"),
            ("extensors", "extended"),
            ("clonus", "clone"),
            ("complete", "incomplete"),
        ] {
            assert_ne!(fold(a), fold(b), "{a} {b}");
        }
    }

    #[test]
    fn spans_point_into_the_original_text() {
        let text = "Suck’s weak; 34.5 cm";
        for t in tokenize(text).iter().filter(|t| t.brk.is_none()) {
            assert!(text.get(t.span.clone()).is_some());
        }
    }
}
