//! How long the echo lets wait: `cargo bench --bench echo`.
//!
//! Speaks phrases of the lexicon, one after the other with quiet between, into `cotside listen` through a
//! microphone without hardware, and measures from the end of each phrase's own sound to the moment at which
//! the answer stands on the screen: detection of the pause, recognition, reading, journal and all. Prints the
//! median and the 95th percentile and how many were answered.
//!
//! Needs `flite`, `espeak-ng`, ALSA's library and the speech model. `ECHO_PHRASES` says how many (default 40).

#[path = "../ears/mod.rs"]
mod ears;
#[path = "../hearing/speak.rs"]
#[allow(dead_code)] // the hearing bench uses the rest
mod speak;

use std::thread::sleep;
use std::time::{Duration, Instant};

use cotside::speech::rehearsal;
use ears::{Listening, Microphone};

/// Quiet behind each phrase.
const QUIET: Duration = Duration::from_millis(1600);
/// Nothing is waited for longer than this.
const PATIENCE: Duration = Duration::from_secs(6);

fn main() {
    let many = std::env::var("ECHO_PHRASES").ok().and_then(|v| v.parse().ok()).unwrap_or(40);
    let lex = cotside::lexicon::shipped("newborn").expect("the shipped lexicon");
    let voices = speak::voices("held");
    let phrases = rehearsal::prompts(&lex, many);
    let dir = tempfile::tempdir().unwrap();
    let microphone = Microphone::begin(dir.path(), Vec::new());
    let mut live = Listening::begin(dir.path(), &["--no-audio"]);
    live.wait("listening:");
    sleep(Duration::from_secs(1));
    let mut waits = Vec::new();
    for (k, phrase) in phrases.iter().enumerate() {
        let sound = speak::speak(&voices[k % voices.len()], &phrase.text);
        // Its own end: the last sample that is loud at all.
        let loudest = sound.iter().fold(0.0f32, |m, s| m.max(s.abs()));
        let end = sound.iter().rposition(|s| s.abs() > loudest * 0.01).unwrap_or(0) as u64;
        let whole: Vec<i16> = sound.iter().map(|s| (s * 32_767.0) as i16).collect();
        let answered = answers(live.seen());
        let from = microphone.said();
        microphone.say(whole);
        while microphone.said() < from + end {
            sleep(Duration::from_millis(2));
        }
        let ended = Instant::now();
        // An answer in the middle of the phrase, at a pause within it, is none to the whole.
        let before = answers(live.seen()).max(answered);
        let mut wait = None;
        while wait.is_none() && ended.elapsed() < PATIENCE {
            sleep(Duration::from_millis(5));
            wait = (answers(live.seen()) > before).then(|| ended.elapsed());
        }
        println!(
            "{:>6} ms  {}",
            wait.map_or_else(|| "-".into(), |w| w.as_millis().to_string()),
            phrase.text
        );
        waits.extend(wait);
        sleep(QUIET);
    }
    live.kill();
    waits.sort();
    let at = |share: f64| waits[((waits.len() - 1) as f64 * share).round() as usize].as_millis();
    if waits.is_empty() {
        println!("nothing was answered");
        std::process::exit(1);
    }
    println!(
        "\n{} of {} answered; from the end of the sound to the echo: median {} ms, 95 % within {} ms",
        waits.len(),
        phrases.len(),
        at(0.5),
        at(0.95)
    );
}

/// Answers on the screen so far: each says how long it took.
fn answers(seen: &[String]) -> usize {
    seen.iter().filter(|l| l.ends_with(" ms)")).count()
}
