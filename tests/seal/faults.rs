//! The disk fails, or power is cut, at every step: the exam is signed or it is not, and never half.

use std::path::Path;

use cotside::journal::{FileDigest, Storage as _};
use cotside::seal::check::removed_audio;
use cotside::seal::sign;

use crate::fixture::{DIR, NOTE, add, path, report, sign as sign_it, signed, unsigned};
use crate::mem_disk::{Failure, MemDisk, Survives};

const HOW: [Failure; 2] = [Failure::Once, Failure::FromThenOn];
const SURVIVES: [Survives; 3] = [Survives::Nothing, Survives::HalfOfEachFile, Survives::Everything];

fn file(disk: &MemDisk, name: &str) -> Option<Vec<u8>> {
    disk.read(&path(name)).ok()
}

#[test]
fn signing_stopped_at_any_step_leaves_the_exam_signed_or_unsigned() {
    let (mut unsigned_seen, mut pending_seen, mut signed_seen) = (0, 0, 0);
    let mut steps = 0;
    for how in HOW {
        for n in 0.. {
            let disk = unsigned("DEMO-1");
            let before = disk.operations();
            disk.fail_at(n, how);
            let done = sign_it(&disk);
            if disk.operations() - before <= n {
                assert!(done.is_ok());
                break;
            }
            steps += 1;
            for survives in SURVIVES {
                let after = disk.after_power_cut(survives);
                let what = format!("{how:?} at step {n}, {survives:?}");
                let found = report(&after);
                assert_eq!(found.troubles, vec![], "{what}");
                if !found.signed {
                    assert!(done.is_err(), "{what}: it was said to be signed");
                    assert_eq!(file(&after, "audio/1.wav").unwrap(), b"RIFFxxxxWAVE", "{what}");
                    unsigned_seen += 1;
                    sign_it(&after).unwrap_or_else(|e| panic!("{what}: {e}"));
                } else {
                    signed_seen += 1;
                    pending_seen += usize::from(after.read(&path("seal.json")).is_err());
                    add(&after).unwrap_or_else(|e| panic!("{what}: {e}"));
                }
                // Whatever happened, it goes on to a whole exam with the note as it was signed.
                let whole = report(&after);
                assert!(whole.signed && whole.whole(), "{what}: {:?}", whole.troubles);
                assert_eq!(file(&after, "note.txt").unwrap(), NOTE.as_bytes(), "{what}");
                assert!(file(&after, "seal.json").is_some(), "{what}");
                assert_eq!(
                    file(&after, "note-before-signing-1.txt").unwrap(),
                    b"a note printed before",
                    "{what}"
                );
            }
        }
    }
    assert!(steps > 20, "{steps}");
    assert!(unsigned_seen > 20 && signed_seen > 5 && pending_seen > 0);
}

#[test]
fn an_addendum_stopped_at_any_step_is_there_or_not_and_takes_nothing_away() {
    let (mut one, mut two) = (0, 0);
    for how in HOW {
        for n in 0.. {
            let disk = unsigned("DEMO-1");
            sign_it(&disk).unwrap();
            let before = disk.operations();
            disk.fail_at(n, how);
            let done = add(&disk);
            if disk.operations() - before <= n {
                assert!(done.is_ok());
                break;
            }
            for survives in SURVIVES {
                let after = disk.after_power_cut(survives);
                let what = format!("{how:?} at step {n}, {survives:?}");
                let found = report(&after);
                assert_eq!(found.troubles, vec![], "{what}");
                assert!(found.signed, "{what}");
                match found.seals.len() {
                    1 => {
                        assert!(done.is_err(), "{what}: it was said to be added");
                        one += 1;
                    }
                    k => {
                        assert_eq!(k, 2, "{what}");
                        two += 1;
                    }
                }
                let k = found.seals.len();
                add(&after).unwrap_or_else(|e| panic!("{what}: {e}"));
                let whole = report(&after);
                assert!(whole.whole(), "{what}: {:?}", whole.troubles);
                assert_eq!(whole.seals.len(), k + 1, "{what}");
            }
        }
    }
    assert!(one > 10 && two > 3, "{one} {two}");
}

#[test]
fn sound_that_was_to_go_and_is_still_there_is_said_and_removed_later() {
    let mut left = 0;
    for n in 0.. {
        let disk = unsigned("DEMO-1");
        let before = disk.operations();
        disk.fail_at(n, Failure::Once);
        let done = sign_it(&disk);
        if disk.operations() - before <= n {
            assert!(done.is_ok() && file(&disk, "audio/1.wav").is_none());
            break;
        }
        let found = report(&disk);
        let there = file(&disk, "audio/1.wav").is_some();
        if found.signed && there {
            left += 1;
            assert!(found.notices.iter().any(|n| n.contains("audio/1.wav is to be removed")));
            let read = cotside::journal::read_in(&disk, Path::new(DIR)).unwrap();
            let files: Vec<FileDigest> = removed_audio(&read);
            sign::remove(&disk, Path::new(DIR), &files).unwrap();
            assert!(file(&disk, "audio/1.wav").is_none());
            assert!(report(&disk).whole());
        }
    }
    assert!(left > 0);
}

#[test]
fn a_clock_that_went_back_is_recorded_in_what_is_signed() {
    let disk = unsigned("DEMO-1");
    let done = crate::fixture::sign_at(&disk, -30, 7, NOTE, false).unwrap();
    // The clock shows 30 minutes before the start, and the last entry stands at the start.
    assert_eq!(done.clock_back_ms, Some(30 * 60_000));
    let read = cotside::journal::read_in(&disk, Path::new(DIR)).unwrap();
    assert_eq!(read.signing().unwrap().1.clock_back_ms, Some(30 * 60_000));
    let words = cotside::seal::words::under_note(&read, &report(&disk).seals, None);
    assert!(words.contains("The clock of the machine stood 30 min before"), "{words}");
    // Nor does an addendum get an earlier time in silence.
    let done = crate::fixture::add_at(&disk, -90, "text").unwrap();
    assert_eq!(done.clock_back_ms, Some(60 * 60_000));
    assert!(report(&disk).whole());
}

#[test]
fn nothing_unsigned_follows_a_signing_in_the_journal() {
    use cotside::journal::{Decision, Entry, Settlement};
    let disk = signed("DEMO-1");
    let mut taken = crate::fixture::taken(&disk, 90).unwrap();
    let settlement = Settlement {
        who: "KT".into(),
        target: None,
        decision: Decision::GapReason { item: "gag".into(), side: None, reason: "fed".into() },
    };
    for entry in [Entry::Settlement(settlement), Entry::End, Entry::Pause] {
        let refused = taken.journal.append_now(&entry).unwrap_err();
        assert!(refused.to_string().contains("behind the signing in entry 6"), "{refused}");
    }
    drop(taken);
    assert!(report(&disk).whole());
}
