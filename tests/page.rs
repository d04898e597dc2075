//! The page as a file: self-contained, the same words as the note, drawn to scale, legible, and the
//! comparison drawn from the same numbers as the computation.

#[path = "browser/exams.rs"]
mod exams;
#[path = "cli/support.rs"]
mod support;

use cotside::grade::growth::{at_z, centile, spread_at, z_score};
use cotside::lexicon::reference::{Sex, Spread};
use cotside::report::page::STYLE;
use cotside::report::page::compare::CENTILES;
use support::Bench;

fn page(bench: &Bench, exams: &[&str]) -> String {
    let mut args = vec!["page"];
    args.extend(exams);
    bench.run(&args).code(0).out
}

/// What stands between tags, references to characters put back.
fn words(html: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for c in html.chars() {
        match c {
            '<' => inside = true,
            '>' => {
                inside = false;
                out.push(' ');
            }
            c if !inside => out.push(c),
            _ => {}
        }
    }
    htmlize::unescape(&out).into_owned()
}

fn bare(text: &str) -> String {
    text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let rest = text.split_once(from).unwrap_or_else(|| panic!("no {from}")).1;
    rest.split_once(to).unwrap_or_else(|| panic!("no {to}")).0
}

#[test]
fn a_page_asks_for_nothing_outside_itself_and_runs_nothing() {
    let bench = exams::demo();
    let html = page(&bench, &["e"]);
    assert!(htmlize::unescape(&html).contains("default-src 'none'; style-src 'sha256-"));
    for bad in
        ["<script", "http:", "https:", "src=", "url(", "@import", "<form", "<button", "javascript:"]
    {
        assert!(!html.contains(bad), "{bad}");
    }
    let outside: Vec<&str> =
        html.split("href=\"").skip(1).filter(|h| !h.starts_with('#')).collect();
    assert_eq!(outside.len(), 0, "{:?}", outside.first());
}

#[test]
fn the_policy_names_the_digest_of_the_very_style() {
    // W3C Content Security Policy Level 3, hash-source: the base64 of SHA-256 over the content.
    use base64::Engine as _;
    use sha2::Digest as _;
    let bench = exams::demo();
    let html = page(&bench, &["e"]);
    let style = between(&html, "<style>", "</style>");
    let hash = base64::engine::general_purpose::STANDARD.encode(sha2::Sha256::digest(style));
    assert!(htmlize::unescape(&html).contains(&format!("style-src 'sha256-{hash}'")));
}

#[test]
fn the_note_on_the_page_is_the_note_word_for_word() {
    let bench = exams::demo();
    let html = page(&bench, &["e"]);
    let note = bench.run(&["note", "e"]).code(0).out;
    let on_page = words(between(&html, "<div class=\"note\">", "</div>"));
    assert_eq!(bare(&on_page), bare(&note));
    // Broken lines are put together again: a paragraph is one.
    assert!(html.contains("<p>Gestational age 39+2 weeks; 30 hours old (1"), "a paragraph");
}

#[test]
fn every_phrase_every_finding_and_every_open_gap_is_on_the_page() {
    let bench = exams::demo();
    let html = words(&page(&bench, &["e"]));
    let mut phrases = 0;
    for line in bench.text("e/journal.jsonl").lines() {
        let line: serde_json::Value = serde_json::from_str(line).unwrap();
        if line["kind"] == "phrase" {
            phrases += 1;
            assert!(html.contains(line["text"].as_str().unwrap()), "{line}");
        }
    }
    assert_eq!(phrases, 55, "all of the demo");
    let gaps = bench.run(&["gaps", "e", "--json"]).json();
    for g in gaps["gaps"].as_array().unwrap() {
        let text = g["text"].as_str().unwrap();
        // An unsettled finding is told by its words and doubts instead.
        if g["open"] == true && g["kind"] != "unsettled" {
            assert!(bare(&html).contains(&bare(text)), "{text}");
        }
    }
}

/// The bars of phrases in a page's drawings: strip, left edge, width.
fn bars(html: &str) -> Vec<(usize, f64, f64)> {
    let number = |tag: &str, name: &str| -> f64 {
        between(tag, &format!(" {name}=\""), "\"").parse().unwrap()
    };
    html.split("<svg class=\"drawing course\"")
        .skip(1)
        .enumerate()
        .flat_map(|(k, svg)| {
            let svg = svg.split("</svg>").next().unwrap();
            svg.split("<rect ")
                .skip(1)
                .filter(|r| r.contains("b-phrase") || r.contains("b-doubt"))
                .map(|r| {
                    let tag = format!(" {}", r.split('>').next().unwrap());
                    (k, number(&tag, "x"), number(&tag, "width"))
                })
                .collect::<Vec<_>>()
        })
        .collect()
}

#[test]
fn the_course_is_drawn_to_scale() {
    let bench = Bench::new();
    // One phrase every 15 s of a minute, so one strip; JSON lines give ends.
    let text: String = [0, 15, 30, 45]
        .iter()
        .map(|s| {
            format!(
                "{{\"start_ms\": {}, \"end_ms\": {}, \"text\": \"pupils equal and reactive\"}}\n",
                s * 1000,
                (s + 6) * 1000
            )
        })
        .collect();
    bench.file("x.jsonl", &text);
    let ran = bench.run(&["read", "x.jsonl", "--exam", "e", "--by", "KT"]);
    assert_eq!(ran.code, Some(0), "{}", ran.err);
    let bars = bars(&page(&bench, &["e"]));
    assert_eq!(bars.len(), 4, "{bars:?}");
    let step = bars[1].1 - bars[0].1;
    for pair in bars.windows(2) {
        assert!((pair[1].1 - pair[0].1 - step).abs() < 0.11, "equal times, equal ways: {bars:?}");
    }
    for b in &bars {
        assert!((b.2 / step - 6.0 / 15.0).abs() < 0.01, "6 s of 15: {bars:?}");
    }
}

#[test]
fn a_drawing_never_stands_without_its_table() {
    let bench = exams::demo();
    exams::started(
        &bench,
        "late",
        "l.vtt",
        &std::fs::read(support::root().join("demo/exam.vtt")).unwrap(),
        "2026-03-05T08:30:00+00:00",
    );
    let one = page(&bench, &["e"]);
    assert!(between(&one, "id=\"course\"", "</section>").contains("The same as a table"));
    let several = page(&bench, &["e", "late"]);
    let figures: Vec<&str> = several.split("<figure>").skip(1).collect();
    assert!(figures.len() > 5, "{}", figures.len());
    for f in figures {
        let f = f.split("</figure>").next().unwrap();
        assert!(f.contains("<table") && f.contains("<figcaption>"), "{f}");
    }
}

/// Relative luminance and contrast of WCAG 2.2, section "relative luminance".
fn luminance(hex: &str) -> f64 {
    let part = |k: usize| {
        let short = hex.len() == 3;
        let text = if short { hex[k..=k].repeat(2) } else { hex[2 * k..2 * k + 2].to_owned() };
        let c = f64::from(u8::from_str_radix(&text, 16).unwrap()) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    };
    0.2126 * part(0) + 0.7152 * part(1) + 0.0722 * part(2)
}

fn contrast(a: &str, b: &str) -> f64 {
    let (x, y) = (luminance(a), luminance(b));
    (x.max(y) + 0.05) / (x.min(y) + 0.05)
}

#[test]
fn every_tone_is_told_from_every_ground_it_stands_on() {
    // The formula against its two published ends: black on white 21:1, white on white 1:1.
    assert!((contrast("000000", "ffffff") - 21.0).abs() < 1e-9);
    assert!((contrast("fff", "ffffff") - 1.0).abs() < 1e-9);
    let palettes: Vec<&str> =
        STYLE.split(":root {").skip(1).take(2).map(|p| p.split('}').next().unwrap()).collect();
    assert_eq!(palettes.len(), 2, "light and dark");
    for palette in palettes {
        let tone = |name: &str| between(palette, &format!("--{name}: #"), ";");
        // Text: at least 4.5 to 1 (WCAG 2.2, 1.4.3).
        for text in ["ink", "soft", "link", "good", "near", "far", "ask"] {
            for ground in ["paper", "card", "band", "band2", "mark"] {
                // On marks and darker bands there is only ink.
                if ["band2", "mark"].contains(&ground) && text != "ink" {
                    continue;
                }
                let c = contrast(tone(text), tone(ground));
                assert!(c >= 4.5, "{text} on {ground}: {c:.2}");
            }
        }
        // Edges of what can be pressed, and marks: at least 3 to 1 (1.4.11).
        for ground in ["paper", "card"] {
            let c = contrast(tone("edge"), tone(ground));
            assert!(c >= 3.0, "edge on {ground}: {c:.2}");
        }
    }
}

#[test]
fn centile_lines_are_the_computation_turned_round() {
    let lex = cotside::lexicon::shipped("newborn").unwrap();
    for r in &lex.references {
        for sex in [Sex::Female, Sex::Male] {
            let mut any = 0;
            for k in 0..900 {
                let x = f64::from(k) / 7.0;
                let Some((spread, _)) = spread_at(r, sex, x) else { continue };
                any += 1;
                for (name, z) in CENTILES {
                    let y = at_z(spread, z).unwrap();
                    assert!((z_score(spread, y) - z).abs() < 1e-9, "{} at {x}", r.name);
                    let c: f64 = name.parse().unwrap();
                    assert!((centile(z) - c).abs() < 1e-6, "{name}");
                }
            }
            assert!(any > 0, "{} has no row", r.name);
        }
    }
    // Every form of Cole's method there and back.
    for l in [-1.5, 0.0, 0.3, 1.0, 2.0] {
        let s = Spread::Lms { l, m: 34.0, s: 0.04 };
        for z in [-3.0, -0.5, 0.0, 1.7] {
            assert!((z_score(s, at_z(s, z).unwrap()) - z).abs() < 1e-9, "{l} {z}");
        }
    }
    assert_eq!(
        at_z(Spread::Lms { l: 1.0 / 3.0, m: 1.0, s: 1.0 }, -9.0),
        None,
        "a power of what is negative"
    );
}

#[test]
fn centile_lines_meet_the_published_ones() {
    // WHO Child Growth Standards, head circumference-for-age, percentiles at birth in cm to one
    // decimal: girls P3 31.7, P50 33.9, P97 36.1; boys P3 32.1, P50 34.5, P97 36.9. From memory.
    let lex = cotside::lexicon::shipped("newborn").unwrap();
    let r = lex.references.iter().find(|r| r.name.contains("WHO")).unwrap();
    for (sex, want) in [(Sex::Female, [31.7, 33.9, 36.1]), (Sex::Male, [32.1, 34.5, 36.9])] {
        let (spread, _) = spread_at(r, sex, 0.0).unwrap();
        for ((_, z), want) in [CENTILES[0], CENTILES[2], CENTILES[4]].iter().zip(want) {
            let y = at_z(spread, *z).unwrap();
            assert!((y - want).abs() < 0.051, "{sex:?} {z}: {y}");
        }
    }
}

#[test]
fn several_exams_show_head_angles_and_scores_over_age() {
    let bench = Bench::new();
    for (name, head, left, at) in [
        ("d1", "34.2", "ninety", "2026-03-04T08:30:00+00:00"),
        ("d3", "34.6", "one hundred", "2026-03-06T08:30:00+00:00"),
    ] {
        let text = format!(
            "[0:01] quiet awake\n[0:05] head circumference {head} centimetres\n\
             [0:10] popliteal angle left {left} right ninety\n"
        );
        exams::started(&bench, name, &format!("{name}.txt"), text.as_bytes(), at);
    }
    let html = page(&bench, &["d3", "d1"]);
    let growth = between(&html, "id=\"growth\"", "</section>");
    assert_eq!(
        growth.matches("class=\"curve\"").count() + growth.matches("class=\"middle\"").count(),
        5
    );
    assert_eq!(growth.matches("href=\"#s-point\"").count(), 2, "two heads");
    assert!(words(growth).contains("WHO Child Growth Standards 2006"));
    let numbers = between(&html, "id=\"numbers\"", "</section>");
    assert!(numbers.contains("class=\"likely\""), "what is expected is drawn");
    assert!(words(numbers).contains("100°"));
    let items = words(between(&html, "id=\"items\"", "</section>"));
    assert!(items.contains("CHANGED"), "{items}");
    // Another infant's exam is refused.
    bench.file("x.txt", "[0:01] quiet awake\n");
    bench.run(&["read", "x.txt", "--exam", "other", "--sex", "m", "--by", "KT"]).code(0);
    let ran = bench.run(&["page", "d1", "other"]).code(2);
    assert!(ran.err.contains("hardly the same infant"), "{}", ran.err);
}

#[test]
fn a_page_is_never_written_over_a_file_that_is_there() {
    let bench = exams::demo();
    bench.file("mine.html", "keep");
    let ran = bench.run(&["page", "e", "-o", "mine.html"]).code(2);
    assert!(ran.err.contains("nothing is written over"), "{}", ran.err);
    assert_eq!(bench.text("mine.html"), "keep");
}

#[test]
fn an_exam_with_impossible_times_still_makes_a_page() {
    let bench = Bench::new();
    bench.file("x.jsonl", "{\"at_ms\": 1000, \"text\": \"pupils equal\"}\n{\"at_ms\": 9000000000, \"text\": \"moro complete both sides\"}\n");
    bench.run(&["read", "x.jsonl", "--exam", "e", "--by", "KT"]).code(0);
    let html = page(&bench, &["e"]);
    assert!(html.matches("<svg class=\"drawing course\"").count() <= 3);
}
