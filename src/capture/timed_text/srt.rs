//! SRT, the SubRip subtitle file: a number, a time line, lines of words, an empty line.
//!
//! SRT has no standard. What is taken here is what players take (common practice, no single
//! source); character references are not part of it and stay as they are.

use super::Draft;
use super::clock::Style;
use super::cues;
use super::report::Report;
use regex::Regex;
use std::sync::LazyLock;

const TIME: Style =
    Style { hours_needed: true, short_minutes: true, marks: &[',', '.'], millis_needed: true };

const HELP: &str = "write `00:01:02,500 --> 00:01:04,000`; a file with `01:02.500` is WebVTT and \
                    begins with the line `WEBVTT`";

/// The tags that say how a text looks. Others are left in the words, since `<` may be meant.
static TAGS: LazyLock<Regex> = LazyLock::new(|| {
    Regex::new(r"(?i)</?(?:i|b|u|s|font)(?:\s[^<>]*)?>|\{\\[^{}]*\}").expect("a constant pattern")
});

/// Reads the cues. A missing number is taken as it is; one out of sequence is warned about,
/// since it may mean that a cue was lost before the file came here.
pub(super) fn read(lines: &[&str], report: &mut Report<'_>) -> Vec<Draft> {
    let mut drafts = Vec::new();
    let mut ordinal = 0u32;
    let mut last_number: Option<u64> = None;
    for block in cues::blocks(lines, 0, |line| line.trim().is_empty()) {
        let Some(arrow) = block.lines.iter().position(|line| line.contains(cues::ARROW)) else {
            cues::stray(block, HELP, report);
            continue;
        };
        match arrow.checked_sub(1) {
            None => {}
            Some(0) if is_number(block.lines[0]) => {
                // A number too large to count with says nothing about a sequence.
                let number = block.lines[0].trim().parse::<u64>().ok();
                if let (Some(last), Some(number)) = (last_number, number)
                    && last.checked_add(1) != Some(number)
                {
                    report.warn(
                        block.first,
                        None,
                        format!("the cue after number {last} is numbered {number}"),
                        Some("check that no cue is missing".to_owned()),
                    );
                }
                last_number = number.or(last_number);
            }
            Some(_) => cues::stray(block, HELP, report),
        }
        for cue in cues::cues(block, TIME, HELP, report) {
            ordinal = ordinal.saturating_add(1);
            let Some(cue) = cue else { continue };
            let text = cues::join(&TAGS.replace_all(&cue.payload.join("\n"), ""));
            if text.is_empty() {
                cues::warn_empty(cue.line, ordinal, report);
                continue;
            }
            drafts.push(Draft {
                text,
                start_ms: cue.start_ms,
                end_ms: Some(cue.end_ms),
                ordinal,
                line: cue.line,
                speaker: None,
                alternatives: Vec::new(),
            });
        }
    }
    drafts
}

fn is_number(line: &str) -> bool {
    let line = line.trim();
    !line.is_empty() && line.bytes().all(|b| b.is_ascii_digit())
}
