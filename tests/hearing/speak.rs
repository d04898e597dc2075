//! Synthetic voices, noise, and the phrases they speak.

use std::fmt;
use std::path::Path;
use std::process::Command;

use cotside::capture::sound::{self, RATE};
use cotside::lexicon::Lexicon;
use cotside::lexicon::matcher::{Meaning, Naming, Saying};

/// A voice: program, its name for the voice, and speed.
pub struct Voice {
    pub name: &'static str,
    program: &'static str,
    args: &'static [&'static str],
}

const FLITE: &str = "flite";
const ESPEAK: &str = "espeak-ng";

/// Voices of a set. Those of `held` were not listened to while anything was trained or fitted; of
/// espeak-ng, which the ears were trained on, it has other voices.
pub fn voices(set: &str) -> Vec<Voice> {
    let v = |name, program, args| Voice { name, program, args };
    match set {
        "fit" => vec![
            v("flite awb", FLITE, &["-voice", "awb"]),
            v("flite kal16", FLITE, &["-voice", "kal16"]),
            v("espeak en-us", ESPEAK, &["-v", "en-us", "-s", "150"]),
            v("espeak en-us f3", ESPEAK, &["-v", "en-us+f3", "-s", "145"]),
        ],
        _ => vec![
            v("flite rms", FLITE, &["-voice", "rms"]),
            v("flite slt", FLITE, &["-voice", "slt"]),
            v("flite rms slower", FLITE, &["-voice", "rms", "--setf", "duration_stretch=1.15"]),
            v("flite slt faster", FLITE, &["-voice", "slt", "--setf", "duration_stretch=0.9"]),
            v("espeak scotland", ESPEAK, &["-v", "en-gb-scotland", "-s", "150"]),
            v("espeak gbcwmd f1", ESPEAK, &["-v", "en-gb-x-gbcwmd+f1", "-s", "140", "-p", "60"]),
        ],
    }
}

/// Speaks a text: 16 kHz, one channel, half a second of quiet before and behind.
pub fn speak(voice: &Voice, text: &str) -> Vec<f32> {
    let dir = tempfile::tempdir().expect("a folder for sound");
    let path = dir.path().join("said.wav");
    let mut c = Command::new(voice.program);
    c.args(voice.args);
    match voice.program {
        FLITE => c.arg("-t").arg(text).arg("-o").arg(&path),
        _ => c.arg("-w").arg(&path).arg("--").arg(text),
    };
    let done = c.output().unwrap_or_else(|e| panic!("{} cannot be run: {e}", voice.program));
    assert!(done.status.success(), "{}: {:?}", voice.program, done);
    let said = sound::read_wav(&path).expect("the voice's sound").samples;
    let quiet = vec![0.0; RATE as usize / 2];
    let loudest = said.iter().fold(0.01f32, |m, s| m.max(s.abs()));
    let said: Vec<f32> = said.iter().map(|s| s * 0.5 / loudest).collect();
    [quiet.as_slice(), &said, &quiet, &quiet].concat()
}

/// What is mixed under a phrase, with the ratio of speech to it in decibels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Noise {
    None,
    Cry(i32),
    Pink(i32),
}

impl Noise {
    pub fn cries(self) -> bool {
        matches!(self, Noise::Cry(_))
    }
}

impl fmt::Display for Noise {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Noise::None => write!(f, "clean"),
            Noise::Cry(db) => write!(f, "a baby crying, {db} dB"),
            Noise::Pink(db) => write!(f, "pink noise, {db} dB"),
        }
    }
}

/// The recorded cries of a folder.
pub fn cries(folder: Option<&Path>) -> Vec<Vec<f32>> {
    let Some(dir) = folder else { return Vec::new() };
    let mut paths: Vec<_> = std::fs::read_dir(dir)
        .expect("the folder of cries")
        .filter_map(|e| e.ok().map(|e| e.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "wav"))
        .collect();
    paths.sort();
    paths.iter().map(|p| sound::read_wav(p).expect("a cry").samples).collect()
}

/// The cries, one after the other.
pub fn cry_minutes(cries: &[Vec<f32>]) -> Vec<Vec<f32>> {
    cries.to_vec()
}

/// A number that is always the same for the same text (FNV-1a).
fn fixed(text: &str) -> u64 {
    text.bytes()
        .fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3))
}

fn power(s: &[f32]) -> f32 {
    let loud: Vec<f32> = s.iter().copied().filter(|x| x.abs() > 0.001).collect();
    loud.iter().map(|x| x * x).sum::<f32>() / loud.len().max(1) as f32
}

/// A phrase with noise under all of it.
pub fn mixed(clean: &[f32], noise: Noise, cries: &[Vec<f32>], text: &str) -> Vec<f32> {
    let pick = fixed(text);
    let (under, db) = match noise {
        Noise::None => return clean.to_vec(),
        Noise::Cry(db) => {
            let cry = &cries[(pick % cries.len() as u64) as usize];
            let from = (pick >> 8) as usize % cry.len();
            let under = (0..clean.len()).map(|i| cry[(from + i) % cry.len()]).collect::<Vec<_>>();
            (under, db)
        }
        Noise::Pink(db) => (pink(clean.len(), pick), db),
    };
    let times = (power(clean) / power(&under).max(1e-9) / 10f32.powf(db as f32 / 10.0)).sqrt();
    clean.iter().zip(&under).map(|(s, n)| (s + n * times).clamp(-1.0, 1.0)).collect()
}

/// Pink noise by the filter of Kellet (from memory; the slope matters here, not its last decimal).
fn pink(n: usize, seed: u64) -> Vec<f32> {
    let mut x = seed | 1;
    let (mut a, mut b, mut c) = (0.0f32, 0.0f32, 0.0f32);
    (0..n)
        .map(|_| {
            x ^= x << 13;
            x ^= x >> 7;
            x ^= x << 17;
            let white = (x >> 40) as f32 / (1u64 << 23) as f32 - 1.0;
            a = 0.99765 * a + white * 0.099_046;
            b = 0.963 * b + white * 0.296_516_4;
            c = 0.57 * c + white * 1.052_691_3;
            (a + b + c + white * 0.1848) * 0.05
        })
        .collect()
}

/// Phrases by rule from every item of the lexicon: name, side, value or number.
pub fn from_lexicon(lex: &Lexicon) -> Vec<String> {
    let said = |want: &dyn Fn(Meaning) -> bool| -> Vec<String> {
        let all = lex.matcher.entries.iter().enumerate().filter(|(_, e)| want(e.meaning));
        all.map(|(i, _)| lex.matcher.phrase(i)).collect()
    };
    let mut out = Vec::new();
    for (i, item) in lex.items.iter().enumerate() {
        if Some(i) == lex.state_item {
            continue;
        }
        let names = said(&|m| m == Meaning::Item(i, Naming::Plain));
        let mut judged: Vec<String> = Vec::new();
        for value in 0..item.values.len() {
            let words = said(&|m| m == Meaning::Value { item: i, value, how: Saying::InContext });
            judged.extend(words.into_iter().take(2));
        }
        if let Some(n) = &item.number {
            let unit = &lex.units[n.unit].say;
            let unit = if unit == "°" { " degrees" } else { "" };
            let [low, high] = n.plausible;
            for part in [0.35, 0.6] {
                judged.push(format!("{}{unit}", (low + (high - low) * part).round()));
            }
        }
        for (k, value) in judged.iter().enumerate() {
            let Some(name) = names.get(k % names.len().clamp(1, 2)) else { continue };
            out.push(match (item.sided, k % 3) {
                (true, 0) => format!("{name}, right, {value}"),
                (true, 1) => format!("{name}, left, {value}"),
                (true, _) => format!("{name} {value}, both sides"),
                _ => format!("{name}, {value}"),
            });
        }
    }
    out
}

/// Lines of the narrations in a folder, without their times.
pub fn from_narrations(folder: &Path) -> Vec<String> {
    let mut paths: Vec<_> = std::fs::read_dir(folder)
        .expect("the narrations")
        .filter_map(|e| e.ok().map(|e| e.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "txt"))
        .collect();
    paths.sort();
    let mut out = Vec::new();
    for p in paths {
        let text = std::fs::read_to_string(p).expect("a narration");
        let lines = text.lines().filter_map(|l| l.split_once("] ")).map(|(_, words)| words);
        // A phrase nobody says in one breath would be cut anyway.
        out.extend(lines.filter(|w| w.split(' ').count() <= 14).map(str::to_owned));
    }
    out
}

/// Talk around an examination in which nothing is found. Invented.
pub const TALK: &[&str] = &[
    "Hello little one, shall we have a look at you then.",
    "There we go, all wrapped up and warm again.",
    "Could you hold the bottle for me for a moment please.",
    "I will wash my hands and come straight back.",
    "Has grandma been in to visit you this morning.",
    "It is very hot in this room, can we open the window.",
    "The car seat is still downstairs in the boot.",
    "Shush shush, nearly finished, I promise.",
    "Do you have any questions for me before I go.",
    "We will ring you on Thursday about the appointment.",
];

/// Sentences of everyday prose. Invented.
pub const SENTENCES: &[&str] = &[
    "The ferry leaves the harbour every hour until late in the evening.",
    "She bought three apples and a loaf of bread at the corner shop.",
    "Rain fell all night and the river rose by two metres.",
    "The old clock in the hall has not been wound for years.",
    "He painted the fence green and the gate a darker blue.",
    "A train to the coast will depart from platform nine.",
    "They walked up the hill to watch the sun go down.",
    "The recipe asks for flour, butter and a pinch of salt.",
    "Nobody had seen the grey cat since the end of winter.",
    "The letter was written in pencil on very thin paper.",
];
