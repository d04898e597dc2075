//! Tampering: whatever is done to a signed exam folder is found, and what was done it to is named.

use std::path::{Path, PathBuf};

use cotside::journal::Digest;
use cotside::seal::check::{Against, Kind, Report, check};
use cotside::seal::keys::PublicKey;
use serde_json::Value;

use crate::fixture::{
    DIR, NOTE, add_at, content, disk_of, key, path, report, sign_at, signed, unsigned, with,
};
use crate::mem_disk::MemDisk;

type Files = Vec<(PathBuf, Vec<u8>)>;

fn name(path: &Path) -> String {
    path.strip_prefix(DIR).unwrap().to_str().unwrap().replace('\\', "/")
}

/// Every trouble as `kind: file, entry`.
fn told(report: &Report) -> Vec<String> {
    report
        .troubles
        .iter()
        .map(|t| match t.entry {
            Some(n) => format!("{}: {}, {n}", t.kind, t.file),
            None => format!("{}: {}", t.kind, t.file),
        })
        .collect()
}

#[test]
fn every_flipped_byte_of_every_file_is_found_and_named() {
    let files: Files = signed("DEMO-1").files();
    let names: Vec<String> = files.iter().map(|(p, _)| name(p)).collect();
    assert_eq!(
        names,
        [
            "audio/1.wav",
            "journal.jsonl",
            "note-before-signing-1.txt",
            "note.txt",
            "remark.txt",
            "seal.json"
        ]
    );
    for (path, whole) in &files {
        let file = name(path);
        for at in 0..whole.len() {
            for mask in [0x01, 0x08, 0x80] {
                let mut bytes = whole.clone();
                bytes[at] ^= mask;
                let what = format!(
                    "{file}, byte {at}, {:?} to {:?}",
                    whole[at] as char, bytes[at] as char
                );
                let tampered = with(&files, &file, Some(bytes));
                // A header that says it is of a later version is refused as such, with the file's name.
                let found = match check(&tampered, Path::new(DIR), &Against::default()) {
                    Ok(found) => found,
                    Err(e) => {
                        assert!(e.problem().file.contains(&file), "{what}: {e}");
                        assert!(e.to_string().contains("later version"), "{what}: {e}");
                        continue;
                    }
                };
                assert!(!found.whole(), "{what} passed");
                let named = found.troubles.iter().find(|t| t.file == file);
                let named = named.unwrap_or_else(|| panic!("{what}: {:?}", found.troubles));
                if file == "journal.jsonl" {
                    let line = 1 + whole[..at].iter().filter(|b| **b == b'\n').count() as u64;
                    let next = if whole[at] == b'\n' { line + 1 } else { line };
                    let entry = named.entry.unwrap_or(0);
                    assert!((line..=next).contains(&entry), "{what}: entry {line}, told {entry}");
                }
            }
        }
    }
}

/// Calls `act` with the value and each way to change one leaf of it.
fn each_leaf(value: &Value, act: &mut dyn FnMut(&str, Value)) {
    fn paths(v: &Value, at: String, out: &mut Vec<String>) {
        match v {
            Value::Object(map) if !map.is_empty() => {
                map.iter().for_each(|(k, v)| paths(v, format!("{at}/{k}"), out));
            }
            Value::Array(list) if !list.is_empty() => {
                list.iter().enumerate().for_each(|(k, v)| paths(v, format!("{at}/{k}"), out));
            }
            _ => out.push(at),
        }
    }
    let mut all = Vec::new();
    paths(value, String::new(), &mut all);
    for path in all {
        let mut changed = value.clone();
        let leaf = changed.pointer_mut(&path).unwrap();
        *leaf = match leaf {
            Value::String(s) => {
                // Another digit, letter or character, so that the form stays right.
                let mut chars: Vec<char> = s.chars().collect();
                let k = chars.len() / 2;
                match chars.get_mut(k) {
                    Some(c) => {
                        *c = if *c == '1' {
                            '2'
                        } else if c.is_ascii_digit() {
                            '1'
                        } else if *c == 'a' {
                            'b'
                        } else {
                            'a'
                        }
                    }
                    None => chars.push('a'),
                }
                chars.into_iter().collect::<String>().into()
            }
            Value::Number(n) => (n.as_u64().unwrap() + 1).into(),
            Value::Bool(b) => (!*b).into(),
            Value::Null => "a".into(),
            Value::Array(_) => {
                serde_json::json!([{"file": "x", "sha256": Digest::ZERO, "bytes": 0}])
            }
            Value::Object(_) => unreachable!("an empty object is nowhere"),
        };
        act(&path, changed);
    }
}

#[test]
fn every_field_of_the_seal_is_covered() {
    let files: Files = signed("DEMO-1").files();
    let seal: Value = serde_json::from_slice(&content(&files, "seal.json")).unwrap();
    let mut fields = 0;
    each_leaf(&seal, &mut |at, changed| {
        fields += 1;
        let text = format!("{changed:#}\n");
        let found = report(&with(&files, "seal.json", Some(text.into_bytes())));
        assert!(!found.whole(), "{at} passed");
        assert!(found.troubles.iter().any(|t| t.file == "seal.json"), "{at}: {:?}", found.troubles);
    });
    assert!(fields > 40, "{fields}");
    // The same content spelt otherwise is not the same file.
    let compact = serde_json::to_vec(&seal).unwrap();
    assert_eq!(told(&report(&with(&files, "seal.json", Some(compact)))), ["damaged: seal.json"]);
}

fn lines(files: &Files) -> Vec<String> {
    let text = String::from_utf8(content(files, "journal.jsonl")).unwrap();
    text.lines().map(str::to_owned).collect()
}

fn with_lines(files: &Files, lines: &[String]) -> MemDisk {
    let text: String = lines.iter().map(|l| format!("{l}\n")).collect();
    with(files, "journal.jsonl", Some(text.into_bytes()))
}

/// The lines numbered and chained anew, as somebody who knows how would.
fn chained(lines: &[String]) -> Vec<String> {
    let mut prev = Digest::ZERO;
    lines
        .iter()
        .enumerate()
        .map(|(k, line)| {
            let mut v: Value = serde_json::from_str(line).unwrap();
            v["seq"] = (k + 1).into();
            v["prev"] = prev.to_string().into();
            let line = v.to_string();
            prev = Digest::of(line.as_bytes());
            line
        })
        .collect()
}

#[test]
fn every_field_of_every_entry_is_covered_also_when_the_chain_is_written_anew() {
    let files: Files = signed("DEMO-1").files();
    let whole = lines(&files);
    assert_eq!(chained(&whole), whole, "the test chains as the program does");
    let (mut fields, mut refused) = (0, 0);
    for (k, line) in whole.iter().enumerate() {
        let n = k as u64 + 1;
        each_leaf(&serde_json::from_str(line).unwrap(), &mut |at, changed| {
            for anew in [false, true] {
                let mut new = whole.clone();
                new[k] = changed.to_string();
                // Number and digest of the line before are what writing anew puts right again.
                if anew && ["/seq", "/prev"].contains(&at) {
                    continue;
                }
                if anew {
                    new = chained(&new);
                }
                fields += 1;
                match check(&with_lines(&files, &new), Path::new(DIR), &Against::default()) {
                    Ok(found) => {
                        assert!(!found.whole(), "{n}{at} passed");
                        let told = found.troubles.iter().any(|t| {
                            (t.file == "journal.jsonl" && t.entry == Some(n))
                                // Of another exam: then the seal is not this exam's.
                                || (at == "/code" && t.file == "seal.json")
                        });
                        assert!(told, "{n}{at}, anew {anew}: {:?}", found.troubles);
                    }
                    // The header's schema alone.
                    Err(e) => {
                        assert_eq!((n, at), (1, "/schema"), "{e}");
                        refused += 1;
                    }
                }
            }
        });
    }
    assert!(fields > 100 && refused == 2, "{fields} {refused}");
}

#[test]
fn entries_reordered_left_out_doubled_or_put_in_are_found_at_their_place() {
    let files: Files = signed("DEMO-1").files();
    let whole = lines(&files);
    let n = whole.len();
    for anew in [false, true] {
        let shown = |mut new: Vec<String>| {
            if anew {
                new = chained(&new);
            }
            told(&report(&with_lines(&files, &new)))
        };
        let expect = |found: Vec<String>, entry: usize, what: &str| {
            let right = found.iter().any(|t| t.ends_with(&format!("journal.jsonl, {entry}")));
            assert!(right, "{what}, anew {anew}: {found:?}");
        };
        let mut new = whole.clone();
        new.swap(2, 3);
        expect(shown(new), 3, "two entries change places");
        let mut new = whole.clone();
        new.remove(2);
        expect(shown(new), 3, "one is left out");
        let mut new = whole.clone();
        new.insert(3, whole[2].clone());
        expect(shown(new), 4, "one is doubled");
        for keep in 1..n {
            // Cut off behind the signing, or the signing itself.
            expect(shown(whole[..keep].to_vec()), keep + 1, "the end is cut off");
        }
        let mut new = whole.clone();
        new.push(whole[n - 1].clone());
        expect(shown(new), n + 1, "an addendum is put in");
    }
    // A file cut within a line.
    let bytes = content(&files, "journal.jsonl");
    let cut = with(&files, "journal.jsonl", Some(bytes[..bytes.len() - 20].to_vec()));
    assert_eq!(told(&report(&cut)), [format!("damaged: journal.jsonl, {n}")]);
}

#[test]
fn a_missing_or_added_file_is_named() {
    let files: Files = signed("DEMO-1").files();
    for (file, expected) in [
        ("note.txt", "altered: note.txt"),
        ("remark.txt", "altered: remark.txt"),
        ("audio/1.wav", "altered: audio/1.wav"),
        ("seal.json", "altered: seal.json"),
    ] {
        assert_eq!(told(&report(&with(&files, file, None))), [expected]);
    }
    let more = with(&files, "later.txt", Some(b"x".to_vec()));
    let found = report(&more);
    assert!(found.whole());
    assert_eq!(found.notices, ["later.txt came after signing and is not signed"]);
}

#[test]
fn the_seal_of_another_exam_is_told_from_this_ones() {
    let (one, two): (Files, Files) = (signed("DEMO-1").files(), signed("DEMO-2").files());
    for (mine, others) in [(&one, &two), (&two, &one)] {
        let found = report(&with(mine, "seal.json", Some(content(others, "seal.json"))));
        assert!(!found.whole());
        let t = &found.troubles[0];
        assert_eq!((t.kind, t.file.as_str()), (Kind::Altered, "seal.json"));
        assert!(t.text.contains("is of the exam DEMO-"), "{}", t.text);
    }
}

#[test]
fn a_note_or_seal_of_another_time_does_not_pass() {
    // The same exam signed at two times, with two notes.
    let early = unsigned("DEMO-1");
    sign_at(&early, 10, 7, "an older note\n", false).unwrap();
    let late: Files = signed("DEMO-1").files();
    let early: Files = early.files();
    let old_note = with(&late, "note.txt", Some(content(&early, "note.txt")));
    assert_eq!(told(&report(&old_note)), ["altered: note.txt"]);
    let old_seal = with(&late, "seal.json", Some(content(&early, "seal.json")));
    assert!(!report(&old_seal).whole());
    let mut both = late.clone();
    both.retain(|(p, _)| *p != path("note.txt") && *p != path("seal.json"));
    for file in ["note.txt", "seal.json"] {
        both.push((path(file), content(&early, file)));
    }
    // Signed from the same entries up to the signing, which is another entry.
    assert_eq!(told(&report(&disk_of(&both))), ["altered: journal.jsonl, 6"]);
}

#[test]
fn an_addendum_taken_away_is_missed() {
    let disk = unsigned("DEMO-1");
    sign_at(&disk, 20, 7, NOTE, false).unwrap();
    let first: Files = disk.files();
    add_at(&disk, 60, "one").unwrap();
    let middle: Files = disk.files();
    add_at(&disk, 80, "two").unwrap();
    let all: Files = disk.files();

    // Its entry, its seal, or either with the older other.
    let cut = with(&all, "journal.jsonl", Some(content(&middle, "journal.jsonl")));
    assert_eq!(told(&report(&cut)), ["altered: journal.jsonl, 8"]);
    let cut = with(&all, "seal.json", Some(content(&middle, "seal.json")));
    assert_eq!(told(&report(&cut)), ["altered: journal.jsonl, 8"]);
    // The first of two, with its seal: the second's hangs on it.
    let seals: Value = serde_json::from_slice(&content(&all, "seal.json")).unwrap();
    let mut less = seals.clone();
    less["seals"].as_array_mut().unwrap().remove(1);
    let gone = with(&all, "seal.json", Some(format!("{less:#}\n").into_bytes()));
    let found = told(&report(&gone));
    assert!(found.contains(&"altered: seal.json".to_owned()), "{found:?}");
    // Two that change places.
    let mut moved = seals.clone();
    moved["seals"].as_array_mut().unwrap().swap(1, 2);
    let moved = with(&all, "seal.json", Some(format!("{moved:#}\n").into_bytes()));
    assert!(told(&report(&moved)).contains(&"altered: seal.json".to_owned()));

    // The whole folder as it was before: only whoever saw the later seal can tell, and does.
    let seen: Vec<Digest> =
        cotside::seal::statement::Seals::read(&path("seal.json"), &content(&all, "seal.json"))
            .unwrap()
            .seals
            .iter()
            .map(|s| s.digest())
            .collect();
    let against = Against { seen: &seen, ..Against::default() };
    for older in [&first, &middle] {
        let found = check(&disk_of(older), Path::new(DIR), &against).unwrap();
        assert!(!found.whole());
        assert!(found.troubles[0].text.contains("which was made on this machine"));
        assert!(report(&disk_of(older)).whole(), "by itself it is what it was");
    }
    assert!(check(&disk_of(&all), Path::new(DIR), &against).unwrap().whole());
}

#[test]
fn a_forgery_signed_with_another_key_is_by_an_unknown_key() {
    let bench = crate::support::Bench::new();
    let folder = cotside::seal::keys::KeyFolder { dir: bench.path("keys") };
    let storage = cotside::journal::FileSystem;
    let mut known = cotside::seal::known::KnownKeys::default();
    let own = PublicKey { who: "KT".into(), key: key(7).verifying_key() };
    known.trust(&storage, &folder, own).unwrap();
    let against = Against { known: Some(&known), ..Against::default() };
    let right = signed("DEMO-1");
    assert_eq!(told(&check(&right, Path::new(DIR), &against).unwrap()), Vec::<String>::new());
    // Somebody else writes the exam anew, with the same initials and a key of their own.
    let forged = unsigned("DEMO-1");
    sign_at(&forged, 20, 8, "a note that was never signed\n", false).unwrap();
    let found = check(&forged, Path::new(DIR), &against).unwrap();
    assert_eq!(told(&found), ["unknown key: seal.json"]);
    assert!(found.whole(), "it is whole, and not by KT");
    // A known key of another person does not sign for KT either.
    let other = PublicKey { who: "CD".into(), key: key(8).verifying_key() };
    known.trust(&storage, &folder, other).unwrap();
    let against = Against { known: Some(&known), ..Against::default() };
    let found = check(&forged, Path::new(DIR), &against).unwrap();
    assert!(found.troubles[0].text.contains("is known as CD's, and the seal says KT"));
    // One key, one person.
    let twice = PublicKey { who: "EF".into(), key: key(8).verifying_key() };
    assert!(known.trust(&storage, &folder, twice).is_err());
}

#[test]
fn a_signed_exam_that_was_altered_takes_no_addendum() {
    let files: Files = signed("DEMO-1").files();
    let tampered = with(&files, "note.txt", Some(b"another".to_vec()));
    let before = tampered.files();
    let refused = add_at(&tampered, 90, "text").unwrap_err();
    assert!(refused.to_string().contains("note.txt: altered"), "{refused}");
    assert_eq!(tampered.files(), before);
}
