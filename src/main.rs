//! The `cotside` command: parses and dispatches, nothing more.
use cotside::capture::{Phrase, Source};
use cotside::reading::Reader;
fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    if args.is_empty() {
        let files = cotside::lexicon::Files::shipped("newborn").unwrap();
        match cotside::lexicon::compile(&files) {
            Err(p) => p.iter().for_each(|p| println!("{p}")),
            Ok(c) => cotside::lexicon::check(&files, &c).iter().for_each(|p| println!("{p}")),
        }
        return;
    }
    let lex = cotside::lexicon::shipped("newborn").unwrap();
    let mut r = Reader::new(&lex);
    for (i, t) in args.join(" ").split(" / ").enumerate() {
        let p = Phrase {
            text: t.into(),
            start_ms: i as u64 * 4000,
            end_ms: i as u64 * 4000 + 1500,
            source: Source::Keys,
            line: None,
            speaker: None,
            alternatives: vec![],
        };
        let c = cotside::reading::atoms::cut(t, &lex, None);
        for a in &c.atoms {
            let w: Vec<&str> = c.tokens[a.from..a.to].iter().map(|t| t.surface.as_str()).collect();
            let m: Vec<String> =
                a.hits.iter().map(|h| format!("{:?}", lex.matcher.meaning(h))).collect();
            println!(
                "   {:20} g{} s{} {:?} {}",
                w.join(" "),
                a.group,
                a.sentence,
                a.number.map(|n| n.value),
                m.join(" | ").chars().take(200).collect::<String>()
            );
        }
        let rd = r.read(i as u64 + 1, &p);
        for f in &rd.findings {
            println!(
                "{} {:?} {:?} {:?} {:?} {:?} {:?} why={}",
                lex.items[f.item].id, f.side, f.status, f.value, f.number, f.range, f.doubts, f.why
            );
        }
        println!(
            "states {:?} ann {:?} def {:?} strikes {:?} maybe {:?} aside {:?} left {:?}",
            rd.states,
            rd.announced.iter().map(|&i| &lex.items[i].id).collect::<Vec<_>>(),
            rd.deferred,
            rd.strikes,
            rd.maybe_struck,
            rd.set_aside,
            rd.leftover
        );
    }
}
