//! A signed exam in words: what stands on top of an incomplete note, the signature under it, what was
//! added later. Pure functions of their arguments.

use std::fmt::Write as _;

use super::check::Whose;
use super::facts::SealFacts;
use super::gate::Matter;
use super::keys::grouped;
use crate::journal::{Addendum, Chosen, Entry, JournalRead, Line};
use crate::lexicon::Lexicon;
use crate::report::explain::printable;
use crate::report::note::SIGN_HERE;
use crate::report::words::{self, WIDTH};

/// The note as it is signed: what was open stands on top of it, with the reason for signing all the
/// same.
pub fn note_to_sign(note: &str, incomplete: Option<(&str, &str)>, open: &[Matter]) -> String {
    // The signature stands under the note; there is nothing left to sign by hand.
    let note = note.strip_suffix(SIGN_HERE).unwrap_or(note);
    let Some((who, reason)) = incomplete else { return note.to_owned() };
    let mut out = filled("SIGNED INCOMPLETE: ", &format!("{} ({who})", printable(reason)), "");
    out += &filled(
        "",
        &format!(
            "{} open when it was signed:",
            words::count(open.len(), "matter was", "matters were")
        ),
        "",
    );
    for m in open {
        out += &filled("- ", &m.text, "  ");
    }
    out.push('\n');
    out + note
}

fn filled(first: &str, text: &str, hang: &str) -> String {
    let how = textwrap::Options::new(WIDTH)
        .initial_indent(first)
        .subsequent_indent(hang)
        .word_splitter(textwrap::WordSplitter::NoHyphenation);
    // A person's text may have lines of its own.
    let mut out = String::new();
    for (k, line) in text.lines().enumerate() {
        let how = if k == 0 { how.clone() } else { how.clone().initial_indent(hang) };
        out += &textwrap::wrap(line, how).join("\n");
        out.push('\n');
    }
    out
}

/// What stands under a signed note: the signature, and what was added since. Findings are worded by the
/// lexicon, when it is at hand.
pub fn under_note(
    read: &JournalRead,
    seals: &[(SealFacts, Whose)],
    lex: Option<&Lexicon>,
) -> String {
    let mut out = String::new();
    let mut added = 0;
    for line in &read.lines {
        let of_seal = seals.iter().find(|(s, _)| s.entries == line.seq);
        let back = |ms: Option<u64>| ms.map_or(String::new(), |ms| format!("{}.\n", went_back(ms)));
        match &line.entry {
            Entry::Signing(s) => {
                out += "\nSIGNATURE\n";
                out += &filled(
                    "",
                    &format!("Signed by {} on {}{}.", s.who, words::wall(&line.wall), key(of_seal)),
                    "",
                );
                out += &filled("", &back(s.clock_back_ms), "");
                if s.audio_removed {
                    out +=
                        &filled("", &format!("Sound removed at signing: {}.", names(&s.audio)), "");
                }
            }
            Entry::Addendum(a) => {
                added += 1;
                if added == 1 {
                    out += "\nADDED AFTER SIGNING\n";
                }
                out += &addendum(added, a, line, of_seal, lex);
                out += &filled("  ", &back(a.clock_back_ms), "  ");
            }
            Entry::AudioRemoval(r) if r.key.is_some() => {
                let when = words::wall(&line.wall);
                out += "\n";
                out += &filled(
                    "",
                    &format!(
                        "Sound removed by {} on {when}{}: {}. Reason: {}",
                        r.who,
                        key(of_seal),
                        names(&r.files),
                        printable(&r.reason)
                    ),
                    "",
                );
                out += &filled("", &back(r.clock_back_ms), "");
            }
            _ => {}
        }
    }
    out
}

/// How far the clock stood before the entry in front.
pub fn went_back(ms: u64) -> String {
    let s = ms / 1000;
    let (h, m) = (s / 3600, s % 3600 / 60);
    let by = match (h, m) {
        (0, 0) => format!("{s} s"),
        (0, m) => format!("{m} min"),
        (h, m) => format!("{h} h {m} min"),
    };
    format!("The clock of the machine stood {by} before the time of the entry in front")
}

fn names(files: &[crate::journal::FileDigest]) -> String {
    files.iter().map(|f| f.file.as_str()).collect::<Vec<_>>().join(", ")
}

fn key(of_seal: Option<&(SealFacts, Whose)>) -> String {
    let Some((facts, whose)) = of_seal else { return String::new() };
    let known = match whose {
        Whose::Known => "known",
        Whose::AnotherS(_) => "KNOWN AS ANOTHER'S",
        Whose::Unknown => "NOT KNOWN HERE",
        Whose::NotAsked => "not looked up",
    };
    format!(", key {} ({known})", grouped(&facts.key, false))
}

fn addendum(
    number: usize,
    a: &Addendum,
    line: &Line,
    of_seal: Option<&(SealFacts, Whose)>,
    lex: Option<&Lexicon>,
) -> String {
    let form = a.form.words();
    let form = format!("{}{}", form[..1].to_uppercase(), &form[1..]);
    let mut out = filled(
        &format!("{number}. "),
        &format!("{form} by {}, {}{}", a.who, words::wall(&line.wall), key(of_seal)),
        "   ",
    );
    let mut put = |text: String| out += &filled("   ", &text, "   ");
    put(format!("Reason: {}", printable(&a.reason)));
    if let Some(t) = a.about {
        put(format!("About the finding {}.{}.", t.phrase, t.index));
    }
    if let Some(c) = &a.finding {
        put(format!("Finding: {}.", chosen(c, lex)));
    }
    if let Some(seen) = &a.seen {
        put(format!("Seen {}, as {} says.", words::wall(seen), a.who));
    }
    if let Some(text) = &a.text {
        let lines: Vec<String> = text.lines().map(printable).collect();
        put(lines.join("\n"));
    }
    out
}

/// A finding as its author gave it: in the lexicon's words, else in its codes.
fn chosen(c: &Chosen, lex: Option<&Lexicon>) -> String {
    let item = lex.and_then(|l| l.item(&c.item).map(|k| &l.items[k]));
    let mut out = item.map_or(&c.item, |i| &i.name).clone();
    if let Some(side) = &c.side {
        let _ = write!(out, ", {side}");
    }
    let word = c.value.as_ref().map(|code| {
        let value = item.and_then(|i| i.value(code).map(|k| &i.values[k]));
        value.map_or(code, |v| &v.say).clone()
    });
    let unit = match (item.and_then(|i| i.number.as_ref()), lex) {
        (Some(n), Some(l)) => l.units[n.unit].say.clone(),
        _ => c.unit.as_ref().map_or(String::new(), |u| format!(" {u}")),
    };
    let range = c.low.zip(c.high);
    let range = range.map(|(a, b)| format!("{} to {}{unit}", words::number(a), words::number(b)));
    let number = c.number.map(|n| format!("{}{unit}", words::number(n))).or(range);
    let told = match (word, number) {
        (Some(w), Some(n)) => format!("{w} ({n})"),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => c.status.replace('_', " "),
    };
    let _ = write!(out, ": {told}");
    out
}
