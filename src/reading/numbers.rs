//! Numbers as they are said: *thirty-four point five*, *one twenty*, *a hundred and ten*,
//! *ninety to ninety-five*, *two plus*.
//!
//! Reads word and digit tokens; the words come from the lexicon's language layer. A general
//! text-to-number library is not used because clinical speech says *one twenty* for 120, grades
//! with *plus*, and counts aloud (*one two three four five*), which is no number at all;
//! `tests/numbers.rs` checks the ordinary forms against an independent number speller.

use crate::lexicon::model::NumberWords;
use crate::lexicon::text::{Break, Token};

/// A number found in the tokens `[from, to)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spoken {
    /// First token.
    pub from: usize,
    /// One past the last token.
    pub to: usize,
    /// The number, or the lower end of a range.
    pub value: f64,
    /// The upper end of a range.
    pub high: Option<f64>,
    /// Said as a count (*one, two, three*), a spelt repetition (*one five*) or a sum of weeks and
    /// days (*thirty-nine plus two*): heard, but no measurement.
    pub idle: bool,
    /// Said with a grade sign (*two plus*).
    pub graded: bool,
    /// Taken from a word that only sounds like a number (*to*, *for*).
    pub by_sound: bool,
}

impl Spoken {
    /// A plain number.
    pub(super) fn plain(from: usize, to: usize, value: f64) -> Spoken {
        Spoken { from, to, value, high: None, idle: false, graded: false, by_sound: false }
    }
}

/// All numbers in the tokens, in order.
pub fn numbers(tokens: &[Token], words: &NumberWords) -> Vec<Spoken> {
    let mut singles: Vec<Spoken> = Vec::new();
    let mut i = 0;
    while i < tokens.len() {
        if let Some(n) = one_number(tokens, i, words) {
            i = n.to;
            singles.push(n);
        } else {
            i += 1;
        }
    }
    join_tenths(tokens, &mut singles, words);
    mark_counting(tokens, &mut singles);
    mark_spelt(&mut singles);
    join_ranges(tokens, singles, words)
}

/// "thirty-three two": 33.2, as lengths are read from a tape.
fn join_tenths(tokens: &[Token], singles: &mut Vec<Spoken>, w: &NumberWords) {
    let mut i = 0;
    while i + 1 < singles.len() {
        let (a, b) = (singles[i], singles[i + 1]);
        let tens_and_unit = a.to == a.from + 2
            && tens(tokens.get(a.from), w).is_some()
            && small(tokens.get(a.from + 1), w).is_some_and(|u| (1..=9).contains(&u));
        let digit = b.from == a.to
            && b.to == b.from + 1
            && !tokens[b.from].is_digits()
            && small(tokens.get(b.from), w).is_some_and(|d| d <= 9)
            && !is_pronoun(tokens, b.from, w);
        if tens_and_unit && digit {
            singles[i] = Spoken { value: a.value + b.value / 10.0, to: b.to, ..a };
            singles.remove(i + 1);
        }
        i += 1;
    }
}

fn is(words: &[String], t: &Token) -> bool {
    words.contains(&t.surface)
}

fn small(t: Option<&Token>, w: &NumberWords) -> Option<u32> {
    t.and_then(|t| w.small.get(&t.surface)).copied()
}

fn tens(t: Option<&Token>, w: &NumberWords) -> Option<u32> {
    t.and_then(|t| w.tens.get(&t.surface)).copied()
}

/// Whether *one* at `i` stands for a thing rather than the number.
fn is_pronoun(tokens: &[Token], i: usize, w: &NumberWords) -> bool {
    if small(tokens.get(i), w) != Some(1) || tokens[i].is_digits() {
        return false;
    }
    let next = tokens.get(i + 1).filter(|t| t.brk.is_none());
    let before = i.checked_sub(1).and_then(|k| tokens.get(k)).filter(|t| t.brk.is_none());
    // "the left one" is a side; "left one" may be a grade.
    let the_side = i >= 2
        && ["left", "right"].contains(&tokens[i - 1].surface.as_str())
        && tokens[i - 2].surface == "the";
    // "make that one" is a number.
    let made = i >= 2
        && tokens[i - 1].surface == "that"
        && ["make", "change", "call", "score"].contains(&tokens[i - 2].surface.as_str());
    if made {
        return false;
    }
    the_side
        || next.is_some_and(|t| is(&w.one_before, t))
        || before.is_some_and(|t| is(&w.one_after, t))
}

/// Whole number below a hundred at `i`: value and next token.
fn below_hundred(tokens: &[Token], i: usize, w: &NumberWords) -> Option<(u32, usize)> {
    if let Some(t) = tens(tokens.get(i), w) {
        return match small(tokens.get(i + 1), w) {
            Some(s) if (1..=9).contains(&s) => Some((t + s, i + 2)),
            _ => Some((t, i + 1)),
        };
    }
    small(tokens.get(i), w).map(|s| (s, i + 1))
}

fn whole(tokens: &[Token], i: usize, w: &NumberWords) -> Option<(u32, usize)> {
    let hundred_at = |k: usize| tokens.get(k).is_some_and(|t| is(&w.hundred, t));
    let lead = if hundred_at(i) {
        Some((1, i + 1))
    } else if hundred_at(i + 1) {
        small(tokens.get(i), w)
            .filter(|s| (1..=9).contains(s))
            .or_else(|| is(&w.article, tokens.get(i)?).then_some(1))
            .map(|s| (s, i + 2))
    } else {
        None
    };
    if let Some((h, mut k)) = lead {
        let mut value = h * 100;
        let joined = tokens.get(k).is_some_and(|t| is(&w.and, t));
        let rest = below_hundred(tokens, k + usize::from(joined), w);
        // "ninety and a hundred and half" is not "a hundred and"; the rest must be a number.
        if let Some((r, next)) = rest.filter(|(r, _)| *r > 0) {
            value += r;
            k = next;
        }
        return Some((value, k));
    }
    // "one oh two"
    if tokens.get(i + 1).is_some_and(|t| ["oh", "o"].contains(&t.surface.as_str()))
        && let (Some(h), Some(u)) = (small(tokens.get(i), w), small(tokens.get(i + 2), w))
        && (1..=9).contains(&h)
        && (1..=9).contains(&u)
    {
        return Some((h * 100 + u, i + 3));
    }
    // "one twenty", "two ten": a hundred is left out.
    if let Some(s) = small(tokens.get(i), w).filter(|s| (1..=2).contains(s)) {
        let rest = below_hundred(tokens, i + 1, w).filter(|(r, _)| *r >= 10);
        if let Some((r, next)) = rest {
            return Some((s * 100 + r, next));
        }
    }
    below_hundred(tokens, i, w)
}

fn one_number(tokens: &[Token], i: usize, w: &NumberWords) -> Option<Spoken> {
    let first = tokens.get(i)?;
    // "half a centimetre"
    if is(&w.half, first)
        && tokens.get(i + 1).is_some_and(|t| is(&w.article, t))
        && !i.checked_sub(1).is_some_and(|b| is(&w.and, &tokens[b]))
    {
        return Some(Spoken::plain(i, i + 2, 0.5));
    }
    // "three zero": thirty, digit by digit.
    if !first.is_digits()
        && let (Some(d), Some(0)) = (small(Some(first), w), small(tokens.get(i + 1), w))
        && (1..=9).contains(&d)
        && i.checked_sub(1).is_none_or(|b| small(Some(&tokens[b]), w).is_none())
    {
        return Some(Spoken::plain(i, i + 2, f64::from(d * 10)));
    }
    // "one four two": a hundred and forty-two, digit by digit.
    let digits: Vec<u32> =
        (i..i + 3).map_while(|k| small(tokens.get(k), w).filter(|d| *d <= 9)).collect();
    let spelt = digits.len() == 3
        && digits[0] > 0
        && small(tokens.get(i + 3), w).is_none()
        && i.checked_sub(1).is_none_or(|b| small(Some(&tokens[b]), w).is_none())
        && !(digits[1] == digits[0] + 1 && digits[2] == digits[1] + 1)
        && !first.is_digits();
    if spelt {
        let value = digits.iter().fold(0, |n, d| n * 10 + d);
        return Some(Spoken::plain(i, i + 3, f64::from(value)));
    }
    let (mut value, mut k) = if first.is_digits() {
        (first.surface.parse::<f64>().ok()?, i + 1)
    } else {
        if is_pronoun(tokens, i, w) {
            return None;
        }
        let (v, k) = whole(tokens, i, w)?;
        (f64::from(v), k)
    };
    let mut graded = false;
    if tokens.get(k).is_some_and(|t| is(&w.point, t)) {
        let mut scale = 0.1;
        let mut m = k + 1;
        let mut any = false;
        while let Some(d) = tokens.get(m).and_then(|t| {
            small(Some(t), w)
                .filter(|s| *s <= 9)
                .or_else(|| t.surface.parse().ok().filter(|d: &u32| *d <= 9))
        }) {
            value += f64::from(d) * scale;
            scale /= 10.0;
            any = true;
            m += 1;
        }
        if any {
            // Tenths and hundredths are said, so that is all there is.
            value = (value * 1e4).round() / 1e4;
            k = m;
        }
    } else if tokens.get(k).is_some_and(|t| is(&w.and, t)) {
        let article = tokens.get(k + 1).is_some_and(|t| is(&w.article, t));
        let h = k + 1 + usize::from(article);
        if tokens.get(h).is_some_and(|t| is(&w.half, t)) {
            value += 0.5;
            k = h + 1;
        }
    }
    if tokens.get(k).is_some_and(|t| is(&w.plus, t)) {
        // "thirty-nine plus two" is an age.
        if let Some(days) = one_number(tokens, k + 1, w).filter(|_| value >= 20.0) {
            return Some(Spoken { idle: true, ..Spoken::plain(i, days.to, value) });
        }
        graded = true;
        k += 1;
    }
    Some(Spoken { graded, ..Spoken::plain(i, k, value) })
}

/// "one, two, three, four, five": counting seconds or stimuli, not measuring.
fn mark_counting(tokens: &[Token], singles: &mut [Spoken]) {
    let mut start = 0;
    while start < singles.len() {
        let mut end = start + 1;
        while end < singles.len()
            && (singles[end].value - singles[end - 1].value - 1.0).abs() < 1e-9
            && tokens[singles[end - 1].to..singles[end].from]
                .iter()
                .all(|t| t.brk == Some(Break::Comma))
        {
            end += 1;
        }
        if end - start >= 3 && singles[start].value <= 1.0 {
            singles[start..end].iter_mut().for_each(|n| n.idle = true);
        }
        start = end;
    }
}

/// "fifteen, one five": the digits said again to rule out a mishearing.
fn mark_spelt(singles: &mut [Spoken]) {
    for i in 0..singles.len() {
        let digits = format!("{}", singles[i].value);
        let n = digits.len();
        if n < 2 || i + n >= singles.len() {
            continue;
        }
        let spelt: String = singles[i + 1..=i + n].iter().map(|s| format!("{}", s.value)).collect();
        if spelt == digits {
            singles[i + 1..=i + n].iter_mut().for_each(|s| s.idle = true);
        }
    }
}

fn join_ranges(tokens: &[Token], singles: Vec<Spoken>, w: &NumberWords) -> Vec<Spoken> {
    let mut out: Vec<Spoken> = Vec::new();
    for n in singles {
        let joined = out.last().is_some_and(|last| {
            let between = &tokens[last.to..n.from];
            let bridged = between.len() == 1 && is(&w.range, &between[0]);
            let between_and = between.len() == 1
                && is(&w.and, &between[0])
                && last.from > 0
                && tokens[last.from - 1].surface == "between";
            (bridged || between_and)
                && last.high.is_none()
                && !last.idle
                && !n.idle
                && n.value > last.value
        });
        // "two by three centimetres" is an area, and no one number.
        let area =
            out.last().is_some_and(|last| n.from == last.to + 1 && tokens[last.to].surface == "by");
        if area && let Some(last) = out.last_mut() {
            // "two by two" has one number, whichever way it is measured.
            if (last.value - n.value).abs() < 1e-9 {
                last.to = n.to;
                continue;
            }
            last.idle = true;
            out.push(Spoken { idle: true, ..n });
            continue;
        }
        match out.last_mut() {
            Some(last) if joined => {
                last.high = Some(n.value);
                last.to = n.to;
                last.graded |= n.graded;
            }
            _ => out.push(n),
        }
    }
    out
}
