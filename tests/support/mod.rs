//! Shared by the reading tests: the notation of `src/reading/GRAMMAR.md`.

use std::path::Path;

use cotside::capture::{Phrase, Source};
use cotside::exam::fold::{Fold, Moment};
use cotside::lexicon::Lexicon;
use cotside::reading::{Reader, Status};

/// The shipped newborn lexicon, or the folder named by `COTSIDE_LEXICON` while one works on it.
pub fn lexicon() -> Lexicon {
    let loaded = match std::env::var_os("COTSIDE_LEXICON") {
        Some(dir) => cotside::lexicon::Files::folder(Path::new(&dir))
            .and_then(|f| cotside::lexicon::compile(&f))
            .map(|c| c.lexicon),
        None => cotside::lexicon::shipped("newborn"),
    };
    loaded.unwrap_or_else(|p| {
        p.iter().take(20).for_each(|p| eprintln!("{p}"));
        panic!("the lexicon has {} problems", p.len())
    })
}

/// Reads phrases parted by " / ", four seconds apart; gives readings in the grammar's notation,
/// sorted, `?` after what is unsettled.
#[allow(dead_code)] // each test program uses what it needs
pub fn read(lex: &Lexicon, words: &str) -> Vec<String> {
    let mut reader = Reader::new(lex);
    let mut fold = Fold::default();
    for (i, text) in words.split(" / ").enumerate() {
        let at = i as u64 * 4000;
        let phrase = Phrase {
            text: text.trim().into(),
            start_ms: at,
            end_ms: at + 1500,
            source: Source::Keys,
            line: None,
            speaker: None,
            alternatives: vec![],
            words: Vec::new(),
            certainty: None,
        };
        let r = reader.read(i as u64 + 1, &phrase);
        fold.take(&r, Moment { state: None, line: None, until_ms: at + 1500 }, lex);
    }
    let mut out: Vec<String> = fold
        .standing
        .iter()
        .map(|s| {
            let f = &s.finding;
            let mut parts = vec![lex.items[f.item].id.clone()];
            parts.extend(f.side.map(|s| s.word().to_owned()));
            match f.status {
                Status::Skipped => parts.push("skip".into()),
                Status::NotObtained => parts.push("no-get".into()),
                Status::Observed => {
                    parts.extend(f.value.clone());
                    let unit = f.unit.clone().unwrap_or_default();
                    parts.extend(f.number.map(|n| format!("{n}{unit}")));
                    parts.extend(f.range.map(|(a, b)| format!("{a}..{b}{unit}")));
                }
            }
            format!("{}{}", parts.join(" "), if f.is_sure() { "" } else { "?" })
        })
        .collect();
    out.sort();
    out
}

/// The right-hand side of an example, sorted.
#[allow(dead_code)]
pub fn wanted(text: &str) -> Vec<String> {
    let mut want: Vec<String> =
        text.split("; ").map(|s| s.trim().to_owned()).filter(|s| s != "-").collect();
    want.sort();
    want
}
