//! WebVTT, after "WebVTT: The Web Video Text Tracks Format" of the W3C.
//!
//! Section numbers are those of the Candidate Recommendation of 4 April 2019. Times, blocks and
//! tags are taken apart as its section 6 ("Parsing") says; where that section would drop words
//! without a trace, its section 4 ("Syntax") decides, and what breaks it is an error.

use super::Draft;
use super::clock::{self, Style};
use super::cues::{self, Block};
use super::report::Report;

const TIME: Style =
    Style { hours_needed: false, short_minutes: true, marks: &['.'], millis_needed: true };

const HELP: &str = "write `01:02.500 --> 01:04.000` or `00:01:02.500 --> 00:01:04.000`";

const TAG_HELP: &str = "write `&lt;` where the sign itself is meant";

const OPEN_HELP: &str =
    "close the tag with `>`, as in `<v Name>`, or write `&lt;` where the sign itself is meant";

/// The tags of section 4.2.2, "WebVTT caption or subtitle text".
const TAGS: [&str; 8] = ["c", "i", "b", "u", "ruby", "rt", "v", "lang"];

/// Reads the cues; header text, comments, style sheets and regions are skipped.
pub(super) fn read(lines: &[&str], report: &mut Report<'_>) -> Vec<Draft> {
    let mut drafts = Vec::new();
    let mut ordinal = 0u32;
    for block in cues::blocks(lines, read_header(lines, report), str::is_empty) {
        let aside = aside(block.lines[0]);
        let Some(arrow) = block.lines.iter().position(|line| line.contains(cues::ARROW)) else {
            match aside {
                None => cues::stray(block, HELP, report),
                // Section 4.1: style sheets and regions stand before the first cue.
                Some(what) if what != "NOTE" && ordinal > 0 => report.warn(
                    block.first,
                    None,
                    format!("a {what} block after the first cue is not part of WebVTT; skipped"),
                    None,
                ),
                Some(_) => {}
            }
            continue;
        };
        if arrow > 0
            && let Some(what) = aside
        {
            if arrow == 1 && what == "NOTE" {
                report.warn(
                    block.first,
                    None,
                    "this is a cue with the name NOTE, not a comment, since a time line follows",
                    Some("to leave a cue out, remove it".to_owned()),
                );
            } else {
                report.error(
                    block.first + arrow,
                    block.lines[arrow].find(cues::ARROW),
                    format!("`-->` cannot stand in a {what} block"),
                    "put an empty line before a cue; to leave a cue out, remove it",
                );
                continue;
            }
        } else if arrow > 1 {
            cues::stray(block, HELP, report);
        }
        for cue in cues::cues(block, TIME, HELP, report) {
            ordinal = ordinal.saturating_add(1);
            let Some(cue) = cue else { continue };
            let payload = Block { lines: cue.payload, first: cue.line + 1 };
            let Some(voices) = read_words(payload, report) else { continue };
            if voices.is_empty() {
                cues::warn_empty(cue.line, ordinal, report);
            }
            drafts.extend(voices.into_iter().map(|voice| Draft {
                text: voice.text,
                start_ms: cue.start_ms,
                end_ms: Some(cue.end_ms),
                ordinal,
                line: cue.line,
                speaker: voice.speaker,
                alternatives: Vec::new(),
            }));
        }
    }
    drafts
}

/// Whether a line begins as the first of a WebVTT file should, in capitals or not.
pub(super) fn looks_signed(line: &str) -> bool {
    line.trim_start().get(..6).is_some_and(|start| start.eq_ignore_ascii_case("WEBVTT"))
}

/// Checks the first line and gives the index of the line where blocks begin.
fn read_header(lines: &[&str], report: &mut Report<'_>) -> usize {
    const FIRST: &str = "the first line must read `WEBVTT`, alone or with a space and a title";
    // The recogniser saw the word, if not on the first line or not in capitals.
    let at = lines.iter().position(|line| looks_signed(line)).unwrap_or(0);
    let line = lines[at];
    if at > 0 {
        report.error(at + 1, None, "`WEBVTT` stands below the first line of the file", FIRST);
    } else {
        match line.strip_prefix("WEBVTT") {
            Some(rest) if rest.is_empty() || rest.starts_with([' ', '\t']) => {}
            Some(rest) => {
                let found = clock::quote(rest, 0);
                report.error(
                    1,
                    Some(6),
                    format!("a space must follow WEBVTT, found {found}"),
                    FIRST,
                );
            }
            None => report.error(1, Some(0), "the first line is not `WEBVTT`", FIRST),
        }
    }
    // Section 6.1: a header goes on to the first empty line or to the first time line.
    let header = lines[at + 1..]
        .iter()
        .take_while(|line| !line.is_empty() && !line.contains(cues::ARROW))
        .count();
    let end = at + 1 + header;
    if lines.get(end).is_some_and(|line| line.contains(cues::ARROW)) {
        report.warn(
            end + 1,
            None,
            "the first cue begins without an empty line after the header",
            None,
        );
    }
    end
}

/// The kind of block, if its first line makes it something else than a cue (section 4.1).
fn aside(line: &str) -> Option<&'static str> {
    let is = |word: &str, may_go_on: bool| {
        line.strip_prefix(word).is_some_and(|rest| {
            rest.trim_matches([' ', '\t']).is_empty()
                || (may_go_on && rest.starts_with([' ', '\t']))
        })
    };
    if is("NOTE", true) {
        Some("NOTE")
    } else if is("STYLE", false) {
        Some("STYLE")
    } else if is("REGION", false) {
        Some("REGION")
    } else {
        None
    }
}

/// What one voice says in a cue.
#[derive(Debug)]
struct Voice {
    speaker: Option<String>,
    text: String,
}

/// The words of a cue by voice: tags taken out, character references decoded (section 6.4, "cue
/// text parsing rules"). `None` after a fault.
///
/// A cue in which several speak gives one entry for each turn, so that no word is put into
/// another's mouth.
fn read_words(payload: Block<'_>, report: &mut Report<'_>) -> Option<Vec<Voice>> {
    if (0..payload.lines.len()).any(|i| report.is_faulty(payload.first + i)) {
        return None;
    }
    let text = payload.lines.join("\n");
    // The line, and the byte in it, of a byte of `text`.
    let newlines: Vec<usize> = text.match_indices('\n').map(|(at, _)| at).collect();
    let place = |at: usize| {
        let above = newlines.partition_point(|newline| *newline < at);
        (payload.first + above, at - above.checked_sub(1).map_or(0, |i| newlines[i] + 1))
    };

    let mut voices: Vec<Voice> = Vec::new();
    // The open tags, and for each the speaker from there on.
    let mut open: Vec<(&str, Option<String>)> = Vec::new();
    let mut at = 0;
    while at < text.len() {
        let end = text[at..].find('<').map_or(text.len(), |len| at + len);
        let speaker = open.last().and_then(|(_, speaker)| speaker.clone());
        push_words(&mut voices, speaker, &unescape(&text[at..end], at, &place, report)?);
        if end == text.len() {
            break;
        }

        let (line, byte) = place(end);
        // A `<` within a tag is let pass by the standard, as a part of the tag; what it means is
        // that the first tag was never closed and has swallowed the words up to here.
        let Some(len) = text[end + 1..]
            .find(['<', '>'])
            .map(|len| len + 1)
            .filter(|len| text[end + len..].starts_with('>'))
        else {
            report.error(line, Some(byte), "`<` opens a tag that no `>` closes", OPEN_HELP);
            return None;
        };
        let tag = &text[end + 1..end + len];
        at = end + len + 1;
        if let Some(name) = tag.strip_prefix('/') {
            close(&mut open, name);
        } else if tag.starts_with(|c: char| c.is_ascii_digit()) {
            if !clock::scan(tag, 0, TIME).is_ok_and(|(_, end)| end == tag.len()) {
                let tag = clock::clip(tag);
                let message = format!("`<{tag}>` is neither a tag nor a time");
                report.error(line, Some(byte), message, TAG_HELP);
                return None;
            }
        } else {
            let (head, annotation) =
                tag.split_once([' ', '\t', '\n']).map_or((tag, ""), |(head, rest)| (head, rest));
            let name = head.split('.').next().unwrap_or("");
            let annotation = annotation.trim();
            if name.is_empty() {
                let tag = clock::clip(tag);
                let message = format!("`<{tag}>` is a tag without a name");
                report.error(line, Some(byte), message, TAG_HELP);
                return None;
            }
            if !TAGS.contains(&name) || (!annotation.is_empty() && !["v", "lang"].contains(&name)) {
                report.warn(
                    line,
                    Some(byte),
                    format!("`<{}>` is not a WebVTT tag; left out", clock::clip(tag)),
                    Some(TAG_HELP.to_owned()),
                );
            }
            let above = open.last();
            let speaker = match name {
                "v" if !annotation.is_empty() => {
                    let inset = annotation.as_ptr() as usize - tag.as_ptr() as usize;
                    let name = unescape(annotation, end + 1 + inset, &place, report)?;
                    Some(name.split_whitespace().collect::<Vec<_>>().join(" "))
                }
                "v" => None,
                _ => above.and_then(|(_, speaker)| speaker.clone()),
            };
            let in_ruby = above.is_some_and(|(above, _)| *above == "ruby");
            if TAGS.contains(&name) && (name != "rt" || in_ruby) {
                open.push((name, speaker));
            }
        }
    }
    for voice in &mut voices {
        voice.text = cues::join(&voice.text);
    }
    voices.retain(|voice| !voice.text.is_empty());
    Some(voices)
}

/// Adds words to the last voice if it is the same; space alone starts no voice.
fn push_words(voices: &mut Vec<Voice>, speaker: Option<String>, words: &str) {
    let blank = words.trim().is_empty();
    match voices.last_mut() {
        Some(voice) if blank || voice.speaker == speaker => voice.text.push_str(words),
        _ if blank => {}
        _ => voices.push(Voice { speaker, text: words.to_owned() }),
    }
}

/// Closes the innermost tag if `name` is its own. Any other end tag is ignored, as section 6.4
/// has it, but for `</ruby>`, which closes an `<rt>` as well.
fn close(open: &mut Vec<(&str, Option<String>)>, name: &str) {
    match open.last() {
        Some((last, _)) if *last == name => {
            open.pop();
        }
        Some(("rt", _)) if name == "ruby" => {
            open.truncate(open.len().saturating_sub(2));
        }
        _ => {}
    }
}

/// Decodes the character references of HTML. One that names no character, or a control
/// character, is a fault.
fn unescape(
    raw: &str,
    at: usize,
    place: &impl Fn(usize) -> (usize, usize),
    report: &mut Report<'_>,
) -> Option<String> {
    let text = htmlize::unescape(raw);
    let count = |text: &str| {
        let is_no_text = |c: char| c.is_control() && c != '\t' || c == char::REPLACEMENT_CHARACTER;
        text.chars().filter(|c| is_no_text(*c)).count()
    };
    if count(&text) > count(raw) {
        // The first reference that decodes to no text is the one to point at.
        let bad = raw
            .match_indices('&')
            .find(|(i, _)| {
                let end = raw[i + 1..].find(['&', '\n']).map_or(raw.len(), |len| i + 1 + len);
                let piece = &raw[*i..end];
                count(&htmlize::unescape(piece)) > count(piece)
            })
            .map_or(0, |(i, _)| i);
        let (line, byte) = place(at + bad);
        report.error(
            line,
            Some(byte),
            "this character reference stands for no text",
            "write the character itself, or `&amp;` where a `&` is meant",
        );
        return None;
    }
    Some(text.into_owned())
}
