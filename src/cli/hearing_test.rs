//! `cotside hearing-test`: how well a speaker is heard through a microphone.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::RecvTimeoutError;
use std::thread;
use std::time::{Duration, Instant};

use super::exit::{Exit, Failure, Outcome};
use super::{open, output};
use crate::capture::sound::microphone::{Format, Wanted};
use crate::capture::sound::read_wav;
use crate::capture::{Phrase, Source};
use crate::lexicon::Lexicon;
use crate::problem::Problem;
use crate::reading::Reader;
use crate::report::words::count;
use crate::speech::file::{self, Stretched};
use crate::speech::live::{self, Event, Orders, Setup};
use crate::speech::rehearsal::{self, Prompt};
use crate::speech::{Recogniser, activity};

/// Phrases to read.
const PHRASES: usize = 20;
/// How long a phrase is waited for.
const PATIENCE: Duration = Duration::from_secs(15);

/// `cotside hearing-test`
#[derive(Debug, clap::Args)]
#[command(
    before_help = "\
Examples:
  cotside hearing-test
  cotside hearing-test --list > phrases.txt
  cotside hearing-test --wav reading.wav",
    after_help = "\
Read the twenty phrases aloud as you would at the cot, each after the one before
was answered. For --wav read them in order into a recording, with a pause behind
each."
)]
pub struct HearingTestArgs {
    /// A recording of the phrases, read in order; the microphone, when not given
    #[arg(long, value_name = "FILE")]
    wav: Option<PathBuf>,
    /// Print the phrases and do nothing else
    #[arg(long, conflicts_with = "wav")]
    list: bool,
    /// Microphone, as `cotside devices` names it
    #[arg(long, value_name = "NAME", conflicts_with = "wav")]
    device: Option<String>,
    /// Samples a second to take from it
    #[arg(long, value_name = "HZ", conflicts_with = "wav")]
    rate: Option<u32>,
    /// Channels to take from it
    #[arg(long, value_name = "N", conflicts_with = "wav")]
    channels: Option<u16>,
    /// Format of its samples: i16, i32 or f32
    #[arg(long, value_name = "FORMAT", value_parser = ["i16", "i32", "f32"],
          hide_possible_values = true, conflicts_with = "wav")]
    format: Option<String>,
    /// Take what is heard from a recorded transcript instead of the speech model
    #[arg(long, value_name = "FILE", hide = true)]
    transcript: Option<PathBuf>,
    /// Folder of a lexicon to use instead of the shipped one
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// Runs the command.
pub fn run(args: &HearingTestArgs) -> Outcome {
    let lex = open::lexicon(args.lexicon.as_deref(), open::DEFAULT_LEXICON)?;
    let prompts = rehearsal::prompts(&lex, PHRASES);
    if args.list {
        let lines: Vec<String> = prompts.iter().map(|p| p.text.clone()).collect();
        output::line(&lines.join("\n"))?;
        return Ok(Exit::Ok);
    }
    let recogniser = open::recogniser(args.transcript.as_deref(), &lex)?;
    match &args.wav {
        Some(path) => from_wav(path, recogniser.as_ref(), &prompts, &lex),
        None => from_microphone(args, recogniser.as_ref(), &prompts, &lex),
    }
}

fn from_wav(
    path: &std::path::Path,
    recogniser: &dyn Recogniser,
    prompts: &[Prompt],
    lex: &Lexicon,
) -> Outcome {
    let sound = read_wav(path)?;
    for w in &sound.warnings {
        output::warn(&w.to_string());
    }
    let jobs = thread::available_parallelism().map_or(1, usize::from);
    let mut heard = Vec::new();
    file::hear(recogniser, &sound.samples, 0, jobs, |what, _| {
        match what {
            Stretched::Phrase(p) => heard.push(p),
            Stretched::Noise => {}
            Stretched::Unheard { why, .. } => output::warn(&why),
        }
        Ok::<(), Failure>(())
    })?;
    let pairs = rehearsal::paired(prompts, &heard);
    let said = pairs.into_iter().map(|j| j.map(|j| heard[j].clone())).collect();
    let levels = rehearsal::levels(&sound.samples, &activity::stretches(&sound.samples));
    let mut advice = vec![format!(
        "speech {:.0} dB, between the phrases {:.0} dB",
        levels.speech_db, levels.quiet_db
    )];
    advice.extend(rehearsal::advice(&levels).into_iter().map(str::to_owned));
    report(prompts, said, &advice, lex)
}

fn from_microphone(
    args: &HearingTestArgs,
    recogniser: &dyn Recogniser,
    prompts: &[Prompt],
    lex: &Lexicon,
) -> Outcome {
    let began = Instant::now();
    let setup = Setup {
        wanted: Wanted {
            device: args.device.clone(),
            rate: args.rate,
            channels: args.channels,
            format: args.format.as_deref().and_then(Format::named),
        },
        record_in: None,
        now_ms: Arc::new(move || began.elapsed().as_millis() as u64),
    };
    let orders = Arc::new(Orders::default());
    let gone = |p: Problem| Failure { exit: Exit::Device, problems: vec![p] };
    let (said, loudest) = thread::scope(|scope| {
        let events = live::listen(scope, recogniser, setup, Arc::clone(&orders)).map_err(gone)?;
        let take = || -> Result<(Vec<Option<Phrase>>, f32), Failure> {
            let (mut said, mut loudest) = (Vec::new(), -100.0f32);
            for (i, p) in prompts.iter().enumerate() {
                output::line(&format!("{:>2} of {}   {}", i + 1, prompts.len(), p.text))?;
                let until = Instant::now() + PATIENCE;
                said.push(loop {
                    match events.recv_timeout(until.saturating_duration_since(Instant::now())) {
                        Ok(Event::Phrase { phrase, .. }) => break Some(phrase),
                        Ok(Event::Level { db, .. }) => loudest = loudest.max(db),
                        Ok(Event::Lost { why, .. }) => {
                            return Err(gone(
                                Problem::in_file("microphone", format!("it was lost: {why}"))
                                    .help("check the plug, then begin again"),
                            ));
                        }
                        // What was not heard counts as nothing.
                        Ok(Event::Unheard { .. }) => break None,
                        Ok(_) => {}
                        Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {
                            break None;
                        }
                    }
                });
                let heard = said.last().and_then(Option::as_ref).map_or("nothing", |p| &p.text);
                output::line(&format!("           heard: {heard}"))?;
            }
            Ok((said, loudest))
        };
        let done = take();
        orders.stop.store(true, Ordering::Release);
        done
    })?;
    let mut advice = vec![format!("loudest {loudest:.0} dB")];
    if loudest > -0.5 {
        advice.push("the microphone is overdriven: turn its level down, or move it away".into());
    } else if loudest < -25.0 {
        advice.push("speech is faint: turn the microphone's level up, or come closer".into());
    }
    report(prompts, said, &advice, lex)
}

/// What a phrase gives: item, side, value and number of each finding, and whether all are sure.
fn gives(phrase: &Phrase, lex: &Lexicon) -> (Vec<String>, bool) {
    let reading = Reader::new(lex).read(1, phrase);
    let what = reading
        .findings
        .iter()
        .map(|f| format!("{} {:?} {:?} {:?} {:?}", f.item, f.side, f.status, f.value, f.number));
    (what.collect(), reading.findings.iter().all(|f| f.is_sure()))
}

fn report(
    prompts: &[Prompt],
    said: Vec<Option<Phrase>>,
    advice: &[String],
    lex: &Lexicon,
) -> Outcome {
    let (mut right, mut unsure, mut out) = (0, 0, String::new());
    let mut teach = Vec::new();
    for (p, heard) in prompts.iter().zip(said) {
        let typed = Phrase {
            text: p.text.clone(),
            start_ms: 0,
            end_ms: 1,
            source: Source::Keys,
            line: None,
            speaker: None,
            alternatives: Vec::new(),
            words: Vec::new(),
            certainty: None,
        };
        let mark = match &heard {
            None => "not heard   ",
            Some(h) => {
                let ((want, _), (made, sure)) = (gives(&typed, lex), gives(h, lex));
                match (want == made, sure) {
                    (true, true) => {
                        right += 1;
                        "right       "
                    }
                    (true, false) => {
                        unsure += 1;
                        "not certain "
                    }
                    (false, _) => {
                        teach.push((h.text.clone(), lex.items[p.item].id.clone()));
                        "otherwise   "
                    }
                }
            }
        };
        let heard = heard.map_or_else(String::new, |h| format!("   heard: {}", h.text));
        out += &format!("  {mark}{}\n", p.text);
        if mark.starts_with("otherwise") || mark.starts_with("not certain") {
            out += &format!("           {heard}\n");
        }
    }
    out += &format!(
        "{right} of {} right, {unsure} right and left to you, {} otherwise or not heard\n",
        count(prompts.len(), "phrase", "phrases"),
        prompts.len() - right - unsure
    );
    for a in advice {
        out += &format!("  {a}\n");
    }
    if !teach.is_empty() {
        out += "Where a name is always heard as the same other words, teach it:\n";
        for (heard, item) in teach.iter().take(5) {
            let short: Vec<&str> = heard.split_whitespace().take(2).collect();
            let short = short.join(" ").to_lowercase();
            let short = short.trim_matches(|c: char| !c.is_alphanumeric());
            out += &format!("  cotside lexicon teach \"{short}\" {item}\n");
        }
    }
    output::put(&out)?;
    Ok(Exit::Ok)
}
