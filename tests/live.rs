//! Live listening without hardware: ALSA's `file` plugin reads a named pipe as if it were a
//! microphone, and the pipe is fed in real time. The blocking read is the sound card's clock.
//!
//! A recorded transcript stands for the recogniser; `tests/by_ear.rs` has the speech model.
#![cfg(target_os = "linux")]

use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use serde_json::Value;

/// Bytes written at once: 20 ms, a multiple of what is read at once.
const BLOCK: usize = 640;

const CONFIG: &str = r#"</usr/share/alsa/alsa.conf>
pcm.vmic_raw { type file  slave.pcm { type null }  file /dev/null
               infile { @func getenv vars [ VMIC_FIFO ] default "/dev/null" }  format raw }
pcm.!default { type plug  slave { pcm vmic_raw  format S16_LE  rate 16000  channels 1 }
               hint { description "Virtual microphone" } }
pcm.vmic     { type plug  slave { pcm vmic_raw  format S16_LE  rate 16000  channels 1 }
               hint { show on  description "Virtual microphone" } }
"#;

const PLAY: u8 = 0;
const STALL: u8 = 1;
const OVER: u8 = 2;

/// A microphone that says what it is given, then keeps silent; it can stall as an unplugged one.
struct Microphone {
    order: Arc<AtomicU8>,
}

impl Microphone {
    fn begin(dir: &Path, sound: Vec<i16>) -> Microphone {
        let pipe = dir.join("mic.fifo");
        let made = Command::new("mkfifo").arg(&pipe).status().unwrap();
        assert!(made.success());
        std::fs::write(dir.join("asound.conf"), CONFIG).unwrap();
        // Read and write: opening never waits, and the pipe never ends.
        let mut to = OpenOptions::new().read(true).write(true).open(&pipe).unwrap();
        let order = Arc::new(AtomicU8::new(PLAY));
        let theirs = Arc::clone(&order);
        thread::spawn(move || {
            let bytes: Vec<u8> = sound.iter().flat_map(|s| s.to_le_bytes()).collect();
            let began = Instant::now();
            let (mut at, mut blocks) = (0, 0u64);
            while theirs.load(Ordering::Acquire) != OVER {
                if theirs.load(Ordering::Acquire) == PLAY {
                    let mut block = bytes.get(at..).unwrap_or_default().to_vec();
                    block.resize(block.len().clamp(BLOCK, BLOCK.max(block.len())), 0);
                    at += BLOCK;
                    if to.write_all(&block[..BLOCK]).is_err() {
                        return;
                    }
                }
                blocks += 1;
                let due = Duration::from_millis(20 * blocks);
                thread::sleep(due.saturating_sub(began.elapsed()));
            }
        });
        Microphone { order }
    }

    fn stall(&self, on: bool) {
        self.order.store(if on { STALL } else { PLAY }, Ordering::Release);
    }
}

impl Drop for Microphone {
    fn drop(&mut self) {
        self.order.store(OVER, Ordering::Release);
    }
}

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

struct Listening {
    child: Child,
    lines: std::sync::mpsc::Receiver<String>,
    seen: Vec<String>,
}

impl Listening {
    fn begin(dir: &Path, more: &[&str]) -> Listening {
        let said = dir.join("said.jsonl");
        let mut child = Command::new(env!("CARGO_BIN_EXE_cotside"))
            .args(["listen", "--exam", "a", "--device", "alsa:vmic", "--rate", "16000"])
            .args(["--channels", "1", "--format", "i16", "--quiet", "--transcript"])
            .arg(&said)
            .args(more)
            .current_dir(dir)
            .env("VMIC_FIFO", dir.join("mic.fifo"))
            .env("ALSA_CONFIG_PATH", dir.join("asound.conf"))
            .env("COTSIDE_PERSONAL", "")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (send, lines) = std::sync::mpsc::channel();
        thread::spawn(move || out.lines().map_while(Result::ok).all(|l| send.send(l).is_ok()));
        Listening { child, lines, seen: Vec::new() }
    }

    /// Waits for a line that holds these words.
    fn wait(&mut self, words: &str) {
        let until = Instant::now() + Duration::from_secs(60);
        while !self.seen.iter().any(|l| l.contains(words)) {
            match self.lines.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(l) => self.seen.push(l),
                Err(e) => panic!("never said {words:?} ({e}): {:#?}", self.seen),
            }
        }
    }

    fn key(&mut self, line: &str) {
        writeln!(self.child.stdin.as_mut().unwrap(), "{line}").unwrap();
    }

    fn end(mut self) -> (Option<i32>, Vec<String>) {
        let until = Instant::now() + Duration::from_secs(30);
        let code = loop {
            match self.child.try_wait().unwrap() {
                Some(status) => break status.code(),
                None if Instant::now() > until => {
                    let _ = self.child.kill();
                    panic!("it does not end: {:#?}", self.seen);
                }
                None => thread::sleep(Duration::from_millis(20)),
            }
        };
        self.seen.extend(self.lines.try_iter());
        (code, self.seen)
    }
}

fn journal(dir: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(dir.join("a/journal.jsonl")).unwrap();
    text.lines().map(|l| serde_json::from_str(l).unwrap()).collect()
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
    let mut live = Listening::begin(dir.path(), &[]);
    live.wait("status: RECORDING");
    live.wait("right arm recoil: brisk");
    live.key("left, weak");
    live.wait("left arm recoil: slow");
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
    let mut live = Listening::begin(dir.path(), &["--no-audio"]);
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
