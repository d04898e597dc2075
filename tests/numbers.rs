//! Spoken numbers against an independent number speller (the `num2words` crate), and the ways of
//! the trade that a general reader of numbers does not know (common practice, no single source).

use cotside::lexicon::text::tokenize;
use cotside::reading::numbers::{Spoken, numbers};
use num2words::Num2Words;

fn read(text: &str) -> Vec<Spoken> {
    let lex = cotside::lexicon::shipped("newborn").unwrap();
    numbers(&tokenize(text), &lex.number_words)
}

#[test]
fn every_whole_number_below_a_thousand_reads_as_the_speller_writes_it() {
    let lex = cotside::lexicon::shipped("newborn").unwrap();
    for n in 0..1000 {
        let words = Num2Words::new(n).to_words().unwrap();
        let got = numbers(&tokenize(&words), &lex.number_words);
        assert_eq!(got.len(), 1, "{words}: {got:?}");
        assert_eq!(got[0].value, f64::from(n), "{words}");
        assert!(got[0].high.is_none() && !got[0].idle, "{words}");
    }
}

#[test]
fn tenths_read_as_the_speller_writes_them() {
    let lex = cotside::lexicon::shipped("newborn").unwrap();
    for tenths in 200..450 {
        let n = f64::from(tenths) / 10.0;
        let words = Num2Words::new(n).to_words().unwrap();
        let got = numbers(&tokenize(&words), &lex.number_words);
        assert_eq!(got.len(), 1, "{words}: {got:?}");
        assert!((got[0].value - n).abs() < 1e-9, "{words}: {got:?}");
    }
}

#[test]
fn the_ways_of_the_bedside_read_too() {
    for (text, value) in [
        ("one twenty", 120.0),
        ("one fifty one", 151.0),
        ("a hundred and ten", 110.0),
        ("thirty four and a half", 34.5),
        ("thirty four point nought", 34.0),
        ("34.5", 34.5),
        ("34,5", 34.5),
        ("one four two", 142.0),
        ("one oh two", 102.0),
        ("three zero", 30.0),
        ("half a centimetre", 0.5),
    ] {
        let got = read(text);
        assert_eq!(got.len(), 1, "{text}: {got:?}");
        assert!((got[0].value - value).abs() < 1e-9, "{text}: {got:?}");
    }
}

#[test]
fn ranges_keep_both_ends_and_grades_their_sign() {
    let r = read("ninety to ninety five");
    assert_eq!((r[0].value, r[0].high), (90.0, Some(95.0)));
    let r = read("between eighty and ninety");
    assert_eq!((r[0].value, r[0].high), (80.0, Some(90.0)));
    let r = read("80-90");
    assert_eq!((r[0].value, r[0].high), (80.0, Some(90.0)));
    assert!(read("two plus")[0].graded);
}

#[test]
fn counting_aloud_and_ages_are_no_measurements() {
    assert!(read("one two three four five").iter().all(|n| n.idle));
    assert!(read("thirty nine plus two").iter().all(|n| n.idle));
    assert!(read("fifteen one five")[1..].iter().all(|n| n.idle), "digits said again");
    assert!(read("this one, the other one").is_empty(), "pronouns");
}
