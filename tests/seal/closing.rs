//! Locking and unlocking, stopped at every step: at every moment the folder or the locked file is whole.

use std::path::{Path, PathBuf};

use cotside::journal::Storage as _;
use cotside::seal::closed::{close_at, open};

use crate::fixture::{DIR, path, signed};
use crate::mem_disk::{Failure, MemDisk, Survives};

const PASS: &str = "four plain words here";
/// scrypt's least cost: nothing here depends on it.
const WORK: u8 = 1;
const HOW: [Failure; 2] = [Failure::Once, Failure::FromThenOn];
const SURVIVES: [Survives; 3] = [Survives::Nothing, Survives::HalfOfEachFile, Survives::Everything];

fn plain(disk: &MemDisk) -> Vec<(PathBuf, Vec<u8>)> {
    disk.files().into_iter().filter(|(p, _)| p.starts_with(DIR)).collect()
}

/// What a locked file holds; nothing when it is not there or not whole.
fn locked(disk: &MemDisk) -> Option<Vec<(PathBuf, Vec<u8>)>> {
    let bytes = disk.read(Path::new("e.age")).ok()?;
    let elsewhere = MemDisk::default();
    elsewhere.put(Path::new("e.age"), &bytes);
    open(&elsewhere, Path::new("e.age"), PASS).ok()?;
    Some(plain(&elsewhere))
}

#[test]
fn locking_stopped_at_any_step_loses_nothing_and_is_gone_on_with() {
    let whole = plain(&signed("DEMO-1"));
    assert!(whole.len() >= 6);
    let (mut steps, mut half) = (0, 0);
    for how in HOW {
        for n in 0.. {
            let disk = signed("DEMO-1");
            let before = disk.operations();
            disk.fail_at(n, how);
            let done = close_at(&disk, Path::new(DIR), PASS, WORK);
            if disk.operations() - before <= n {
                // Without the failure, which is still to come.
                let disk = disk.after_power_cut(Survives::Everything);
                assert!(done.is_ok() && plain(&disk).is_empty());
                assert_eq!(locked(&disk).unwrap(), whole);
                break;
            }
            steps += 1;
            for survives in SURVIVES {
                let after = disk.after_power_cut(survives);
                let what = format!("{how:?} at step {n}, {survives:?}");
                let there = plain(&after);
                let kept = there == whole || locked(&after).as_ref() == Some(&whole);
                assert!(kept, "{what}: neither is whole");
                half += usize::from(!there.is_empty() && there != whole);
                // Half a folder does not pass for an exam.
                if there != whole {
                    assert!(after.read(&path("journal.jsonl")).is_err(), "{what}");
                }
                if !there.is_empty() {
                    close_at(&after, Path::new(DIR), PASS, WORK)
                        .unwrap_or_else(|e| panic!("{what}: {e}"));
                }
                assert_eq!(plain(&after), vec![], "{what}");
                assert_eq!(locked(&after).as_ref(), Some(&whole), "{what}");
            }
        }
    }
    assert!(steps > 30 && half > 0, "{steps} {half}");
}

#[test]
fn unlocking_stopped_at_any_step_loses_nothing_and_is_gone_on_with() {
    let whole = plain(&signed("DEMO-1"));
    let mut half = 0;
    for how in HOW {
        for n in 0.. {
            let disk = signed("DEMO-1");
            close_at(&disk, Path::new(DIR), PASS, WORK).unwrap();
            let before = disk.operations();
            disk.fail_at(n, how);
            let done = open(&disk, Path::new("e.age"), PASS);
            if disk.operations() - before <= n {
                // Without the failure, which is still to come.
                let disk = disk.after_power_cut(Survives::Everything);
                assert!(done.is_ok() && plain(&disk) == whole);
                assert!(disk.read(Path::new("e.age")).is_err());
                break;
            }
            for survives in SURVIVES {
                let after = disk.after_power_cut(survives);
                let what = format!("{how:?} at step {n}, {survives:?}");
                let there = plain(&after);
                half += usize::from(!there.is_empty() && there != whole);
                match after.read(Path::new("e.age")) {
                    Ok(_) => {
                        assert_eq!(locked(&after).as_ref(), Some(&whole), "{what}");
                        open(&after, Path::new("e.age"), PASS)
                            .unwrap_or_else(|e| panic!("{what}: {e}"));
                    }
                    Err(_) => assert_eq!(there, whole, "{what}: neither is whole"),
                }
                assert_eq!(plain(&after), whole, "{what}");
            }
        }
    }
    assert!(half > 0);
}
