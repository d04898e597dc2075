//! `cotside hear`: a recorded exam into an exam.

use std::path::PathBuf;
use std::sync::Arc;

use chrono::Local;
use indicatif::{ProgressBar, ProgressStyle};

use super::exit::{Exit, Failure, Outcome};
use super::header::Fields;
use super::{open, output, read, second};
use crate::capture::sound::recording;
use crate::capture::{Phrase, Source, sound};
use crate::gaps::gaps;
use crate::journal::{
    self, AudioMark, Entry, Journal, JournalError, Mark, SystemClock, parse_wall,
};
use crate::lexicon::Lexicon;
use crate::report::words::{clock, count};
use crate::speech::file::{self, Stretched};

/// `cotside hear`
#[derive(Debug, clap::Args)]
#[command(
    before_help = "\
Examples:
  cotside hear exam.wav --exam exams/a1 --sex m --ga 40+1 --by AB
  cotside hear exam.wav --exam exams/a1 --append",
    after_help = "\
Takes 8 to 32 bit PCM and 32 bit float at any rate, with any number of channels.
The first sample is 0:00 on the exam clock. Each phrase is kept with its start
and end and with what else it may have been; what was not heard for certain
stays unsettled. The recording is kept beside the journal as long as the header
says, and `cotside review` plays each phrase of it. Needs the speech model:
`cotside model install`. An interrupted hearing is finished by running it again
with --append."
)]
pub struct HearArgs {
    /// The recording
    file: PathBuf,
    /// Folder of the exam; it is made
    #[arg(long, value_name = "DIR")]
    exam: PathBuf,
    /// Go on where an interrupted hearing of the same file stopped
    #[arg(long)]
    append: bool,
    /// When the recording began; now, when not given
    #[arg(long, value_name = "RFC3339", value_parser = parse_wall)]
    started: Option<chrono::DateTime<chrono::FixedOffset>>,
    #[command(flatten)]
    fields: Fields,
    /// Do not keep the recording beside the journal
    #[arg(long)]
    no_audio: bool,
    /// Stretches recognised at once; as many as there are processors, when not given
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=64))]
    jobs: Option<u16>,
    /// Take what was heard from a recorded transcript instead of the speech model
    #[arg(long, value_name = "FILE", hide = true)]
    transcript: Option<PathBuf>,
    /// Folder of a lexicon to use instead of the shipped one
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
    /// Print the summary as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &HearArgs) -> Outcome {
    if args.append && (!args.fields.is_empty() || args.started.is_some()) {
        return Err(Failure::input(
            "--append",
            "the exam has its header already",
            "leave the header's fields out here; `cotside header` changes them",
        ));
    }
    if args.append {
        open::not_signed(&args.exam)?;
    }
    let sound = sound::read_wav(&args.file)?;
    for w in &sound.warnings {
        output::warn(&w.to_string());
    }
    let lex = open::lexicon(args.lexicon.as_deref(), open::DEFAULT_LEXICON)?;
    let recogniser = open::recogniser(args.transcript.as_deref(), &lex)?;
    let (mut journal, from_ms, mut at_ms) = match args.append {
        true => taken_up(args)?,
        false => (begun(args, &lex)?, 0, 0),
    };
    let kept = kept(args, &mut journal, at_ms)?;
    let bar = bar(sound.length_ms());
    let (mut phrases, mut wordless) = (0, 0);
    let jobs = args.jobs.map_or_else(cores, usize::from);
    let mut unheard = Vec::new();
    file::hear(recogniser.as_ref(), &sound.samples, from_ms, jobs, |what, upto_ms| {
        match what {
            Stretched::Phrase(p) => {
                // Two parts of a stretch that was cut overlap; exam time does not go back.
                at_ms = at_ms.max(p.end_ms);
                journal.append(at_ms, &Entry::Phrase(p))?;
                phrases += 1;
            }
            Stretched::Noise => wordless += 1,
            Stretched::Unheard { why, from_ms } => {
                at_ms = at_ms.max(upto_ms);
                let (mark, file) = (Mark::GapInHearing, kept.clone());
                let gap = AudioMark { mark, file, from_ms, to_ms: upto_ms };
                journal.append(at_ms, &Entry::AudioMark(gap))?;
                unheard.push(format!(
                    "not heard from {} to {}: {why}",
                    clock(from_ms),
                    clock(upto_ms)
                ));
            }
        }
        bar.set_position(upto_ms);
        Ok::<(), Failure>(())
    })?;
    let end_ms = sound.length_ms();
    if let Some(file) = kept {
        journal.append(at_ms.max(end_ms), &mark(Mark::Stop, file, end_ms))?;
    }
    for m in second::marks(&args.exam, &lex)? {
        journal.append(at_ms.max(end_ms), &Entry::Marks(m))?;
    }
    journal.append(at_ms.max(end_ms), &Entry::End)?;
    bar.finish_and_clear();
    drop(journal);
    for u in &unheard {
        output::warn(u);
    }
    let done = summary(args, &sound, phrases, wordless)?;
    Ok(if unheard.is_empty() { done } else { Exit::Device })
}

fn mark(mark: Mark, file: String, at_ms: u64) -> Entry {
    Entry::AudioMark(AudioMark { mark, file: Some(file), from_ms: at_ms, to_ms: at_ms })
}

/// Keeps the recording beside the journal, unless it is there already; its name there. Its first
/// sample is 0:00 on the exam clock.
fn kept(args: &HearArgs, journal: &mut Journal, at_ms: u64) -> Result<Option<String>, Failure> {
    if args.no_audio {
        return Ok(None);
    }
    let before = journal::read(&args.exam)?.lines.into_iter().find_map(|l| match l.entry {
        Entry::AudioMark(AudioMark { mark: Mark::Start, file, .. }) => file,
        _ => None,
    });
    if before.is_some() {
        return Ok(before);
    }
    match recording::keep(&args.exam, &args.file) {
        Ok(file) => {
            journal.append(at_ms, &mark(Mark::Start, file.clone(), 0))?;
            Ok(Some(file))
        }
        Err(why) => {
            output::warn(&format!("the recording is not kept beside the journal: {why}"));
            Ok(None)
        }
    }
}

fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

fn begun(args: &HearArgs, lex: &Lexicon) -> Result<Journal, Failure> {
    let started = args.started.unwrap_or_else(|| Local::now().fixed_offset());
    let header = read::header(&args.fields, started, lex)?;
    open::make_parents(&args.exam)?;
    Journal::create(&args.exam, header, Arc::new(SystemClock::start())).map_err(|e| {
        let exists = matches!(e, JournalError::Exists(_));
        let mut f = Failure::from(e);
        if exists && let Some(p) = f.problems.last_mut() {
            p.help = Some("name another folder, or finish this one with --append".into());
        }
        f
    })
}

/// Opens the exam; hearing goes on behind the last phrase that was heard from a file.
fn taken_up(args: &HearArgs) -> Result<(Journal, u64, u64), Failure> {
    let taken = open::for_writing(&args.exam)?;
    if let Some(torn) = &taken.read.torn {
        output::warn(&format!("{}: {torn}", args.exam.display()));
    }
    let heard = |e: &Entry| match e {
        Entry::Phrase(Phrase { source: Source::Wav, start_ms, .. }) => Some(start_ms + 1),
        _ => None,
    };
    let from_ms = taken.read.lines.iter().filter_map(|l| heard(&l.entry)).max().unwrap_or(0);
    let last_ms = taken.read.lines.last().map_or(0, |l| l.exam_ms);
    Ok((taken.journal, from_ms, last_ms))
}

/// How far the hearing is, in milliseconds of sound, with the time left; only on a terminal.
fn bar(length_ms: u64) -> ProgressBar {
    let bar = ProgressBar::new(length_ms);
    if let Ok(style) = ProgressStyle::with_template("{bar:30} {percent:>3} %  {eta} left") {
        bar.set_style(style);
    }
    bar
}

fn summary(args: &HearArgs, sound: &sound::Sound, phrases: usize, wordless: usize) -> Outcome {
    let o = open::exam(&args.exam, args.lexicon.as_deref())?;
    let findings = o.exam.findings.len();
    let unsettled = o.exam.unsettled().count();
    let gaps = gaps(&o.exam, &o.lex).open().count();
    let shown = args.exam.display();
    let next = match unsettled {
        0 => format!("cotside gaps {shown}"),
        _ => format!("cotside settle {shown}"),
    };
    if args.json {
        output::json(&serde_json::json!({
            "exam": args.exam.display().to_string(),
            "code": o.exam.header.code,
            "sound": sound.format,
            "length_ms": sound.length_ms(),
            "phrases": phrases,
            "without_words": wordless,
            "findings": findings,
            "unsettled": unsettled,
            "gaps": gaps,
            "next": next,
        }))?;
        return Ok(Exit::Ok);
    }
    output::put(&format!(
        "exam {} in {shown}: {} heard in {} ({})\n  {} without words\n  {}, {unsettled} \
         unsettled; {} open\nnext: {next}\n",
        o.exam.header.code,
        count(phrases, "phrase", "phrases"),
        clock(sound.length_ms()),
        sound.format,
        count(wordless, "stretch", "stretches"),
        count(findings, "finding", "findings"),
        count(gaps, "gap", "gaps")
    ))?;
    Ok(Exit::Ok)
}
