//! The journal: nothing confirmed is lost, nothing wrong is passed over.

#[path = "journal/mem_disk.rs"]
mod mem_disk;

use chrono::{DateTime, FixedOffset, TimeDelta};
use cotside::capture::{Alternative, Phrase, Source};
use cotside::journal::{
    AudioMark, Chosen, Clock, Decision, Digest, Echo, Entry, ExamCode, Ga, Header, HeaderChange,
    Journal, JournalError, JournalRead, LexiconRef, ManualClock, Mark, Resume, Resumed, Settlement,
    Sex, Storage, SystemClock, Target, TornWhy, parse_wall, read, read_in,
};
use cotside::tagger::{Mark as ReaderMark, Marks};
use mem_disk::{Failure, MemDisk, Survives};
use proptest::prelude::*;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

fn input() -> Decision {
    Decision::Input { scale: "s".into(), sign: "t".into(), at: Some(5), value: "2".into() }
}

fn wall() -> DateTime<FixedOffset> {
    parse_wall("2031-04-05T09:26:53.120+02:00").unwrap()
}

fn clock() -> Arc<ManualClock> {
    Arc::new(ManualClock::new(0, wall()))
}

fn header() -> Header {
    let lexicon = LexiconRef { name: "demo".into(), sha256: Digest::of(b"lexicon") };
    Header {
        code: "DEMO-1".parse().unwrap(),
        sex: Some(Sex::Female),
        born: Some(parse_wall("2031-04-03T02:10:00+02:00").unwrap()),
        ga: Some("39+2".parse().unwrap()),
        by: Some("AB".into()),
        ..Header::new(wall(), lexicon)
    }
}

fn phrase(text: &str) -> Entry {
    Entry::Phrase(Phrase {
        text: text.into(),
        start_ms: 10,
        end_ms: 20,
        source: Source::Keys,
        line: None,
        speaker: None,
        alternatives: vec![],
        words: Vec::new(),
        certainty: None,
    })
}

/// One entry of every kind that may follow the header, with multi-byte text among them.
fn entries() -> Vec<Entry> {
    let chosen = Chosen {
        item: "item-a".into(),
        side: Some("left".into()),
        value: None,
        number: None,
        low: Some(80.5),
        high: Some(90.0),
        unit: Some("deg".into()),
        status: "judged".into(),
    };
    let settle =
        |target, decision| Entry::Settlement(Settlement { who: "AB".into(), target, decision });
    let target = Some(Target { phrase: 2, index: 0 });
    vec![
        phrase("premières paroles, \"näher\" \u{2028}\n"),
        Entry::Echo(Echo { phrase: 2, text: "heard?".into() }),
        settle(target, Decision::Choose(chosen.clone())),
        settle(target, Decision::NotAFinding),
        settle(None, Decision::Add { chosen, at_ms: 7 }),
        settle(None, Decision::GapReason { item: "b".into(), side: None, reason: "asleep".into() }),
        settle(None, Decision::Undo { seq: 4 }),
        Entry::AudioMark(AudioMark {
            mark: Mark::GapInHearing,
            file: Some("audio/1.wav".into()),
            from_ms: 3,
            to_ms: 4,
        }),
        Entry::Pause,
        Entry::Resume(Resume { clock: Some(Resumed::WallElapsed { at_ms: 5, away_ms: 5 }) }),
        Entry::HeaderChange(Box::new(HeaderChange {
            who: "CD".into(),
            sex: Some(None),
            by: Some(Some("CD".into())),
            ..HeaderChange::default()
        })),
        Entry::End,
    ]
}

/// A small journal with every kind in it, in `dir`.
fn small(dir: &Path) -> JournalRead {
    let clock = clock();
    let mut journal = Journal::create(dir, header(), clock.clone()).unwrap();
    for entry in entries() {
        clock.advance(1000);
        journal.append_now(&entry).unwrap();
    }
    drop(journal);
    read(dir).unwrap()
}

fn said(read: &JournalRead) -> Vec<Entry> {
    read.lines.iter().map(|line| line.entry.clone()).collect()
}

fn temp() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

#[test]
fn what_is_appended_is_read_back() {
    let temp = temp();
    let dir = temp.path().join("exam");
    let found = small(&dir);
    let mut all = vec![Entry::Header(Box::new(header()))];
    all.extend(entries());
    assert_eq!(said(&found), all);
    assert_eq!(found.torn, None);
    for (i, line) in found.lines.iter().enumerate() {
        assert_eq!((line.seq, line.exam_ms), (i as u64 + 1, i as u64 * 1000));
        assert_eq!(line.wall, wall() + TimeDelta::milliseconds(i as i64 * 1000));
        assert_eq!(line.wall.offset(), wall().offset());
    }
}

#[test]
fn the_first_line_reads_as_documented() {
    let temp = temp();
    let found = small(&temp.path().join("exam"));
    let lexicon = Digest::of(b"lexicon");
    let zeros = "0".repeat(64);
    let version = env!("CARGO_PKG_VERSION");
    assert_eq!(
        found.lines[0].raw,
        format!(
            r#"{{"seq":1,"exam_ms":0,"wall":"2031-04-05T09:26:53.120+02:00","kind":"header","schema":1,"code":"DEMO-1","sex":"f","born":"2031-04-03T02:10:00+02:00","ga":"39+2","by":"AB","protocol":null,"lexicon":{{"name":"demo","sha256":"{lexicon}"}},"tool":"{version}","started":"2031-04-05T09:26:53.120+02:00","prev":"{zeros}"}}"#
        )
    );
}

#[test]
fn header_changes_apply_in_order_and_null_takes_away() {
    let temp = temp();
    let found = small(&temp.path().join("exam"));
    let now = found.header().unwrap();
    assert_eq!(now, Header { sex: None, by: Some("CD".into()), ..header() });
}

#[test]
fn unknown_fields_are_kept_and_covered_by_the_digest() {
    let temp = temp();
    let dir = temp.path().join("exam");
    let found = small(&dir);
    let last = found.lines.last().unwrap();
    let raw = format!(
        r#"{{"seq":{},"exam_ms":{},"wall":"2031-04-05T10:00:00+02:00","kind":"pause","mood":{{"x":[1]}},"prev":"{}"}}"#,
        last.seq + 1,
        last.exam_ms,
        last.digest
    );
    let mut text = fs::read_to_string(dir.join("journal.jsonl")).unwrap();
    text.push_str(&raw);
    text.push('\n');
    fs::write(dir.join("journal.jsonl"), text).unwrap();
    let mut opened = Journal::open_to_append(&dir, clock()).unwrap();
    let ms = opened.resumed.at_ms();
    opened.journal.append(ms, &Entry::End).unwrap();
    let found = read(&dir).unwrap();
    let line = &found.lines[found.lines.len() - 2];
    assert_eq!(line.raw, raw);
    assert_eq!(found.lines.last().unwrap().prev, Digest::of(raw.as_bytes()));
}

// --- digests ------------------------------------------------------------------------------------

/// Sources: the empty message is NIST CAVP SHAVS `SHA256ShortMsg.rsp`, Len = 0; the others are
/// NIST's SHA-256 example values (CSRC, "Cryptographic Standards and Guidelines: Examples with
/// Intermediate Values", one-block and two-block messages) and the one million `a` of FIPS 180-2,
/// appendix B.3. Values written from memory and checked with coreutils `sha256sum`.
#[test]
fn digests_agree_with_published_vectors() {
    let million = vec![b'a'; 1_000_000];
    let vectors: [(&[u8], &str); 4] = [
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (&million, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    ];
    for (message, digest) in vectors {
        assert_eq!(Digest::of(message).to_string(), digest);
        assert_eq!(digest.parse::<Digest>().unwrap(), Digest::of(message));
    }
}

/// The reference is GNU coreutils' `sha256sum`, which every Linux machine has.
#[cfg(target_os = "linux")]
#[test]
fn the_chain_can_be_recomputed_with_sha256sum() {
    let temp = temp();
    let dir = temp.path().join("exam");
    let found = small(&dir);
    let text = fs::read(dir.join("journal.jsonl")).unwrap();
    let mut prev = "0".repeat(64);
    for (i, line) in text.strip_suffix(b"\n").unwrap().split(|b| *b == b'\n').enumerate() {
        let tail = format!(r#","prev":"{prev}"}}"#);
        assert!(line.ends_with(tail.as_bytes()), "line {}", i + 1);
        let file = temp.path().join("line");
        fs::write(&file, line).unwrap();
        let out = std::process::Command::new("sha256sum").arg(&file).output().unwrap();
        prev = String::from_utf8(out.stdout).unwrap()[..64].to_owned();
    }
    assert_eq!(found.digest().to_string(), prev);
}

// --- torn tails and damage ----------------------------------------------------------------------

#[test]
fn cut_at_any_byte_it_opens_with_every_whole_line_and_keeps_the_rest() {
    let temp = temp();
    let whole = small(&temp.path().join("whole"));
    let bytes = fs::read(temp.path().join("whole/journal.jsonl")).unwrap();
    let dir = Path::new(DIR);
    let path = dir.join("journal.jsonl");
    for cut in 0..=bytes.len() {
        let disk = MemDisk::default();
        disk.put(&path, &bytes[..cut]);
        let content = || disk.read(&path).unwrap();
        let lines = bytes[..cut].iter().filter(|b| **b == b'\n').count();
        let sound = bytes[..cut].iter().rposition(|b| *b == b'\n').map_or(0, |n| n + 1);
        let tail = &bytes[sound..cut];

        if lines == 0 {
            assert!(matches!(read_in(&disk, dir), Err(JournalError::Empty(_))), "cut {cut}");
            let opened = Journal::open_to_append_in(&disk, dir, clock());
            assert!(matches!(opened, Err(JournalError::Empty(_))), "cut {cut}");
            assert_eq!(content(), &bytes[..cut], "cut {cut}");
            drop(Journal::create_in(&disk, dir, header(), clock()).unwrap());
            assert_eq!(said(&read_in(&disk, dir).unwrap()), said(&whole)[..1], "cut {cut}");
        } else {
            let seen = read_in(&disk, dir).unwrap();
            assert_eq!(seen.lines, whole.lines[..lines], "cut {cut}");
            assert_eq!(seen.torn.as_ref().map_or(&[][..], |t| &t.bytes), tail, "cut {cut}");
            assert_eq!(content(), &bytes[..cut], "reading wrote, cut {cut}");

            let mut opened = Journal::open_to_append_in(&disk, dir, clock()).unwrap();
            assert_eq!(opened.read.lines, whole.lines[..lines], "cut {cut}");
            assert_eq!(content(), &bytes[..sound], "cut {cut}");
            let ms = opened.resumed.at_ms();
            let seq = opened.journal.append(ms, &phrase("after")).unwrap();
            assert_eq!(seq, lines as u64 + 1, "cut {cut}");
            let after = read_in(&disk, dir).unwrap();
            assert_eq!((after.lines.len(), after.torn), (lines + 1, None), "cut {cut}");
            let kept = opened.read.torn.and_then(|torn| torn.kept);
            let expected = (!tail.is_empty()).then(|| dir.join("journal.torn-1"));
            assert_eq!(kept, expected, "cut {cut}");
        }
        let others: Vec<_> = disk.files().into_iter().filter(|(p, _)| *p != path).collect();
        match tail.is_empty() {
            true => assert_eq!(others, [], "cut {cut}"),
            false => {
                assert_eq!(others, [(dir.join("journal.torn-1"), tail.to_vec())], "cut {cut}");
            }
        }
    }
}

#[test]
fn a_changed_byte_before_the_last_line_is_found_and_its_line_named() {
    let temp = temp();
    let dir = temp.path().join("exam");
    small(&dir);
    let bytes = fs::read(dir.join("journal.jsonl")).unwrap();
    let last = bytes[..bytes.len() - 1].iter().rposition(|b| *b == b'\n').unwrap();
    let mut failures = vec![];
    for at in 0..=last {
        let line = bytes[..at].iter().filter(|b| **b == b'\n').count() + 1;
        // Single bits, which disks flip, and bytes that mean something to JSON or to lines.
        let bits = (0..8).map(|bit| bytes[at] ^ (1 << bit));
        let telling = [b'\n', b'\r', b' ', b'0', b'9', b'"', b'}', 0].into_iter();
        for new in bits.chain(telling).filter(|new| *new != bytes[at]) {
            let mut changed = bytes.clone();
            changed[at] = new;
            let disk = MemDisk::default();
            disk.put(&Path::new(DIR).join("journal.jsonl"), &changed);
            match read_in(&disk, Path::new(DIR)) {
                Err(JournalError::Damage(p) | JournalError::Newer(p)) if p.line == line => {}
                other => failures.push(format!("byte {at} of line {line} as {new}: {other:?}")),
            }
        }
    }
    assert!(failures.is_empty(), "{} of them:\n{}", failures.len(), failures[0]);
}

#[test]
fn a_damaged_journal_is_neither_opened_nor_changed_nor_written_over() {
    let temp = temp();
    let dir = temp.path().join("exam");
    small(&dir);
    let path = dir.join("journal.jsonl");
    let damaged = fs::read_to_string(&path).unwrap().replacen("heard", "hoard", 1);
    fs::write(&path, &damaged).unwrap();
    assert!(matches!(Journal::open_to_append(&dir, clock()), Err(JournalError::Damage(_))));
    assert!(matches!(Journal::create(&dir, header(), clock()), Err(JournalError::Exists(_))));
    assert_eq!(fs::read_to_string(&path).unwrap(), damaged);
    assert_eq!(fs::read_dir(&dir).unwrap().count(), 1);
}

#[test]
fn a_tail_of_zeros_or_half_a_character_is_torn() {
    let temp = temp();
    let dir = temp.path().join("exam");
    let whole = small(&dir);
    let path = dir.join("journal.jsonl");
    let bytes = fs::read(&path).unwrap();
    let entire_then_zeros = {
        let mut line = whole.lines.last().unwrap().raw.clone().into_bytes();
        line.extend([0; 16]);
        line
    };
    let tails: [(&[u8], TornWhy); 5] = [
        (&[0; 512], TornWhy::NoNewline),
        (&entire_then_zeros, TornWhy::NoNewline),
        (b"{\"seq\":14,\"text\":\"\xc3", TornWhy::NoNewline),
        (b"{\"seq\":14,\"text\":\"\xc3\"}\n", TornWhy::NotUtf8),
        (b"{\"seq\":14,\"te\0\0\0\0\n", TornWhy::NotJson),
    ];
    for (n, (tail, why)) in tails.into_iter().enumerate() {
        let mut torn = bytes.clone();
        torn.extend(tail);
        fs::write(&path, &torn).unwrap();
        let seen = read(&dir).unwrap();
        assert_eq!(seen.lines, whole.lines);
        assert_eq!(seen.torn.unwrap().why, why);
        drop(Journal::open_to_append(&dir, clock()).unwrap());
        assert_eq!(fs::read(&path).unwrap(), bytes);
        assert_eq!(fs::read(dir.join(format!("journal.torn-{}", n + 1))).unwrap(), tail);
    }
}

#[test]
fn a_torn_tail_says_where_it_is_kept() {
    let temp = temp();
    let dir = temp.path().join("exam");
    small(&dir);
    let path = dir.join("journal.jsonl");
    let mut bytes = fs::read(&path).unwrap();
    bytes.extend(b"{\"seq\":14");
    fs::write(&path, &bytes).unwrap();
    let told =
        "line 14 was being written when writing stopped: it does not end in a newline (9 bytes)";
    assert_eq!(read(&dir).unwrap().torn.unwrap().to_string(), told);
    let torn = Journal::open_to_append(&dir, clock()).unwrap().read.torn.unwrap();
    let kept = dir.join("journal.torn-1");
    assert_eq!(torn.to_string(), format!("{told}; the bytes are kept in {}", kept.display()));
}

/// Each folder holds a broken journal and the whole text of its error.
#[test]
fn broken_journals_are_answered_with_the_whole_text_expected() {
    let root = Path::new("tests/bad/journal");
    let mut cases: Vec<PathBuf> =
        fs::read_dir(root).unwrap().map(|e| e.unwrap().path()).filter(|p| p.is_dir()).collect();
    cases.sort();
    assert!(cases.len() >= 12, "{} cases", cases.len());
    let mut failures = vec![];
    for case in &cases {
        let expected = fs::read_to_string(case.join("expected.txt")).unwrap_or_default();
        let found = match read(case) {
            Ok(found) => format!("read without error: {:?}", found.torn),
            Err(e) => format!("{}\n", e.problem()),
        };
        if found != expected {
            failures.push(format!("== {}\n{found}-- expected\n{expected}", case.display()));
        }
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

// --- failing disks ------------------------------------------------------------------------------

const DIR: &str = "exam";

/// What a run on a failing disk was told: which entries were confirmed, which one was in flight.
#[derive(Debug, Default)]
struct Told {
    confirmed: Vec<Entry>,
    in_flight: Option<Entry>,
}

/// Creates, appends, closes, opens again, appends; stops at the first failure, as a process would.
fn live(disk: &dyn Storage) -> Told {
    let mut told = Told::default();
    let dir = Path::new(DIR);
    let first = Entry::Header(Box::new(header()));
    let Ok(mut journal) = Journal::create_in(disk, dir, header(), clock()) else {
        told.in_flight = Some(first);
        return told;
    };
    told.confirmed.push(first);
    for n in 0..6 {
        if n == 3 {
            drop(journal);
            match Journal::open_to_append_in(disk, dir, clock()) {
                Ok(opened) => journal = opened.journal,
                Err(_) => return told,
            }
        }
        let entry = phrase(&format!("phrase {n}"));
        match journal.append_now(&entry) {
            Ok(_) => told.confirmed.push(entry),
            Err(_) => {
                told.in_flight = Some(entry.clone());
                // A disk that works again does not make the handle work again.
                let again = journal.append_now(&entry);
                assert!(matches!(again, Err(JournalError::Closed(_))), "{again:?}");
                return told;
            }
        }
    }
    told
}

/// The reference model: all that was confirmed, then perhaps the one in flight, and nothing else.
fn agrees(told: &Told, found: &[Entry]) -> bool {
    let mut with_one_more = told.confirmed.clone();
    with_one_more.extend(told.in_flight.clone());
    found == told.confirmed || found == with_one_more
}

/// Opens after the failure, appends, and compares with the model.
fn reopen_and_compare(disk: &MemDisk, told: &Told, what: &str) {
    let dir = Path::new(DIR);
    if told.confirmed.is_empty() {
        match Journal::create_in(disk, dir, header(), clock()) {
            Ok(_) | Err(JournalError::Exists(_)) => {}
            Err(e) => panic!("{what}: {e}"),
        }
    }
    let before = read_in(disk, dir).unwrap_or_else(|e| panic!("{what}: {e}"));
    if told.confirmed.is_empty() {
        assert_eq!(said(&before), [Entry::Header(Box::new(header()))], "{what}");
    } else {
        assert!(agrees(told, &said(&before)), "{what}: {told:?}\n{before:?}");
    }
    let mut opened =
        Journal::open_to_append_in(disk, dir, clock()).unwrap_or_else(|e| panic!("{what}: {e}"));
    assert_eq!(opened.read.lines, before.lines, "{what}");
    let ms = opened.resumed.at_ms();
    opened.journal.append(ms, &phrase("afterwards")).unwrap();
    drop(opened);
    let after = read_in(disk, dir).unwrap();
    assert_eq!(after.torn, None, "{what}");
    assert_eq!(after.lines[..before.lines.len()], before.lines, "{what}");
    assert_eq!(after.lines.last().unwrap().entry, phrase("afterwards"), "{what}");
}

#[test]
fn whichever_operation_fails_every_confirmed_entry_is_there_afterwards() {
    let sound = MemDisk::default();
    assert_eq!(live(&sound).confirmed.len(), 7);
    let operations = sound.operations();
    assert!(operations > 20, "{operations}");
    for n in 0..operations {
        let disk = MemDisk::default();
        disk.fail_at(n, Failure::Once);
        let told = live(&disk);
        reopen_and_compare(&disk, &told, &format!("operation {n} failed once"));
    }
}

#[test]
fn wherever_power_is_cut_every_confirmed_entry_survives() {
    let sound = MemDisk::default();
    live(&sound);
    for survives in [Survives::Nothing, Survives::HalfOfEachFile, Survives::Everything] {
        for n in 0..=sound.operations() {
            let disk = MemDisk::default();
            disk.fail_at(n, Failure::FromThenOn);
            let told = live(&disk);
            let disk = disk.after_power_cut(survives);
            let what = format!("power cut at operation {n}, {survives:?}");
            reopen_and_compare(&disk, &told, &what);
        }
    }
}

/// A process may die between writing a line and syncing it. Whoever opens the journal afterwards
/// sees the line and acts on it, so from then on it must survive.
#[test]
fn a_line_seen_on_opening_survives_power_cut_though_its_writer_never_synced_it() {
    let dir = Path::new(DIR);
    let disk = MemDisk::default();
    let mut journal = Journal::create_in(&disk, dir, header(), clock()).unwrap();
    // Operation 0 from here is the write, operation 1 the sync.
    disk.fail_at(1, Failure::Once);
    assert!(matches!(journal.append_now(&phrase("x")), Err(JournalError::Io { .. })));
    drop(journal);
    assert_eq!(read_in(&disk.after_power_cut(Survives::Nothing), dir).unwrap().lines.len(), 1);
    let opened = Journal::open_to_append_in(&disk, dir, clock()).unwrap();
    assert_eq!(opened.read.lines.len(), 2);
    let disk = disk.after_power_cut(Survives::Nothing);
    assert_eq!(read_in(&disk, dir).unwrap().lines, opened.read.lines);
}

#[test]
fn wherever_setting_a_torn_tail_aside_fails_its_bytes_are_somewhere() {
    let temp = temp();
    let dir = temp.path().join("exam");
    let whole = small(&dir);
    let mut bytes = fs::read(dir.join("journal.jsonl")).unwrap();
    let sound = bytes.len();
    let tail = b"{\"seq\":14,\"exam_ms\":99";
    bytes.extend(tail);
    let path = Path::new(DIR).join("journal.jsonl");

    let count = MemDisk::default();
    count.put(&path, &bytes);
    drop(Journal::open_to_append_in(&count, Path::new(DIR), clock()).unwrap());
    for failure in [Failure::Once, Failure::FromThenOn] {
        for survives in [Survives::Nothing, Survives::HalfOfEachFile, Survives::Everything] {
            for n in 0..count.operations() {
                let what = format!("operation {n}, {failure:?}, {survives:?}");
                let disk = MemDisk::default();
                disk.put(&path, &bytes);
                disk.fail_at(n, failure);
                let opened = Journal::open_to_append_in(&disk, Path::new(DIR), clock());
                assert!(opened.is_err(), "{what}");
                drop(opened);
                let disk = disk.after_power_cut(survives);
                let kept = |disk: &MemDisk| {
                    disk.files().iter().any(|(p, content)| {
                        let torn = p.to_string_lossy().contains("journal.torn-");
                        (torn && content == tail) || (*p == path && *content == bytes)
                    })
                };
                assert!(kept(&disk), "{what}: {:?}", disk.files());
                let opened = Journal::open_to_append_in(&disk, Path::new(DIR), clock())
                    .unwrap_or_else(|e| panic!("{what}: {e}"));
                assert_eq!(opened.read.lines, whole.lines, "{what}");
                assert!(kept(&disk), "{what}: {:?}", disk.files());
                let content = disk.read(&path).unwrap();
                assert_eq!(content, &bytes[..sound], "{what}");
            }
        }
    }
}

// --- one writer, private files --------------------------------------------------------------------

#[test]
fn a_second_writer_is_refused_and_readers_are_not() {
    let temp = temp();
    let dir = temp.path().join("exam");
    let mut first = Journal::create(&dir, header(), clock()).unwrap();
    let second = Journal::open_to_append(&dir, clock()).unwrap_err();
    assert!(matches!(second, JournalError::Locked(_)));
    assert_eq!(
        second.to_string(),
        format!(
            "{}: another program is writing this journal\n  help: end it first; reading is possible meanwhile",
            dir.join("journal.jsonl").display()
        )
    );
    assert!(matches!(Journal::create(&dir, header(), clock()), Err(JournalError::Locked(_))));
    first.append_now(&phrase("words")).unwrap();
    assert_eq!(read(&dir).unwrap().lines.len(), 2);
    drop(first);
    assert_eq!(Journal::open_to_append(&dir, clock()).unwrap().read.lines.len(), 2);
    assert!(matches!(Journal::create(&dir, header(), clock()), Err(JournalError::Exists(_))));
}

#[cfg(unix)]
#[test]
fn folder_and_files_are_for_their_owner_alone() {
    use std::os::unix::fs::PermissionsExt;
    let temp = temp();
    let dir = temp.path().join("exam");
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    drop(Journal::create(&dir, header(), clock()).unwrap());
    let path = dir.join("journal.jsonl");
    assert_eq!((mode(&dir), mode(&path)), (0o700, 0o600));
    let mut bytes = fs::read(&path).unwrap();
    bytes.extend(b"{");
    fs::write(&path, bytes).unwrap();
    drop(Journal::open_to_append(&dir, clock()).unwrap());
    assert_eq!(mode(&dir.join("journal.torn-1")), 0o600);
}

#[test]
fn a_missing_journal_and_a_folder_in_its_place_are_said() {
    let temp = temp();
    let dir = temp.path().join("exam");
    assert!(matches!(read(&dir), Err(JournalError::Missing(_))));
    assert!(matches!(Journal::open_to_append(&dir, clock()), Err(JournalError::Missing(_))));
    let nowhere = temp.path().join("no/exam");
    assert!(matches!(Journal::create(nowhere, header(), clock()), Err(JournalError::Io { .. })));
    fs::create_dir_all(dir.join("journal.jsonl")).unwrap();
    assert!(matches!(read(&dir), Err(JournalError::Io { .. })));
    assert!(matches!(Journal::open_to_append(&dir, clock()), Err(JournalError::Io { .. })));
}

// --- refusals -------------------------------------------------------------------------------------

#[test]
fn an_entry_that_breaks_a_rule_is_refused_and_the_journal_goes_on() {
    let temp = temp();
    let dir = temp.path().join("exam");
    let mut journal = Journal::create(&dir, header(), clock()).unwrap();
    journal.append(100, &phrase("words")).unwrap();
    let before = fs::read(journal.path()).unwrap();
    let not_finite = |score| {
        let Entry::Phrase(mut p) = phrase("x") else { unreachable!() };
        p.alternatives.push(Alternative { text: "y".into(), score });
        Entry::Phrase(p)
    };
    let cases = [
        (99, phrase("late"), "exam time goes back from 100 ms in the entry before to 99 ms"),
        (100, not_finite(f64::NAN), "the score is NaN"),
        (100, not_finite(f64::NEG_INFINITY), "the score is -inf"),
        (100, Entry::Header(Box::new(header())), "a second header"),
        (
            100,
            Entry::Echo(Echo { phrase: 3, text: "?".into() }),
            "the echo names entry 3, which is no phrase before this entry",
        ),
        (
            100,
            Entry::HeaderChange(Box::new(HeaderChange {
                started: Some("+12031-04-05T09:26:53+02:00".parse().unwrap()),
                who: "AB".into(),
                ..HeaderChange::default()
            })),
            "is not a time with its offset",
        ),
        (
            100,
            Entry::HeaderChange(Box::new(HeaderChange {
                born: Some(Some(wall().with_timezone(&FixedOffset::east_opt(1).unwrap()))),
                who: "AB".into(),
                ..HeaderChange::default()
            })),
            "would read back otherwise than it was given",
        ),
    ];
    for (ms, entry, expected) in cases {
        let error = journal.append(ms, &entry).unwrap_err();
        assert!(matches!(error, JournalError::Refused(_)), "{error:?}");
        assert!(error.to_string().contains(expected), "{error}");
        assert_eq!(fs::read(journal.path()).unwrap(), before);
    }
    assert_eq!(journal.append(100, &phrase("more")).unwrap(), 3);
}

#[test]
fn a_header_that_breaks_a_rule_makes_no_folder() {
    let temp = temp();
    let dir = temp.path().join("exam");
    let header = Header { schema: 7, ..header() };
    assert!(matches!(Journal::create(&dir, header, clock()), Err(JournalError::Refused(_))));
    assert!(!dir.exists());
}

#[test]
fn gestational_ages_are_read_or_answered_with_what_would_be_right() {
    for (text, days) in [("20+0", 140), ("39+2", 275), ("45+6", 321)] {
        let ga: Ga = text.parse().unwrap();
        assert_eq!((ga.total_days(), ga.to_string()), (days, text.to_owned()));
    }
    let form = "write completed weeks, a plus sign and days, such as 39+2";
    let cases = [
        (
            "39",
            format!(
                r#"gestational age "39" has no plus sign: {form} (39 weeks and no days is 39+0)"#
            ),
        ),
        ("392", format!(r#"gestational age "392" has no plus sign: {form}"#)),
        ("", format!(r#"gestational age "" has no plus sign: {form}"#)),
        ("39+7", "gestational age 39+7: days run from 0 to 6 (39+7 would be 40+0)".to_owned()),
        ("45+9", "gestational age 45+9: days run from 0 to 6".to_owned()),
        ("19+6", "gestational age 19+6: weeks run from 20 to 45".to_owned()),
        ("46+0", "gestational age 46+0: weeks run from 20 to 45".to_owned()),
        ("+2", format!(r#"gestational age "+2": the weeks "" are not a plain number: {form}"#)),
        (
            "39++2",
            format!(r#"gestational age "39++2": the days "+2" are not a plain number: {form}"#),
        ),
        (
            "39 +2",
            format!(r#"gestational age "39 +2": the weeks "39 " are not a plain number: {form}"#),
        ),
        (
            "٣٩+2",
            format!(r#"gestational age "٣٩+2": the weeks "٣٩" are not a plain number: {form}"#),
        ),
        (
            "39+99999999999",
            format!(
                r#"gestational age "39+99999999999": the days "99999999999" are not a plain number: {form}"#
            ),
        ),
    ];
    for (text, expected) in cases {
        assert_eq!(text.parse::<Ga>().unwrap_err(), expected);
    }
}

#[test]
fn generated_exam_codes_are_codes_and_differ() {
    let codes: BTreeSet<ExamCode> = (0..50).map(|_| ExamCode::generate(wall())).collect();
    assert_eq!(codes.len(), 50);
    for code in codes {
        assert!(code.as_str().starts_with("20310405-092653-"), "{code}");
        assert_eq!(code.as_str().parse::<ExamCode>().unwrap(), code);
    }
    for bad in ["", "-a", "a b", "a/b", "..", "ä", &"a".repeat(41)] {
        let told = bad.parse::<ExamCode>().unwrap_err();
        assert!(told.contains("such as NEO-0417"), "{told}");
    }
}

// --- clocks ---------------------------------------------------------------------------------------

#[test]
fn an_exam_taken_up_again_goes_on_by_the_wall_clock_when_it_can_be_believed() {
    let day = 24 * 3_600_000;
    let cases = [
        (0, Resumed::WallElapsed { at_ms: 5000, away_ms: 0 }),
        (90_000, Resumed::WallElapsed { at_ms: 95_000, away_ms: 90_000 }),
        (day - 1, Resumed::WallElapsed { at_ms: 5000 + 86_399_999, away_ms: 86_399_999 }),
        (day, Resumed::TooLong { at_ms: 5000, away_ms: 86_400_000 }),
        (-1, Resumed::WallWentBack { at_ms: 5000, back_ms: 1 }),
    ];
    for (away, expected) in cases {
        let temp = temp();
        let dir = temp.path().join("exam");
        let first = clock();
        let mut journal = Journal::create(&dir, header(), first.clone()).unwrap();
        first.advance(5000);
        journal.append_now(&phrase("words")).unwrap();
        drop(journal);

        let later = first.wall() + TimeDelta::milliseconds(away);
        let second = Arc::new(ManualClock::new(777, later));
        let mut opened = Journal::open_to_append(&dir, second.clone()).unwrap();
        assert_eq!(opened.resumed, expected);
        let exam = opened.journal.clock();
        assert_eq!(exam.exam_ms(), expected.at_ms());
        second.advance(250);
        assert_eq!(exam.exam_ms(), expected.at_ms() + 250);
        opened.journal.append_now(&Entry::Resume(Resume { clock: Some(expected) })).unwrap();
        let found = read(&dir).unwrap();
        assert_eq!(found.lines[2].exam_ms, expected.at_ms() + 250);
        assert_eq!(found.lines[2].wall, later + TimeDelta::milliseconds(250));
    }
}

#[test]
fn wall_time_may_jump_while_exam_time_goes_on() {
    let temp = temp();
    let dir = temp.path().join("exam");
    let clock = clock();
    let mut journal = Journal::create(&dir, header(), clock.clone()).unwrap();
    clock.advance(1000);
    clock.set_wall(parse_wall("2031-04-05T02:00:00-05:00").unwrap());
    journal.append_now(&Entry::Pause).unwrap();
    let line = read(&dir).unwrap().lines.pop().unwrap();
    assert_eq!(line.exam_ms, 1000);
    assert!(line.raw.contains(r#""wall":"2031-04-05T02:00:00.000-05:00""#), "{}", line.raw);
}

#[test]
fn an_offset_with_seconds_keeps_the_instant_of_the_wall_time() {
    let odd = wall().with_timezone(&FixedOffset::west_opt(44 * 60 + 30).unwrap());
    let temp = temp();
    let dir = temp.path().join("exam");
    drop(Journal::create(&dir, header(), Arc::new(ManualClock::new(0, odd))).unwrap());
    let line = read(&dir).unwrap().lines.remove(0);
    assert_eq!(line.wall, wall());
    assert_eq!(line.wall.offset().local_minus_utc(), -45 * 60);
}

#[test]
fn the_system_clock_never_falls() {
    let clock = SystemClock::start();
    let first = clock.exam_ms();
    assert!(clock.exam_ms() >= first);
}

// --- round trip -----------------------------------------------------------------------------------

fn words() -> impl Strategy<Value = String> {
    prop_oneof![
        ".{0,12}",
        proptest::collection::vec(any::<char>(), 0..8).prop_map(String::from_iter)
    ]
}

fn named() -> impl Strategy<Value = String> {
    "[a-z\u{e9}\"\\\\\u{1}]{0,6}".prop_map(|s| format!("a{s}"))
}

fn maybe<T: std::fmt::Debug + Clone>(
    some: impl Strategy<Value = T> + Clone,
) -> impl Strategy<Value = Option<T>> + Clone {
    proptest::option::of(some)
}

fn finite() -> impl Strategy<Value = f64> + Clone {
    use proptest::num::f64::{NEGATIVE, NORMAL, POSITIVE, SUBNORMAL, ZERO};
    POSITIVE | NEGATIVE | NORMAL | SUBNORMAL | ZERO
}

/// A time to the nanosecond within four-digit years, at any whole-minute offset.
fn time() -> impl Strategy<Value = DateTime<FixedOffset>> + Clone {
    (-60_000_000_000_i64..250_000_000_000, 0..1_000_000_000_u32, -1439..=1439_i32).prop_map(
        |(seconds, nanos, minutes)| {
            DateTime::from_timestamp(seconds, nanos)
                .unwrap()
                .with_timezone(&FixedOffset::east_opt(minutes * 60).unwrap())
        },
    )
}

fn ga() -> impl Strategy<Value = Ga> + Clone {
    (20..=45_u32, 0..=6_u32).prop_map(|(w, d)| Ga::new(w, d).unwrap())
}

fn chosen() -> impl Strategy<Value = Chosen> {
    let texts = (named(), maybe("[a-z]{0,5}"), maybe("\\PC{0,5}"), maybe("[a-z]{0,3}"), named());
    (texts, maybe(finite()), maybe((finite(), finite()))).prop_map(
        |((item, side, value, unit, status), number, range)| Chosen {
            item,
            side,
            value,
            number,
            low: range.map(|(a, b)| a.min(b)),
            high: range.map(|(a, b)| a.max(b)),
            unit,
            status,
        },
    )
}

fn settlement() -> impl Strategy<Value = Entry> {
    let target = (Just(2_u64), any::<u32>()).prop_map(|(phrase, index)| Target { phrase, index });
    let decision = prop_oneof![
        chosen().prop_map(Decision::Choose),
        Just(Decision::NotAFinding),
        (chosen(), any::<u64>()).prop_map(|(chosen, at_ms)| Decision::Add { chosen, at_ms }),
        (named(), maybe("[a-z]{0,5}"), named())
            .prop_map(|(item, side, reason)| Decision::GapReason { item, side, reason }),
        Just(input()),
        Just(Decision::Undo { seq: 3 }),
    ];
    (named(), target, decision).prop_map(|(who, target, decision)| {
        Entry::Settlement(Settlement { who, target: Some(target), decision })
    })
}

fn header_change() -> impl Strategy<Value = Entry> {
    let sex = prop_oneof![Just(Sex::Female), Just(Sex::Male)];
    (named(), maybe(maybe(sex)), maybe(maybe(time())), maybe(maybe(ga())), maybe(time()), named())
        .prop_map(|(who, sex, born, ga, started, tool)| {
            Entry::HeaderChange(Box::new(HeaderChange {
                who,
                sex,
                born,
                ga,
                started,
                tool: Some(tool),
                by: Some(None),
                ..HeaderChange::default()
            }))
        })
}

fn spoken() -> impl Strategy<Value = Entry> {
    let source = prop_oneof![
        Just(Source::Voice),
        Just(Source::Wav),
        Just(Source::Keys),
        Just(Source::TimedText)
    ];
    let other = (words(), finite()).prop_map(|(text, score)| Alternative { text, score });
    let others = proptest::collection::vec(other, 0..3);
    (words(), any::<(u64, u64)>(), source, any::<Option<u32>>(), maybe("\\PC{0,6}"), others)
        .prop_map(|(text, (a, b), source, line, speaker, alternatives)| {
            let (start_ms, end_ms) = (a.min(b), a.max(b));
            Entry::Phrase(Phrase {
                text,
                start_ms,
                end_ms,
                source,
                line,
                speaker,
                alternatives,
                words: Vec::new(),
                certainty: None,
            })
        })
}

fn entry() -> impl Strategy<Value = Entry> {
    let mark = prop_oneof![
        Just(Mark::Start),
        Just(Mark::Stop),
        Just(Mark::GapInHearing),
        Just(Mark::OwnPlayback)
    ];
    let resumed = prop_oneof![
        any::<(u64, u64)>().prop_map(|(at_ms, away_ms)| Resumed::WallElapsed { at_ms, away_ms }),
        any::<(u64, u64)>().prop_map(|(at_ms, back_ms)| Resumed::WallWentBack { at_ms, back_ms }),
        any::<(u64, u64)>().prop_map(|(at_ms, away_ms)| Resumed::TooLong { at_ms, away_ms }),
    ];
    prop_oneof![
        spoken(),
        settlement(),
        header_change(),
        words().prop_map(|text| Entry::Echo(Echo { phrase: 2, text })),
        (words(), 0u32..40, 0u32..1000).prop_map(|(by, word, chance)| {
            let chance = chance as f32 / 1000.0;
            let (item, value, side) = ("suck".into(), "strong".into(), None);
            let mark = ReaderMark { word, item, value, side, chances: [chance, 1.0, 0.5] };
            Entry::Marks(Marks { phrase: 2, by, marks: vec![mark], aside: chance })
        }),
        (mark, maybe("[a-z]{1,5}/[a-z]{1,5}"), any::<(u64, u64)>()).prop_map(
            |(mark, file, (a, b))| Entry::AudioMark(AudioMark {
                mark,
                file,
                from_ms: a.min(b),
                to_ms: a.max(b)
            })
        ),
        maybe(resumed).prop_map(|clock| Entry::Resume(Resume { clock })),
        Just(Entry::Pause),
        Just(Entry::End),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_entry_reads_back_as_it_was_written(
        entries in proptest::collection::vec((entry(), any::<u32>()), 1..8)
    ) {
        let disk = MemDisk::default();
        let dir = Path::new(DIR);
        let mut journal = Journal::create_in(&disk, dir, header(), clock()).unwrap();
        let undone = Entry::Settlement(Settlement {
            who: "AB".into(),
            target: Some(Target { phrase: 2, index: 0 }),
            decision: Decision::NotAFinding,
        });
        // What references in the generated entries point at.
        journal.append(0, &phrase("two")).unwrap();
        journal.append(0, &undone).unwrap();
        let mut ms = 0_u64;
        for (entry, step) in &entries {
            ms += u64::from(*step);
            journal.append(ms, entry).unwrap();
        }
        let found = read_in(&disk, dir).unwrap();
        let wanted: Vec<Entry> = entries.iter().map(|(entry, _)| entry.clone()).collect();
        prop_assert_eq!(&said(&found)[3..], &wanted[..]);
        prop_assert_eq!(found.digest(), journal.digest());
        // Equality of times looks at the instant alone; the text shows the offset as well.
        for (line, (entry, _)) in found.lines[3..].iter().zip(&entries) {
            prop_assert_eq!(
                serde_json::to_string(&line.entry).unwrap(),
                serde_json::to_string(entry).unwrap()
            );
        }
    }
}
