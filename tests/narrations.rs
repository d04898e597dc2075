//! Gold scoring of narrated exams by the rules alone; `tests/two_readers.rs` has both readers.
//!
//! `cargo test --test narrations -- --nocapture` prints the table. Three sets: `dev` (given with
//! the design), `fit` (own, the rules were fitted on them) and `held` (own, by another hand, the rules were never
//! fitted on them). Scoring follows `tests/narrations/dev/README.md`: sets of (item, side, status, value,
//! number or range), `both` split into left and right, behavioural state left out.

#[path = "narrations/kit.rs"]
#[allow(dead_code)]
mod kit;
mod support;

use std::path::Path;

use kit::Score;
use rayon::prelude::*;

fn table(set: &str) -> Score {
    let lex = support::lexicon();
    let verbose = std::env::var_os("COTSIDE_VERBOSE").is_some();
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/narrations").join(set);
    let narrations = kit::folder(&dir);
    let scores: Vec<Score> =
        narrations.par_iter().map(|n| kit::score(n, &kit::read(n, &[], &lex), verbose)).collect();
    let mut total = Score::default();
    println!("\n{set:<34} {}", Score::HEAD);
    for (n, s) in narrations.iter().zip(&scores) {
        println!("{:<34} {s}", n.name);
        total.add(s);
    }
    println!("{:<34} {total}", "all");
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
