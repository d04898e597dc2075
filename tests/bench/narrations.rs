//! Scores the two readers on narrated exams with gold.
//!
//! `cargo bench --bench narrations -- FOLDER...` reads every narration in the folders (`NAME.mark`, or
//! `NAME.txt` with `NAME.gold.json`) by rules alone and by both readers, and prints for each folder and
//! kind F1, sure findings, and sure findings that are wrong or invented. `--marks FILE` takes what the second
//! reader found from a file that the training scripts wrote (narrations kept out of that training);
//! `--every N` reads each Nth narration; `--verbose` prints every difference.

#[path = "../narrations/kit.rs"]
mod kit;

use std::collections::{BTreeMap, HashMap};
use std::path::PathBuf;

use cotside::tagger::{Marks, Tagger};
use kit::{Narration, Score};
use rayon::prelude::*;

fn main() {
    let mut folders = Vec::new();
    let mut given: HashMap<String, Vec<Marks>> = HashMap::new();
    let (mut every, mut verbose, mut disturbed) = (1, false, false);
    let mut args = std::env::args().skip(1);
    while let Some(a) = args.next() {
        match a.as_str() {
            "--marks" => {
                let path = args.next().expect("--marks FILE");
                let text = std::fs::read_to_string(&path).unwrap();
                given.extend(serde_json::from_str::<HashMap<String, Vec<Marks>>>(&text).unwrap());
            }
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
        let scores: Vec<(String, String, Score, Score)> = all
            .par_iter()
            .map(|n| {
                let n = &disturb(n);
                let marks = match (given.get(&n.name), &tagger) {
                    (Some(m), _) => m.clone(),
                    (None, Some(t)) => kit::marks(n, t),
                    _ => Vec::new(),
                };
                let rules = kit::score(n, &kit::read(n, &[], &lex), false);
                let both = kit::score(n, &kit::read(n, &marks, &lex), verbose);
                (n.folder.clone(), n.kind.clone(), rules, both)
            })
            .collect();
        let mut sums: BTreeMap<(String, String), (Score, Score)> = BTreeMap::new();
        for (folder, kind, rules, both) in &scores {
            for key in [(folder.clone(), kind.clone()), ("all".into(), kind.clone())] {
                let s = sums.entry(key).or_default();
                s.0.add(rules);
                s.1.add(both);
            }
        }
        println!("\n{way}");
        println!("{:<34} {}", "", Score::HEAD);
        for ((folder, kind), (rules, both)) in &sums {
            println!("{:<34} {rules}", format!("{folder} {kind}, rules"));
            println!("{:<34} {both}", format!("{folder} {kind}, both"));
        }
    }
}
