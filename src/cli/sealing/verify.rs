//! `cotside verify`.

use std::sync::Arc;

use super::super::exit::{Exit, Outcome};
use super::super::{open, output};
use super::{VerifyArgs, known, sign};
use crate::journal::{self, FileSystem, JournalRead, LexiconRef};
use crate::lexicon::Lexicon;
use crate::report::explain::printable;
use crate::report::words;
use crate::seal::check::{self, Against, Kind, Report, Whose};
use crate::seal::keys::grouped;
use crate::seal::statement::Act;
use crate::seal::words as seal_words;
use crate::seal::{register, standing};

/// The lexicon at hand, beside the one the note was written with.
enum Beside {
    Same(Arc<Lexicon>),
    Other(LexiconRef),
    Missing,
}

/// Runs the command.
pub fn run(args: &VerifyArgs) -> Outcome {
    let dir = &args.exam;
    open::not_a_file(dir)?;
    let (folder, known) = known()?;
    let code = journal::read(dir).ok().and_then(|r| r.header()).map(|h| h.code.to_string());
    let seen = code.map_or_else(Vec::new, |c| register::seen(&FileSystem, &folder, &c));
    let against = Against { known: Some(&known), seen: &seen, note_again: None };
    let mut report = check::check(&FileSystem, dir, &against)?;
    let signed_here = |r: &journal::JournalRead| register::signed_here(&FileSystem, &folder, r);
    if !report.signed && journal::read(dir).is_ok_and(|r| signed_here(&r)) {
        report.signature_gone();
    }
    let beside = beside(args, &report);
    if let Beside::Same(lex) = &beside
        && report.whole()
        && another_note(args, lex).unwrap_or(false)
    {
        report.notices.push(
            "this version of the tool words the note otherwise; the words that were signed stand"
                .into(),
        );
    }
    match args.json {
        true => output::json(&json(&report, &beside))?,
        false => output::put(&text(&report, &beside, &dir.display().to_string()))?,
    }
    Ok(exit(&report))
}

fn exit(report: &Report) -> Exit {
    match report.troubles.iter().map(|t| t.kind).min() {
        Some(Kind::Damaged | Kind::Altered) => Exit::Damaged,
        Some(Kind::UnknownKey) => Exit::Gate,
        None if !report.signed => Exit::Gate,
        None => Exit::Ok,
    }
}

fn beside(args: &VerifyArgs, report: &Report) -> Beside {
    let Some(then) = &report.lexicon else { return Beside::Missing };
    match open::lexicon(args.lexicon.as_deref(), &then.name) {
        Err(_) => Beside::Missing,
        Ok(lex) => match super::super::read::lexicon_ref(&lex) {
            now if now == *then => Beside::Same(Arc::new(lex)),
            now => Beside::Other(now),
        },
    }
}

/// Whether the journal gives another note than was signed, by the same lexicon.
fn another_note(args: &VerifyArgs, lex: &Arc<Lexicon>) -> Option<bool> {
    let dir = &args.exam;
    let whole = journal::read(dir).ok()?;
    let (line, signing) = whole.signing()?;
    let before = whole.lines.iter().take_while(|l| l.seq < line.seq).cloned().collect();
    let o = open::built(&JournalRead { lines: before, torn: None }, lex).ok()?;
    let matters = sign::matters(&o, Some(&signing.who), line.wall);
    let incomplete = signing.incomplete.as_deref().map(|r| (signing.who.as_str(), r));
    let again = seal_words::note_to_sign(&sign::bare_note(&o), incomplete, &matters);
    let raw = standing::RawLines::read(&FileSystem, dir).ok()?;
    let found = standing::standing(&FileSystem, dir, &raw).ok()??;
    let signed = standing::note(&FileSystem, dir, &found).ok()??;
    Some(again.as_bytes() != signed)
}

fn text(report: &Report, beside: &Beside, exam: &str) -> String {
    let worst = report.troubles.iter().map(|t| t.kind).min();
    let head = match worst {
        Some(Kind::Damaged) => "DAMAGED",
        Some(Kind::Altered) => "ALTERED",
        Some(Kind::UnknownKey) => "UNKNOWN KEY",
        None if report.signed => "whole",
        None => "not signed",
    };
    let mut out = format!("{exam}: {head}\n");
    for t in &report.troubles {
        let entry = t.entry.map_or(String::new(), |n| format!(", entry {n}"));
        let text = printable(&t.text);
        let line = format!("{}: {}{entry}: {text}", t.kind, printable(&t.file));
        out += &format!("  {}\n", words::hung(&line, 2, 4));
    }
    for (f, whose) in &report.seals {
        let what = match f.act {
            Act::Note => "note",
            Act::Addendum => "addendum",
            Act::AudioRemoval => "removal",
        };
        let known = match whose {
            Whose::Known => "known".to_owned(),
            Whose::AnotherS(who) => format!("known as {who}'s"),
            Whose::Unknown => "not known".into(),
            Whose::NotAsked => "not looked up".into(),
        };
        let line = format!(
            "signed by {} on {}, key {} ({known})",
            f.who,
            words::wall(&f.at),
            grouped(&f.key, false)
        );
        out += &row(what, &line);
        if let Some(reason) = &f.incomplete {
            out += &row("", &format!("signed incomplete: {}", printable(reason)));
        }
    }
    if report.whole() {
        if report.signed {
            let files = match report.files {
                0 => String::new(),
                n => format!(", {}", words::count(n, "other file", "other files")),
            };
            out += &row(
                "unchanged",
                &format!(
                    "note, {}{files}",
                    words::count(report.entries as usize, "entry", "entries")
                ),
            );
        } else {
            out += &row("journal", &words::count(report.entries as usize, "entry", "entries"));
        }
    }
    for f in &report.audio_removed {
        out += &row("removed", &format!("{} (SHA-256 {})", f.file, &f.sha256.to_string()[..16]));
    }
    if let Some(then) = &report.lexicon {
        let name = |l: &LexiconRef| format!("{} {}", l.name, &l.sha256.to_string()[..12]);
        let line = match beside {
            Beside::Same(_) => format!("{}, as at hand", name(then)),
            Beside::Other(now) => format!(
                "another version is at hand ({}) than was signed with ({}): the signed note stands, \
                 other commands may read phrases otherwise",
                name(now),
                name(then)
            ),
            Beside::Missing => format!("{}, not at hand; --lexicon DIR names it", name(then)),
        };
        out += &row("lexicon", &line);
    }
    for notice in &report.notices {
        out += &row("note that", &printable(notice));
    }
    if !report.signed && report.troubles.is_empty() {
        out += &format!("next: cotside sign {exam}\n");
    }
    out
}

fn row(name: &str, text: &str) -> String {
    format!("  {name:<11}{}\n", words::hung(text, 13, 13))
}

fn json(report: &Report, beside: &Beside) -> serde_json::Value {
    let seals: Vec<_> = report
        .seals
        .iter()
        .map(|(f, whose)| {
            serde_json::json!({
                "number": f.number,
                "act": f.act,
                "who": f.who,
                "at": f.at.to_rfc3339(),
                "key": f.key,
                "known": matches!(whose, Whose::Known),
                "entry": f.entries,
                "incomplete": f.incomplete,
            })
        })
        .collect();
    let troubles: Vec<_> = report
        .troubles
        .iter()
        .map(|t| {
            serde_json::json!({
                "kind": t.kind.to_string(),
                "file": t.file,
                "entry": t.entry,
                "text": t.text,
            })
        })
        .collect();
    serde_json::json!({
        "signed": report.signed,
        "whole": report.signed && report.whole(),
        "troubles": troubles,
        "seals": seals,
        "entries": report.entries,
        "files": report.files,
        "audio_removed": report.audio_removed,
        "lexicon": report.lexicon,
        "lexicon_at_hand": match beside {
            Beside::Same(_) => "same",
            Beside::Other(_) => "other",
            Beside::Missing => "missing",
        },
        "notices": report.notices,
    })
}
