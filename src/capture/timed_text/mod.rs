//! Reads a timed text (WebVTT, SRT, stamped lines or JSON lines) into [`Phrase`]s.
//!
//! The parsing is our own: of the crates at hand `webvtt` drops a malformed cue without a word,
//! `subtp` stops at the first fault and `srtparse` names no line, while this reader owes its user
//! every fault at once, each with its line and column.
//!
//! The format is told from the content, never from the file name. Where a standard tells a reader
//! to skip what it cannot read, this one reports it: words said at the bedside must not vanish
//! because of a typing slip in the file around them. Either every cue or line is read, or the
//! whole file is refused with all its faults.
//!
//! | format | times | end of a phrase | `Phrase::line` |
//! |---|---|---|---|
//! | WebVTT | `00:01:02.500 --> 00:01:04.000` | as written | ordinal of the cue |
//! | SRT | `00:01:02,500 --> 00:01:04,000` | as written | ordinal of the cue |
//! | stamped lines | `[1:02.5] words` | estimated, see [`ESTIMATED_MS_PER_WORD`] | input line |
//! | JSON lines | `{"at_ms": 62500, "text": "words"}` | `end_ms`, else estimated | input line |

mod clock;
mod cues;
mod encoding;
mod jsonl;
mod report;
mod srt;
mod stamped;
mod webvtt;

use super::phrase::{Alternative, Phrase, Source};
use crate::problem::Problem;
use report::Report;
use std::fmt;

pub use clock::MAX_MS;
pub use encoding::MAX_LINE_BYTES;
pub use report::MAX_PROBLEMS;

/// How long a spoken word is taken to last, in milliseconds, where the input gives a phrase no
/// end of its own.
///
/// 250 ms a word is 240 words a minute, a brisk talker, so that the estimate errs towards an end
/// that is too early. Common practice, no single source. Nothing but the display of a phrase's
/// length hangs on it.
pub const ESTIMATED_MS_PER_WORD: u64 = 250;

/// Which kind of timed text was recognised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Format {
    /// WebVTT, as the W3C defines it.
    WebVtt,
    /// SubRip subtitles.
    Srt,
    /// One `[m:ss] words` a line.
    Stamped,
    /// One JSON object a line.
    JsonLines,
}

impl fmt::Display for Format {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Format::WebVtt => "WebVTT",
            Format::Srt => "SRT",
            Format::Stamped => "stamped lines",
            Format::JsonLines => "JSON lines",
        })
    }
}

/// A timed text, read whole.
#[derive(Debug, Clone, PartialEq)]
pub struct TimedText {
    /// The format that was recognised.
    pub format: Format,
    /// The phrases by start time; those of one start time stay in the order of the file. Never
    /// empty.
    pub phrases: Vec<Phrase>,
    /// What is odd but lost nothing: cues out of order, overlaps, cues without words and the like,
    /// by line. At most [`MAX_PROBLEMS`] and then one that gives the number of the rest.
    pub warnings: Vec<Problem>,
}

/// A phrase on its way: its end may still be unknown, and its place in the file is at hand.
#[derive(Debug)]
struct Draft {
    text: String,
    start_ms: u64,
    /// `None` where the input gives no end.
    end_ms: Option<u64>,
    /// What becomes [`Phrase::line`].
    ordinal: u32,
    /// The line of the file to point at, from 1.
    line: usize,
    speaker: Option<String>,
    alternatives: Vec<Alternative>,
}

/// Reads a timed text. `name` is the file as the user named it, and serves the messages only.
///
/// The text may be UTF-8 (with or without a byte-order mark) or UTF-16 with a byte-order mark;
/// lines end with LF, CR LF or CR. Times are milliseconds since the start of the exam.
///
/// # Errors
///
/// Every fault found, by line, at most one a line: the first [`MAX_PROBLEMS`] and then one that
/// gives the number of the rest. The list is never empty. No input makes this panic, and no cue
/// or line is left out because it is malformed.
pub fn read_timed_text(name: &str, bytes: &[u8]) -> Result<TimedText, Vec<Problem>> {
    let text = encoding::decode(name, bytes)?;
    let lines = encoding::split_lines(&text);
    let mut report = Report::new(name, &lines);
    encoding::check_lines(&lines, &mut report);

    let Some(format) = recognise(&lines) else {
        return Err(report.refuse(unrecognised(&lines)));
    };
    let drafts = match format {
        Format::WebVtt => webvtt::read(&lines, &mut report),
        Format::Srt => srt::read(&lines, &mut report),
        Format::Stamped => stamped::read(&lines, &mut report),
        Format::JsonLines => jsonl::read(&lines, &mut report),
    };
    if drafts.is_empty() {
        report.error_in_file(
            format!("no phrase in this {format} file"),
            "give at least one time with its words",
        );
    }
    let phrases = settle(drafts, &mut report);
    let warnings = report.finish()?;
    Ok(TimedText { format, phrases, warnings })
}

/// Tells the format from the first line that is neither blank nor a `#` comment, and where that
/// line says nothing, from the first later one that does.
///
/// The second look is what makes a slip on the first line an error at that line instead of a
/// refusal of the whole file.
fn recognise(lines: &[&str]) -> Option<Format> {
    let telling = |line: &&str| {
        let line = line.trim();
        if line.starts_with('{') && !line.starts_with("{\\") {
            Some(Format::JsonLines)
        } else if line.starts_with('[') && stamped::looks_stamped(line) {
            Some(Format::Stamped)
        } else if cues::looks_timed(line) {
            Some(Format::Srt)
        } else if stamped::looks_stamped(line) {
            // A slip in the arrow of the first cue makes it look like a stamped line.
            let is_srt = lines.iter().any(|line| cues::looks_timed(line));
            Some(if is_srt { Format::Srt } else { Format::Stamped })
        } else {
            None
        }
    };
    let mut lines = lines.iter().filter(|line| {
        let line = line.trim();
        !line.is_empty() && !line.starts_with('#')
    });
    let first = lines.next()?;
    // `WEBVTT` counts only as the first word of a file: later it may be a word of the text.
    if webvtt::looks_signed(first) {
        return Some(Format::WebVtt);
    }
    telling(first).or_else(|| lines.find_map(telling))
}

/// What to say of a text in none of the formats.
fn unrecognised(lines: &[&str]) -> (&'static str, &'static str) {
    let is_array = lines
        .iter()
        .find(|line| !line.trim().is_empty())
        .is_some_and(|line| line.trim_start().starts_with('['));
    if lines.iter().all(|line| line.trim().is_empty() || line.trim_start().starts_with('#')) {
        ("no phrase in this file, only blank lines and comments", stamped::HELP)
    } else if is_array && lines.iter().any(|line| line.contains('"')) {
        ("a JSON array is not a timed text", jsonl::HELP)
    } else {
        (
            "not a timed text: no line has a time",
            "give WebVTT (first line `WEBVTT`), SRT (`00:00:02,400 --> 00:00:04,000`), stamped \
             lines (`[0:02.4] words`) or JSON lines (`{\"at_ms\": 2400, \"text\": \"words\"}`)",
        )
    }
}

/// Sorts by start, fills in the missing ends, and warns of what is out of order or overlaps.
fn settle(mut drafts: Vec<Draft>, report: &mut Report<'_>) -> Vec<Phrase> {
    let mut latest: Option<(u64, usize)> = None;
    for draft in &drafts {
        match latest {
            Some((start, line)) if draft.start_ms < start => report.warn(
                draft.line,
                None,
                format!(
                    "out of order: starts at {}, before line {line} ({}); sorted by start",
                    clock::show(draft.start_ms),
                    clock::show(start)
                ),
                None,
            ),
            _ => latest = Some((draft.start_ms, draft.line)),
        }
    }
    drafts.sort_by_key(|draft| draft.start_ms);

    let starts: Vec<u64> = drafts.iter().map(|draft| draft.start_ms).collect();
    let mut furthest: Option<(u64, usize)> = None;
    let mut phrases = Vec::with_capacity(drafts.len());
    for (i, draft) in drafts.into_iter().enumerate() {
        let end_ms = draft.end_ms.unwrap_or_else(|| {
            let words = draft.text.split_whitespace().count() as u64;
            let guess = draft.start_ms + ESTIMATED_MS_PER_WORD * words;
            starts.get(i + 1).map_or(guess, |next| guess.min(*next))
        });
        // Two voices of one cue share its line and its times: that is no overlap.
        if let Some((end, line)) = furthest
            && draft.start_ms < end
            && draft.line != line
        {
            report.warn(
                draft.line,
                None,
                format!(
                    "overlap: starts at {}, before line {line} ends ({}); both are kept",
                    clock::show(draft.start_ms),
                    clock::show(end)
                ),
                None,
            );
        }
        if furthest.is_none_or(|(end, _)| end < end_ms) {
            furthest = Some((end_ms, draft.line));
        }
        phrases.push(Phrase {
            text: draft.text,
            start_ms: draft.start_ms,
            end_ms,
            source: Source::TimedText,
            line: Some(draft.ordinal),
            speaker: draft.speaker,
            alternatives: draft.alternatives,
            words: Vec::new(),
            certainty: None,
        });
    }
    phrases
}
