//! Timed text: what is read, what is refused and with which words.
//!
//! WebVTT cases are written from "WebVTT: The Web Video Text Tracks Format", W3C Candidate
//! Recommendation of 4 April 2019; the section is named beside each case (section numbers and
//! titles from memory). SRT has no standard: its cases are common practice, no single source.
//! The crates `webvtt` and `srtparse`, which share no code with this one, give a second reading.

use cotside::capture::timed_text::{Format, MAX_MS, MAX_PROBLEMS, TimedText, read_timed_text};
use cotside::capture::{Alternative, Phrase, Source};
use proptest::prelude::*;
use std::fmt::Write as _;
use std::path::Path;

fn read(text: &str) -> TimedText {
    read_timed_text("in", text.as_bytes()).unwrap_or_else(|problems| panic!("{}", show(&problems)))
}

fn show(problems: &[cotside::problem::Problem]) -> String {
    problems.iter().fold(String::new(), |mut text, problem| {
        writeln!(text, "{problem}").unwrap();
        text
    })
}

/// Start, end, line, speaker and words of each phrase, for short comparisons.
type Row<'a> = (u64, u64, u32, Option<&'a str>, &'a str);

fn rows(read: &TimedText) -> Vec<Row<'_>> {
    read.phrases
        .iter()
        .map(|p| (p.start_ms, p.end_ms, p.line.unwrap(), p.speaker.as_deref(), p.text.as_str()))
        .collect()
}

fn texts(read: &TimedText) -> Vec<&str> {
    read.phrases.iter().map(|p| p.text.as_str()).collect()
}

/// The words of the one cue with this payload.
fn cue_text(payload: &str) -> String {
    let read = read(&format!("WEBVTT\n\n00:01.000 --> 00:02.000\n{payload}\n"));
    assert_eq!(read.format, Format::WebVtt);
    assert_eq!(read.phrases.len(), 1, "{payload}");
    read.phrases[0].text.clone()
}

/// The speakers and words of the one cue with this payload.
fn cue_voices(payload: &str) -> Vec<(Option<String>, String)> {
    read(&format!("WEBVTT\n\n00:01.000 --> 00:02.000\n{payload}\n"))
        .phrases
        .into_iter()
        .map(|p| (p.speaker, p.text))
        .collect()
}

// WebVTT

/// Section 4.1, WebVTT file structure: the signature alone, or with a space or tab and text, then
/// header lines up to an empty line; a byte-order mark may come first.
#[test]
fn webvtt_header_text_is_no_phrase() {
    let cue = "00:01.000 --> 00:02.500\ntone normal\n";
    for header in [
        "WEBVTT",
        "WEBVTT ",
        "WEBVTT a title",
        "WEBVTT\ta title",
        "WEBVTT\nKind: captions\nnot a cue",
    ] {
        for mark in ["", "\u{feff}"] {
            let read = read(&format!("{mark}{header}\n\n{cue}"));
            assert_eq!(read.format, Format::WebVtt);
            assert_eq!(rows(&read), [(1000, 2500, 1, None, "tone normal")], "{header:?}");
            assert!(read.warnings.is_empty());
        }
    }
}

/// Section 6.1, WebVTT file parsing: a time line ends the header even without an empty line.
/// Section 4.1 wants the empty line, so there is a warning.
#[test]
fn webvtt_cue_directly_under_the_header_is_read_with_a_warning() {
    let read = read("WEBVTT\n00:01.000 --> 00:02.000\ntone normal\n");
    assert_eq!(texts(&read), ["tone normal"]);
    assert_eq!(
        show(&read.warnings),
        "in:2: the first cue begins without an empty line after the header\n  \
         2 | 00:01.000 --> 00:02.000\n"
    );
}

/// Section 4.1, "WebVTT comment block", "WebVTT style block", "WebVTT region definition block".
#[test]
fn webvtt_notes_styles_and_regions_are_skipped() {
    let read = read(
        "WEBVTT\n\nSTYLE\n::cue { color: red }\n\nREGION\nid:low\nlines:3\n\nNOTE one line\n\n\
         NOTE\nmore lines\npupils unequal\n\n00:01.000 --> 00:02.000\ntone normal\n\nNOTE\tend\n",
    );
    assert_eq!(texts(&read), ["tone normal"]);
    assert!(read.warnings.is_empty());
}

/// Section 4.1: a style block stands before the first cue; a later one is dropped by section 6.1.
#[test]
fn webvtt_style_after_a_cue_is_skipped_with_a_warning() {
    let read = read("WEBVTT\n\n00:01.000 --> 00:02.000\ntone\n\nSTYLE\n::cue { color: red }\n");
    assert_eq!(texts(&read), ["tone"]);
    assert_eq!(
        show(&read.warnings),
        "in:6: a STYLE block after the first cue is not part of WebVTT; skipped\n  6 | STYLE\n"
    );
}

/// Section 4.1: "NOTE" starts a comment only as a word of its own, and section 6.1 takes a cue
/// name that a time line follows, whatever it is.
#[test]
fn webvtt_note_above_a_time_line_is_the_name_of_a_cue() {
    let named = read("WEBVTT\n\nNOTES\n00:01.000 --> 00:02.000\ntone\n");
    assert_eq!(texts(&named), ["tone"]);
    assert!(named.warnings.is_empty());
    let note = read("WEBVTT\n\nNOTE\n00:01.000 --> 00:02.000\ntone\n");
    assert_eq!(texts(&note), ["tone"]);
    assert_eq!(note.warnings.len(), 1);
}

/// Section 4.1, "WebVTT cue identifier": any line without an arrow.
#[test]
fn webvtt_cue_identifiers_are_no_words() {
    let read = read(
        "WEBVTT\n\n1\n00:01.000 --> 00:02.000\nfirst\n\nright pupil: <4 mm\n\
         00:03.000 --> 00:04.000\nsecond\n\n00:05.000 --> 00:06.000\nthird\n",
    );
    assert_eq!(
        rows(&read),
        [
            (1000, 2000, 1, None, "first"),
            (3000, 4000, 2, None, "second"),
            (5000, 6000, 3, None, "third")
        ]
    );
}

/// Section 4.1, "WebVTT timestamp": hours optional, of two digits or more; section 6.3, "collect a
/// WebVTT timestamp", takes one digit of hours too, and any space around the arrow.
#[test]
fn webvtt_times_are_read_with_and_without_hours() {
    for (line, start, end) in [
        ("00:00.000 --> 00:00.001", 0, 1),
        ("59:59.999 --> 01:00:00.000", 3_599_999, 3_600_000),
        ("00:00:01.500 --> 00:00:02.000", 1500, 2000),
        ("1:00:00.000 --> 1:00:00.250", 3_600_000, 3_600_250),
        ("100:00:00.000 --> 123:45:06.789", 360_000_000, 445_506_789),
        ("9999:59:59.998 --> 9999:59:59.999", MAX_MS - 1, MAX_MS),
        ("00:01.000-->00:02.000", 1000, 2000),
        (" \t00:01.000\t-->  00:02.000\t ", 1000, 2000),
    ] {
        let read = read(&format!("WEBVTT\n\n{line}\ntone\n"));
        assert_eq!(rows(&read), [(start, end, 1, None, "tone")], "{line}");
    }
}

/// Section 4.4, WebVTT cue settings: they stand after the times and say nothing of the words.
#[test]
fn webvtt_cue_settings_are_ignored() {
    let read = read(
        "WEBVTT\n\n00:01.000 --> 00:02.000 vertical:rl line:-1,end position:50%,center\tsize:35% \
         align:start region:low \ntone\n",
    );
    assert_eq!(rows(&read), [(1000, 2000, 1, None, "tone")]);
}

/// Section 4.2.2, "WebVTT cue voice span", and section 6.4: classes are no part of the name, space
/// in it is collapsed, the end tag may be missing.
#[test]
fn webvtt_voice_tags_give_the_speaker() {
    let ann = Some("Ann Example".to_owned());
    for payload in [
        "<v Ann Example>tone normal</v>",
        "<v Ann Example>tone normal",
        "<v.loud.first Ann Example>tone normal</v>",
        "<v   Ann \t Example >tone normal</v>",
        "<v Ann\nExample>tone normal",
        "<v Ann Example><i>tone</i> <b>normal</b></v>",
        "<i><v Ann Example>tone normal</v></i>",
        "<v Ann Example>tone</v> <v Ann Example>normal</v>",
    ] {
        assert_eq!(cue_voices(payload), [(ann.clone(), "tone normal".to_owned())], "{payload}");
    }
    assert_eq!(
        cue_voices("<v Ann &amp; Bo>tone"),
        [(Some("Ann & Bo".to_owned()), "tone".to_owned())]
    );
    assert_eq!(cue_voices("<v>tone"), [(None, "tone".to_owned())]);
}

/// Section 4.2.2 lets a cue hold several voice spans; the standard says nothing of what to make of
/// them, and a phrase has one speaker: so there is a phrase for each turn.
#[test]
fn webvtt_cue_with_two_voices_gives_a_phrase_for_each() {
    let read = read(
        "WEBVTT\n\n00:01.000 --> 00:02.000\n<v Ann>left brisk</v>\n<v Bo>and right?</v>\nboth\n",
    );
    assert_eq!(
        rows(&read),
        [
            (1000, 2000, 1, Some("Ann"), "left brisk"),
            (1000, 2000, 1, Some("Bo"), "and right?"),
            (1000, 2000, 1, None, "both")
        ]
    );
    assert!(read.warnings.is_empty());
    // Section 6.4: an end tag closes only the innermost open tag; voices nest.
    assert_eq!(
        cue_voices("<v Ann>one <v Bo>two</v> three</v> four"),
        [
            (Some("Ann".to_owned()), "one".to_owned()),
            (Some("Bo".to_owned()), "two".to_owned()),
            (Some("Ann".to_owned()), "three".to_owned()),
            (None, "four".to_owned())
        ]
    );
    assert_eq!(
        cue_voices("<v Ann><i>one</v> two</i></v> three"),
        [(Some("Ann".to_owned()), "one two".to_owned()), (None, "three".to_owned())]
    );
}

/// Section 4.2.2, "WebVTT caption or subtitle cue components", and section 6.4.
#[test]
fn webvtt_tags_and_inline_times_are_stripped() {
    for (payload, words) in [
        ("<c>tone</c> normal", "tone normal"),
        ("<c.yellow.bg_blue>tone</c> normal", "tone normal"),
        ("<i>to</i>ne <b>nor</b><u>mal</u>", "tone normal"),
        ("<lang en-GB>tone</lang> normal", "tone normal"),
        ("<ruby>tone<rt>tonus</rt></ruby> normal", "tonetonus normal"),
        ("<v Ann><ruby>tone<rt>tonus</ruby></v>", "tonetonus"),
        ("tone <00:01.200>normal", "tone normal"),
        ("tone<00:00:01.200> normal", "tone normal"),
        ("</b>tone</v> normal</c>", "tone normal"),
        ("tone > normal", "tone > normal"),
    ] {
        assert_eq!(cue_text(payload), words, "{payload}");
    }
}

/// Section 6.4 ignores a tag it does not know; what was in it could be meant, so there is a
/// warning.
#[test]
fn webvtt_unknown_tag_is_stripped_with_a_warning() {
    let read = read("WEBVTT\n\n00:01.000 --> 00:02.000\ntone <laughs>normal\n");
    assert_eq!(texts(&read), ["tone normal"]);
    assert_eq!(
        show(&read.warnings),
        "in:4:6: `<laughs>` is not a WebVTT tag; left out\n  4 | tone <laughs>normal\n    |      ^\n  \
         help: write `&lt;` where the sign itself is meant\n"
    );
}

/// Section 6.4, "HTML character reference in data state". The values of the named references are
/// those of the HTML standard, section 13.5, "Named character references".
#[test]
fn webvtt_character_references_are_decoded() {
    for (payload, words) in [
        ("tone &amp; power", "tone & power"),
        ("&lt;3 beats, &gt;1", "<3 beats, >1"),
        ("a&lrm;b&rlm;c", "a\u{200e}b\u{200f}c"),
        ("two&nbsp;beats", "two\u{a0}beats"),
        ("&#176;&#xB0;&#Xb0;&deg;", "°°°°"),
        ("&amp;lt;i&amp;gt;", "&lt;i&gt;"),
        ("AT&T &unknown; & &", "AT&T &unknown; & &"),
        ("tab&#9;between", "tab\tbetween"),
    ] {
        assert_eq!(cue_text(payload), words, "{payload}");
    }
}

/// Section 4.1, "WebVTT cue payload": lines up to an empty line.
#[test]
fn webvtt_lines_of_a_cue_are_joined_by_a_space() {
    assert_eq!(cue_text("  tone\t\n \nnormal  \n<i>both\nsides</i>"), "tone normal both sides");
}

/// Section 4.1, "WebVTT line terminator": LF, CR LF or CR, and no other.
#[test]
fn webvtt_line_ends_may_be_lf_crlf_or_cr() {
    let lf = "WEBVTT\n\nNOTE x\n\n1\n00:01.000 --> 00:02.000\ntone\nnormal\n\n00:03.000 --> \
              00:04.000\nlast";
    let expected = read(lf);
    assert_eq!(texts(&expected), ["tone normal", "last"]);
    assert_eq!(read(&lf.replace('\n', "\r\n")), expected);
    assert_eq!(read(&lf.replace('\n', "\r")), expected);
    assert_eq!(cue_text("one\u{2028}two"), "one\u{2028}two");
}

/// Section 4.1: a payload may be empty. It holds no words, so it gives no phrase, yet counts.
#[test]
fn webvtt_empty_cue_counts_but_gives_no_phrase() {
    let read = read(
        "WEBVTT\n\n00:01.000 --> 00:02.000\n\n00:03.000 --> 00:04.000\n<i> </i>\n\n\
         00:05.000 --> 00:06.000\ntone\n",
    );
    assert_eq!(rows(&read), [(5000, 6000, 3, None, "tone")]);
    assert_eq!(
        show(&read.warnings),
        "in:3: cue 1 has no words and gives no phrase\n  3 | 00:01.000 --> 00:02.000\n\
         in:5: cue 2 has no words and gives no phrase\n  5 | 00:03.000 --> 00:04.000\n"
    );
}

// SRT

#[test]
fn srt_is_read_with_comma_or_dot_and_without_numbers() {
    let read = read(
        "1\n00:00:01,000 --> 00:00:02,500\n<i>Tone</i> <font color=\"#ff0000\">normal</font>\n\
         {\\an8}both sides\n\n00:00:03.000 --> 00:00:04.000\nno number\n \n\
         0:00:05,000 --> 0:00:06,000 X1:100 X2:200 Y1:10 Y2:20\nclonus < 3 beats &amp; {not} <x>\n",
    );
    assert_eq!(read.format, Format::Srt);
    assert_eq!(
        rows(&read),
        [
            (1000, 2500, 1, None, "Tone normal both sides"),
            (3000, 4000, 2, None, "no number"),
            (5000, 6000, 3, None, "clonus < 3 beats &amp; {not} <x>")
        ]
    );
    assert!(read.warnings.is_empty());
}

#[test]
fn srt_number_out_of_sequence_is_a_warning() {
    let read = read(
        "7\n00:00:01,000 --> 00:00:02,000\none\n\n8\n00:00:03,000 --> 00:00:04,000\ntwo\n\n\
         10\n00:00:05,000 --> 00:00:06,000\nthree\n",
    );
    assert_eq!(texts(&read), ["one", "two", "three"]);
    assert_eq!(
        show(&read.warnings),
        "in:9: the cue after number 8 is numbered 10\n  9 | 10\n  \
         help: check that no cue is missing\n"
    );
}

#[test]
fn srt_words_that_are_a_number_stay_words() {
    let read = read("1\n00:00:01,000 --> 00:00:02,000\n2\n");
    assert_eq!(rows(&read), [(1000, 2000, 1, None, "2")]);
}

// Stamped lines

#[test]
fn stamped_lines_are_read_in_every_form() {
    let read = read(
        "# invented\n\n[0:02.4] tone normal\n[1:02] one two three four\n1:03 five\n\
         75:00.25 past the hour\n1:16:05 six\n  [1:16:06.125]\tseven # eight\n[1:16:07]nine\n",
    );
    assert_eq!(read.format, Format::Stamped);
    assert_eq!(
        rows(&read),
        [
            (2400, 2900, 3, None, "tone normal"),
            (62_000, 63_000, 4, None, "one two three four"),
            (63_000, 63_250, 5, None, "five"),
            (4_500_250, 4_501_000, 6, None, "past the hour"),
            (4_565_000, 4_565_250, 7, None, "six"),
            (4_566_125, 4_566_875, 8, None, "seven # eight"),
            (4_567_000, 4_567_250, 9, None, "nine")
        ]
    );
    assert!(read.warnings.is_empty());
}

#[test]
fn stamped_phrase_ends_no_later_than_the_next_starts() {
    let read = read("[0:01] one two three four five six\n[0:02] seven\n[0:02] eight\n");
    assert_eq!(
        rows(&read),
        [
            (1000, 2000, 1, None, "one two three four five six"),
            (2000, 2000, 2, None, "seven"),
            (2000, 2250, 3, None, "eight")
        ]
    );
}

#[test]
fn every_development_narration_is_read_line_by_line() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/narrations/dev");
    let mut seen = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|ext| ext == "txt") {
            let bytes = std::fs::read(&path).unwrap();
            let read = read_timed_text(&path.to_string_lossy(), &bytes).unwrap();
            assert_eq!(read.format, Format::Stamped);
            assert_eq!(read.phrases.len(), bytes.split(|b| *b == b'\n').count() - 1);
            assert_eq!(show(&read.warnings), "");
            seen += 1;
        }
    }
    assert_eq!(seen, 8);
}

// JSON lines

#[test]
fn json_lines_are_read_with_all_their_fields() {
    let read = read(concat!(
        r#"{"at_ms": 400, "text": "tone normal"}"#,
        "\n\n",
        r#"{"text": " pupils\tequal ", "speaker": "Ann", "end_ms": 2000, "start_ms": 1500}"#,
        "\n",
        r#"{"at": "1:02.5", "text": "suck \ud83d\ude00", "speaker": null, "alternatives": "#,
        r#"[{"text": "sack", "score": -4}, {"text": "sock", "score": -2.5}]}"#,
        "\n",
    ));
    assert_eq!(read.format, Format::JsonLines);
    assert_eq!(
        rows(&read),
        [
            (400, 900, 1, None, "tone normal"),
            (1500, 2000, 3, Some("Ann"), "pupils\tequal"),
            (62_500, 63_000, 4, None, "suck 😀")
        ]
    );
    assert_eq!(
        read.phrases[2].alternatives,
        [
            Alternative { text: "sock".to_owned(), score: -2.5 },
            Alternative { text: "sack".to_owned(), score: -4.0 }
        ]
    );
    assert!(read.phrases.iter().all(|p| p.source == Source::TimedText));
    assert!(read.warnings.is_empty());
}

#[test]
fn json_field_that_is_not_known_is_a_warning_once() {
    let read = read(
        "{\"at_ms\": 400, \"text\": \"tone\", \"speeker\": \"Ann\"}\n\
         {\"at_ms\": 900, \"text\": \"tone\", \"speeker\": \"Ann\", \"colour\": 1}\n",
    );
    assert_eq!(
        show(&read.warnings),
        "in:1:43: the field `speeker` is not known and not read\n  \
         1 | {\"at_ms\": 400, \"text\": \"tone\", \"speeker\": \"Ann\"}\n    \
         |                                           ^\n  help: did you mean `speaker`?\n\
         in:2:60: the field `colour` is not known and not read\n  \
         2 | {\"at_ms\": 900, \"text\": \"tone\", \"speeker\": \"Ann\", \"colour\": 1}\n    \
         |                                                            ^\n"
    );
}

// Encodings

#[test]
fn encodings_with_a_mark_read_the_same_as_plain_utf8() {
    let texts = [
        "[0:01] naïve tone 😀\n[0:02] pupils equal\n",
        "WEBVTT\n\n00:01.000 --> 00:02.000\n<v Zoë>tone\n",
        "1\r\n00:00:01,000 --> 00:00:02,000\r\nnaïve\r\n",
        "{\"at_ms\": 1, \"text\": \"naïve\"}\n",
    ];
    for text in texts {
        let plain = read(text);
        let with_mark =
            |mark: &[u8], bytes: Vec<u8>| read_timed_text("in", &[mark, &bytes].concat()).unwrap();
        let le = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let be = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
        assert_eq!(with_mark(b"\xEF\xBB\xBF", text.into()), plain);
        assert_eq!(with_mark(b"\xFF\xFE", le), plain);
        assert_eq!(with_mark(b"\xFE\xFF", be), plain);
    }
}

// Order and overlap

#[test]
fn cues_out_of_order_and_overlapping_are_kept_sorted_and_warned_about() {
    let read = read(
        "WEBVTT\n\n00:05.000 --> 00:07.000\nthird\n\n00:01.000 --> 00:03.000\nfirst\n\n\
         00:02.000 --> 00:02.500\nsecond\n\n00:06.000 --> 00:08.000\nlast\n",
    );
    assert_eq!(
        rows(&read),
        [
            (1000, 3000, 2, None, "first"),
            (2000, 2500, 3, None, "second"),
            (5000, 7000, 1, None, "third"),
            (6000, 8000, 4, None, "last")
        ]
    );
    assert_eq!(
        show(&read.warnings),
        "in:6: out of order: starts at 0:01.000, before line 3 (0:05.000); sorted by start\n  \
         6 | 00:01.000 --> 00:03.000\n\
         in:9: out of order: starts at 0:02.000, before line 3 (0:05.000); sorted by start\n  \
         9 | 00:02.000 --> 00:02.500\n\
         in:9: overlap: starts at 0:02.000, before line 6 ends (0:03.000); both are kept\n  \
         9 | 00:02.000 --> 00:02.500\n\
         in:12: overlap: starts at 0:06.000, before line 3 ends (0:07.000); both are kept\n  \
         12 | 00:06.000 --> 00:08.000\n"
    );
}

#[test]
fn phrases_of_one_start_stay_in_the_order_of_the_file() {
    let read = read("[0:05] b\n[0:01] x\n[0:05] a\n[0:05] c\n");
    assert_eq!(texts(&read), ["x", "b", "a", "c"]);
}

#[test]
fn warnings_past_the_limit_are_counted() {
    let text: String = (0..60).rev().map(|s| format!("[0:{s:02}] tone\n")).collect();
    let read = read(&text);
    assert_eq!(read.phrases.len(), 60);
    assert_eq!(read.warnings.len(), MAX_PROBLEMS + 1);
    assert_eq!(read.warnings[MAX_PROBLEMS].to_string(), "in: 39 more problems, not shown");
    assert_eq!(read.warnings[0].line, 2);
}

// Recognition

#[test]
fn format_is_told_by_content_not_by_name() {
    let stamped = "[0:01] tone\n";
    for name in ["a.vtt", "a.srt", "a.jsonl", "-"] {
        assert_eq!(
            read_timed_text(name, stamped.as_bytes()).unwrap().format,
            Format::Stamped,
            "{name}"
        );
    }
    // A word of the speech is no signature, and an arrow within stamped words is no SRT.
    assert_eq!(read("[0:01] webvtt\n[0:02] left --> right\n").format, Format::Stamped);
    assert_eq!(read("0:01 left --> right\n").format, Format::Stamped);
}

// Broken input: the whole error text, for each file of tests/bad/timed-text.

/// To rewrite the expected texts after a change of wording, run with `COTSIDE_REWRITE=1` and read
/// the difference; that run fails.
#[test]
fn every_broken_file_is_refused_with_its_expected_words() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bad/timed-text");
    let rewrite = std::env::var_os("COTSIDE_REWRITE").is_some();
    let mut wrong = Vec::new();
    let mut seen = 0;
    let mut paths: Vec<_> =
        std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    for path in paths.iter().filter(|path| path.extension().is_some_and(|ext| ext == "txt")) {
        seen += 1;
        let name = path.file_name().unwrap().to_string_lossy();
        let found = match read_timed_text(&name, &std::fs::read(path).unwrap()) {
            Ok(read) => format!("read without an error: {:?}\n", texts(&read)),
            Err(problems) => show(&problems),
        };
        let expected = path.with_extension("expected");
        if rewrite {
            std::fs::write(&expected, &found).unwrap();
            wrong.push(format!("{name}: rewritten"));
        } else {
            let expected = std::fs::read_to_string(&expected).unwrap_or_default();
            if expected != found {
                wrong.push(format!("{name}: expected\n{expected}found\n{found}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(seen >= 25, "only {seen} broken files");
}

// Properties

/// Renders phrases in each format; the test's own writing, so that the reader has a counterpart.
mod render {
    use super::Phrase;
    use std::fmt::Write;

    pub fn clock(ms: u64, mark: char) -> String {
        let (s, ms) = (ms / 1000, ms % 1000);
        format!("{:02}:{:02}:{:02}{mark}{ms:03}", s / 3600, s / 60 % 60, s % 60)
    }

    fn escape(text: &str) -> String {
        text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
    }

    pub fn webvtt(phrases: &[Phrase]) -> String {
        phrases.iter().fold("WEBVTT\n\n".to_owned(), |mut out, p| {
            let (start, end) = (clock(p.start_ms, '.'), clock(p.end_ms, '.'));
            let voice = p.speaker.as_deref().map(|s| format!("<v {}>", escape(s)));
            let voice = voice.unwrap_or_default();
            write!(out, "{start} --> {end}\n{voice}{}\n\n", escape(&p.text)).unwrap();
            out
        })
    }

    pub fn srt(phrases: &[Phrase]) -> String {
        phrases.iter().enumerate().fold(String::new(), |mut out, (i, p)| {
            let (start, end) = (clock(p.start_ms, ','), clock(p.end_ms, ','));
            write!(out, "{}\n{start} --> {end}\n{}\n\n", i + 1, p.text).unwrap();
            out
        })
    }

    pub fn stamped(phrases: &[Phrase]) -> String {
        phrases.iter().fold(String::new(), |mut out, p| {
            writeln!(out, "[{}] {}", clock(p.start_ms, '.'), p.text).unwrap();
            out
        })
    }

    pub fn json_lines(phrases: &[Phrase]) -> String {
        phrases.iter().fold(String::new(), |mut out, p| {
            writeln!(out, "{}", serde_json::to_string(p).unwrap()).unwrap();
            out
        })
    }
}

/// Words in any script, with the signs that formats use; no control characters, no space around.
fn any_words() -> impl Strategy<Value = String> {
    prop_oneof![
        "\\PC{1,40}",
        "[ a-z0-9<>&;#{}\\[\\]:\"'.,/\\\\-]{1,40}",
        "[a-z]{1,9}( [a-z]{1,9}){0,6}",
    ]
    .prop_map(|text| text.trim().to_owned())
    .prop_filter("needs words", |text| !text.is_empty())
}

/// Phrases in order, one after another, as a reader would give them.
fn any_phrases(words: impl Strategy<Value = String>) -> impl Strategy<Value = Vec<Phrase>> {
    let speaker = proptest::option::of("[A-Za-zé&<>.]{1,8}( [A-Za-zé&<>.]{1,8})?");
    let one = (words, 0u64..100_000_000, 1u64..10_000, speaker);
    proptest::collection::vec(one, 1..8).prop_map(|list| {
        let mut clock = 0;
        list.into_iter()
            .enumerate()
            .map(|(i, (text, pause, length, speaker))| {
                let start_ms = clock + pause;
                clock = start_ms + length;
                Phrase {
                    text,
                    start_ms,
                    end_ms: clock,
                    source: Source::TimedText,
                    line: Some(u32::try_from(i + 1).unwrap()),
                    speaker,
                    alternatives: Vec::new(),
                    words: Vec::new(),
                    certainty: None,
                }
            })
            .collect()
    })
}

/// Fragments that bring a reader deep into a format, right and wrong.
fn any_fragments() -> impl Strategy<Value = String> {
    let piece = prop_oneof![
        Just("WEBVTT"),
        Just("\n"),
        Just("\n\n"),
        Just("\r"),
        Just("NOTE "),
        Just("STYLE\n"),
        Just("00:01.000 --> 00:02.000\n"),
        Just("00:00:01,000 --> 00:00:02,000\n"),
        Just("-->"),
        Just("[0:01] "),
        Just("[1:0"),
        Just("0:01.5 "),
        Just("<v Ann>"),
        Just("</v>"),
        Just("<"),
        Just(">"),
        Just("&#"),
        Just("&#x1F600;"),
        Just("&amp"),
        Just("{\"at_ms\": 1, \"text\": \""),
        Just("\\ud800"),
        Just("\"}"),
        Just("tone normal"),
        Just("é\u{2028}😀"),
        Just("99999999999999999999:"),
        Just("\u{feff}"),
        Just("\t"),
        Just("\u{1b}"),
    ];
    proptest::collection::vec(piece, 0..30).prop_map(|pieces| pieces.concat())
}

/// What holds of any outcome.
fn check_outcome(bytes: &[u8]) {
    match read_timed_text("in", bytes) {
        Ok(read) => {
            assert!(!read.phrases.is_empty());
            assert!(read.phrases.is_sorted_by_key(|p| p.start_ms));
            for p in &read.phrases {
                assert!(p.start_ms <= p.end_ms && p.start_ms <= MAX_MS);
                assert!(!p.text.trim().is_empty());
                assert!(!p.text.contains(|c: char| c.is_control() && c != '\t'));
                assert!(p.line.is_some_and(|line| line > 0));
            }
        }
        Err(problems) => {
            assert!(!problems.is_empty() && problems.len() <= MAX_PROBLEMS + 1);
            for problem in problems.iter().take(MAX_PROBLEMS) {
                assert!(problem.help.is_some(), "{problem}");
            }
        }
    }
}

proptest! {
    #[test]
    fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        check_outcome(&bytes);
    }

    #[test]
    fn no_mixture_of_fragments_panics(text in any_fragments(), cut in 0usize..200) {
        check_outcome(text.as_bytes());
        // Cut within a character, and as UTF-16 of either order with a byte too few.
        check_outcome(&text.as_bytes()[..cut.min(text.len())]);
        let le: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        check_outcome(&[b"\xFF\xFE", &le[..cut.min(le.len())]].concat());
        check_outcome(&[b"\xFE\xFF", &le[..cut.min(le.len())]].concat());
    }

    #[test]
    fn rendered_webvtt_reads_back_the_same(phrases in any_phrases(any_words())) {
        let read = read(&render::webvtt(&phrases));
        prop_assert_eq!(read.format, Format::WebVtt);
        prop_assert_eq!(read.phrases, phrases);
        prop_assert_eq!(read.warnings, vec![]);
    }

    #[test]
    fn rendered_json_lines_read_back_the_same(phrases in any_phrases(any_words())) {
        let read = read(&render::json_lines(&phrases));
        prop_assert_eq!(read.format, Format::JsonLines);
        prop_assert_eq!(read.phrases, phrases);
        prop_assert_eq!(read.warnings, vec![]);
    }

    #[test]
    fn rendered_srt_reads_back_the_same(
        // SRT has no way to write a sign that begins a tag, nor an arrow.
        phrases in any_phrases(any_words().prop_map(|text| text.replace(['<', '>', '{'], "/")))
    ) {
        let phrases: Vec<Phrase> =
            phrases.into_iter().map(|p| Phrase { speaker: None, ..p }).collect();
        let read = read(&render::srt(&phrases));
        prop_assert_eq!(read.format, Format::Srt);
        prop_assert_eq!(read.phrases, phrases);
        prop_assert_eq!(read.warnings, vec![]);
    }

    #[test]
    fn rendered_stamped_lines_read_back_the_same(phrases in any_phrases(any_words())) {
        let read = read(&render::stamped(&phrases));
        prop_assert_eq!(read.format, Format::Stamped);
        let back: Vec<_> = read.phrases.iter().map(|p| (p.start_ms, p.text.as_str())).collect();
        let sent: Vec<_> = phrases.iter().map(|p| (p.start_ms, p.text.as_str())).collect();
        prop_assert_eq!(back, sent);
        prop_assert_eq!(read.warnings, vec![]);
    }

    #[test]
    fn webvtt_times_and_words_agree_with_the_webvtt_crate(
        phrases in any_phrases("[a-z]{1,9}( [a-z]{1,9}){0,6}")
    ) {
        let phrases: Vec<Phrase> =
            phrases.into_iter().map(|p| Phrase { speaker: None, ..p }).collect();
        let text = render::webvtt(&phrases);
        let theirs: Vec<_> = webvtt::parse_file(&text).unwrap().blocks.into_iter()
            .map(|webvtt::Block::Cue(cue)| (cue.start.as_millis(), cue.end.as_millis(), cue.text))
            .collect();
        let ours: Vec<_> = read(&text).phrases.into_iter()
            .map(|p| (u128::from(p.start_ms), u128::from(p.end_ms), p.text))
            .collect();
        prop_assert_eq!(ours, theirs);
    }

    #[test]
    fn srt_times_and_words_agree_with_the_srtparse_crate(
        phrases in any_phrases("[a-z]{1,9}( [a-z]{1,9}){0,6}")
    ) {
        let text = render::srt(&phrases);
        let ms = |time: srtparse::Time| std::time::Duration::from(time).as_millis();
        let theirs: Vec<_> = srtparse::from_str(&text).unwrap().into_iter()
            .map(|item| (ms(item.start_time), ms(item.end_time), item.text))
            .collect();
        let ours: Vec<_> = read(&text).phrases.into_iter()
            .map(|p| (u128::from(p.start_ms), u128::from(p.end_ms), p.text))
            .collect();
        prop_assert_eq!(ours, theirs);
    }
}
