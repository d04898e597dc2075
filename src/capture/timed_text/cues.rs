//! What WebVTT and SRT share: blocks between blank lines, and time lines with an arrow.

use super::clock::{self, Fault, Style};
use super::report::Report;

/// What makes a line a time line, in both formats.
pub(super) const ARROW: &str = "-->";

/// Whether a line has a time and nothing else before an arrow, the time being right or not.
pub(super) fn looks_timed(line: &str) -> bool {
    line.split_once(ARROW).is_some_and(|(start, _)| {
        clock::starts_like_time(start) && !start.trim().contains(char::is_whitespace)
    })
}

/// A run of lines between blank lines.
#[derive(Debug, Clone, Copy)]
pub(super) struct Block<'a> {
    /// The lines; never none.
    pub lines: &'a [&'a str],
    /// The number of the first in the file, from 1.
    pub first: usize,
}

/// The blocks from the line with index `from` on.
pub(super) fn blocks<'a>(
    lines: &'a [&'a str],
    from: usize,
    is_blank: fn(&str) -> bool,
) -> Vec<Block<'a>> {
    let mut found = Vec::new();
    let mut at = from;
    while at < lines.len() {
        if is_blank(lines[at]) {
            at += 1;
            continue;
        }
        let len = lines[at..].iter().take_while(|line| !is_blank(line)).count();
        found.push(Block { lines: &lines[at..at + len], first: at + 1 });
        at += len;
    }
    found
}

/// A cue whose times are read and whose words are still as written.
#[derive(Debug, Clone, Copy)]
pub(super) struct RawCue<'a> {
    /// Start, milliseconds.
    pub start_ms: u64,
    /// End, milliseconds; after the start.
    pub end_ms: u64,
    /// The time line's number in the file, from 1.
    pub line: usize,
    /// The lines of words; they follow the time line.
    pub payload: &'a [&'a str],
}

/// The cues of a block, one for each line with an arrow; `None` for one whose times are faulty,
/// so that the count goes on.
///
/// A second arrow in a block starts a new cue, as in "collect a WebVTT block" (WebVTT section
/// 6.1), but is an error here: the line before it would be read as words of the cue before, and
/// the number of a cue must never pass for a number that was said.
pub(super) fn cues<'a>(
    block: Block<'a>,
    style: Style,
    help: &str,
    report: &mut Report<'_>,
) -> Vec<Option<RawCue<'a>>> {
    let arrows: Vec<usize> =
        (0..block.lines.len()).filter(|i| block.lines[*i].contains(ARROW)).collect();
    let mut found = Vec::with_capacity(arrows.len());
    for (nth, &i) in arrows.iter().enumerate() {
        let line = block.first + i;
        let end = arrows.get(nth + 1).copied().unwrap_or(block.lines.len());
        let times = scan_times(block.lines[i], style);
        if nth > 0 {
            let at = block.lines[i].find(ARROW);
            if times.is_ok() {
                report.error(
                    line,
                    None,
                    "a cue begins without a blank line before it",
                    "put an empty line before the cue; a line of spaces only is not empty in WebVTT",
                );
            } else {
                report.error(
                    line,
                    at,
                    "`-->` cannot stand among the words of a cue",
                    format!("say it in words, or, for a time line, {help}"),
                );
            }
        }
        found.push(match times {
            Ok((start_ms, end_ms)) => {
                Some(RawCue { start_ms, end_ms, line, payload: &block.lines[i + 1..end] })
            }
            Err(fault) => {
                report.error(line, Some(fault.at), fault.message, help);
                None
            }
        });
    }
    found
}

/// Start and end of a time line. What follows the end may only be `name:value` settings, which
/// say where a text is drawn and are ignored; a bare word there could be a spoken one.
fn scan_times(line: &str, style: Style) -> Result<(u64, u64), Fault> {
    let skip = |at: usize| {
        let rest = &line[at..];
        at + (rest.len() - rest.trim_start_matches([' ', '\t']).len())
    };
    let from = skip(0);
    let (start_ms, at) = clock::scan(line, from, style)?;
    let at = skip(at);
    if !line[at..].starts_with(ARROW) {
        return Err(Fault::new(
            at,
            format!("`-->` must follow the start time, found {}", clock::quote(line, at)),
        ));
    }
    let to = skip(at + ARROW.len());
    let (end_ms, at) = clock::scan(line, to, style)?;
    if end_ms <= start_ms {
        return Err(Fault::new(
            to,
            format!(
                "the cue ends at {}, not after its start at {}",
                clock::show(end_ms),
                clock::show(start_ms)
            ),
        ));
    }
    let mut next = skip(at);
    if next == at && at < line.len() {
        return Err(Fault::new(
            at,
            format!("a space must follow the end time, found {}", clock::quote(line, at)),
        ));
    }
    while next < line.len() {
        let len = line[next..].find([' ', '\t']).unwrap_or(line.len() - next);
        let word = &line[next..next + len];
        if !word.split_once(':').is_some_and(|(name, value)| !name.is_empty() && !value.is_empty())
        {
            return Err(Fault::new(
                next,
                format!(
                    "only settings like `align:start` may follow the times, found `{}`; words go \
                     on the next line",
                    clock::clip(word)
                ),
            ));
        }
        next = skip(next + len);
    }
    Ok((start_ms, end_ms))
}

/// The lines of a cue as one: each trimmed, those without words left out, joined by a space.
pub(super) fn join(text: &str) -> String {
    text.split('\n').map(str::trim).filter(|line| !line.is_empty()).collect::<Vec<_>>().join(" ")
}

/// Reports lines that are neither a cue nor anything else the format knows: the words before the
/// first time line of a block, or a block without one.
pub(super) fn stray(block: Block<'_>, help: &str, report: &mut Report<'_>) {
    let meant = block.lines.iter().take(2).position(|line| clock::starts_like_time(line));
    if let Some(i) = meant
        && !block.lines[i].contains(ARROW)
    {
        report.error(block.first + i, None, "a time line without `-->`", help);
        return;
    }
    report.error(
        block.first,
        None,
        "words outside any cue: no time line stands directly above them",
        format!("an empty line ends a cue, so remove it or give these words a time: {help}"),
    );
}

/// Warns of a cue without words.
pub(super) fn warn_empty(line: usize, ordinal: u32, report: &mut Report<'_>) {
    report.warn(line, None, format!("cue {ordinal} has no words and gives no phrase"), None);
}
