//! `cargo bench --bench reading`: the speed of reading and rebuilding, as ratios in one run.
//!
//! Two questions. Does the work grow with the phrases and no faster (1x, 10x, 100x the same
//! narrated exam)? And how does reading compare with a plain scan of the same text by a
//! `regex::RegexSet` over the same phrases of the lexicon?

use std::hint::black_box;
use std::path::Path;
use std::time::{Duration, Instant};

use cotside::capture::Phrase;
use cotside::capture::timed_text::read_timed_text;
use cotside::exam::fold::{Fold, Moment};
use cotside::lexicon::text::tokenize;
use cotside::reading::Reader;
use regex::{RegexSet, RegexSetBuilder};

/// The median of some runs.
fn median(runs: usize, mut f: impl FnMut()) -> Duration {
    let mut all: Vec<Duration> = (0..runs)
        .map(|_| {
            let t = Instant::now();
            f();
            t.elapsed()
        })
        .collect();
    all.sort();
    all[all.len() / 2]
}

fn ratio(a: Duration, b: Duration) -> f64 {
    a.as_secs_f64() / b.as_secs_f64()
}

fn main() {
    let lex = cotside::lexicon::shipped("newborn").expect("the shipped lexicon compiles");
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/narrations/dev");
    let bytes =
        std::fs::read(dir.join("d03-consultant-repeat.txt")).expect("the narration is there");
    let once = read_timed_text("d03", &bytes).expect("the narration reads").phrases;
    let length = once.last().map_or(0, |p| p.end_ms) + 60_000;
    let times = |n: u64| -> Vec<Phrase> {
        (0..n)
            .flat_map(|k| {
                once.iter().map(move |p| Phrase {
                    start_ms: p.start_ms + k * length,
                    end_ms: p.end_ms + k * length,
                    ..p.clone()
                })
            })
            .collect()
    };
    let read_all = |phrases: &[Phrase]| {
        let mut reader = Reader::new(&lex);
        let mut fold = Fold::default();
        for (i, p) in phrases.iter().enumerate() {
            let r = reader.read(i as u64 + 1, p);
            fold.take(&r, Moment { state: None, line: p.line, until_ms: p.end_ms }, &lex);
        }
        black_box(fold.standing.len());
    };
    read_all(&once); // builds the index of sounds once, outside the measurement

    println!("reading and rebuilding, {} phrases once", once.len());
    let base = median(9, || read_all(&once));
    for n in [1, 10, 100] {
        let phrases = times(n);
        let t = median(if n == 100 { 3 } else { 7 }, || read_all(&phrases));
        println!(
            "  {n:>3}x phrases: {:>7.1} times the work of 1x; per phrase {:.2} times",
            ratio(t, base),
            ratio(t, base) / n as f64
        );
    }

    // The same phrases as regular expressions over folded text.
    let mut patterns: Vec<String> = lex
        .matcher
        .entries
        .iter()
        .map(|e| {
            let words: Vec<String> = e
                .words
                .iter()
                .filter(|w| !lex.matcher.is_filler(&w.folded))
                .map(|w| regex::escape(&w.folded))
                .collect();
            format!(r"\b{}\b", words.join(r"\s+"))
        })
        .collect();
    patterns.sort();
    patterns.dedup();
    let set: RegexSet = RegexSetBuilder::new(&patterns)
        .size_limit(1 << 30)
        .dfa_size_limit(1 << 28)
        .build()
        .expect("the patterns compile");
    let folded: Vec<String> = once
        .iter()
        .map(|p| {
            tokenize(&p.text)
                .iter()
                .filter(|t| t.brk.is_none() && !lex.matcher.is_filler(&t.folded))
                .map(|t| t.folded.clone())
                .collect::<Vec<_>>()
                .join(" ")
        })
        .collect();
    let scan_set = median(5, || {
        for t in &folded {
            black_box(set.matches(t).iter().count());
        }
    });
    let scan_own = median(9, || {
        for p in &once {
            black_box(lex.matcher.scan(&tokenize(&p.text)).len());
        }
    });
    println!("scan of the same text for the same {} phrases", patterns.len());
    println!(
        "  exact scan (aho-corasick):  {:>7.3} times a RegexSet scan",
        ratio(scan_own, scan_set)
    );
    println!("  whole reading and rebuild:  {:>7.3} times a RegexSet scan", ratio(base, scan_set));
    // The fuzzy way with a general library: every stretch of one to five words against every phrase.
    // A few phrases are enough: the cost is the same for each.
    let few: Vec<&Phrase> = once.iter().step_by(once.len().div_ceil(6)).collect();
    let plain: Vec<String> =
        patterns.iter().map(|p| p.replace(r"\b", "").replace(r"\s+", " ")).collect();
    let fuzzy = median(1, || {
        for p in &few {
            let words: Vec<String> = tokenize(&p.text)
                .iter()
                .filter(|t| t.brk.is_none() && !lex.matcher.is_filler(&t.folded))
                .map(|t| t.folded.clone())
                .collect();
            for n in 1..=5 {
                for stretch in words.windows(n) {
                    let one = rapidfuzz::fuzz::RatioBatchComparator::new(stretch.join(" ").chars());
                    let args = rapidfuzz::fuzz::Args::default().score_cutoff(0.85);
                    let near = plain
                        .iter()
                        .filter(|p| one.similarity_with_args(p.chars(), &args).is_some());
                    black_box(near.count());
                }
            }
        }
    });
    let read_few = median(3, || {
        let mut reader = Reader::new(&lex);
        for (i, p) in few.iter().enumerate() {
            black_box(reader.read(i as u64 + 1, p));
        }
    });
    println!(
        "  whole reading of {} phrases: {:>6.4} times a fuzzy scan (rapidfuzz) of them",
        few.len(),
        ratio(read_few, fuzzy)
    );
    let index = median(3, || {
        black_box(cotside::reading::ears::Ears::new(&lex));
    });
    println!("  building the sound index:   {:>7.1} times reading one exam", ratio(index, base));
}
