//! Every example of `src/reading/GRAMMAR.md` reads as it says.

use cotside::capture::{Phrase, Source};
use cotside::exam::fold::{Fold, Moment};
use cotside::lexicon::Lexicon;
use cotside::reading::{Reader, Status};

fn read(lex: &Lexicon, words: &str) -> Vec<String> {
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

#[test]
fn every_example_of_the_grammar_reads_as_it_says() {
    let lex = cotside::lexicon::shipped("newborn").unwrap();
    let text = include_str!("../src/reading/GRAMMAR.md");
    let mut wrong = Vec::new();
    let mut seen = 0;
    for line in text.lines().filter_map(|l| l.strip_prefix("> ")) {
        let (words, want) = line.split_once(" => ").expect("an example has =>");
        let mut want: Vec<String> =
            want.split("; ").map(|s| s.trim().to_owned()).filter(|s| s != "-").collect();
        want.sort();
        let got = read(&lex, words);
        seen += 1;
        if got != want {
            wrong.push(format!("{words}\n   want {want:?}\n   got  {got:?}"));
        }
    }
    assert!(seen > 40, "only {seen} examples found");
    assert!(wrong.is_empty(), "{} of {seen} examples:\n{}", wrong.len(), wrong.join("\n"));
}
