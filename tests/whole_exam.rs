//! A whole exam on a disk whose every operation fails in turn, in every way a disk has: begun, heard
//! and keyed, settled, corrected, signed, added to, exported, and taken back from the export.
//!
//! The model is the list of entries that were confirmed. After each failure, and after power was cut
//! with nothing, half or all of what was not synced left, everything confirmed must be there in its
//! order, with at most the one entry in flight behind it; the seal must hold; an export and an exam
//! taken back must be whole or not there; and going on from there must lead to the very exam that an
//! undisturbed run makes.
//!
//! Not covered: blocks of one write that arrive out of order, and a disk that answers a sync before
//! the data is safe. The sound file is written by other means; its own test is at the end.

#[path = "journal/mem_disk.rs"]
#[allow(dead_code)] // the journal's own tests use the rest
mod mem_disk;

use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::{Arc, Mutex, OnceLock};

use chrono::TimeDelta;
use cotside::capture::sound::Recording;
use cotside::exam;
use cotside::gaps::gaps;
use cotside::grade::{Overview, grade, scales};
use cotside::journal::{
    self, Addendum, Clock as _, Digest, Entry, Form, Header, Journal, JournalError, JournalRead,
    LexiconRef, ManualClock, NewFile, Storage as _, parse_wall, restore,
};
use cotside::lexicon::{self, Files, Lexicon};
use cotside::report::{json, returned};
use cotside::seal::check::{Against, check};
use cotside::seal::sign::{self, Later, NoteToSign};
use cotside::seal::standing::{self, RawLines};
use ed25519_dalek::SigningKey;
use mem_disk::{Failure, MemDisk, Survives};
use serde_json::json;

const HOW: [Failure; 5] =
    [Failure::Once, Failure::FromThenOn, Failure::Full, Failure::ReadOnly, Failure::Denied];
const SURVIVES: [Survives; 3] = [Survives::Nothing, Survives::HalfOfEachFile, Survives::Everything];
const EXAM: &str = "e";
const EXPORT: &str = "e.json";
const BACK: &str = "back";

fn bicycle() -> &'static Lexicon {
    static LEX: OnceLock<Lexicon> = OnceLock::new();
    LEX.get_or_init(|| {
        let text = include_str!("lexicons/bicycle/lexicon.toml");
        let files = Files::from_texts(&[("bicycle.toml", text)]).unwrap();
        lexicon::compile(&files).unwrap().lexicon
    })
}

fn clock(minutes: i64) -> Arc<ManualClock> {
    let start = parse_wall("2031-04-05T09:26:53.000+02:00").unwrap();
    Arc::new(ManualClock::new(0, start + TimeDelta::minutes(minutes)))
}

fn header() -> Header {
    let of = LexiconRef { name: bicycle().name.clone(), sha256: Digest::of(b"bicycle") };
    Header {
        code: "DEMO-1".parse().unwrap(),
        by: Some("KT".into()),
        ..Header::new(clock(0).wall(), of)
    }
}

/// The entries behind the header, with the exam time of each: what is logged, then what is settled.
fn script() -> &'static [(u64, Entry)] {
    static ALL: OnceLock<Vec<(u64, Entry)>> = OnceLock::new();
    ALL.get_or_init(|| {
        let heard = |text: &str, at: u64, sure: &str| {
            json!({ "kind": "phrase", "text": text, "start_ms": at, "end_ms": at + 900,
                    "source": "voice", "certainty": sure,
                    "alternatives": [{ "text": "left medal loose", "score": -1.5 }] })
        };
        let keyed = |text: &str, at: u64| {
            json!({ "kind": "phrase", "text": text, "start_ms": at, "end_ms": at + 900,
                    "source": "keys" })
        };
        let chosen = |item: &str, side: &str, value: &str| {
            json!({ "item": item, "side": side, "value": value, "status": "observed" })
        };
        let settled = |target: u64, decision: serde_json::Value| {
            let mut v = json!({ "kind": "settlement", "who": "KT", "decision": decision });
            if target > 0 {
                v["target"] = json!({ "phrase": target, "index": 1 });
            }
            v
        };
        let with = |act: &str, mut v: serde_json::Value| {
            v["act"] = act.into();
            v
        };
        let mut add = with("add", chosen("pedal", "right", "tight"));
        add["at_ms"] = 12_000.into();
        [
            (10, json!({ "kind": "audio-mark", "mark": "start", "file": "audio/1.wav",
                         "from_ms": 10, "to_ms": 10 })),
            (2_000, heard("headset smooth", 1_000, "sure")),
            (2_100, json!({ "kind": "echo", "phrase": 3, "text": "headset: smooth" })),
            (5_000, heard("left pedal loose", 4_000, "unsettled")),
            (6_000, keyed("left brake pad 3 millimetres", 5_100)),
            (6_500, json!({ "kind": "pause" })),
            (8_000, json!({ "kind": "resume" })),
            (9_000, json!({ "kind": "audio-mark", "mark": "gap-in-hearing",
                            "file": "audio/1.wav", "from_ms": 8_100, "to_ms": 8_900 })),
            (10_000, keyed("correction, 4 millimetres", 9_100)),
            (11_000, json!({ "kind": "end" })),
            (60_000, settled(5, with("choose", chosen("pedal", "left", "tight")))),
            (61_000, settled(0, add)),
            (62_000, settled(0, json!({ "act": "gap-reason", "item": "brake-pad",
                                        "side": "right", "reason": "seized" }))),
            (63_000, settled(3, json!({ "act": "not-a-finding" }))),
            (64_000, settled(0, json!({ "act": "undo", "seq": 15 }))),
            (65_000, json!({ "kind": "header-change", "who": "KT", "protocol": "stand" })),
        ]
        .into_iter()
        .map(|(at, v)| (at, serde_json::from_value(v.clone()).unwrap_or_else(|e| panic!("{e}: {v}"))))
        .collect()
    })
}

/// Entries behind the header that are logged; those after them are settled in a run of their own.
const LOGGED: usize = 10;

/// A step of the exam, which goes on where a disturbed run of it stopped. What it has confirmed goes
/// into `model`.
type Stage = fn(&MemDisk, &mut Vec<Entry>) -> Result<(), String>;

const STAGES: [(&str, Stage); 6] = [
    ("logged", logged),
    ("settled", settled),
    ("signed", signed),
    ("added to", added_to),
    ("exported", exported),
    ("taken back", taken_back),
];

fn dir() -> &'static Path {
    Path::new(EXAM)
}

fn told(e: impl std::fmt::Display) -> String {
    e.to_string()
}

fn append(j: &mut Journal, have: usize, to: usize, model: &mut Vec<Entry>) -> Result<(), String> {
    // The header is the first of what is there.
    for (at, entry) in &script()[have - 1..to] {
        j.append(*at, entry).map_err(told)?;
        model.push(entry.clone());
    }
    Ok(())
}

fn logged(disk: &MemDisk, model: &mut Vec<Entry>) -> Result<(), String> {
    let (mut j, have) = match journal::read_in(disk, dir()) {
        Err(JournalError::Missing(_) | JournalError::Empty(_)) => {
            let j = Journal::create_in(disk, dir(), header(), clock(0)).map_err(told)?;
            model.push(Entry::Header(Box::new(header())));
            (j, 1)
        }
        Err(e) => return Err(told(e)),
        Ok(_) => {
            let o = Journal::open_to_append_in(disk, dir(), clock(0)).map_err(told)?;
            *model = o.read.lines.iter().map(|l| l.entry.clone()).collect();
            (o.journal, o.read.lines.len())
        }
    };
    append(&mut j, have, LOGGED, model)
}

fn settled(disk: &MemDisk, model: &mut Vec<Entry>) -> Result<(), String> {
    let mut o = Journal::open_to_append_in(disk, dir(), clock(1)).map_err(told)?;
    *model = o.read.lines.iter().map(|l| l.entry.clone()).collect();
    append(&mut o.journal, o.read.lines.len(), script().len(), model)
}

fn key() -> SigningKey {
    SigningKey::from_bytes(&[7; 32])
}

/// Finishes what an interruption left of a seal.
fn finished(disk: &MemDisk) -> Result<(), String> {
    let raw = RawLines::read(disk, dir()).map_err(told)?;
    match standing::standing(disk, dir(), &raw).map_err(told)? {
        Some(found) => standing::finish(disk, dir(), &found).map_err(told),
        None => Ok(()),
    }
}

fn signed(disk: &MemDisk, model: &mut Vec<Entry>) -> Result<(), String> {
    let o = Journal::open_to_append_in(disk, dir(), clock(20)).map_err(told)?;
    if o.read.signing().is_some() {
        drop(o);
        finished(disk)?;
    } else {
        let key = key();
        let order = NoteToSign {
            who: "KT",
            key: &key,
            note: "NOTE\n\nHeadset smooth.\n",
            lexicon: header().lexicon,
            incomplete: None,
            remove_audio: false,
        };
        sign::sign(disk, dir(), o, &order).map_err(told)?;
    }
    take_in(disk, model)
}

fn added_to(disk: &MemDisk, model: &mut Vec<Entry>) -> Result<(), String> {
    let o = Journal::open_to_append_in(disk, dir(), clock(60)).map_err(told)?;
    if o.read.lines.iter().any(|l| matches!(l.entry, Entry::Addendum(_))) {
        drop(o);
        finished(disk)?;
    } else {
        let entry = Addendum {
            form: Form::LateEntry,
            who: "KT".into(),
            key: Digest::ZERO,
            reason: "left out".into(),
            text: Some("Right pedal tight.".into()),
            about: None,
            finding: None,
            seen: Some(clock(0).wall()),
            clock_back_ms: None,
        };
        let later = Later::Addendum(Box::new(entry));
        sign::add(disk, dir(), o, "KT", &key(), later).map_err(told)?;
    }
    take_in(disk, model)
}

/// What was just said to be done counts as confirmed.
fn take_in(disk: &MemDisk, model: &mut Vec<Entry>) -> Result<(), String> {
    let read = journal::read_in(disk, dir()).map_err(told)?;
    *model = read.lines.into_iter().map(|l| l.entry).collect();
    Ok(())
}

fn rebuilt(read: &JournalRead) -> serde_json::Value {
    let lex = bicycle();
    let x = exam::build(read.header().unwrap(), &read.lines, lex);
    let graded = grade(&x, lex);
    let overview = Overview::new(scales::of_lexicon(lex).unwrap(), &x, &graded, lex);
    json::export(&x, lex, &graded, &overview, &gaps(&x, lex))
}

fn exported(disk: &MemDisk, _: &mut Vec<Entry>) -> Result<(), String> {
    if disk.exists(Path::new(EXPORT)).map_err(told)? {
        return Ok(());
    }
    let read = journal::read_in(disk, dir()).map_err(told)?;
    let mut files = Vec::new();
    for name in returned::CARRIED {
        files.push((name.to_owned(), disk.read(&dir().join(name)).map_err(told)?));
    }
    let text = format!("{:#}\n", json::with_journal(rebuilt(&read), &read, &files));
    let mut file = NewFile::begin(disk, Path::new(EXPORT)).map_err(told)?;
    for piece in text.as_bytes().chunks(text.len() / 3 + 1) {
        file.write_all(piece).map_err(told)?;
    }
    file.finish().map_err(told)
}

fn taken_back(disk: &MemDisk, _: &mut Vec<Entry>) -> Result<(), String> {
    if disk.exists(Path::new(BACK)).map_err(told)? {
        return Ok(());
    }
    let text = String::from_utf8(disk.read(Path::new(EXPORT)).map_err(told)?).map_err(told)?;
    let back = returned::journal(EXPORT, &text).map_err(told)?;
    restore(disk, Path::new(BACK), &back.bytes, &back.files).map_err(told)
}

/// The disk after an undisturbed run of the first stages, all of it durable, and what is confirmed.
fn undisturbed(stages: usize) -> (MemDisk, Vec<Entry>) {
    let (disk, mut model) = (MemDisk::default(), Vec::new());
    for (name, stage) in &STAGES[..stages] {
        stage(&disk, &mut model).unwrap_or_else(|e| panic!("{name}: {e}"));
    }
    (disk.after_power_cut(Survives::Everything), model)
}

fn entries(disk: &MemDisk) -> Vec<Entry> {
    match journal::read_in(disk, dir()) {
        Ok(read) => read.lines.into_iter().map(|l| l.entry).collect(),
        Err(JournalError::Missing(_) | JournalError::Empty(_)) => Vec::new(),
        Err(e) => panic!("the journal does not open: {e}"),
    }
}

/// The exam of an undisturbed run.
struct Whole {
    entries: Vec<Entry>,
    exam: serde_json::Value,
}

/// What must hold of a disk that something happened to.
fn consistent(disk: &MemDisk, model: &[Entry], whole: &Whole, what: &str) {
    let found = entries(disk);
    assert!(found.len() >= model.len(), "{what}: {} confirmed, {} there", model.len(), found.len());
    assert!(found.len() <= model.len() + 1, "{what}: more than the one in flight");
    assert_eq!(found[..model.len()], *model, "{what}");
    // Signing and adding stamp their entries; what they say is held by the seal.
    assert_eq!(found[..], whole.entries[..found.len()], "{what}");
    if found.iter().any(|e| matches!(e, Entry::Signing(_))) {
        let report = check(disk, dir(), &Against::default()).unwrap();
        assert_eq!(report.troubles, vec![], "{what}");
        assert!(report.signed, "{what}");
    }
    if let Ok(bytes) = disk.read(Path::new(EXPORT)) {
        let text = String::from_utf8(bytes).unwrap();
        let back = returned::journal(EXPORT, &text).unwrap_or_else(|e| panic!("{what}: {e}"));
        assert_eq!(back.journal.lines.len(), whole.entries.len(), "{what}: half an export");
    }
    if disk.exists(Path::new(BACK)).unwrap() {
        for name in [journal::FILE_NAME, "seal.json", "note.txt"] {
            let of = |dir: &str| disk.read(&Path::new(dir).join(name)).unwrap_or_default();
            assert!(of(BACK) == of(EXAM), "{what}: half an exam was taken back ({name})");
        }
    }
}

/// Going on from there leads to the whole exam.
fn goes_on(disk: &MemDisk, from: usize, whole: &Whole, what: &str) {
    let mut model = entries(disk);
    for (name, stage) in &STAGES[from..] {
        stage(disk, &mut model).unwrap_or_else(|e| panic!("{what}, then {name}: {e}"));
    }
    let read = journal::read_in(disk, dir()).unwrap();
    assert_eq!(rebuilt(&read), whole.exam, "{what}: another exam");
    let report = check(disk, dir(), &Against::default()).unwrap();
    assert!(report.whole(), "{what}: {:?}", report.troubles);
    consistent(disk, &whole.entries, whole, what);
    assert!(disk.exists(Path::new(BACK)).unwrap(), "{what}");
    // A file may keep its first name beside its own; it is no half file.
    for (path, bytes) in disk.files() {
        let own = path.with_extension("");
        let twice = path.extension().is_some_and(|e| e == "part");
        assert!(!twice || disk.read(&own).is_ok_and(|b| b == bytes), "{what}: left {path:?}");
    }
}

#[test]
fn whatever_fails_in_a_whole_exam_what_was_confirmed_is_there_and_the_rest_can_be_done() {
    let (disk, of) = undisturbed(STAGES.len());
    let exam = rebuilt(&journal::read_in(&disk, dir()).unwrap());
    let whole = Whole { entries: of, exam };
    assert_eq!(whole.entries.len(), script().len() + 3, "header, signing, addendum");
    let (mut faults, mut seen_through) = (0, 0);
    for (k, (name, stage)) in STAGES.iter().enumerate() {
        let (before, confirmed) = undisturbed(k);
        let mut operations = 0;
        for how in HOW {
            for n in 0.. {
                let disk = before.after_power_cut(Survives::Everything);
                let mut model = confirmed.clone();
                disk.fail_at(n, how);
                let done = stage(&disk, &mut model);
                if disk.operations() <= n {
                    assert!(done.is_ok(), "{name}: {done:?}");
                    operations = n;
                    break;
                }
                faults += 1;
                seen_through += usize::from(done.is_ok());
                for survives in SURVIVES {
                    let what = format!("{name}, {how:?} at operation {n}, {survives:?} survives");
                    let after = disk.after_power_cut(survives);
                    consistent(&after, &model, &whole, &what);
                    goes_on(&after, k, &whole, &what);
                }
            }
        }
        println!("{name}: {operations} operations");
    }
    println!("{faults} faults, {seen_through} of them without harm; each looked at 3 times");
    assert!(faults > 400, "{faults}");
}

/// A file that fails at one operation and from then on, as a full or unplugged disk. Of a failing
/// write half is there, save of one as short as a number in the header, which a disk takes whole.
struct Failing {
    bytes: Arc<Mutex<Vec<u8>>>,
    at: usize,
    operations: usize,
    fails_at: usize,
}

impl Failing {
    fn fails(&mut self) -> bool {
        self.operations += 1;
        self.operations > self.fails_at
    }
}

impl Write for Failing {
    fn write(&mut self, new: &[u8]) -> std::io::Result<usize> {
        let fails = self.fails();
        let first = self.operations == self.fails_at + 1;
        let len = match fails {
            false => new.len(),
            true if first && new.len() > 8 => new.len() / 2,
            true => 0,
        };
        let mut bytes = self.bytes.lock().unwrap();
        let end = (self.at + len).max(bytes.len());
        bytes.resize(end, 0);
        bytes[self.at..self.at + len].copy_from_slice(&new[..len]);
        self.at += len;
        if fails { Err(std::io::ErrorKind::StorageFull.into()) } else { Ok(len) }
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Seek for Failing {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        if self.fails() {
            return Err(std::io::ErrorKind::Other.into());
        }
        self.at = match to {
            SeekFrom::Start(n) => n as usize,
            SeekFrom::End(n) => (self.bytes.lock().unwrap().len() as i64 + n) as usize,
            SeekFrom::Current(n) => (self.at as i64 + n) as usize,
        };
        Ok(self.at as u64)
    }
}

#[test]
fn whatever_fails_in_a_sound_file_all_but_its_last_second_can_be_heard() {
    const RATE: u32 = 1_000;
    let block: Vec<f32> = (0..100).map(|i| i as f32 / 200.0).collect();
    let (mut faults, mut most_lost) = (0, 0);
    for n in 0.. {
        let bytes = Arc::new(Mutex::new(Vec::new()));
        let file = Failing { bytes: Arc::clone(&bytes), at: 0, operations: 0, fails_at: n };
        let begun = Recording::on(BufWriter::with_capacity(256, file), "1.wav".into(), RATE);
        let Ok(mut recording) = begun else { continue };
        let mut taken = 0;
        let mut failed = false;
        for _ in 0..45 {
            match recording.write(&block) {
                Ok(()) => taken += block.len(),
                Err(_) => {
                    failed = true;
                    break;
                }
            }
        }
        failed |= if failed {
            drop(recording);
            true
        } else {
            recording.end().is_err()
        };
        let kept = bytes.lock().unwrap().clone();
        let sound = match hound::WavReader::new(&kept[..]) {
            Ok(mut r) => r.samples::<i16>().map_while(Result::ok).collect::<Vec<_>>(),
            Err(_) => Vec::new(),
        };
        if !failed {
            assert_eq!(sound.len(), taken);
            break;
        }
        faults += 1;
        let second = RATE as usize + block.len();
        assert!(sound.len() + second >= taken, "operation {n}: {} of {taken}", sound.len());
        most_lost = most_lost.max(taken.saturating_sub(sound.len()));
        for (k, s) in sound.iter().enumerate() {
            let want = (f64::from(block[k % block.len()]) * 32_768.0).round() as i16;
            // Behind the last second that was flushed the header may count what half arrived.
            assert!(*s == want || k + second >= taken, "operation {n}, sample {k}");
        }
    }
    println!("{faults} faults; at most {most_lost} of {RATE} samples a second lost");
    assert!(faults > 30, "{faults}");
}
