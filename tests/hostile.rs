//! Input made to do harm, or broken beyond what happens by accident: it is refused with what would
//! be right, or taken for what it is; nothing ends the program and nothing turns what was said round.

#[path = "cli/support.rs"]
mod support;

use std::io::Cursor;

use cotside::capture::sound::wav;
use cotside::lexicon::{Files, compile};
use cotside::report::explain::printable;
use support::{Bench, bicycle};

/// Bench with an exam of one bicycle, said in `lines`.
fn exam(lines: &str) -> Bench {
    let bench = Bench::new();
    bench.file("said.txt", lines);
    bench.run(&["read", "said.txt", "--exam", "e", "--lexicon", &bicycle()]).code(0);
    bench
}

/// Unicode Standard Annex #9 (bidirectional algorithm): U+202E turns round what follows, so that a
/// terminal could show "tfel" for "left". Boucher & Anderson, "Trojan Source" (2021), CVE-2021-42574.
#[test]
fn no_screen_hands_on_a_character_that_turns_the_order_of_reading_round() {
    let turned = "left pad \u{202e}dezalg\u{202c} \u{2066}so so\u{2069} and more of the same here";
    let bench = exam(&format!("[0:01] headset smooth\n[0:05] {turned}\n"));
    let lexicon = bicycle();
    for args in [
        &["show", "e", "--timeline"][..],
        &["explain", "e"],
        &["note", "e"],
        &["gaps", "e"],
        &["show", "e"],
    ] {
        let mut all = args.to_vec();
        all.extend(["--lexicon", &lexicon]);
        let ran = bench.run(&all);
        for c in ['\u{202e}', '\u{202c}', '\u{2066}', '\u{2069}'] {
            assert!(!ran.out.contains(c) && !ran.err.contains(c), "{args:?} shows {c:?}");
        }
    }
    // The journal keeps what was given.
    assert!(bench.text("e/journal.jsonl").contains('\u{202e}'));
    assert_eq!(printable("a\u{202e}b\u{1b}[2Jc\u{2028}d"), "a\u{fffd}b\u{fffd}[2Jc\u{fffd}d");
    // Letters of other scripts and their marks stay.
    for kept in ["עברית", "हिन्दी", "e\u{301}", "ﷺ", "👶🏽", "می\u{200c}خواهم"]
    {
        assert_eq!(printable(kept), kept);
    }
}

#[test]
fn a_line_of_five_megabytes_and_a_pile_of_marks_are_answered() {
    let lexicon = bicycle();
    let bench = Bench::new();
    let giant = "headset smooth ".repeat(350_000);
    let keys = ["listen", "--keys", "--exam", "k", "--lexicon", &lexicon];
    let ran = bench.typed(&keys, &format!("pedal tight\n{giant}\nleft pad glazed\nend of exam\n"));
    assert_eq!(ran.code, Some(2), "{}", ran.err);
    assert!(ran.out.contains("NOT LOGGED: 5249999 bytes in one phrase"), "{:.2000}", ran.out);
    let journal = bench.text("k/journal.jsonl");
    assert!(journal.contains("pedal tight") && journal.contains("left pad glazed"));
    assert!(journal.len() < 20_000, "{} bytes", journal.len());

    // A letter under five thousand combining marks (Unicode Standard Annex #15 sets no limit).
    let pile = format!("pedal t{}ight", "\u{301}".repeat(5_000));
    let ran = bench.typed(
        &["listen", "--keys", "--exam", "m", "--lexicon", &lexicon],
        &format!("{pile}\nleft pad glazed\nend of exam\n"),
    );
    assert_eq!(ran.code, Some(0), "{}", ran.err);
    let ran = bench.run(&["show", "m", "--timeline", "--lexicon", &lexicon]);
    assert!(ran.out.contains("glazed"), "{}", ran.out);
}

/// RFC 8259, section 8.2: an escape may be half of a surrogate pair, and what then is undefined.
#[test]
fn half_a_surrogate_pair_in_a_journal_is_damage_with_its_line_and_changes_nothing() {
    let bench = exam("[0:01] headset smooth\n[0:05] pedal tight\n[0:09] left pad glazed\n");
    let journal = bench.text("e/journal.jsonl");
    let broken = journal.replacen("pedal", r"pe\ud800dal", 1);
    bench.file("e/journal.jsonl", &broken);
    let ran = bench.run(&["show", "e", "--lexicon", &bicycle()]).code(4);
    assert!(ran.err.contains("journal.jsonl:"), "{}", ran.err);
    assert_eq!(bench.text("e/journal.jsonl"), broken);
}

/// Short texts that stand for very many or very deep ones ("billion laughs": CVE-2003-1564).
#[test]
fn a_lexicon_phrase_that_stands_for_millions_is_refused_at_its_place() {
    let good = std::fs::read_to_string(format!("{}/lexicon.toml", bicycle())).unwrap();
    let name = "names = [\"headset\"";
    assert!(good.contains(name), "the lexicon has changed; the test needs a name to widen");
    for (bomb, says) in [
        ("(a|b)".repeat(40), "more than 512"),
        ("[a [b ".repeat(20) + "c" + &"]]".repeat(20), "deep"),
        ("(".repeat(200_000) + "a" + &")".repeat(200_000), "deep"),
        ("((a|b)(a|b)(a|b)(a|b)(a|b)(a|b)(a|b)(a|b)(a|b)|".repeat(4) + "x" + &")".repeat(4), "512"),
    ] {
        let text = good.replacen(name, &format!("names = [\"headset\", \"{bomb}\""), 1);
        let told = Files::from_texts(&[("l.toml", &text)]).and_then(|f| compile(&f)).unwrap_err();
        let told: Vec<String> = told.iter().map(ToString::to_string).collect();
        assert!(told[0].contains("l.toml:") && told[0].contains(says), "{:.300}", told[0]);
    }
    // A table in a table in a table.
    let deep = format!("{good}\nx = {}1{}\n", "[".repeat(100_000), "]".repeat(100_000));
    assert!(Files::from_texts(&[("l.toml", &deep)]).and_then(|f| compile(&f)).is_err());
}

#[test]
fn an_exam_code_can_name_no_place_outside_and_a_dangling_link_is_not_written_through() {
    let lexicon = bicycle();
    let bench = Bench::new();
    bench.file("said.txt", "[0:01] headset smooth\n");
    for code in ["../up", "/etc/x", "a/b", "a\\b", "..", "a\u{0}b", "C:x", "a\n"] {
        if code.contains('\u{0}') {
            continue; // no argument can hold it
        }
        let ran = bench
            .run(&["read", "said.txt", "--exam", "x", "--code", code, "--lexicon", &lexicon])
            .code(2);
        assert!(ran.err.contains("code"), "{}", ran.err);
        assert!(!bench.path("x").exists(), "{code}");
    }
    #[cfg(unix)]
    {
        std::fs::create_dir(bench.path("linked")).unwrap();
        let elsewhere = bench.path("elsewhere");
        std::os::unix::fs::symlink(&elsewhere, bench.path("linked/journal.jsonl")).unwrap();
        let ran = bench.run(&["read", "said.txt", "--exam", "linked", "--lexicon", &lexicon]);
        assert_ne!(ran.code, Some(0), "{}", ran.out);
        assert!(!elsewhere.exists(), "the journal was written through a link");
    }
}

/// A WAV file: `RIFF`, its length, `WAVE`, a format chunk, a data chunk (Microsoft & IBM,
/// Multimedia Programming Interface and Data Specifications 1.0, 1991).
fn riff(tag: u16, channels: u16, rate: u32, bits: u16, said: u32, data: &[u8]) -> Vec<u8> {
    let align = channels.wrapping_mul(bits / 8);
    let mut out = b"RIFF".to_vec();
    out.extend(said.wrapping_add(36).to_le_bytes());
    out.extend(b"WAVEfmt ");
    out.extend(16u32.to_le_bytes());
    out.extend(tag.to_le_bytes());
    out.extend(channels.to_le_bytes());
    out.extend(rate.to_le_bytes());
    out.extend(rate.wrapping_mul(u32::from(align)).to_le_bytes());
    out.extend(align.to_le_bytes());
    out.extend(bits.to_le_bytes());
    out.extend(b"data");
    out.extend(said.to_le_bytes());
    out.extend(data);
    out
}

#[test]
fn a_header_of_four_gigabytes_on_a_kilobyte_of_sound_reads_the_kilobyte_and_says_so() {
    let file = riff(1, 1, 16_000, 16, u32::MAX - 37, &[1; 1024]);
    let sound = wav::read("x.wav", Cursor::new(file)).unwrap();
    assert_eq!(sound.samples.len(), 512);
    // The room it took is that of a bounded guess, not of the header's word.
    assert!(sound.samples.capacity() <= 1 << 28, "{}", sound.samples.capacity());
    assert!(sound.warnings.iter().any(|w| w.message.contains("its header says")), "{sound:?}");
}

#[test]
fn formats_that_are_no_pcm_are_refused_by_name_of_what_would_be_right() {
    // Tags of the same source and of RFC 2361: 2 ADPCM, 6 A-law, 7 mu-law, 0x55 MPEG layer 3.
    for tag in [0, 2, 6, 7, 0x11, 0x55, 0xffff] {
        let told =
            wav::read("x.wav", Cursor::new(riff(tag, 1, 8000, 8, 64, &[0; 64]))).unwrap_err();
        assert!(told.to_string().contains("PCM"), "{tag}: {told}");
    }
    for (channels, rate, bits) in [(0, 16_000, 16), (1, 0, 16), (1, 16_000, 0), (1, u32::MAX, 16)] {
        let file = riff(1, channels, rate, bits, 64, &[0; 64]);
        assert!(wav::read("x.wav", Cursor::new(file)).is_err(), "{channels} {rate} {bits}");
    }
}

#[test]
fn samples_that_are_no_numbers_are_silence_and_counted() {
    let values = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e30, -1e30, 0.25];
    let data: Vec<u8> = values.iter().cycle().take(6_000).flat_map(|v| v.to_le_bytes()).collect();
    let file = riff(3, 1, 16_000, 32, data.len() as u32, &data);
    let sound = wav::read("x.wav", Cursor::new(file)).unwrap();
    assert!(sound.samples.iter().all(|s| s.is_finite() && s.abs() <= 1.0));
    assert!(sound.warnings.iter().any(|w| w.message.starts_with("3000 samples")), "{sound:?}");
}

/// The length in seconds is the number of frames by their rate, whatever both are.
#[test]
fn one_kilohertz_192_kilohertz_and_eight_channels_keep_their_length() {
    for (rate, channels) in [(1_000, 1), (192_000, 2), (48_000, 8), (16_000, 8)] {
        let seconds = 2;
        let frames = rate as usize * seconds;
        let data = vec![0u8; frames * usize::from(channels) * 2];
        let file = riff(1, channels, rate, 16, data.len() as u32, &data);
        let sound = wav::read("x.wav", Cursor::new(file)).unwrap();
        let ms = sound.length_ms() as i64;
        assert!((ms - 2_000).abs() <= 2, "{rate} Hz, {channels} channels: {ms} ms");
    }
}
