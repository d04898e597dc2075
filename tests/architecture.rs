//! The house rules that can be read off the sources: which room may use which, that pure rooms read
//! no clock and no file, and that the engine holds no medical word.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Rooms from left to right. A room may use rooms that stand before it, and `lexicon` and
/// `problem`, which stand below all.
const ROOMS: &[&str] = &[
    "problem", "lexicon", "capture", "speech", "tagger", "reading", "journal", "exam", "grade",
    "gaps", "report", "settle", "seal", "review", "cli",
];

/// Rooms that are pure functions of what they are given.
const PURE: &[&str] = &["lexicon", "reading", "exam", "grade", "gaps", "report", "settle"];

fn sources() -> Vec<(String, PathBuf, String)> {
    fn walk(dir: &Path, out: &mut Vec<PathBuf>) {
        for e in std::fs::read_dir(dir).unwrap() {
            let p = e.unwrap().path();
            if p.is_dir() {
                walk(&p, out);
            } else if p.extension().is_some_and(|e| e == "rs") {
                out.push(p);
            }
        }
    }
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    walk(&src, &mut files);
    files
        .into_iter()
        .map(|p| {
            let room = p.strip_prefix(&src).unwrap().components().next().unwrap();
            let room = room.as_os_str().to_str().unwrap().trim_end_matches(".rs").to_owned();
            let text = std::fs::read_to_string(&p).unwrap();
            (room, p, text)
        })
        .collect()
}

/// Code without comments, strings left in, tests left out.
fn code(text: &str) -> String {
    let live = text.split("#[cfg(test)]").next().unwrap_or_default();
    live.lines().map(|l| l.split("//").next().unwrap_or_default()).collect::<Vec<_>>().join("\n")
}

#[test]
fn every_room_uses_only_rooms_to_its_left() {
    let place: BTreeMap<&str, usize> = ROOMS.iter().enumerate().map(|(i, r)| (*r, i)).collect();
    let mut broken = Vec::new();
    for (room, path, text) in sources() {
        if room == "main" || room == "lib" {
            continue;
        }
        let here = *place.get(room.as_str()).unwrap_or_else(|| panic!("{room} is no room"));
        for part in code(&text).split("crate::").skip(1) {
            let used: String =
                part.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '_').collect();
            if let Some(&there) = place.get(used.as_str())
                && there > here
            {
                broken.push(format!("{} uses {used}", path.display()));
            }
        }
    }
    assert_eq!(broken, Vec::<String>::new());
}

#[test]
fn pure_rooms_read_no_clock_and_no_file() {
    let mut broken = Vec::new();
    for (room, path, text) in sources() {
        // The one file of the lexicon room whose job is to find the files.
        if !PURE.contains(&room.as_str()) || path.ends_with("lexicon/files.rs") {
            continue;
        }
        for word in [
            "std::fs",
            "fs::File",
            "File::open",
            "File::create",
            "SystemTime",
            "Instant::",
            "Local::now",
            "Utc::now",
            "std::net",
            "std::env",
            "rand::",
        ] {
            if code(&text).contains(word) {
                broken.push(format!("{} has {word}", path.display()));
            }
        }
    }
    assert_eq!(broken, Vec::<String>::new());
}

#[test]
fn the_engine_holds_no_item_and_no_value_of_the_shipped_lexicon() {
    let lex = cotside::lexicon::shipped("newborn").unwrap();
    // Codes that are also ordinary words of the engine ("left", "none") prove nothing.
    let mut words: Vec<String> = lex.items.iter().map(|i| format!("\"{}\"", i.id)).collect();
    words.extend(
        lex.items.iter().flat_map(|i| i.values.iter().map(|v| format!("\"{}\"", v.code))).filter(
            |w| {
                ![
                    "\"none\"",
                    "\"normal\"",
                    "\"absent\"",
                    "\"present\"",
                    "\"midline\"",
                    // Said of an exam, too.
                    "\"complete\"",
                ]
                .contains(&w.as_str())
            },
        ),
    );
    let mut broken = Vec::new();
    for (room, path, text) in sources() {
        // The command line shows examples in its help.
        if room == "cli" {
            continue;
        }
        for w in &words {
            if code(&text).contains(w) {
                broken.push(format!("{} has {w}", path.display()));
            }
        }
    }
    assert_eq!(broken, Vec::<String>::new());
}

#[test]
fn every_room_opens_by_saying_what_it_is_for() {
    for (_, path, text) in sources() {
        assert!(
            text.starts_with("//!") || text.starts_with("/*!"),
            "{} has no opening",
            path.display()
        );
    }
}
