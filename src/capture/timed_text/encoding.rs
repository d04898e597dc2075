//! Bytes to lines of text: the encoding, the line ends, and what is no text at all.

use super::report::Report;
use crate::problem::Problem;
use encoding_rs::{DecoderResult, Encoding};

/// The longest line taken, in bytes of UTF-8 without its line end: 16 KiB.
///
/// A spoken phrase is some hundred bytes; a longer line than this is a file of another kind.
pub const MAX_LINE_BYTES: usize = 16 * 1024;

const TEXT_HELP: &str = "give a WebVTT, SRT, stamped-lines or JSON-lines file as UTF-8, or as \
                         UTF-16 with a byte-order mark";

/// The text without its byte-order mark.
///
/// The WebVTT standard decodes with replacement characters; here a byte that is no text is an
/// error, since the word it stood in is lost.
pub(super) fn decode(file: &str, bytes: &[u8]) -> Result<String, Vec<Problem>> {
    let (text, faults) = match Encoding::for_bom(bytes) {
        Some((encoding, mark)) if encoding != encoding_rs::UTF_8 => {
            decode_utf16(encoding, &bytes[mark..])
        }
        Some((_, mark)) => decode_utf8(&bytes[mark..]),
        None => decode_utf8(bytes),
    };
    // A text in a strange 8-bit encoding has bad bytes but no control characters; a picture or a
    // sound has both, and most binary files have a NUL.
    let binary = text.contains('\0')
        || (!faults.is_empty() && text.chars().any(|c| is_control(c) && c.is_ascii()));
    if binary {
        return Err(vec![Problem::in_file(file, "not a text file").help(TEXT_HELP)]);
    }
    if !faults.is_empty() {
        return Err(report_faults(file, &text, faults));
    }
    if text.trim().is_empty() {
        return Err(vec![Problem::in_file(file, "the file is empty").help(TEXT_HELP)]);
    }
    Ok(text)
}

/// Where in the decoded text a replacement character stands for bytes that are no text.
type Faults = Vec<(usize, String)>;

fn decode_utf8(bytes: &[u8]) -> (String, Faults) {
    let mut text = String::with_capacity(bytes.len());
    let mut faults = Vec::new();
    for chunk in bytes.utf8_chunks() {
        text.push_str(chunk.valid());
        if let Some(first) = chunk.invalid().first() {
            faults.push((text.len(), format!("the byte 0x{first:02X} is not UTF-8")));
            text.push(char::REPLACEMENT_CHARACTER);
        }
    }
    (text, faults)
}

fn decode_utf16(encoding: &'static Encoding, mut bytes: &[u8]) -> (String, Faults) {
    let odd = bytes.len() % 2 == 1;
    let mut decoder = encoding.new_decoder_without_bom_handling();
    let mut text = String::new();
    let mut faults = Vec::new();
    loop {
        text.reserve(
            decoder.max_utf8_buffer_length_without_replacement(bytes.len()).unwrap_or(0).max(16),
        );
        let (result, read) = decoder.decode_to_string_without_replacement(bytes, &mut text, true);
        bytes = &bytes[read..];
        match result {
            DecoderResult::InputEmpty => return (text, faults),
            DecoderResult::OutputFull => {}
            DecoderResult::Malformed(..) => {
                let what = if odd && bytes.is_empty() {
                    "the last character has only half of its bytes"
                } else {
                    "a lone surrogate, half of a character, is not UTF-16"
                };
                faults.push((text.len(), what.to_owned()));
                text.push(char::REPLACEMENT_CHARACTER);
            }
        }
    }
}

fn report_faults(file: &str, text: &str, faults: Faults) -> Vec<Problem> {
    let lines = split_lines(text);
    let mut report = Report::new(file, &lines);
    let mut faults = faults.into_iter().peekable();
    for (i, line) in lines.iter().enumerate() {
        let start = line.as_ptr() as usize - text.as_ptr() as usize;
        while let Some((at, what)) = faults.next_if(|(at, _)| *at <= start + line.len()) {
            report.error(i + 1, Some(at - start), what, "save the file as UTF-8");
        }
    }
    report.finish().err().unwrap_or_default()
}

/// The lines without their ends: LF, CR LF or CR, as WebVTT has it (section 4.1, "WebVTT line
/// terminator"). No other character ends a line.
pub(super) fn split_lines(text: &str) -> Vec<&str> {
    let mut lines = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        match rest.find(['\n', '\r']) {
            Some(end) => {
                lines.push(&rest[..end]);
                let pair = rest[end..].starts_with("\r\n");
                rest = &rest[end + if pair { 2 } else { 1 }..];
            }
            None => {
                lines.push(rest);
                break;
            }
        }
    }
    lines
}

/// Whether this is a control character other than the tab.
fn is_control(c: char) -> bool {
    c.is_control() && c != '\t' && c != '\n' && c != '\r'
}

/// Reports lines that are too long or hold control characters, whatever the format.
pub(super) fn check_lines(lines: &[&str], report: &mut Report<'_>) {
    for (i, line) in lines.iter().enumerate() {
        if line.len() > MAX_LINE_BYTES {
            report.error(
                i + 1,
                None,
                format!("the line is {} bytes long, more than {MAX_LINE_BYTES}", line.len()),
                "break it into phrases, each with its own time",
            );
        } else if let Some((at, c)) = line.char_indices().find(|(_, c)| is_control(*c)) {
            report.error(
                i + 1,
                Some(at),
                format!("the control character U+{:04X} is not text", u32::from(c)),
                "remove it; of the control characters only the tab may stand in a line",
            );
        }
    }
}
