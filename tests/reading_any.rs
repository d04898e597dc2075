//! Whatever is said, the reader answers: no word order, however odd, makes it panic, and what it
//! makes of it can be folded into an exam.

mod support;

use std::sync::OnceLock;

use cotside::lexicon::Lexicon;
use proptest::prelude::*;

fn lexicon() -> &'static Lexicon {
    static LEX: OnceLock<Lexicon> = OnceLock::new();
    LEX.get_or_init(support::lexicon)
}

/// Words of the lexicon and of its language layer, numbers, punctuation, and the phrase break.
fn words() -> &'static Vec<String> {
    static WORDS: OnceLock<Vec<String>> = OnceLock::new();
    WORDS.get_or_init(|| {
        let matcher = &lexicon().matcher;
        let mut out: Vec<String> =
            (0..matcher.entries.len()).step_by(3).map(|e| matcher.phrase(e)).collect();
        // What decides about sides, corrections and numbers comes up often.
        let often = [
            "left",
            "right",
            "both",
            "no",
            "not",
            "sorry",
            "no, wait,",
            "strike that",
            "again",
            "same",
            "the other way round",
            "make that",
            "one",
            "two",
            "ninety",
            "to",
            ".",
            ",",
            ";",
            "?",
            " / ",
            "yesterday",
            "today",
            "but",
            "except",
            "there",
            "absent",
            "normal",
            "and",
            "it doesn't count",
            "skip",
            "can't get it",
            "hold",
            "release",
            "knee jerk",
            "scarf sign",
            "popliteal angle",
        ];
        let n = out.len() / 3 / often.len() + 1;
        for w in often {
            out.extend(std::iter::repeat_n(w.to_owned(), n));
        }
        out
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, ..ProptestConfig::default() })]

    #[test]
    fn no_order_of_trade_words_makes_the_reader_panic(
        picks in prop::collection::vec(any::<prop::sample::Index>(), 1..40)
    ) {
        let all = words();
        let text: Vec<&str> = picks.iter().map(|i| all[i.index(all.len())].as_str()).collect();
        support::read(lexicon(), &text.join(" "));
    }

    #[test]
    fn no_text_at_all_makes_the_reader_panic(text in "\\PC{0,200}") {
        support::read(lexicon(), &text);
    }
}
