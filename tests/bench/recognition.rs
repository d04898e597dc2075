//! What recognition costs: `cargo bench --bench recognition`.
//!
//! Hears the demo's recording with the installed speech model and prints, all in one run: seconds of
//! work for a second of speech with one thread and with two, where they go, and what each way to
//! save work saves beside the same search without it. Times of one run are compared with one
//! another and with nothing else: the machine may be doing other things.

use std::path::Path;
use std::time::{Duration, Instant};

use cotside::capture::sound;
use cotside::speech::search::{Searched, Spent, Tuning};
use cotside::speech::{Whisper, activity, file, judge, model};
use rayon::prelude::*;

/// Each measurement is made so often, and the fastest counts: what else runs only slows.
const TIMES: usize = 2;
/// Stretches of the recording that are heard.
const STRETCHES: usize = 6;

fn main() {
    let lex = cotside::lexicon::shipped("newborn").expect("the shipped lexicon");
    let dir = model::folder().expect("a folder for the model");
    let mut whisper = Whisper::load(&dir, &lex).unwrap_or_else(|p| {
        eprintln!("{p}");
        std::process::exit(2);
    });
    let wav = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/exam.wav");
    let sound = sound::read_wav(&wav).expect("the demo's recording").samples;
    let pieces: Vec<_> = activity::stretches(&sound)
        .iter()
        .take(STRETCHES)
        .map(|s| file::piece(&sound, s))
        .collect();
    let speech = pieces.iter().map(|p| p.sound.len()).sum::<usize>() as f64 / 16_000.0;
    println!("{} stretches, {speech:.1} s of speech; the fastest of {TIMES} runs\n", pieces.len());

    println!("threads   of one stretch   s of work a s of speech   times as fast");
    let mut alone = 0.0;
    for threads in [1, 2] {
        for together in [true, false] {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let took = pool.install(|| {
                fastest(|| match together {
                    true => pieces.iter().for_each(|p| drop(whisper.search(p.sound).unwrap())),
                    false => {
                        pieces.par_iter().for_each(|p| drop(whisper.search(p.sound).unwrap()));
                    }
                })
            });
            let a_second = took.as_secs_f64() / speech;
            if threads == 1 && together {
                alone = a_second;
            } else if threads == 1 {
                continue;
            }
            let how = if together { "all" } else { "one each" };
            println!("{threads:>7}   {how:<14} {a_second:>25.3} {:>15.2}", alone / a_second);
        }
    }

    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    let now = whisper.tuning;
    let (base, spent, found) = pool.install(|| heard(&whisper, &pieces));
    println!("\nwhere the time goes, one thread:");
    let all = (spent.features + spent.encoder + spent.decoder + spent.search).as_secs_f64();
    for (name, part) in [
        ("features", spent.features),
        ("encoder", spent.encoder),
        ("decoder", spent.decoder),
        ("grammar and search", spent.search),
    ] {
        println!("  {name:<20} {:5.1} %", 100.0 * part.as_secs_f64() / all);
    }
    let texts = |all: &[Searched]| -> Vec<String> {
        let text = |t: &[u32]| whisper.text(t);
        all.iter().map(|s| judge::judge(s, &text).text).collect()
    };
    let due = texts(&found);
    let mut rows: Vec<(&str, Tuning)> = vec![("as it is", now)];
    let never = f32::INFINITY;
    let behind = Tuning { abreast: [never; 2], leaning_abreast: never, ..now };
    rows.push(("those far behind are followed too", behind));
    rows.push((
        "the outdone are followed to their end",
        Tuning { outdone: never, hopeless: 1.5, ..now },
    ));
    rows.push(("both, as it was before", Tuning { outdone: never, hopeless: 1.5, ..behind }));
    rows.push(("twice as many hypotheses", Tuning { bound: now.bound.map(|n| n * 2), ..now }));
    rows.push(("the window of 30 s, as published", Tuning { window: 3000, ..now }));
    println!(
        "\nwith one thing otherwise, one thread:      times the work   rows a step   texts alike"
    );
    for (name, tuning) in rows {
        whisper.tuning = tuning;
        let (took, spent, found) = pool.install(|| heard(&whisper, &pieces));
        let text = |t: &[u32]| whisper.text(t);
        let alike =
            found.iter().zip(&due).filter(|(s, d)| judge::judge(s, &text).text == **d).count();
        println!(
            "  {name:<40} {:>13.2} {:>13.1} {alike:>8} of {}",
            took.as_secs_f64() / base.as_secs_f64(),
            spent.rows as f64 / spent.steps.max(1) as f64,
            due.len()
        );
    }
}

fn fastest(mut run: impl FnMut()) -> Duration {
    let one = |_| {
        let began = Instant::now();
        run();
        began.elapsed()
    };
    (0..TIMES).map(one).min().unwrap_or_default()
}

/// All pieces one after the other: the fastest time, where it went, what was found.
fn heard(
    w: &Whisper<'_>,
    pieces: &[cotside::speech::Piece<'_>],
) -> (Duration, Spent, Vec<Searched>) {
    let mut best: Option<(Duration, Spent, Vec<Searched>)> = None;
    for _ in 0..TIMES {
        let began = Instant::now();
        let found: Vec<Searched> = pieces.iter().map(|p| w.search(p.sound).unwrap()).collect();
        let took = began.elapsed();
        let mut sum = Spent::default();
        for s in &found {
            sum.features += s.spent.features;
            sum.encoder += s.spent.encoder;
            sum.decoder += s.spent.decoder;
            sum.search += s.spent.search;
            sum.steps += s.spent.steps;
            sum.rows += s.spent.rows;
        }
        if best.as_ref().is_none_or(|b| took < b.0) {
            best = Some((took, sum, found));
        }
    }
    best.expect("at least one run")
}
