//! The second reader: at the end of a log read at once, and beside a log that is being written.

use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::thread::{self, JoinHandle};

use super::exit::Failure;
use super::output;
use crate::journal::{self, Entry, Line};
use crate::lexicon::Lexicon;
use crate::problem::Problem;
use crate::tagger::{Marks, Stream, Tagger, files};

/// Marks of the phrases of an exam that have none. None where the second reader is not installed, turned off
/// or knows nothing of the lexicon; the first is said.
///
/// # Errors
/// When the journal cannot be read, or the second reader is broken.
pub fn marks(exam: &Path, lex: &Lexicon) -> Result<Vec<Marks>, Failure> {
    let Some(tagger) = Tagger::installed()? else {
        tell_not_installed();
        return Ok(Vec::new());
    };
    if !tagger.serves(lex) {
        return Ok(Vec::new());
    }
    let lines = journal::read(exam)?.lines;
    let marked: HashSet<u64> = marks_of(&lines).keys().copied().collect();
    let mut stream = Stream::new(tagger);
    for line in &lines {
        if let Entry::Phrase(p) = &line.entry {
            stream.take(line.seq, &p.text, !marked.contains(&line.seq));
        }
    }
    Ok(stream.ready(true)?)
}

fn tell_not_installed() {
    if !files::off() {
        output::warn(
            "the second reader is not installed, and everything is read by rules alone, which \
             leave more unsettled: run `cotside model install`",
        );
    }
}

/// The last marks of each phrase.
fn marks_of(lines: &[Line]) -> HashMap<u64, Marks> {
    lines
        .iter()
        .filter_map(|l| match &l.entry {
            Entry::Marks(m) => Some((m.phrase, m.clone())),
            _ => None,
        })
        .collect()
}

/// How much the chance of a mark must move for a phrase to be marked anew while more is being said.
const MOVED: f32 = 0.1;
/// Marks less likely than this change nothing that is shown.
const SHOWN: f32 = 0.2;
/// Words at the end of a log taken up again whose marks may have been made before all was said behind them.
const OPEN_WORDS: usize = 160;

/// The second reader at work while the exam goes on, in a thread of its own: after every phrase it reads as
/// far as was said, and marks a phrase anew when what comes behind changes what it makes of it.
pub struct Beside {
    say: Sender<(u64, String, bool)>,
    heard: Receiver<Result<Marks, Problem>>,
    thread: JoinHandle<()>,
}

impl Beside {
    /// Begins, with what was said before. None where the second reader is turned off or not installed; the
    /// latter is said.
    pub fn begin(lex: &Lexicon, earlier: &[Line]) -> Option<Self> {
        if files::off() || !files::folder().is_ok_and(|dir| files::present(&dir)) {
            tell_not_installed();
            return None;
        }
        let known: HashSet<String> = lex.items.iter().map(|i| i.id.clone()).collect();
        let (say, phrases) = channel();
        let (tell, heard) = channel();
        let marked = marks_of(earlier);
        let said: Vec<(u64, &str)> = earlier
            .iter()
            .filter_map(|l| match &l.entry {
                Entry::Phrase(p) => Some((l.seq, p.text.as_str())),
                _ => None,
            })
            .collect();
        let mut behind: usize = said.iter().map(|(_, t)| t.split_whitespace().count()).sum();
        for (seq, text) in said {
            behind -= text.split_whitespace().count();
            let owed = behind < OPEN_WORDS || !marked.contains_key(&seq);
            say.send((seq, text.to_owned(), owed)).ok()?;
        }
        let thread = thread::spawn(move || read_along(&phrases, &tell, &known, marked));
        Some(Beside { say, heard, thread })
    }

    /// Tells it what was said.
    pub fn say(&self, seq: u64, text: &str) {
        // A thread that ended has told why.
        let _ = self.say.send((seq, text.to_owned(), true));
    }

    /// What it marked since it was asked last. Never waits.
    ///
    /// # Errors
    /// When the second reader is broken; it then reads no more.
    pub fn marks(&self) -> Result<Vec<Marks>, Problem> {
        let mut out = Vec::new();
        loop {
            match self.heard.try_recv() {
                Ok(m) => out.push(m?),
                Err(TryRecvError::Empty | TryRecvError::Disconnected) => return Ok(out),
            }
        }
    }

    /// The last marks, when nothing more will be said.
    ///
    /// # Errors
    /// When the second reader is broken.
    pub fn finish(self) -> Result<Vec<Marks>, Problem> {
        drop(self.say);
        let out = self.heard.iter().collect();
        // It holds nothing that would be lost.
        let _ = self.thread.join();
        out
    }
}

fn read_along(
    phrases: &Receiver<(u64, String, bool)>,
    tell: &Sender<Result<Marks, Problem>>,
    known: &HashSet<String>,
    mut marked: HashMap<u64, Marks>,
) {
    let mut give = |read: Result<(Vec<Marks>, Vec<Marks>), Problem>| -> bool {
        let (whole, rest) = match read {
            Ok(read) => read,
            Err(p) => {
                let _ = tell.send(Err(p));
                return false;
            }
        };
        let whole = whole.into_iter().map(|m| (m, true));
        for (m, last) in whole.chain(rest.into_iter().map(|m| (m, false))) {
            let new = marked.get(&m.phrase).is_none_or(|old| match last {
                true => *old != m,
                false => differs(old, &m),
            });
            if new {
                marked.insert(m.phrase, m.clone());
                if tell.send(Ok(m)).is_err() {
                    return false;
                }
            }
        }
        true
    };
    let tagger = match Tagger::installed() {
        Ok(Some(t)) if t.knows(|i| known.contains(i)) => t,
        Ok(Some(_)) => return,
        Ok(None) => return,
        Err(p) => {
            give(Err(p));
            return;
        }
    };
    let mut stream = Stream::new(tagger);
    while let Ok((seq, text, owed)) = phrases.recv() {
        stream.take(seq, &text, owed);
        for (seq, text, owed) in phrases.try_iter() {
            stream.take(seq, &text, owed);
        }
        if !give(stream.so_far()) {
            return;
        }
    }
    give(stream.ready(true).map(|m| (m, Vec::new())));
}

/// Whether two marks of a phrase differ in what a person would see.
fn differs(a: &Marks, b: &Marks) -> bool {
    type Shown = (String, String, Option<String>, f32);
    let shown = |m: &Marks| -> Vec<Shown> {
        let likely = m.marks.iter().filter(|k| k.chance() >= SHOWN);
        likely.map(|k| (k.item.clone(), k.value.clone(), k.side.clone(), k.chance())).collect()
    };
    let (x, y) = (shown(a), shown(b));
    let same = |(p, q): (&Shown, &Shown)| {
        (&p.0, &p.1, &p.2) == (&q.0, &q.1, &q.2) && (p.3 - q.3).abs() <= MOVED
    };
    x.len() != y.len() || !x.iter().zip(&y).all(same) || (a.aside - b.aside).abs() > 2.0 * MOVED
}
