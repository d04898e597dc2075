//! Expands a lexicon phrase (`turns [and] (opens|open) =fixed`) into plain word sequences.

use std::collections::HashMap;

use super::text::{fold, tokenize};

/// One word of an expanded phrase.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct PatternWord {
    /// Folded form, as compared.
    pub folded: String,
    /// As written, for *exact* words and for telling plural from singular.
    pub surface: String,
    /// Whether only this very form matches.
    pub exact: bool,
}

/// More alternatives than this in one phrase is a slip of the pen.
const MOST: usize = 512;
/// Brackets within brackets beyond this are one too; it also bounds the recursion.
const DEEPEST: usize = 16;

/// Words as they are cut and folded. A lexicon says few words in many phrases; each is folded once.
#[derive(Debug, Default)]
pub struct Folded(HashMap<String, Vec<PatternWord>>);

impl Folded {
    fn words(&mut self, written: &str) -> &[PatternWord] {
        // Asked twice rather than made into an owned key at each asking.
        if !self.0.contains_key(written) {
            let exact = written.starts_with('=');
            let words = tokenize(written.trim_start_matches('='))
                .into_iter()
                .filter(|t| t.brk.is_none())
                .map(|t| PatternWord { folded: t.folded, surface: t.surface, exact })
                .collect();
            self.0.insert(written.to_owned(), words);
        }
        &self.0[written]
    }
}

/// Expands a phrase into all the word sequences it stands for, fillers still in.
///
/// # Errors
/// Says what is wrong with the brackets, that they stand in more than 16 others, or that the phrase
/// is empty or stands for more than 512 sequences.
pub fn expand(phrase: &str) -> Result<Vec<Vec<PatternWord>>, String> {
    expand_with(phrase, &mut Folded::default())
}

/// As [`expand`], with the words folded so far.
///
/// # Errors
/// As [`expand`].
pub fn expand_with(phrase: &str, folded: &mut Folded) -> Result<Vec<Vec<PatternWord>>, String> {
    let chars: Vec<char> = phrase.chars().collect();
    let mut pos = 0;
    let all = alternatives(&chars, &mut pos, None, 0)?;
    let mut out: Vec<Vec<PatternWord>> = Vec::new();
    for text in all {
        let mut words: Vec<PatternWord> = Vec::new();
        for w in text.split_whitespace() {
            words.extend_from_slice(folded.words(w));
        }
        if words.is_empty() {
            return Err("stands for no words at all".into());
        }
        if !out.contains(&words) {
            out.push(words);
        }
    }
    Ok(out)
}

/// Sequences of one level up to its closing bracket.
fn alternatives(
    c: &[char],
    pos: &mut usize,
    close: Option<char>,
    depth: usize,
) -> Result<Vec<String>, String> {
    if depth > DEEPEST {
        return Err(format!("brackets stand more than {DEEPEST} deep; cut it up"));
    }
    let mut done: Vec<String> = Vec::new();
    let mut current: Vec<String> = vec![String::new()];
    loop {
        let Some(&ch) = c.get(*pos) else {
            if let Some(want) = close {
                return Err(format!("a bracket is never closed: `{want}` is missing"));
            }
            break;
        };
        *pos += 1;
        match ch {
            '(' | '[' => {
                let want = if ch == '(' { ')' } else { ']' };
                let mut inner = alternatives(c, pos, Some(want), depth + 1)?;
                if ch == '[' {
                    inner.push(String::new());
                }
                if current.len() * inner.len() > MOST {
                    return Err(format!("stands for more than {MOST} phrases; cut it up"));
                }
                current = current
                    .iter()
                    .flat_map(|a| inner.iter().map(move |b| format!("{a}{b}")))
                    .collect();
            }
            ')' | ']' if close == Some(ch) => break,
            ')' | ']' => return Err(format!("`{ch}` closes nothing")),
            '|' if close.is_some() => {
                done.append(&mut std::mem::replace(&mut current, vec![String::new()]))
            }
            '|' => return Err("`|` stands outside brackets; write (a|b)".into()),
            _ => current.iter_mut().for_each(|s| s.push(ch)),
        }
    }
    done.append(&mut current);
    Ok(done)
}

/// Folds a plain phrase for looking it up.
pub fn key(words: &[PatternWord]) -> String {
    words.iter().map(|w| w.folded.as_str()).collect::<Vec<_>>().join(" ")
}

/// Folds running text to a key, for messages and tests.
pub fn key_of(text: &str) -> String {
    text.split_whitespace().map(fold).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keys(p: &str) -> Vec<String> {
        expand(p).unwrap().iter().map(|w| key(w)).collect()
    }

    #[test]
    fn brackets_choose_and_square_brackets_may_be_empty() {
        assert_eq!(keys("a (b|c d) e"), ["a b e", "a c d e"]);
        assert_eq!(keys("[in] line"), ["in line", "line"]);
    }

    #[test]
    fn broken_brackets_are_named() {
        assert!(expand("a (b").unwrap_err().contains("`)` is missing"));
        assert!(expand("a b)").unwrap_err().contains("closes nothing"));
        assert!(expand("a | b").unwrap_err().contains("outside brackets"));
        assert!(expand("[a]").unwrap_err().contains("no words"));
        let deep = "(".repeat(100_000) + "a" + &")".repeat(100_000);
        assert!(expand(&deep).unwrap_err().contains("16 deep"));
    }
}
