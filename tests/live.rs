//! Live listening without hardware, a recorded transcript standing for the recogniser;
//! `tests/by_ear.rs` has the speech model.
#![cfg(target_os = "linux")]

mod ears;

use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use ears::{Listening, Microphone, journal, voice};
use serde_json::Value;

/// Speech at those seconds, each a second long.
fn speech_at(seconds: &[usize]) -> Vec<i16> {
    let mut out = Vec::new();
    for s in seconds {
        out.resize(s * 16_000, 0);
        out.extend(voice(1.0));
    }
    out
}

/// How long the gap in hearing was, milliseconds.
fn gap_in_hearing(lines: &[Value]) -> u64 {
    let gap = lines.iter().find(|l| l["mark"] == "gap-in-hearing").expect("the gap");
    let of = |name: &str| gap[name].as_u64().expect("a time");
    of("to_ms") - of("from_ms")
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
    assert!(gap_in_hearing(&lines) >= 500, "{lines:#?}");
    assert!(!dir.path().join("a/audio").exists());
    assert_eq!(lines.last().unwrap()["kind"], "end");
}

#[test]
fn a_microphone_that_is_not_there_is_a_failure_of_the_device() {
    let dir = tempfile::tempdir().unwrap();
    transcript(dir.path(), &[]);
    let out = Command::new(env!("CARGO_BIN_EXE_cotside"))
        .env("COTSIDE_READER", "off")
        .args(["listen", "--exam", "a", "--device", "alsa:nowhere", "--transcript", "said.jsonl"])
        .current_dir(dir.path())
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(3));
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(told.contains("alsa:nowhere") && told.contains("cotside devices"), "{told}");
}

/// A sound server of its own, with a sink whose monitor is the microphone.
struct Daemon(Child);

impl Daemon {
    fn begin(dir: &Path) -> std::io::Result<Daemon> {
        let _ = std::fs::remove_file(dir.join("pulse.sock"));
        let script = format!(
            "load-module module-native-protocol-unix socket={}/pulse.sock auth-anonymous=1\n\
             load-module module-null-sink sink_name=bedside rate=16000 channels=1 format=s16le\n\
             set-default-sink bedside\nset-default-source bedside.monitor\n",
            dir.display()
        );
        std::fs::write(dir.join("server.pa"), script)?;
        let child = Command::new("pulseaudio")
            .args(["-n", "-F"])
            .arg(dir.join("server.pa"))
            .args(["--exit-idle-time=-1", "--daemonize=no", "--use-pid-file=no"])
            .args(["--disable-shm=yes", "--log-target=stderr"])
            .envs(["HOME", "XDG_RUNTIME_DIR", "XDG_CONFIG_HOME"].map(|v| (v, dir)))
            .stderr(Stdio::null())
            .spawn()?;
        let daemon = Daemon(child);
        let until = Instant::now() + Duration::from_secs(20);
        while !dir.join("pulse.sock").exists() {
            assert!(Instant::now() < until, "the sound server does not start");
            sleep(Duration::from_millis(50));
        }
        Ok(daemon)
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Microphone from the sound server; what is played goes to a file, 16 kHz. The system's own
/// configuration is left out: where a sound server runs, it would make that the default for playing.
fn server_config(dir: &Path) -> String {
    format!(
        "pcm.vmic {{ type pulse hint {{ show on description \"Server\" }} }}\n\
         pcm.tones {{ type file slave.pcm {{ type null }} file \"{}/tones.raw\" format raw }}\n\
         pcm.default {{ type plug slave {{ pcm tones format S16_LE rate 16000 channels 1 }} }}\n",
        dir.display()
    )
}

/// How much of a sound's energy is at one pitch (Goertzel's algorithm), 16 kHz.
fn energy_at(sound: &[f64], hz: f64) -> f64 {
    let k = 2.0 * (std::f64::consts::TAU * hz / 16_000.0).cos();
    let (a, b) = sound.iter().fold((0.0, 0.0), |(a, b), s| (s + k * a - b, a));
    (a * a + b * b - k * a * b) / sound.len() as f64
}

/// Whether a sound file without a head is the tone of loss.
fn trills(raw: &Path) -> bool {
    let raw = std::fs::read(raw).unwrap_or_default();
    let sound: Vec<f64> =
        raw.chunks_exact(2).map(|b| f64::from(i16::from_le_bytes([b[0], b[1]]))).collect();
    let all: f64 = sound.iter().map(|s| s * s).sum();
    let part = |hz| energy_at(&sound, hz) / all;
    all > 0.0 && part(1175.0) > 0.02 && part(1760.0) > 2e-4 && part(1568.0) < 1e-4
}

#[test]
fn a_sound_server_that_is_killed_is_told_aloud_and_taken_up_when_it_is_back() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = match Daemon::begin(dir.path()) {
        Ok(d) => d,
        Err(e) if std::env::var_os("COTSIDE_NEED_DAEMON").is_some() => panic!("pulseaudio: {e}"),
        Err(e) => return eprintln!("SKIPPED: pulseaudio cannot be run ({e})"),
    };
    transcript(dir.path(), &[]);
    std::fs::write(dir.path().join("asound.conf"), server_config(dir.path())).unwrap();
    let mut command = ears::command(dir.path());
    command
        .args(["--no-audio", "--transcript", "said.jsonl"])
        .env("PULSE_SERVER", format!("unix:{}/pulse.sock", dir.path().display()))
        .envs(["HOME", "XDG_RUNTIME_DIR", "XDG_CONFIG_HOME"].map(|v| (v, dir.path())));
    let mut live = Listening::start(&mut command);
    live.wait("listening: ");
    sleep(Duration::from_secs(1));
    drop(daemon);
    live.wait("MICROPHONE LOST, NOT RECORDING: ");
    live.wait("status: NOT RECORDING, microphone lost");
    // The tone of loss trills between two pitches; that of an answer is a third one. Each tone played
    // begins the file anew, so this one is looked for before there is an answer.
    let until = Instant::now() + Duration::from_secs(20);
    while !trills(&dir.path().join("tones.raw")) {
        assert!(Instant::now() < until, "no tone was played");
        sleep(Duration::from_millis(100));
    }
    // Keys go on meanwhile.
    live.key("arm recoil, right, brisk");
    live.wait("right arm recoil: brisk");
    let _daemon = Daemon::begin(dir.path()).unwrap();
    live.wait("the microphone is back; nothing was heard from");
    live.key("end of exam");
    let (code, seen) = live.end();
    assert_eq!(code, Some(3), "{seen:#?}");
    let lines = journal(dir.path());
    assert!(gap_in_hearing(&lines) > 0, "{lines:#?}");
    assert!(lines.iter().any(|l| l["text"] == "arm recoil, right, brisk"));
}

/// `cotside listen` where no file may grow beyond so many blocks of 512 bytes: as a full disk, writing
/// fails.
fn on_a_small_disk(dir: &Path, blocks: u32, more: &[&str]) -> Listening {
    let mut shell = Command::new("sh");
    let limit = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" \"$@\"");
    shell.args(["-c", &limit, env!("CARGO_BIN_EXE_cotside")]);
    Listening::start(ears::on_microphone(dir, shell).arg("--quiet").args(more))
}

#[test]
fn a_disk_that_is_full_while_listening_is_told_and_nothing_logged_is_lost() {
    let dir = tempfile::tempdir().unwrap();
    transcript(dir.path(), &[]);
    let microphone = Microphone::begin(dir.path(), Vec::new());
    // Three seconds of sound, and far more than the journal needs.
    let mut live = on_a_small_disk(dir.path(), 200, &["--transcript", "said.jsonl"]);
    live.wait("status: RECORDING");
    live.wait("NOT RECORDING, still listening: the sound file cannot be written");
    live.key("arm recoil, right, brisk");
    live.wait("right arm recoil: brisk");
    live.key("end of exam");
    let (code, seen) = live.end();
    assert_eq!(code, Some(3), "{seen:#?}");
    let kept = hound::WavReader::open(dir.path().join("a/audio/1.wav")).unwrap();
    assert!(kept.duration() > 16_000, "what was written stays readable");
    assert_eq!(journal(dir.path()).last().unwrap()["kind"], "end");

    // No room for the journal itself: the phrase is not answered as if it were logged.
    std::fs::remove_dir_all(dir.path().join("a")).unwrap();
    let mut live = on_a_small_disk(dir.path(), 8, &["--no-audio", "--transcript", "said.jsonl"]);
    live.wait("listening: ");
    let said = "arm recoil, right, brisk, as it was before, and before that, and again";
    for _ in 0..60 {
        live.key(said);
    }
    let (code, seen) = live.end();
    drop(microphone);
    assert!(!matches!(code, Some(0) | None), "{code:?} {seen:#?}");
    let told = seen.last().unwrap();
    assert!(seen.iter().any(|l| l.contains("journal.jsonl")), "{told}");
    // Every phrase that was answered is in the journal, whole.
    let answered = seen.iter().filter(|l| l.contains("right arm recoil")).count();
    let text = std::fs::read_to_string(dir.path().join("a/journal.jsonl")).unwrap();
    let whole = text.lines().filter_map(|l| serde_json::from_str::<Value>(l).ok());
    let logged = whole.filter(|l| l["text"] == said).count();
    assert!(answered > 0 && logged >= answered, "{answered} answered, {logged} logged");
}

#[test]
fn what_the_program_says_itself_is_marked_and_never_taken_for_speech() {
    let dir = tempfile::tempdir().unwrap();
    let long = r#"{"text":"arm recoil, right, brisk","start_ms":0,"end_ms":900000,"source":"voice","certainty":"sure"}"#;
    std::fs::write(dir.path().join("said.jsonl"), long).unwrap();
    // Stands for the speaker: while it runs, the microphone hears it.
    let speaker = dir.path().join("espeak-ng");
    std::fs::write(&speaker, "#!/bin/sh\ntouch speaking\nsleep 2.5\nrm speaking\n").unwrap();
    let made = Command::new("chmod").arg("+x").arg(&speaker).status().unwrap();
    assert!(made.success());
    let path = format!("{}:{}", dir.path().display(), std::env::var("PATH").unwrap());
    let microphone = Microphone::begin(dir.path(), Vec::new());
    let mut command = ears::command(dir.path());
    command.args(["--quiet", "--speak", "--no-audio", "--transcript", "said.jsonl"]);
    let mut live = Listening::start(command.env("PATH", path));
    live.wait("listening: ");
    let speaking = |now: bool| {
        let until = Instant::now() + Duration::from_secs(30);
        while dir.path().join("speaking").exists() != now {
            assert!(Instant::now() < until, "speaking: {now}");
            sleep(Duration::from_millis(20));
        }
    };
    for _ in 0..2 {
        microphone.say(voice(1.0));
        speaking(true);
        // The answer, as the microphone takes it up.
        microphone.say(voice(1.2));
        speaking(false);
        sleep(Duration::from_millis(1500));
    }
    live.key("end of exam");
    let (code, seen) = live.end();
    drop(microphone);
    assert_eq!(code, Some(0), "{seen:#?}");
    let lines = journal(dir.path());
    let marks: Vec<&Value> = lines.iter().filter(|l| l["mark"] == "own-playback").collect();
    let heard: Vec<&Value> = lines.iter().filter(|l| l["source"] == "voice").collect();
    assert_eq!(heard.len(), 2, "the program heard itself: {lines:#?}");
    assert!(marks.len() >= 2, "{lines:#?}");
    let ms = |v: &Value, key: &str| v[key].as_u64().unwrap();
    for m in marks {
        assert!(ms(m, "to_ms") >= ms(m, "from_ms") + 2000, "{m}");
    }
}
