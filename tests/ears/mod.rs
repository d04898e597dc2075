//! A microphone without hardware, and `cotside listen` running on it.
//!
//! ALSA's `file` plugin reads a named pipe as if it were a sound card; the pipe is fed in real time,
//! and the blocking read on it is the clock.
#![allow(dead_code)] // each test program uses what it needs

use std::fs::OpenOptions;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};
use std::sync::mpsc::Sender;
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
pub struct Microphone {
    order: Arc<AtomicU8>,
    said: Arc<AtomicU64>,
    more: Sender<Vec<i16>>,
}

impl Microphone {
    /// Begins to say `sound`, 16 kHz.
    pub fn begin(dir: &Path, sound: Vec<i16>) -> Microphone {
        Microphone::begin_at(dir, sound, 1)
    }

    /// As [`Microphone::begin`], that many times as fast.
    pub fn begin_at(dir: &Path, sound: Vec<i16>, times: u32) -> Microphone {
        let pipe = dir.join("mic.fifo");
        let made = Command::new("mkfifo").arg(&pipe).status().unwrap();
        assert!(made.success());
        std::fs::write(dir.join("asound.conf"), CONFIG).unwrap();
        // Read and write: opening never waits, and the pipe never ends.
        let mut to = OpenOptions::new().read(true).write(true).open(&pipe).unwrap();
        let order = Arc::new(AtomicU8::new(PLAY));
        let theirs = Arc::clone(&order);
        let said = Arc::new(AtomicU64::new(0));
        let so_far = Arc::clone(&said);
        let (more, fresh) = std::sync::mpsc::channel::<Vec<i16>>();
        thread::spawn(move || {
            let mut sound = sound;
            let mut began = Instant::now();
            let (mut at, mut blocks) = (0, 0u64);
            while theirs.load(Ordering::Acquire) != OVER {
                if theirs.load(Ordering::Acquire) == PLAY {
                    for more in fresh.try_iter() {
                        sound.resize(at.max(sound.len()), 0);
                        sound.extend(more);
                    }
                    // Block by block: a microphone that first thinks it over is a lost one.
                    let rest = sound.get(at..).unwrap_or_default();
                    let mut block: Vec<u8> =
                        rest.iter().take(BLOCK / 2).flat_map(|s| s.to_le_bytes()).collect();
                    block.resize(BLOCK, 0);
                    at += BLOCK / 2;
                    let begun = Instant::now();
                    if to.write_all(&block).is_err() {
                        return;
                    }
                    let waited = begun.elapsed();
                    so_far.store(at as u64, Ordering::Release);
                    if waited > Duration::from_millis(100) {
                        // The pipe was full: nobody listened yet. What waited is not hurried after.
                        began += waited;
                    }
                }
                blocks += 1;
                let due = Duration::from_millis(20 * blocks) / times;
                thread::sleep(due.saturating_sub(began.elapsed()));
            }
        });
        Microphone { order, said, more }
    }

    /// Samples said up to now, silence among them.
    pub fn said(&self) -> u64 {
        self.said.load(Ordering::Acquire)
    }

    /// Says this, now or when what it is saying is over.
    pub fn say(&self, sound: Vec<i16>) {
        self.more.send(sound).unwrap();
    }

    /// Stops giving sound, or goes on.
    pub fn stall(&self, on: bool) {
        self.order.store(if on { STALL } else { PLAY }, Ordering::Release);
    }
}

impl Drop for Microphone {
    fn drop(&mut self) {
        self.order.store(OVER, Ordering::Release);
    }
}

/// A hum that a voice detector takes for speech: overtones of a moving pitch.
pub fn voice(seconds: f64) -> Vec<i16> {
    let mut phase = 0.0f64;
    (0..(seconds * 16_000.0) as usize)
        .map(|i| {
            let t = i as f64 / 16_000.0;
            phase += (130.0 + 25.0 * (t * 7.0).sin()) / 16_000.0;
            let pitch = 130.0 + 25.0 * (t * 7.0).sin();
            let sum: f64 = (1..20)
                .map(|h| {
                    let hz = pitch * f64::from(h);
                    let near = |f: f64, w: f64| (-((hz - f) / w).powi(2)).exp();
                    let throat = near(620.0, 180.0) + 0.6 * near(1200.0, 250.0);
                    throat * (std::f64::consts::TAU * phase * f64::from(h)).sin()
                })
                .sum();
            (sum * 0.25 * 30_000.0).clamp(-32_000.0, 32_000.0) as i16
        })
        .collect()
}

/// `cotside listen`, running.
pub struct Listening {
    child: Child,
    lines: std::sync::mpsc::Receiver<String>,
    seen: Vec<String>,
}

impl Listening {
    /// Starts it on the microphone in `dir`, exam `a`, without tones.
    pub fn begin(dir: &Path, more: &[&str]) -> Listening {
        Listening::start(command(dir).arg("--quiet").args(more))
    }

    /// Starts a command made by [`command`].
    pub fn start(command: &mut Command) -> Listening {
        let mut child = command
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
    pub fn wait(&mut self, words: &str) {
        let until = Instant::now() + Duration::from_secs(180);
        while !self.seen.iter().any(|l| l.contains(words)) {
            match self.lines.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(l) => self.seen.push(l),
                Err(e) => panic!("never said {words:?} ({e}): {:#?}", self.seen),
            }
        }
    }

    /// The process.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// The lines it said up to now.
    pub fn seen(&mut self) -> &[String] {
        self.seen.extend(self.lines.try_iter());
        &self.seen
    }

    /// Types a line.
    pub fn key(&mut self, line: &str) {
        writeln!(self.child.stdin.as_mut().unwrap(), "{line}").unwrap();
    }

    /// Ends it by force; gives the lines it said.
    pub fn kill(mut self) -> Vec<String> {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        // The reader of its lines ends with it.
        while let Ok(line) = self.lines.recv() {
            self.seen.push(line);
        }
        self.seen
    }

    /// Waits for its end: exit code and all lines, those of the error output behind the others.
    pub fn end(mut self) -> (Option<i32>, Vec<String>) {
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
        self.seen.extend(self.lines.iter());
        let told = BufReader::new(self.child.stderr.take().unwrap());
        self.seen.extend(told.lines().map_while(Result::ok));
        (code, self.seen)
    }
}

/// `cotside listen` on the microphone in `dir`, exam `a`.
pub fn command(dir: &Path) -> Command {
    on_microphone(dir, Command::new(env!("CARGO_BIN_EXE_cotside")))
}

/// The same, started by a program that is given the command line.
pub fn on_microphone(dir: &Path, mut c: Command) -> Command {
    c.args(["listen", "--exam", "a", "--device", "alsa:vmic", "--rate", "16000"])
        .args(["--channels", "1", "--format", "i16"])
        .current_dir(dir)
        .env("VMIC_FIFO", dir.join("mic.fifo"))
        .env("ALSA_CONFIG_PATH", dir.join("asound.conf"))
        .env("COTSIDE_PERSONAL", "")
        .env("COTSIDE_READER", "off");
    c
}

/// Lines of the journal of exam `a`.
pub fn journal(dir: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(dir.join("a/journal.jsonl")).unwrap();
    text.lines().map(|l| serde_json::from_str(l).unwrap()).collect()
}
