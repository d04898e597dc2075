//! `cotside listen`: live, by voice and keys at the same time.

use std::io::{self, BufRead, IsTerminal, Write};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::thread;
use std::time::{Duration, Instant};

use crossterm::event::{self, Event as Screen};

use super::exit::{Exit, Failure};
use super::listen::{Keyed, Log, Raw, above, keyed, shown_phrase};
use super::{ListenArgs, open, output};
use crate::capture::keys::{Line, typed};
use crate::capture::sound::microphone::{Format, Wanted};
use crate::capture::sound::tones::{self, Tone};
use crate::journal::{AudioMark, Clock, Entry, Mark};
use crate::problem::Problem;
use crate::report::echo::NOT_UNDERSTOOD;
use crate::report::words;
use crate::speech::live::{self, Event, Orders, Setup};

/// How often keys and ears are looked at.
const ROUND: Duration = Duration::from_millis(30);
/// How long words under way are waited for at the end.
const LAST_WORDS: Duration = Duration::from_secs(10);
/// Longest spoken answer.
const LONGEST_ANSWER: Duration = Duration::from_secs(30);
/// How long behind its own voice the program stays deaf.
const ECHO: Duration = Duration::from_millis(200);

/// How the microphone stands.
#[derive(Debug, Clone, PartialEq)]
enum Ear {
    Open { recording: bool },
    Lost(String),
}

struct Bedside<'l, 'a> {
    log: &'l mut Log<'a>,
    orders: Arc<Orders>,
    ear: Ear,
    file: Option<String>,
    level: f32,
    last: String,
    left: usize,
    quiet: bool,
    speaks: bool,
    voice: Option<(Child, u64, Instant)>,
    lost_once: bool,
    terminal: bool,
    line: Line,
    told: String,
}

/// Listens until the exam is finished.
pub fn run(log: &mut Log<'_>, args: &ListenArgs) -> Result<Exit, Failure> {
    let lex = log.lexicon();
    let recogniser = open::recogniser(args.transcript.as_deref(), lex)?;
    let wanted = Wanted {
        device: args.device.clone(),
        rate: args.rate,
        channels: args.channels,
        format: args.format.as_deref().and_then(Format::named),
    };
    let clock = log.exam_clock();
    let setup = Setup {
        wanted,
        record_in: (!args.no_audio).then(|| args.exam.clone()),
        now_ms: Arc::new(move || clock.exam_ms()),
    };
    let orders = Arc::new(Orders::default());
    thread::scope(|scope| {
        let events = live::listen(scope, recogniser.as_ref(), setup, Arc::clone(&orders))
            .map_err(device_failure)?;
        let mut bedside = Bedside {
            log,
            orders: Arc::clone(&orders),
            ear: Ear::Open { recording: !args.no_audio },
            file: None,
            level: -100.0,
            last: String::new(),
            left: 0,
            quiet: args.quiet,
            speaks: args.speak,
            voice: None,
            lost_once: false,
            terminal: io::stdin().is_terminal() && io::stdout().is_terminal(),
            line: Line::default(),
            told: String::new(),
        };
        let done = bedside.attend(&events);
        // Whatever happened, the threads are told to stop, or the scope would wait for ever.
        orders.stop.store(true, Ordering::Release);
        let last = done.and_then(|()| bedside.last_words(&events));
        last.map(|()| if bedside.lost_once { Exit::Device } else { Exit::Ok })
    })
}

/// A microphone that cannot be opened is a device's failure, not the command line's.
fn device_failure(p: Problem) -> Failure {
    Failure { exit: Exit::Device, problems: vec![p] }
}

impl Bedside<'_, '_> {
    fn attend(&mut self, events: &Receiver<Event>) -> Result<(), Failure> {
        self.left = self.log.how_many_left()?;
        match self.terminal {
            true => self.on_terminal(events),
            false => self.on_pipe(events),
        }
    }

    fn on_terminal(&mut self, events: &Receiver<Event>) -> Result<(), Failure> {
        let _raw = Raw::begin()?;
        while !self.log.finished() {
            self.listen_round(events)?;
            self.status()?;
            if !event::poll(ROUND)? {
                continue;
            }
            let Screen::Key(key) = event::read()? else { continue };
            match keyed(&mut self.line, key, self.log.now_ms()) {
                Keyed::Nothing => {}
                Keyed::End => break,
                Keyed::Ask => self.say(&self.log.left()?.join("\r\n"))?,
                Keyed::Phrase(p) => {
                    let answer = self.log.log(&p)?;
                    self.say(&format!("{}\r\n{}", shown_phrase(&p), answer.shown))?;
                    self.after(&answer.text)?;
                }
            }
        }
        above("")?;
        Ok(())
    }

    fn on_pipe(&mut self, events: &Receiver<Event>) -> Result<(), Failure> {
        let (send, lines) = channel();
        // Reading may wait for ever, so it is nobody's to wait for.
        thread::spawn(move || {
            for line in io::stdin().lock().lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    return;
                }
            }
        });
        while !self.log.finished() {
            self.listen_round(events)?;
            self.status()?;
            match lines.try_recv() {
                Ok(l) if l.trim() == "?" => output::line(&self.log.left()?.join("\n"))?,
                Ok(l) => {
                    let now = self.log.now_ms();
                    if let Some(p) = typed(&l, now, now) {
                        let answer = self.log.log(&p)?;
                        self.say(&answer.shown)?;
                        self.after(&answer.text)?;
                    }
                }
                // The end of the keys is not the end of the exam: voice goes on.
                Err(TryRecvError::Empty | TryRecvError::Disconnected) => thread::sleep(ROUND),
            }
        }
        Ok(())
    }

    fn listen_round(&mut self, events: &Receiver<Event>) -> Result<(), Failure> {
        self.own_voice()?;
        while let Ok(event) = events.try_recv() {
            self.take(event)?;
        }
        let news = self.log.news()?;
        for line in &news {
            self.say(line)?;
        }
        if !news.is_empty() {
            self.left = self.log.how_many_left()?;
        }
        Ok(())
    }

    /// Waits for words that were said before the end, and takes them in.
    fn last_words(&mut self, events: &Receiver<Event>) -> Result<(), Failure> {
        let until = Instant::now() + LAST_WORDS;
        loop {
            let rest = until.saturating_duration_since(Instant::now());
            match events.recv_timeout(rest) {
                Ok(event) => self.take(event)?,
                Err(_) => break,
            }
        }
        if let Some((mut child, ..)) = self.voice.take() {
            // The exam is over; so is its answer.
            let _ = child.kill();
            let _ = child.wait();
        }
        let now = self.log.now_ms();
        self.mark(Mark::Stop, now, now)
    }

    fn mark(&mut self, mark: Mark, from_ms: u64, to_ms: u64) -> Result<(), Failure> {
        let file = self.file.clone();
        self.log.note(&Entry::AudioMark(AudioMark { mark, file, from_ms, to_ms }))
    }

    fn take(&mut self, event: Event) -> Result<(), Failure> {
        match event {
            Event::Level { db, .. } => self.level = db,
            Event::Noise => {}
            Event::Open { name, file, at_ms } => {
                self.ear = Ear::Open { recording: file.is_some() };
                self.file = file;
                self.mark(Mark::Start, at_ms, at_ms)?;
                self.say(&format!("listening: {name}"))?;
            }
            Event::Phrase { phrase, ended } => {
                // While the log is paused only the word that ends the pause is kept.
                if self.log.paused() && !self.log.would_resume(&phrase) {
                    return Ok(());
                }
                let answer = self.log.log(&phrase)?;
                let took = ended.elapsed().as_millis();
                self.say(&format!("{}\n{}  ({took} ms)", shown_phrase(&phrase), answer.shown))?;
                self.after(&answer.text)?;
            }
            Event::Lost { why, at_ms } => {
                self.lost_once = true;
                self.ear = Ear::Lost(why.clone());
                self.mark(Mark::Stop, at_ms, at_ms)?;
                self.say(&format!("MICROPHONE LOST, NOT RECORDING: {why}"))?;
                self.sound(Tone::Stopped);
            }
            Event::Back { from_ms, to_ms } => {
                self.mark(Mark::GapInHearing, from_ms, to_ms)?;
                self.say(&format!(
                    "the microphone is back; nothing was heard from {} to {}",
                    words::clock(from_ms),
                    words::clock(to_ms)
                ))?;
            }
            Event::Dropped { samples, from_ms, to_ms } => {
                self.lost_once = true;
                self.mark(Mark::GapInHearing, from_ms, to_ms)?;
                self.say(&format!(
                    "{samples} samples of sound were lost: the machine is too slow"
                ))?;
            }
            Event::NotRecording { why } => {
                self.lost_once = true;
                self.ear = Ear::Open { recording: false };
                self.say(&format!("NOT RECORDING, still listening: {why}"))?;
                self.sound(Tone::Stopped);
            }
            Event::Unheard { why, from_ms, to_ms } => {
                self.lost_once = true;
                self.mark(Mark::GapInHearing, from_ms, to_ms)?;
                self.say(&format!(
                    "NOT HEARD from {} to {}, say it again: {why}",
                    words::clock(from_ms),
                    words::clock(to_ms)
                ))?;
                self.sound(Tone::NotUnderstood);
            }
        }
        Ok(())
    }

    /// What follows an answer: tone, voice, count of what is left.
    fn after(&mut self, text: &str) -> Result<(), Failure> {
        self.last = text.to_owned();
        // First the tone: whoever has no eye for the screen waits for it.
        self.sound(match text {
            t if t.starts_with(NOT_UNDERSTOOD) => Tone::NotUnderstood,
            t if t.contains("needs you") => Tone::NeedsYou,
            _ => Tone::Understood,
        });
        self.orders.paused.store(self.log.paused(), Ordering::Relaxed);
        self.left = self.log.how_many_left()?;
        if self.speaks && self.voice.is_none() {
            self.speak(text)?;
        }
        Ok(())
    }

    fn sound(&self, tone: Tone) {
        if !self.quiet {
            tones::play(tone);
        }
    }

    /// Says an answer aloud. The ear is deaf meanwhile.
    fn speak(&mut self, text: &str) -> Result<(), Failure> {
        self.orders.deaf.store(true, Ordering::Relaxed);
        let said = Command::new("espeak-ng")
            .args(["-s", "165", "--", text])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        match said {
            Ok(child) => self.voice = Some((child, self.log.now_ms(), Instant::now())),
            Err(e) => {
                self.speaks = false;
                self.orders.deaf.store(false, Ordering::Relaxed);
                self.say(&format!("answers are not spoken: espeak-ng cannot be run ({e})"))?;
            }
        }
        Ok(())
    }

    /// Ends deafness when the answer has been said.
    fn own_voice(&mut self) -> Result<(), Failure> {
        let Some((child, from_ms, began)) = &mut self.voice else { return Ok(()) };
        let from_ms = *from_ms;
        if began.elapsed() > LONGEST_ANSWER {
            let _ = child.kill();
        }
        if matches!(child.try_wait(), Ok(None)) {
            return Ok(());
        }
        thread::sleep(ECHO);
        self.voice = None;
        self.orders.deaf.store(false, Ordering::Relaxed);
        let now = self.log.now_ms();
        self.mark(Mark::OwnPlayback, from_ms, now)
    }

    fn say(&self, text: &str) -> Result<(), Failure> {
        match self.terminal {
            true => above(&text.replace('\n', "\r\n"))?,
            // One line an answer, however long.
            false => output::raw(&format!("{text}\n"))?,
        }
        Ok(())
    }

    fn state(&self) -> String {
        match &self.ear {
            Ear::Lost(_) => "NOT RECORDING, microphone lost".into(),
            Ear::Open { .. } if self.log.paused() => "NOT RECORDING, paused".into(),
            Ear::Open { recording: false } => "listening, NOT RECORDING".into(),
            Ear::Open { recording: true } => "RECORDING".into(),
        }
    }

    /// The status line: on a terminal always there, elsewhere a line whenever it changes.
    fn status(&mut self) -> Result<(), Failure> {
        let state = self.state();
        if !self.terminal {
            let told = format!("status: {state}; {} left", self.left);
            if told != self.told {
                output::raw(&format!("{told}\n"))?;
                self.told = told;
            }
            return Ok(());
        }
        let now = words::clock(self.log.now_ms());
        let bars = ((self.level + 60.0) / 10.0).clamp(0.0, 6.0) as usize;
        let level = format!("{}{}", "|".repeat(bars), ".".repeat(6 - bars));
        let head = format!("{now:>7} {state} {level} {} left", self.left);
        let typed = self.line.text();
        let tail = if typed.is_empty() { self.last.as_str() } else { typed };
        let mark = if typed.is_empty() { "|" } else { ">" };
        let width = crossterm::terminal::size().map_or(80, |(w, _)| usize::from(w));
        let room = width.saturating_sub(head.chars().count() + 4);
        let shown: String = match typed.is_empty() {
            true => tail.chars().take(room).collect(),
            false => {
                let n = tail.chars().count();
                tail.chars().skip(n.saturating_sub(room)).collect()
            }
        };
        let whole = format!("{head} {mark} {shown}");
        if whole != self.told {
            let mut out = io::stdout().lock();
            write!(out, "\r\x1b[K{whole}")?;
            out.flush()?;
            self.told = whole;
        }
        Ok(())
    }
}
