//! `cotside listen`: phrases heard or typed at the bedside, answered at once.

use std::collections::HashMap;
use std::io::{self, BufRead, IsTerminal, Write};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::thread;
use std::time::Duration;

use anstyle::{AnsiColor, Style};
use chrono::Local;
use crossterm::event::{self, Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use crossterm::terminal;

use super::exit::{Exit, Failure, Outcome};
use super::second::Beside;
use super::{ListenArgs, listen_voice, open, output, read};
use crate::capture::Phrase;
use crate::capture::keys::{Line, Press, typed};
use crate::capture::timed_text::MAX_LINE_BYTES;
use crate::exam::{self, Exam};
use crate::gaps::{LeftToDo, left_to_do};
use crate::journal::{
    self, Clock, Echo, Entry, ExamClock, Journal, JournalRead, Resume, SystemClock,
};
use crate::lexicon::Lexicon;
use crate::reading::ears::Ears;
use crate::reading::{Reader, Reading};
use crate::report::echo::{self, Echoer, NOT_UNDERSTOOD};
use crate::report::{controls, text, words};
use crate::speech::model;

/// How often it is looked whether the second reader has marked something.
const ROUND: Duration = Duration::from_millis(250);

/// Runs the command.
pub fn run(args: &ListenArgs) -> Outcome {
    if !args.keys && args.transcript.is_none() {
        // Before anything is made.
        model::present(&model::folder()?)?;
    }
    let there = args.exam.join(journal::FILE_NAME).exists();
    let (lex, journal, earlier) = match there {
        true => taken_up(args)?,
        false => begun(args)?,
    };
    thread::scope(|scope| {
        // The index of sounds is made while the first phrase is being said.
        scope.spawn(|| Ears::of(&lex));
        attend(args, &lex, journal, earlier)
    })
}

fn attend(
    args: &ListenArgs,
    lex: &Lexicon,
    journal: Journal,
    earlier: Option<JournalRead>,
) -> Outcome {
    let mut log = Log::new(lex, journal, &args.exam, args.lexicon.as_deref());
    log.take_up(earlier.as_ref());
    log.greet(earlier.is_some())?;
    if !args.keys {
        let heard = listen_voice::run(&mut log, args)?;
        log.finish()?;
        return Ok(heard);
    }
    if io::stdin().is_terminal() && io::stdout().is_terminal() {
        on_terminal(&mut log)?
    } else {
        on_pipe(&mut log)?
    }
    log.finish()
}

type Start = (Lexicon, Journal, Option<JournalRead>);

fn begun(args: &ListenArgs) -> Result<Start, Failure> {
    let lex = open::lexicon(args.lexicon.as_deref(), open::DEFAULT_LEXICON)?;
    let header = read::header(&args.fields, Local::now().fixed_offset(), &lex)?;
    open::make_parents(&args.exam)?;
    let journal = Journal::create(&args.exam, header, Arc::new(SystemClock::start()))?;
    Ok((lex, journal, None))
}

fn taken_up(args: &ListenArgs) -> Result<Start, Failure> {
    let found = journal::read(&args.exam);
    if matches!(found, Err(journal::JournalError::Empty(_))) {
        // A header that never came to be whole: nothing is recorded, so the exam begins.
        return begun(args);
    }
    open::not_signed(&args.exam)?;
    if !args.fields.is_empty() {
        return Err(Failure::input(
            args.exam.display().to_string(),
            "this exam was begun before and has its header already",
            "leave the header's fields out here; `cotside header` changes them",
        ));
    }
    let name = found?.header().map_or(open::DEFAULT_LEXICON.to_owned(), |h| h.lexicon.name);
    let lex = open::lexicon(args.lexicon.as_deref(), &name)?;
    let mut taken = open::for_writing(&args.exam)?;
    if let Some(torn) = &taken.read.torn {
        output::warn(&format!("{}: {torn}", args.exam.display()));
    }
    taken.journal.append_now(&Entry::Resume(Resume { clock: Some(taken.resumed) }))?;
    Ok((lex, taken.journal, Some(taken.read)))
}

/// The log being written, with what answers it.
pub(super) struct Log<'a> {
    lex: &'a Lexicon,
    journal: Journal,
    clock: ExamClock,
    reader: Reader<'a>,
    /// What was made of each phrase, so that the exam can be rebuilt without reading it all again.
    readings: HashMap<u64, Reading>,
    echoer: Echoer,
    paused: bool,
    finished: bool,
    refused: bool,
    exam: &'a Path,
    lexicon: Option<&'a Path>,
    second: Option<Beside>,
    /// What was last shown to be found in each phrase.
    found: HashMap<u64, String>,
}

impl<'a> Log<'a> {
    fn new(lex: &'a Lexicon, journal: Journal, exam: &'a Path, lexicon: Option<&'a Path>) -> Self {
        Log {
            lex,
            clock: journal.clock(),
            journal,
            reader: Reader::new(lex),
            readings: HashMap::new(),
            echoer: Echoer::default(),
            paused: false,
            finished: false,
            refused: false,
            exam,
            lexicon,
            second: None,
            found: HashMap::new(),
        }
    }

    /// Lets the reader hear what was said before.
    fn take_up(&mut self, earlier: Option<&JournalRead>) {
        for line in earlier.iter().flat_map(|r| &r.lines) {
            match &line.entry {
                Entry::Phrase(p) => {
                    let reading = self.hear(line.seq, p);
                    self.echoer.note(&reading, self.lex);
                }
                Entry::Pause => self.paused = true,
                Entry::Resume(_) => self.paused = false,
                _ => {}
            }
        }
        // Whoever takes an exam up again means it to be read.
        self.paused = false;
        self.finished = false;
        self.second = Beside::begin(self.lex, earlier.map_or(&[], |r| &r.lines));
    }

    /// Writes down what the second reader marked since, and says what it changed in what was found.
    pub(super) fn news(&mut self) -> Result<Vec<String>, Failure> {
        let marks = match self.second.as_ref().map(Beside::marks) {
            None => return Ok(Vec::new()),
            Some(Ok(marks)) => marks,
            Some(Err(p)) => {
                // A second reader that fails takes nothing from what is logged.
                output::warn(&p.to_string());
                self.second = None;
                return Ok(Vec::new());
            }
        };
        if marks.is_empty() {
            return Ok(Vec::new());
        }
        for m in &marks {
            self.journal.append_now(&Entry::Marks(m.clone()))?;
        }
        let mut out = Vec::new();
        let Some(exam) = self.exam_now()? else { return Ok(out) };
        for e in exam.timeline.iter().filter(|e| !e.paused) {
            let now = echo::found(&e.reading, self.lex);
            match self.found.get_mut(&e.seq) {
                Some(was) if *was != now => was.clone_from(&now),
                // What was said before this log was taken up was shown then.
                _ => continue,
            }
            let text = match now.is_empty() {
                true => "read again: no finding".to_owned(),
                false => format!("read again: {now}"),
            };
            self.journal.append_now(&Entry::Echo(Echo { phrase: e.seq, text: text.clone() }))?;
            out.push(shown(e.phrase.start_ms, &text));
        }
        Ok(out)
    }

    /// Reads a phrase as the exam will be rebuilt later: while paused, only a resume is heard.
    fn hear(&mut self, seq: u64, p: &Phrase) -> Reading {
        if self.paused {
            let alone = Reader::new(self.lex).read(seq, p);
            if alone.controls.iter().any(|c| c == "resume") {
                self.paused = false;
                return Reading { controls: alone.controls, ..Reading::default() };
            }
            return Reading::default();
        }
        let reading = self.reader.read(seq, p);
        self.readings.insert(seq, reading.clone());
        for c in &reading.controls {
            match c.as_str() {
                "pause" => self.paused = true,
                "finish" => self.finished = true,
                _ => {}
            }
        }
        reading
    }

    fn greet(&self, again: bool) -> io::Result<()> {
        let what = match again {
            true => format!("taken up again at {}", words::clock(self.clock.exam_ms())),
            false => "begun".to_owned(),
        };
        output::line(&format!(
            "exam in {} {what}. Type a phrase; Enter logs it.",
            self.exam.display()
        ))?;
        output::line("? is what is left, \"help\" the words of command; Ctrl-C ends the exam.")
    }

    /// The lexicon.
    pub(super) fn lexicon(&self) -> &'a Lexicon {
        self.lex
    }

    /// The exam clock.
    pub(super) fn exam_clock(&self) -> ExamClock {
        self.clock.clone()
    }

    /// The exam clock's time, milliseconds.
    pub(super) fn now_ms(&self) -> u64 {
        self.clock.exam_ms()
    }

    /// Whether the log is paused.
    pub(super) fn paused(&self) -> bool {
        self.paused
    }

    /// Whether the exam was said to be over.
    pub(super) fn finished(&self) -> bool {
        self.finished
    }

    /// Whether a phrase ends a pause.
    pub(super) fn would_resume(&self, phrase: &Phrase) -> bool {
        Reader::new(self.lex).read(0, phrase).controls.iter().any(|c| c == "resume")
    }

    /// Writes an entry that is no phrase.
    pub(super) fn note(&mut self, entry: &Entry) -> Result<(), Failure> {
        self.journal.append_now(entry)?;
        Ok(())
    }

    /// How many items of the protocol are left.
    pub(super) fn how_many_left(&self) -> Result<usize, Failure> {
        Ok(self.to_do()?.iter().map(|s| s.items.len()).sum())
    }

    fn to_do(&self) -> Result<Vec<LeftToDo>, Failure> {
        Ok(self.exam_now()?.map_or(Vec::new(), |exam| left_to_do(&exam, self.lex)))
    }

    /// The exam as it stands in the journal.
    fn exam_now(&self) -> Result<Option<Exam>, Failure> {
        let read = journal::read(self.exam)?;
        let Some(header) = read.header() else { return Ok(None) };
        let known = |seq, _: &Phrase| self.readings.get(&seq).cloned().unwrap_or_default();
        Ok(Some(exam::build_as_read(header, &read.lines, self.lex, known)))
    }

    /// Logs a phrase and gives the answer. Both are on disk before anything is shown.
    ///
    /// A phrase longer than a timed text may hold was never said at a bedside: something runs into
    /// the wrong pipe. It is refused aloud, and the exam goes on.
    pub(super) fn log(&mut self, phrase: &Phrase) -> Result<Answer, Failure> {
        if phrase.text.len() > MAX_LINE_BYTES {
            self.refused = true;
            let text = format!(
                "NOT LOGGED: {} bytes in one phrase, and a phrase holds at most {MAX_LINE_BYTES}; \
                 say it again in shorter ones",
                phrase.text.len()
            );
            return Ok(Answer { shown: shown(phrase.start_ms, &text), text });
        }
        // While the log is paused only the word that ends the pause is kept.
        if self.paused && !self.would_resume(phrase) {
            let text = self.hint(phrase, "paused: not kept".to_owned());
            return Ok(Answer { shown: shown(phrase.start_ms, &text), text });
        }
        let seq = self.journal.append_now(&Entry::Phrase(phrase.clone()))?;
        let reading = self.hear(seq, phrase);
        if let Some(second) = &self.second {
            second.say(seq, &phrase.text);
        }
        self.found.insert(seq, echo::found(&reading, self.lex));
        let text = self.answer(&reading)?;
        let text = match text == NOT_UNDERSTOOD {
            true => self.hint(phrase, text),
            false => text,
        };
        self.journal.append_now(&Entry::Echo(Echo { phrase: seq, text: text.clone() }))?;
        Ok(Answer { shown: shown(phrase.start_ms, &text), text })
    }

    /// What was not understood, with the words of command that are near it.
    fn hint(&self, phrase: &Phrase, text: String) -> String {
        let near = match phrase.text.trim().to_lowercase().as_str() {
            "help" => controls::list(self.lex),
            words => controls::nearest(words, self.lex),
        };
        match near.is_empty() {
            true => text,
            false => format!("{text}; say {}", near.join(", or ")),
        }
    }

    fn answer(&mut self, reading: &Reading) -> Result<String, Failure> {
        let mut parts = Vec::new();
        for c in &reading.controls {
            match c.as_str() {
                "read-back" => {
                    parts.push(self.echoer.last().unwrap_or("nothing logged yet").to_owned());
                }
                "elapsed" => {
                    parts.push(format!("{} since the start", words::clock(self.clock.exam_ms())));
                }
                "what-is-left" => parts.push(format!("left: {}", self.left()?.join("; "))),
                _ => {}
            }
        }
        let read = self.echoer.answer(reading, self.lex);
        if !read.is_empty() {
            parts.insert(0, read);
        }
        Ok(parts.join("; "))
    }

    /// What is left to do, one line a section.
    pub(super) fn left(&self) -> Result<Vec<String>, Failure> {
        Ok(text::left(&self.to_do()?, self.lex))
    }

    /// Writes the end of the log. A phrase that finished it has done so already in words.
    fn finish(mut self) -> Outcome {
        // A second reader that fails takes nothing from what was logged.
        match self.second.take().map_or(Ok(Vec::new()), Beside::finish) {
            Ok(all) => {
                for m in all {
                    self.journal.append_now(&Entry::Marks(m))?;
                }
            }
            Err(p) => output::warn(&p.to_string()),
        }
        self.journal.append_now(&Entry::End)?;
        let Log { exam, lexicon, journal, refused, .. } = self;
        drop(journal);
        let o = open::exam(exam, lexicon)?;
        let shown = exam.display();
        output::put(&format!(
            "finished: {}, {}, {} unsettled\nnext: cotside gaps {shown}\n",
            words::count(o.exam.timeline.len(), "phrase", "phrases"),
            words::count(o.exam.findings.len(), "finding", "findings"),
            o.exam.unsettled().count(),
        ))?;
        Ok(if refused { Exit::Input } else { Exit::Ok })
    }
}

/// The answer to a phrase.
pub(super) struct Answer {
    /// In words.
    pub text: String,
    /// As a line for the screen.
    pub shown: String,
}

/// The answer as it is shown: time, then what was understood, one line, large and plain.
fn shown(at_ms: u64, text: &str) -> String {
    let style = match text {
        t if t.starts_with(NOT_UNDERSTOOD) => {
            Style::new().bold().fg_color(Some(AnsiColor::Red.into()))
        }
        t if t.contains("needs you") => {
            Style::new().bold().fg_color(Some(AnsiColor::Yellow.into()))
        }
        _ => Style::new().bold(),
    };
    format!("{:>7}  {style}{text}{style:#}", words::clock(at_ms))
}

/// A line from the pipe with when its first byte came, or nothing at the end.
type Piped = io::Result<Option<(u64, Vec<u8>)>>;

fn on_pipe(log: &mut Log<'_>) -> Result<(), Failure> {
    let clock = log.exam_clock();
    let (next, asked) = channel::<()>();
    let (send, lines) = channel::<Piped>();
    // Reading may wait for ever, and what the second reader marks meanwhile is written down. Each line is
    // asked for, so that its time is not that of the answer before.
    thread::spawn(move || {
        while asked.recv().is_ok() {
            if send.send(piped(&clock)).is_err() {
                return;
            }
        }
    });
    while !log.finished {
        if next.send(()).is_err() {
            return Ok(());
        }
        let line = loop {
            match lines.recv_timeout(ROUND) {
                Ok(line) => break line?,
                // What feeds the pipe takes one line for one answer: news are kept, and not shown.
                Err(RecvTimeoutError::Timeout) => drop(log.news()?),
                Err(RecvTimeoutError::Disconnected) => return Ok(()),
            }
        };
        let Some((start_ms, bytes)) = line else { return Ok(()) };
        log.news()?;
        let text = String::from_utf8_lossy(&bytes);
        if text.trim() == "?" {
            output::line(&log.left()?.join("\n"))?;
        } else if let Some(phrase) = typed(&text, start_ms, log.clock.exam_ms()) {
            // One line an answer, however long: what feeds the pipe may read line by line.
            output::raw(&format!("{}\n", log.log(&phrase)?.shown))?;
        }
    }
    Ok(())
}

fn piped(clock: &ExamClock) -> Piped {
    let mut input = io::stdin().lock();
    // The first byte to arrive stands for the first key.
    if input.fill_buf()?.is_empty() {
        return Ok(None);
    }
    let start_ms = clock.exam_ms();
    let mut bytes = Vec::new();
    input.read_until(b'\n', &mut bytes)?;
    Ok(Some((start_ms, bytes)))
}

/// The terminal without its own line editing, given back when this is dropped.
pub(super) struct Raw;

impl Raw {
    pub(super) fn begin() -> io::Result<Self> {
        terminal::enable_raw_mode().map(|()| Raw)
    }
}

impl Drop for Raw {
    fn drop(&mut self) {
        // Nothing better can be done when the terminal is gone.
        let _ = terminal::disable_raw_mode();
    }
}

/// What a key comes to.
pub(super) enum Keyed {
    /// Nothing yet.
    Nothing,
    /// A phrase.
    Phrase(Phrase),
    /// What is left is asked for.
    Ask,
    /// The exam is over.
    End,
}

/// Takes a key at `now_ms` on the exam clock into the line being typed.
pub(super) fn keyed(line: &mut Line, key: KeyEvent, now_ms: u64) -> Keyed {
    if key.kind == KeyEventKind::Release {
        return Keyed::Nothing;
    }
    let ctrl = key.modifiers.contains(KeyModifiers::CONTROL);
    let press = match key.code {
        KeyCode::Char('c') if ctrl => return Keyed::End,
        KeyCode::Char('d') if ctrl && line.text().is_empty() => return Keyed::End,
        KeyCode::Char('u') if ctrl => Press::Clear,
        KeyCode::Char('w') if ctrl => Press::BackWord,
        KeyCode::Char(_) if ctrl => return Keyed::Nothing,
        KeyCode::Char(c) => Press::Char(c),
        KeyCode::Backspace => Press::Backspace,
        KeyCode::Esc => Press::Clear,
        KeyCode::Enter => Press::Enter,
        _ => return Keyed::Nothing,
    };
    let asks = press == Press::Enter && line.text().trim() == "?";
    match line.press(press, now_ms) {
        Some(_) if asks => Keyed::Ask,
        Some(p) => Keyed::Phrase(p),
        None => Keyed::Nothing,
    }
}

fn on_terminal(log: &mut Log<'_>) -> Result<(), Failure> {
    let raw = Raw::begin()?;
    let mut line = Line::default();
    prompt(&line, log)?;
    while !log.finished {
        let news = log.news()?;
        for line in &news {
            above(line)?;
        }
        if !news.is_empty() {
            prompt(&line, log)?;
        }
        if !event::poll(ROUND)? {
            continue;
        }
        let Event::Key(key) = event::read()? else {
            prompt(&line, log)?;
            continue;
        };
        match keyed(&mut line, key, log.clock.exam_ms()) {
            Keyed::Nothing => {}
            Keyed::End => break,
            Keyed::Ask => above(&log.left()?.join("\r\n"))?,
            Keyed::Phrase(p) => above(&format!("{}\r\n{}", shown_phrase(&p), log.log(&p)?.shown))?,
        }
        prompt(&line, log)?;
    }
    // A line being typed when the exam is ended was not logged, and is said so.
    let rest = line.text().trim().to_owned();
    above("")?;
    drop(raw);
    if !rest.is_empty() {
        output::warn(&format!("not logged, Enter was not pressed: {rest}"));
    }
    Ok(())
}

pub(super) fn shown_phrase(p: &Phrase) -> String {
    format!("{:>7}  {}", "", crate::report::explain::printable(&p.text))
}

/// Writes a line where the prompt stands, which comes again below it.
pub(super) fn above(text: &str) -> io::Result<()> {
    let mut out = anstream::stdout().lock();
    let text = output::broken(text, output::width()).replace("\r\n", "\n").replace('\n', "\r\n");
    write!(out, "\r\x1b[K{text}\r\n")?;
    out.flush()
}

fn prompt(line: &Line, log: &Log<'_>) -> io::Result<()> {
    let width = terminal::size().map_or(80, |(w, _)| usize::from(w));
    let at = words::clock(line.first_key_ms().unwrap_or_else(|| log.clock.exam_ms()));
    let mark = if log.paused { "||" } else { ">" };
    let head = format!("{at:>7} {mark} ");
    // Only the end of a long line is shown, so that it never wraps.
    let room = width.saturating_sub(head.chars().count() + 1).max(8);
    let count = line.text().chars().count();
    let tail: String = line.text().chars().skip(count.saturating_sub(room)).collect();
    let mut out = io::stdout().lock();
    write!(out, "\r\x1b[K{head}{tail}")?;
    out.flush()
}
