//! How the trade says its own words, before any dictionary of general English.
//!
//! The table is data (`lexicon/sounds/trade.toml`, which tells its source) and serves the training
//! of the ears too, so that what is spoken there is what is looked for here.

use std::collections::HashMap;
use std::sync::LazyLock;

use serde::Deserialize;

use super::phones::{Phone, parse};

#[derive(Deserialize)]
struct Table {
    words: HashMap<String, Vec<String>>,
}

static TRADE: LazyLock<HashMap<String, Vec<Vec<Phone>>>> = LazyLock::new(|| {
    // The text is fixed at build time; the test of this module reads every line of it.
    let text = crate::lexicon::files::carried_text("sounds/trade.toml");
    let table: Table = toml::from_str(text).expect("the shipped table of trade words is whole");
    let ways = |said: Vec<String>| {
        let mut out: Vec<Vec<Phone>> = Vec::new();
        for way in said.iter().filter_map(|w| parse(w).ok()) {
            if !out.contains(&way) {
                out.push(way);
            }
        }
        out
    };
    table.words.into_iter().map(|(word, said)| (word, ways(said))).collect()
});

/// The ways the trade says `word` (lower case), most usual first; empty when it is not in the table.
pub fn look_up(word: &str) -> &'static [Vec<Phone>] {
    TRADE.get(word).map_or(&[], Vec::as_slice)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_way_in_the_table_is_made_of_known_phones() {
        let text = crate::lexicon::files::carried_text("sounds/trade.toml");
        let table: Table = toml::from_str(text).unwrap();
        assert!(table.words.len() > 150);
        for (word, said) in &table.words {
            assert!(!said.is_empty(), "{word}");
            for way in said {
                assert!(parse(way).is_ok_and(|p| !p.is_empty()), "{word}: {way}");
            }
        }
        assert_eq!(look_up("popliteal")[0], parse("P AA P L IH T IY AH L").unwrap());
        assert_eq!(look_up("apnoea").len(), 1, "ways that differ in stress alone are one");
        assert!(look_up("blorptang").is_empty());
    }
}
