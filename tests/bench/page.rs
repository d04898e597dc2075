//! `cargo bench --bench page`: the page of an exam of 400 phrases against that of the demo, as
//! ratios in one run: rebuilding the exam and making the page, and opening it in a browser.

#[path = "../browser/mod.rs"]
mod browser;
#[path = "../browser/exams.rs"]
mod exams;
#[path = "../cli/support.rs"]
mod support;

use std::time::{Duration, Instant};

use browser::Browser;

fn median(runs: usize, mut f: impl FnMut() -> Duration) -> Duration {
    let mut all: Vec<Duration> = (0..runs).map(|_| f()).collect();
    all.sort();
    all[all.len() / 2]
}

fn main() {
    let bench = exams::demo();
    exams::read(&bench, "long", "long.txt", exams::long(400).as_bytes());
    let made = |exam: &str| {
        let out = format!("{exam}.html");
        median(5, || {
            let _ = std::fs::remove_file(bench.path(&out));
            let begun = Instant::now();
            bench.run(&["page", exam, "-o", &out]).code(0);
            begun.elapsed()
        })
    };
    let (demo, long) = (made("e"), made("long"));
    let size =
        |exam: &str| std::fs::metadata(bench.path(&format!("{exam}.html"))).map_or(0, |m| m.len());
    println!("an exam of 400 phrases against the demo's 55 (7.3 times the phrases)");
    println!(
        "  program, from start to file: {:>5.2} times",
        long.as_secs_f64() / demo.as_secs_f64()
    );
    #[allow(clippy::cast_precision_loss)] // sizes of pages
    let larger = size("long") as f64 / size("e") as f64;
    println!("  size of the page:            {larger:>5.2} times");
    let Some(b) = Browser::start() else { return };
    let opened = |exam: &str| {
        let url = format!("file://{}", bench.path(&format!("{exam}.html")).display());
        median(5, || {
            b.go(&url);
            let ms = b.script("return performance.getEntriesByType('navigation')[0].loadEventEnd;");
            Duration::from_secs_f64(ms.as_f64().unwrap_or(0.0) / 1000.0)
        })
    };
    let (demo, long) = (opened("e"), opened("long"));
    println!(
        "  browser, until it is laid out: {:>4.2} times",
        long.as_secs_f64() / demo.as_secs_f64()
    );
    let under = if long < Duration::from_secs(1) { "under" } else { "over" };
    println!("  the longer one opens in {under} a second here");
}
