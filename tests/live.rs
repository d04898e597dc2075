//! Live listening without hardware, a recorded transcript standing for the recogniser;
//! `tests/by_ear.rs` has the speech model.
#![cfg(target_os = "linux")]

mod ears;

use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use ears::{Listening, Microphone, journal};
use serde_json::Value;

/// A hum that a voice detector takes for speech: overtones of a moving pitch, in syllables.
fn voice(seconds: f64, phase: &mut f64) -> Vec<i16> {
    let n = (seconds * 16_000.0) as usize;
    (0..n)
        .map(|i| {
            let t = i as f64 / 16_000.0;
            let pitch = 130.0 + 25.0 * (t * 7.0).sin();
            *phase += pitch / 16_000.0;
            let syllable = (0.55 + 0.45 * (t * 26.0).sin()).powi(2);
            let sum: f64 = (1..20)
                .map(|h| {
                    let hz = pitch * f64::from(h);
                    let near = |f: f64, w: f64| (-((hz - f) / w).powi(2)).exp();
                    let throat = near(620.0, 180.0) + 0.6 * near(1200.0, 250.0);
                    throat * (std::f64::consts::TAU * *phase * f64::from(h)).sin()
                })
                .sum();
            (sum * syllable * 0.25 * 30_000.0).clamp(-32_000.0, 32_000.0) as i16
        })
        .collect()
}

/// Speech at those seconds, each a second long.
fn speech_at(seconds: &[usize]) -> Vec<i16> {
    let mut out = Vec::new();
    let mut phase = 0.0;
    for s in seconds {
        out.resize(s * 16_000, 0);
        out.extend(voice(1.0, &mut phase));
    }
    out
}

/// A transcript that answers by the time at which something is said.
fn transcript(dir: &Path, phrases: &[(u64, &str)]) {
    let mut f = File::create(dir.join("said.jsonl")).unwrap();
    for (at, text) in phrases {
        let p = serde_json::json!({
            "text": text, "start_ms": at, "end_ms": at + 2000, "source": "voice",
            "certainty": "sure",
        });
        writeln!(f, "{p}").unwrap();
    }
}

#[test]
fn an_exam_spoken_into_the_microphone_is_logged_with_its_sound_and_keys_work_beside_it() {
    let dir = tempfile::tempdir().unwrap();
    // Wide stretches of time: when the program is ready is not known beforehand.
    transcript(dir.path(), &[(0, "arm recoil, right, brisk")]);
    let microphone = Microphone::begin(dir.path(), speech_at(&[1, 4, 7, 10, 13, 16, 19, 22]));
    // Every stretch of speech within a minute is this phrase.
    let long = r#"{"text":"arm recoil, right, brisk","start_ms":0,"end_ms":900000,"source":"voice","certainty":"sure"}"#;
    std::fs::write(dir.path().join("said.jsonl"), long).unwrap();
    let mut live = Listening::begin(dir.path(), &["--transcript", "said.jsonl"]);
    live.wait("status: RECORDING");
    live.wait("right arm recoil: brisk");
    live.key("left, weak");
    live.wait("left arm recoil: weak");
    live.key("?");
    live.key("pause the log");
    live.wait("NOT RECORDING, paused");
    live.key("resume the log");
    live.key("end of exam");
    let (code, seen) = live.end();
    drop(microphone);
    assert_eq!(code, Some(0), "{seen:#?}");
    let lines = journal(dir.path());
    let heard: Vec<&Value> = lines.iter().filter(|l| l["source"] == "voice").collect();
    assert!(!heard.is_empty());
    for p in &heard {
        let length = p["end_ms"].as_u64().unwrap() - p["start_ms"].as_u64().unwrap();
        assert!((500..1800).contains(&length), "a second of speech, cut as {length} ms");
    }
    assert!(lines.iter().any(|l| l["source"] == "keys" && l["text"] == "left, weak"));
    let marks: Vec<&str> = lines.iter().filter_map(|l| l["mark"].as_str()).collect();
    assert_eq!((marks.first(), marks.last()), (Some(&"start"), Some(&"stop")));
    assert!(!marks.contains(&"gap-in-hearing"), "{marks:?}");
    let kept = hound::WavReader::open(dir.path().join("a/audio/1.wav")).unwrap();
    assert_eq!((kept.spec().sample_rate, kept.spec().channels), (16_000, 1));
    assert!(kept.duration() > 16_000);
}

#[test]
fn a_microphone_that_stops_is_told_at_once_taken_up_again_and_the_gap_is_in_the_journal() {
    let dir = tempfile::tempdir().unwrap();
    transcript(dir.path(), &[]);
    let microphone = Microphone::begin(dir.path(), Vec::new());
    let mut live = Listening::begin(dir.path(), &["--no-audio", "--transcript", "said.jsonl"]);
    live.wait("listening: ");
    microphone.stall(true);
    live.wait("MICROPHONE LOST, NOT RECORDING: no sound came for 500 ms");
    live.wait("status: NOT RECORDING, microphone lost");
    microphone.stall(false);
    live.wait("the microphone is back; nothing was heard from");
    live.key("end of exam");
    let (code, seen) = live.end();
    assert_eq!(code, Some(3), "{seen:#?}");
    let lines = journal(dir.path());
    let gap = lines.iter().find(|l| l["mark"] == "gap-in-hearing").expect("the gap");
    assert!(gap["to_ms"].as_u64().unwrap() >= gap["from_ms"].as_u64().unwrap() + 500, "{gap}");
    assert!(!dir.path().join("a/audio").exists());
    assert_eq!(lines.last().unwrap()["kind"], "end");
}

#[test]
fn a_microphone_that_is_not_there_is_a_failure_of_the_device() {
    let dir = tempfile::tempdir().unwrap();
    transcript(dir.path(), &[]);
    let out = Command::new(env!("CARGO_BIN_EXE_cotside"))
        .args(["listen", "--exam", "a", "--device", "alsa:nowhere", "--transcript", "said.jsonl"])
        .current_dir(dir.path())
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(3));
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(told.contains("alsa:nowhere") && told.contains("cotside devices"), "{told}");
}
