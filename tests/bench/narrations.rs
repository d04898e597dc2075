//! Scores the two readers on narrated exams with gold.
//!
//! `cargo bench --bench narrations -- FOLDER...` reads every narration in the folders (`NAME.mark`, or
//! `NAME.txt` with `NAME.gold.json`) by rules alone and by both readers, and prints for each folder and
//! kind F1, sure findings, and sure findings that are wrong or invented. `--marks FILE` takes what the second
//! reader found from a file that the training scripts wrote (narrations kept out of that training);
//! `--every N` reads each Nth narration; `--verbose` prints every difference, every finding lost and every line
//! of talk that is quoted. `--table FOLDER` writes what each finding rests on and what each phrase holds, for
//! fitting the thresholds of `reading::judge` and `reading::untold`.

#[path = "../narrations/kit.rs"]
#[allow(dead_code)]
mod kit;
#[path = "../narrations/rested.rs"]
mod rested;

use std::collections::{BTreeMap, HashMap};
use std::path::PathBuf;

use cotside::tagger::{Marks, Tagger};
use kit::{Narration, Score, Silence};
use rayon::prelude::*;

fn main() {
    let mut folders = Vec::new();
    let mut given: HashMap<String, Vec<Marks>> = HashMap::new();
    let (mut every, mut verbose, mut disturbed) = (1, false, false);
    let mut table: Option<PathBuf> = None;
    let mut args = std::env::args().skip(1);
    while let Some(a) = args.next() {
        match a.as_str() {
            "--marks" => {
                let path = args.next().expect("--marks FILE");
                let text = std::fs::read_to_string(&path).unwrap();
                given.extend(serde_json::from_str::<HashMap<String, Vec<Marks>>>(&text).unwrap());
            }
            "--table" => table = args.next().map(PathBuf::from),
            "--every" => every = args.next().and_then(|n| n.parse().ok()).expect("--every N"),
            "--verbose" => verbose = true,
            "--disturbed" => disturbed = true,
            "--bench" => {}
            folder => folders.push(PathBuf::from(folder)),
        }
    }
    let lex = cotside::lexicon::shipped("newborn").unwrap();
    let tagger = match given.is_empty() {
        true => Tagger::installed().unwrap(),
        false => None,
    };
    if tagger.is_none() && given.is_empty() {
        println!("the second reader is not installed: rules alone (`cotside model install`)");
    }
    let all: Vec<Narration> = folders.iter().flat_map(|f| kit::folder(f)).collect();
    let all: Vec<&Narration> = all
        .iter()
        .filter(|n| given.is_empty() || given.contains_key(&n.name))
        .step_by(every)
        .collect();
    let ways: Vec<kit::Disturbance> = match disturbed {
        true => kit::DISTURBANCES.to_vec(),
        false => vec![("as written", Narration::clone)],
    };
    for (way, disturb) in ways {
        let scores: Vec<(String, String, Score, Score, Silence)> = all
            .par_iter()
            .map(|n| {
                let n = &disturb(n);
                let marks = match (given.get(&n.name), &tagger) {
                    (Some(m), _) => m.clone(),
                    (None, Some(t)) => kit::marks(n, t),
                    _ => Vec::new(),
                };
                let (alone, exam) = (kit::exam(n, &[], &lex), kit::exam(n, &marks, &lex));
                let rules = kit::score(n, &kit::made(&alone, &lex), false);
                let both = kit::score(n, &kit::made(&exam, &lex), verbose);
                let silence = kit::silence(n, &exam, &lex, verbose);
                if let Some(dir) = &table {
                    let rows = rested::table(n, &alone, &exam, &marks, &lex);
                    std::fs::write(dir.join(format!("{}.json", n.name)), rows.to_string()).unwrap();
                }
                (n.folder.clone(), n.kind.clone(), rules, both, silence)
            })
            .collect();
        let mut sums: BTreeMap<(String, String), (Score, Score, Silence)> = BTreeMap::new();
        for (folder, kind, rules, both, silence) in &scores {
            for key in [(folder.clone(), kind.clone()), ("all".into(), kind.clone())] {
                let s = sums.entry(key).or_default();
                s.0.add(rules);
                s.1.add(both);
                s.2.add(silence);
            }
        }
        println!("\n{way}");
        println!("{:<34} {}", "", Score::HEAD);
        for ((folder, kind), (rules, both, _)) in &sums {
            println!("{:<34} {rules}", format!("{folder} {kind}, rules"));
            println!("{:<34} {both}", format!("{folder} {kind}, both"));
        }
        println!("\n{:<34} {}", "neither found nor quoted", Silence::HEAD);
        for ((folder, kind), (.., silence)) in &sums {
            println!("{:<34} {silence}", format!("{folder} {kind}"));
        }
    }
}
