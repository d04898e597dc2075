//! `cargo bench --bench soak [-- MINUTES TIMES]`: hours of listening through a microphone without
//! hardware, faster than they would last. 120 minutes at 24 times when nothing is said.
//!
//! Prints, and fails when not so: memory stays flat, the sound file holds the sound that was given
//! to within one block, each phrase in the journal stands where it was said, from the first to the
//! last, and nothing was lost on the way. A recorded transcript stands for the recogniser, which at
//! such a pace could not keep up; all else is the program as it runs at the bedside.

#[cfg(not(target_os = "linux"))]
fn main() {
    println!("the microphone without hardware is ALSA's; nothing was run");
}

#[cfg(target_os = "linux")]
#[path = "../ears/mod.rs"]
mod ears;

#[cfg(target_os = "linux")]
fn main() {
    let numbers: Vec<u64> = std::env::args().filter_map(|a| a.parse().ok()).collect();
    let minutes = numbers.first().copied().unwrap_or(120);
    let times = numbers.get(1).copied().unwrap_or(24) as u32;
    soak::run(minutes, times);
}

#[cfg(target_os = "linux")]
mod soak {
    use std::fmt::Write;
    use std::time::{Duration, Instant};

    use super::ears::{Listening, Microphone, journal, voice};

    const RATE: usize = 16_000;
    /// Samples of one block of the microphone's: 20 ms.
    const BLOCK: usize = 320;
    /// Seconds from one phrase to the next. No multiple of a block, so that an error adds up.
    const EVERY: f64 = 7.013;
    /// How far the start of a phrase may stand from where it was said, milliseconds: two frames of
    /// the voice detector.
    const NEAR: i64 = 64;

    fn resident_kb(pid: u32) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
        let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap_or_default();
        line.split_whitespace().nth(1).and_then(|n| n.parse().ok()).unwrap_or(0)
    }

    pub fn run(minutes: u64, times: u32) {
        let dir = tempfile::tempdir().unwrap();
        let length = minutes as usize * 60 * RATE;
        let mut sound = vec![0i16; length];
        let hum = voice(1.0);
        let mut said = Vec::new();
        let mut at = 3.0;
        while ((at + 2.0) * RATE as f64) < length as f64 {
            let from = (at * RATE as f64) as usize;
            sound[from..from + hum.len()].copy_from_slice(&hum);
            said.push((at * 1000.0) as u64);
            at += EVERY;
        }
        // Phrases that replace one another, a pause between two of a kind.
        let words = ["arm recoil, right, brisk", "arm recoil, left, weak", "and what is this now"];
        let mut transcript = String::new();
        for (k, ms) in said.iter().enumerate() {
            // Wide by half the distance to the next, whatever the clock does meanwhile.
            let _ = writeln!(
                transcript,
                r#"{{"text":"{}","start_ms":{},"end_ms":{},"source":"voice","certainty":"sure"}}"#,
                words[k % words.len()],
                ms.saturating_sub(3_000),
                ms + 3_900
            );
        }
        std::fs::write(dir.path().join("said.jsonl"), transcript).unwrap();
        println!("{minutes} min of sound, {} phrases, at {times} times", said.len());

        let began = Instant::now();
        let given = sound.clone();
        let microphone = Microphone::begin_at(dir.path(), sound, times);
        let mut live = Listening::begin(dir.path(), &["--transcript", "said.jsonl"]);
        live.wait("status: RECORDING");
        let wav = dir.path().join("a/audio/1.wav");
        let mut memory: Vec<(u64, u64)> = Vec::new();
        let mut told = 0;
        let patience = Duration::from_secs(minutes * 60 / u64::from(times) * 4 + 60);
        // Until the sound file has grown past the last phrase.
        let whole = (said.last().unwrap() / 1000 + 1) * RATE as u64 * 2;
        loop {
            std::thread::sleep(Duration::from_millis(500));
            let size = std::fs::metadata(&wav).map_or(0, |m| m.len());
            let minute = size / (RATE as u64 * 2 * 60);
            if minute >= told + minutes / 8 {
                told = minute;
                memory.push((minute, resident_kb(live.pid())));
                println!("  minute {minute:>4} of sound: {:>7} kB", memory[memory.len() - 1].1);
            }
            if size >= whole {
                break;
            }
            assert!(began.elapsed() < patience, "the sound file stands at {size} bytes");
        }
        let took = began.elapsed();
        live.key("end of exam");
        let (code, seen) = live.end();
        drop(microphone);
        println!(
            "  ran {:.0} s: {:.1} times as fast as it lasts",
            took.as_secs_f64(),
            minutes as f64 * 60.0 / took.as_secs_f64()
        );
        assert_eq!(code, Some(0), "{:#?}", seen.iter().rev().take(20).collect::<Vec<_>>());

        // The sound file: the very samples, in order, up to where it ends.
        let mut kept = hound::WavReader::open(&wav).unwrap();
        let kept: Vec<i16> = kept.samples::<i16>().map(Result::unwrap).collect();
        // The pipe may have held silence before the program listened; whole blocks of it.
        let first = |s: &[i16]| s.iter().position(|x| *x != 0).unwrap();
        let (a, b) = (first(&given), first(&kept));
        let ahead = a as i64 - b as i64;
        let shift = ahead.unsigned_abs() as usize;
        assert!(shift <= BLOCK * 150, "it began {ahead} samples late");
        let n = given.len().min(kept.len()) - shift.max(a.max(b));
        let differ =
            (0..n.min(given.len() - a).min(kept.len() - b)).find(|i| given[a + i] != kept[b + i]);
        println!("  sound file: {} samples, began {ahead} samples in", kept.len());
        assert_eq!(differ, None, "the sound file differs from the sound");

        // The journal: every phrase, where it was said.
        let lines = journal(dir.path());
        let heard: Vec<i64> = lines
            .iter()
            .filter(|l| l["source"] == "voice")
            .map(|l| l["start_ms"].as_i64().unwrap())
            .collect();
        let gaps = lines.iter().filter(|l| l["mark"] == "gap-in-hearing").count();
        let off: Vec<i64> = heard.iter().zip(&said).map(|(h, s)| h - *s as i64).collect();
        let (low, high) = (off.iter().min().unwrap(), off.iter().max().unwrap());
        println!(
            "  journal: {} of {} phrases, {gaps} gaps in hearing; each stands {} to {} ms apart from \
             the first",
            heard.len(),
            said.len(),
            low - off[0],
            high - off[0]
        );
        assert!(heard.len() + 1 >= said.len(), "phrases are missing");
        assert_eq!(gaps, 0);
        assert!(high - low <= NEAR, "the clock drifts by {} ms", high - low);

        let early = memory[memory.len() / 4].1;
        let late = memory[memory.len() - 1].1;
        println!(
            "  memory: {early} kB after a quarter, {late} kB at the end: {:.3} times",
            late as f64 / early as f64
        );
        assert!(late * 100 <= early * 115, "memory grows");
    }
}
