//! Gold scoring of narrated exams.
//!
//! `cargo test --test narrations -- --nocapture` prints the table. Three sets: `dev` (given with
//! the design), `fit` (own, the reader was fitted on them) and `held` (own, by another hand, never
//! fitted on). Scoring follows `tests/narrations/dev/README.md`: sets of (item, side, status, value,
//! number or range), `both` split into left and right, behavioural state left out.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use cotside::capture::{Phrase, Source};
use cotside::exam::fold::{Fold, Moment};
use cotside::lexicon::Lexicon;
use cotside::reading::{Reader, Side, Status};
use serde_json::Value;

#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Claim {
    item: String,
    side: String,
    status: String,
    value: String,
    number: String,
}

#[derive(Debug, Default, Clone)]
struct Score {
    gold: usize,
    made: usize,
    hit: usize,
    sure: usize,
    wrong_sure: usize,
    on_trap: usize,
}

impl Score {
    fn add(&mut self, o: &Score) {
        self.gold += o.gold;
        self.made += o.made;
        self.hit += o.hit;
        self.sure += o.sure;
        self.wrong_sure += o.wrong_sure;
        self.on_trap += o.on_trap;
    }

    #[allow(clippy::cast_precision_loss)]
    fn f1(&self) -> f64 {
        2.0 * self.hit as f64 / (self.gold + self.made) as f64
    }
}

fn folder(set: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/narrations").join(set)
}

fn names(set: &str) -> Vec<String> {
    let mut out: Vec<String> = std::fs::read_dir(folder(set))
        .unwrap()
        .filter_map(|e| {
            let name = e.unwrap().file_name().into_string().unwrap();
            name.strip_suffix(".gold.json").map(str::to_owned)
        })
        .collect();
    out.sort();
    out
}

fn phrases(set: &str, name: &str) -> Vec<Phrase> {
    let text = std::fs::read_to_string(folder(set).join(format!("{name}.txt"))).unwrap();
    text.lines()
        .enumerate()
        .map(|(i, l)| {
            let (time, words) = l[1..].split_once("] ").unwrap();
            let (m, s) = time.split_once(':').unwrap();
            let at = m.parse::<u64>().unwrap() * 60_000
                + (s.parse::<f64>().unwrap() * 1000.0).round() as u64;
            Phrase {
                text: words.to_owned(),
                start_ms: at,
                end_ms: at + 250 * words.split(' ').count() as u64,
                source: Source::TimedText,
                line: Some(i as u32 + 1),
                speaker: None,
                alternatives: vec![],
                certainty: None,
            }
        })
        .collect()
}

fn number(v: Option<f64>) -> String {
    v.map_or(String::new(), |n| format!("{n}"))
}

fn sides(side: Option<&str>) -> Vec<String> {
    match side {
        Some("both") => vec!["left".into(), "right".into()],
        Some(s) => vec![s.into()],
        None => vec!["-".into()],
    }
}

type Lined = BTreeMap<Claim, (Option<u64>, bool, String)>;

fn gold(set: &str, name: &str) -> (Lined, BTreeSet<u64>) {
    let text = std::fs::read_to_string(folder(set).join(format!("{name}.gold.json"))).unwrap();
    let g: Value = serde_json::from_str(&text).unwrap();
    let mut out = Lined::new();
    for f in g["findings"].as_array().unwrap() {
        if f["item"] == "behavioural-state" {
            continue;
        }
        let range = f["low"].as_f64().map(|a| format!("{a}..{}", f["high"].as_f64().unwrap()));
        for side in sides(f["side"].as_str()) {
            let c = Claim {
                item: f["item"].as_str().unwrap().into(),
                side,
                status: f["status"].as_str().unwrap().into(),
                value: f["value"].as_str().unwrap_or("").into(),
                number: range.clone().unwrap_or_else(|| number(f["number"].as_f64())),
            };
            out.insert(c, (f["line"].as_u64(), true, String::new()));
        }
    }
    let traps =
        g["not_findings"].as_array().unwrap().iter().map(|t| t["line"].as_u64().unwrap()).collect();
    (out, traps)
}

fn read(set: &str, name: &str, lex: &Lexicon) -> Lined {
    let mut reader = Reader::new(lex);
    let mut fold = Fold::default();
    let mut state = None;
    for (i, p) in phrases(set, name).iter().enumerate() {
        let r = reader.read(i as u64 + 1, p);
        if let Some(s) = r.states.last() {
            state = Some(s.state);
        }
        fold.take(&r, Moment { state, line: p.line, until_ms: p.end_ms }, lex);
    }
    let mut out = Lined::new();
    for s in &fold.standing {
        let f = &s.finding;
        let id = &lex.items[f.item].id;
        if id == "behavioural-state" {
            continue;
        }
        for side in sides(f.side.map(Side::word)) {
            let c = Claim {
                item: id.clone(),
                side,
                status: f.status.word().into(),
                value: if f.status == Status::Observed {
                    f.value.clone().unwrap_or_default()
                } else {
                    String::new()
                },
                number: f.range.map_or_else(|| number(f.number), |(a, b)| format!("{a}..{b}")),
            };
            let doubts: Vec<String> = f.doubts.iter().map(ToString::to_string).collect();
            let why = format!("{} [{}]", f.why, doubts.join("; "));
            out.insert(c, (s.line.map(u64::from), f.is_sure(), why));
        }
    }
    out
}

fn score(set: &str, name: &str, lex: &Lexicon, verbose: bool) -> Score {
    let (gold, traps) = gold(set, name);
    let made = read(set, name, lex);
    let mut s = Score { gold: gold.len(), made: made.len(), ..Score::default() };
    let text = phrases(set, name);
    let line = |n: Option<u64>| n.map_or("", |n| text[n as usize - 1].text.as_str());
    for (c, (at, sure, why)) in &made {
        let right = gold.contains_key(c);
        s.hit += usize::from(right);
        s.sure += usize::from(*sure);
        s.wrong_sure += usize::from(*sure && !right);
        s.on_trap += usize::from(at.is_some_and(|l| traps.contains(&l)));
        if verbose && right && !sure {
            println!("RIGHT-UNSURE {name}:{} \"{}\" {why}", at.unwrap_or(0), line(*at));
        }
        if verbose && !right {
            println!(
                "{name}:{} {} {c:?}\n      \"{}\"\n      {why}",
                at.unwrap_or(0),
                if *sure { "WRONG AND SURE" } else { "wrong, unsettled" },
                line(*at)
            );
        }
    }
    if verbose {
        for (c, (at, _, _)) in gold.iter().filter(|(c, _)| !made.contains_key(c)) {
            println!("{name}:{} missed {c:?}\n      \"{}\"", at.unwrap_or(0), line(*at));
        }
    }
    s
}

fn table(set: &str) -> Score {
    let load = || match std::env::var_os("COTSIDE_LEXICON") {
        Some(dir) => cotside::lexicon::Files::folder(Path::new(&dir))
            .and_then(|f| cotside::lexicon::compile(&f))
            .map(|c| c.lexicon),
        None => cotside::lexicon::shipped("newborn"),
    };
    let lex = load().unwrap_or_else(|p| {
        p.iter().take(20).for_each(|p| eprintln!("{p}"));
        panic!("the shipped lexicon has {} problems", p.len())
    });
    let verbose = std::env::var_os("COTSIDE_VERBOSE").is_some();
    let mut total = Score::default();
    println!("\n{set:<26} gold made  hit    F1  sure wrong-sure on-trap");
    for name in names(set) {
        let s = score(set, &name, &lex, verbose);
        println!(
            "{name:<26} {:>4} {:>4} {:>4} {:.3} {:>5} {:>10} {:>7}",
            s.gold,
            s.made,
            s.hit,
            s.f1(),
            s.sure,
            s.wrong_sure,
            s.on_trap
        );
        total.add(&s);
    }
    println!(
        "{:<26} {:>4} {:>4} {:>4} {:.3} {:>5} {:>10} {:>7}",
        "all",
        total.gold,
        total.made,
        total.hit,
        total.f1(),
        total.sure,
        total.wrong_sure,
        total.on_trap
    );
    total
}

#[test]
fn development_narrations_read_at_f1_of_at_least_095_without_a_wrong_sure_finding() {
    let s = table("dev");
    assert!(s.f1() >= 0.95, "F1 {:.3}", s.f1());
    assert_eq!(s.wrong_sure, 0, "wrong sure findings");
    assert_eq!(s.on_trap, 0, "findings on trap lines");
}

#[test]
fn own_narrations_fitted_on_keep_what_was_reached() {
    // Twenty-seven narrations by several hands. What is still wrong and sure is known, printed with
    // COTSIDE_VERBOSE=1, and must not grow.
    let s = table("fit");
    assert!(s.f1() >= 0.87, "F1 {:.3}", s.f1());
    assert!(s.wrong_sure <= 10, "{} wrong sure findings", s.wrong_sure);
}

#[test]
fn held_out_narrations_keep_what_was_reached() {
    let s = table("held");
    assert!(s.f1() >= 0.93, "F1 {:.3}", s.f1());
    assert!(s.wrong_sure <= 3, "{} wrong sure findings", s.wrong_sure);
}
