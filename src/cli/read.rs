//! `cotside read`: a timed text into an exam.

use std::collections::HashMap;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

use chrono::Local;
use indicatif::{ProgressBar, ProgressStyle};

use super::exit::{Exit, Failure, Outcome};
use super::{ReadArgs, open, output, second};
use crate::capture::{Phrase, TimedText, read_timed_text};
use crate::gaps::gaps;
use crate::journal::{Digest, Entry, Header, Journal, JournalError, LexiconRef, Line, SystemClock};
use crate::lexicon::Lexicon;
use crate::reading::{Reader, Reading};
use crate::report::words::{self, count};

/// From this many phrases on, a terminal is shown how far the reading is.
const LONG: usize = 100;

/// Runs the command.
pub fn run(args: &ReadArgs) -> Outcome {
    if args.append && (!args.fields.is_empty() || args.started.is_some()) {
        return Err(Failure::input(
            "--append",
            "the exam has its header already",
            "leave the header's fields out here; `cotside header` changes them",
        ));
    }
    let name = args.file.display().to_string();
    let text = read_timed_text(&name, &bytes(&args.file)?)?;
    for w in &text.warnings {
        output::warn(&w.to_string());
    }
    let (mut journal, mut phrases, last_ms, paused) = match args.append {
        true => taken_up(args, text.phrases.clone())?,
        false => {
            let lex = open::lexicon(args.lexicon.as_deref(), open::DEFAULT_LEXICON)?;
            let kept = not_in_a_pause(text.phrases.clone(), false, &lex);
            let paused = text.phrases.len() - kept.len();
            (begun(args)?, kept, 0, paused)
        }
    };
    let again = text.phrases.len() - phrases.len() - paused;
    if paused > 0 {
        output::warn(&format!(
            "{} said while the log was paused: not kept",
            count(paused, "phrase", "phrases")
        ));
    }
    write(&mut journal, &mut phrases, last_ms)?;
    end(&mut journal, args)?;
    drop(journal);
    summary(args, &text, phrases.len(), again)
}

fn bytes(file: &Path) -> Result<Vec<u8>, Failure> {
    let mut out = Vec::new();
    match file.as_os_str() == "-" {
        true => std::io::stdin().lock().read_to_end(&mut out).map(|_| ()),
        false => std::fs::read(file).map(|b| out = b),
    }
    .map_err(|e| Failure::file(file, "read this timed text", &e))?;
    Ok(out)
}

/// The lexicon as the header names it.
pub fn lexicon_ref(lex: &Lexicon) -> LexiconRef {
    // The lexicon gives its digest as 64 hexadecimal digits; a test holds it to that.
    let sha256 = lex.digest.parse().unwrap_or(Digest::ZERO);
    LexiconRef { name: lex.name.clone(), sha256 }
}

/// A header with the fields given.
pub fn header(
    fields: &super::header::Fields,
    started: chrono::DateTime<chrono::FixedOffset>,
    lex: &Lexicon,
) -> Result<Header, Failure> {
    if let Some(p) = &fields.protocol {
        open::check_protocol(p, lex)?;
    }
    let mut h = Header::new(started, lexicon_ref(lex));
    if let Some(code) = &fields.code {
        h.code = code.clone();
    }
    h.sex = fields.sex;
    h.ga = fields.ga;
    h.born = fields.born.map(|b| b.said("--born"));
    if let Some(born) = h.born {
        super::header::check_born(born, started)?;
    }
    h.by = fields.by.clone();
    h.protocol = fields.protocol.clone();
    Ok(h)
}

fn begun(args: &ReadArgs) -> Result<Journal, Failure> {
    let lex = open::lexicon(args.lexicon.as_deref(), open::DEFAULT_LEXICON)?;
    let started = match args.started {
        Some(when) => when.said("--started"),
        None => {
            let now = Local::now().fixed_offset();
            if args.fields.born.is_some() {
                output::warn(&format!(
                    "no --started: now, {}, is taken as the start of the exam, and ages are counted \
                     to it; if it was examined earlier, read it again into another folder with \
                     --started TIME",
                    words::wall(&now)
                ));
            }
            now
        }
    };
    let header = header(&args.fields, started, &lex)?;
    open::make_parents(&args.exam)?;
    Journal::create(&args.exam, header, Arc::new(SystemClock::start())).map_err(|e| {
        let exists = matches!(e, JournalError::Exists(_));
        let mut f = Failure::from(e);
        if exists && let Some(p) = f.problems.last_mut() {
            p.help = Some("name another folder, or add to this exam with --append".into());
        }
        f
    })
}

/// The phrases that were not said in a pause; what begins and ends one is kept, as it is by whoever
/// listens. `paused`: whether they begin in one.
fn not_in_a_pause(phrases: Vec<Phrase>, mut paused: bool, lex: &Lexicon) -> Vec<Phrase> {
    let mut reader = Reader::new(lex);
    let says = |r: &Reading, act: &str| r.controls.iter().any(|c| c == act);
    let mut seq = 0;
    let mut kept = |p: &Phrase| {
        seq += 1;
        match paused {
            true => paused = !says(&Reader::new(lex).read(seq, p), "resume"),
            false => {
                paused = says(&reader.read(seq, p), "pause");
                return true;
            }
        }
        !paused
    };
    phrases.into_iter().filter(|p| kept(p)).collect()
}

/// Whether a journal ends in a pause.
fn ends_paused(lines: &[Line], lex: &Lexicon) -> bool {
    let mut reader = Reader::new(lex);
    lines.iter().fold(false, |paused, line| match &line.entry {
        Entry::Phrase(p) if paused => {
            !Reader::new(lex).read(line.seq, p).controls.iter().any(|c| c == "resume")
        }
        Entry::Phrase(p) => reader.read(line.seq, p).controls.iter().any(|c| c == "pause"),
        Entry::Pause => true,
        Entry::Resume(_) => false,
        _ => paused,
    })
}

/// Opens the exam and leaves out the phrases it holds already, and those said in a pause; the last
/// number tells how many those were.
fn taken_up(
    args: &ReadArgs,
    phrases: Vec<Phrase>,
) -> Result<(Journal, Vec<Phrase>, u64, usize), Failure> {
    let taken = open::for_writing(&args.exam)?;
    if let Some(torn) = &taken.read.torn {
        output::warn(&format!("{}: {torn}", args.exam.display()));
    }
    type Key = (u64, u64, Option<u32>, Option<String>, String);
    let key =
        |p: &Phrase| -> Key { (p.start_ms, p.end_ms, p.line, p.speaker.clone(), p.text.clone()) };
    let mut there: HashMap<Key, usize> = HashMap::new();
    for line in &taken.read.lines {
        if let Entry::Phrase(p) = &line.entry {
            *there.entry(key(p)).or_default() += 1;
        }
    }
    let name = match taken.read.header() {
        Some(h) => h.lexicon.name,
        None => open::DEFAULT_LEXICON.to_owned(),
    };
    let lex = open::lexicon(args.lexicon.as_deref(), &name)?;
    // A file read once more begins where it began then.
    let goes_on = phrases.first().is_some_and(|p| !there.contains_key(&key(p)));
    let all = phrases.len();
    let kept = not_in_a_pause(phrases, goes_on && ends_paused(&taken.read.lines, &lex), &lex);
    let paused = all - kept.len();
    let fresh = kept
        .into_iter()
        .filter(|p| match there.get_mut(&key(p)) {
            Some(n) if *n > 0 => {
                *n -= 1;
                false
            }
            _ => true,
        })
        .collect();
    let last_ms = taken.read.lines.last().map_or(0, |l| l.exam_ms);
    Ok((taken.journal, fresh, last_ms, paused))
}

fn write(journal: &mut Journal, phrases: &mut [Phrase], mut at_ms: u64) -> Result<(), Failure> {
    // A hidden bar draws nothing; indicatif hides it by itself where there is no terminal.
    let bar = match phrases.len() >= LONG {
        true => ProgressBar::new(phrases.len() as u64),
        false => ProgressBar::hidden(),
    };
    if let Ok(style) = ProgressStyle::with_template("{bar:30} {pos} of {len} phrases") {
        bar.set_style(style);
    }
    for p in phrases {
        // Entries stand in the order they were taken, and exam time never falls among them; a
        // phrase that began before the one in front of it keeps its own times.
        at_ms = at_ms.max(p.end_ms);
        journal.append(at_ms, &Entry::Phrase(p.clone()))?;
        bar.inc(1);
    }
    bar.finish_and_clear();
    Ok(())
}

/// Has the second reader mark what was read, and ends the log.
fn end(journal: &mut Journal, args: &ReadArgs) -> Result<(), Failure> {
    let (lines, header) = {
        let read = crate::journal::read(&args.exam)?;
        (read.lines.last().map_or(0, |l| l.exam_ms), read.header())
    };
    let name = header.map_or(open::DEFAULT_LEXICON.to_owned(), |h| h.lexicon.name);
    let lex = open::lexicon(args.lexicon.as_deref(), &name)?;
    for m in second::marks(&args.exam, &lex)? {
        journal.append(lines, &Entry::Marks(m))?;
    }
    journal.append(lines, &Entry::End)?;
    Ok(())
}

fn summary(args: &ReadArgs, text: &TimedText, taken: usize, again: usize) -> Outcome {
    let o = open::exam(&args.exam, args.lexicon.as_deref())?;
    let findings = o.exam.findings.len();
    let unsettled = o.exam.unsettled().count();
    let gaps = gaps(&o.exam, &o.lex).open().count();
    let shown = args.exam.display();
    if let Some(text) = words::protocol_warning(&o.exam, &o.graded.ages, &o.lex) {
        output::warn(&text);
    }
    let next = match unsettled {
        0 => format!("cotside gaps {shown}"),
        _ => format!("cotside settle {shown}"),
    };
    if args.json {
        output::json(&serde_json::json!({
            "exam": args.exam.display().to_string(),
            "code": o.exam.header.code,
            "format": text.format.to_string(),
            "phrases": taken,
            "already_there": again,
            "findings": findings,
            "unsettled": unsettled,
            "gaps": gaps,
            "next": next,
        }))?;
        return Ok(Exit::Ok);
    }
    let mut out = format!(
        "exam {} in {shown}: {} read ({})\n",
        o.exam.header.code,
        count(taken, "phrase", "phrases"),
        text.format
    );
    if again > 0 {
        out +=
            &format!("  {} already there and not taken twice\n", count(again, "phrase", "phrases"));
    }
    out += &format!(
        "  {}, {unsettled} unsettled; {} open\n",
        count(findings, "finding", "findings"),
        count(gaps, "gap", "gaps")
    );
    out += &format!("next: {next}\n");
    output::put(&out)?;
    Ok(Exit::Ok)
}
