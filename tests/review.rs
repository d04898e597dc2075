//! The review page in a real browser: settled by keys alone, heard, kept true when the exam is
//! changed elsewhere, ended with its tab; and held against an accessibility engine.

mod browser;
#[path = "browser/exams.rs"]
mod exams;
#[path = "cli/support.rs"]
mod support;

use std::process::Command;

use browser::{Browser, Review, skip};
use serde_json::{Value, json};
use support::{Bench, root};

/// Enter, Escape and Tab as WebDriver names them.
const ENTER: &str = "\u{E007}";
const ESCAPE: &str = "\u{E00C}";

fn review(bench: &Bench, exam: &str) -> Review {
    Review::start(bench.command(&["review", exam]))
}

/// Starts the page of an exam in a browser.
fn opened(b: &Browser, bench: &Bench) -> Review {
    let r = review(bench, "e");
    b.seen_as(1280, false, false);
    b.go(&r.address);
    b.until("document.documentElement.classList.contains('script')");
    // Were the page ever loaded anew, this would be lost.
    b.script("window.same = 'page';");
    r
}

fn journal(bench: &Bench) -> Vec<Value> {
    let text = bench.text("e/journal.jsonl");
    text.lines().map(|l| serde_json::from_str(l).unwrap()).collect()
}

fn settlements(bench: &Bench) -> Vec<Value> {
    journal(bench).into_iter().filter(|l| l["kind"] == "settlement").collect()
}

fn open_matters(b: &Browser) -> u64 {
    b.script("return document.querySelectorAll('details.matter').length;").as_u64().unwrap()
}

/// Letters and digits alone, so that two texts laid out differently can be compared.
fn bare(text: &str) -> String {
    text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

fn note_on_page(b: &Browser) -> String {
    b.text("document.querySelector('.note').textContent")
}

#[test]
fn every_open_matter_of_the_demo_exam_is_settled_by_keys_alone() {
    let Some(b) = Browser::start() else { return };
    let bench = exams::demo();
    let mut r = opened(&b, &bench);
    let before = journal(&bench).len();
    assert!(note_on_page(&b).contains("NOT MET"));
    assert!(open_matters(&b) >= 10, "the demo leaves much open");

    // What is unsettled stands first; each is kept as read, or another alternative is chosen.
    let mut chosen = 0;
    while b.text("document.querySelector('details.matter[open] .st')?.textContent.trim()")
        == "unsettled"
    {
        let key = if chosen == 0 { "a" } else { "1" };
        let was = open_matters(&b);
        b.keys_answered(key);
        assert_eq!(open_matters(&b), was - 1, "{}", b.text("said.textContent"));
        chosen += 1;
    }
    assert!(chosen >= 2, "the demo leaves two findings unsettled");
    assert_eq!(settlements(&bench).len(), chosen);

    // A value for something not done: the side by key, the time as it stands, then the value.
    b.until("document.activeElement.closest('details.matter[open]')");
    while b.text("document.querySelector('details.matter[open] input[name=side]') !== null")
        == "false"
        || b.text(
            "document.querySelector('details.matter[open] input[name=side]:checked') === null",
        ) == "false"
    {
        b.keys("n");
    }
    b.keys_answered("1");
    assert!(b.text("said.textContent").contains("side first"), "a side is never made up");
    b.keys("r");
    b.keys_answered("1");
    assert!(
        b.text("said.textContent").starts_with("Written: added at"),
        "{}",
        b.text("said.textContent")
    );

    // Taking back, and again.
    let was = open_matters(&b);
    b.keys_answered("u");
    assert!(b.text("said.textContent").contains("taken back"), "{}", b.text("said.textContent"));
    assert!(open_matters(&b) > was - 1);

    // One reason for one, then the same for all that are left.
    b.keys("w");
    b.until("document.activeElement.name === 'reason'");
    b.keys("the infant was crying");
    b.keys_answered(ENTER);
    assert!(b.text("said.textContent").contains("reason for"), "{}", b.text("said.textContent"));
    let mut guard = 0;
    while open_matters(&b) > 0 {
        b.keys("w");
        b.until("document.activeElement.name === 'reason'");
        b.keys("taken to theatre");
        // To the box "the same reason for the others", if there is one, and back to the field.
        if b.text("document.querySelector('details.matter[open] input[name=all]') !== null")
            == "true"
        {
            b.keys("\u{E004}\u{E004} ");
            b.until("document.activeElement.name === 'all' && document.activeElement.checked");
            b.keys("\u{E004}");
            b.script("document.activeElement.blur();");
            b.keys("w");
        }
        b.keys_answered(ENTER);
        guard += 1;
        assert!(guard < 40, "{}", b.text("said.textContent"));
    }
    assert_eq!(b.text("window.same"), "page", "nothing was loaded anew");
    b.until("document.querySelector('.verdict').textContent.includes('Nothing is open')");

    // The journal holds it all, in the examiner's name and with a time; nothing said was changed.
    let lines = journal(&bench);
    assert!(lines.len() > before);
    for s in settlements(&bench) {
        assert_eq!(s["who"], "KT");
        assert!(s["wall"].is_string());
    }
    bench.run(&["gaps", "e"]).code(0);
    // And the note on the page is the note.
    let note = bench.run(&["note", "e"]).code(0).out;
    assert_eq!(bare(&note_on_page(&b)), bare(&note));
    assert!(!note.contains("NOT MET"));
    assert!(r.runs());
    b.go("about:blank");
    assert_eq!(r.ended(), Some(0), "the page ends with its tab");
}

#[test]
fn a_finding_is_corrected_and_a_missed_one_added_by_keys() {
    let Some(b) = Browser::start() else { return };
    let bench = exams::demo();
    let _r = opened(&b, &bench);
    // A settled finding is asked about again from the table.
    b.script(
        "document.querySelector('a.correct[aria-label^=\"Correct Head circumference\"]').focus();",
    );
    b.script("document.getElementById('said').textContent = '';");
    b.keys(ENTER);
    b.until("document.querySelector('details.matter.asked[open]')");
    b.keys("f");
    b.until("document.activeElement.name === 'number'");
    b.keys("344");
    b.keys_answered(ENTER);
    assert!(b.text("said.textContent").contains("plausible"), "{}", b.text("said.textContent"));
    assert_eq!(settlements(&bench).len(), 0, "an implausible number is not written unasked");
    b.until("document.activeElement.name === 'anyway'");
    b.keys(ESCAPE);
    b.keys("f");
    b.keys("34.6");
    b.keys_answered(ENTER);
    let made = settlements(&bench);
    assert_eq!(made[0]["decision"]["act"], "choose");
    assert_eq!(made[0]["decision"]["number"], json!(34.6));
    b.until("document.querySelector('.exam').textContent.includes('34.6 cm')");

    // What no phrase holds, at a time.
    b.keys("m");
    b.until("document.activeElement.name === 'add'");
    b.keys("plantar-grasp");
    b.keys_answered(ENTER);
    b.until("document.querySelector('details.matter.asked[open] input[name=at]')");
    b.script("document.querySelector('details.matter[open] input[name=at]').select();");
    b.script("document.querySelector('details.matter[open] input[name=at]').focus();");
    b.keys("4:10");
    b.keys(ESCAPE);
    b.keys("b");
    b.keys_answered("1");
    let made = settlements(&bench);
    assert_eq!(made[1]["decision"]["act"], "add");
    assert_eq!(made[1]["decision"]["item"], "plantar-grasp");
    assert_eq!(made[1]["decision"]["side"], "both");
    assert_eq!(made[1]["decision"]["at_ms"], 250_000);
    assert_eq!(b.text("window.same"), "page");
}

#[test]
fn a_phrase_is_heard_again_from_its_own_slice() {
    let Some(b) = Browser::start() else { return };
    let bench = exams::demo();
    exams::with_sound(&bench.path("e"), 360, 0);
    let _r = opened(&b, &bench);
    let loaded = |key: &str| {
        b.keys(key);
        b.until("player.readyState >= 2 && !sound.hidden");
        b.script("return player.duration;").as_f64().unwrap()
    };
    // The matter at hand: its phrase with a little around it.
    let seq = b.text("document.querySelector('details.matter[open] [data-hear]').dataset.hear");
    let line = journal(&bench)
        .into_iter()
        .find(|l| seq.parse() == Ok(l["seq"].as_u64().unwrap()))
        .unwrap();
    let long = line["end_ms"].as_f64().unwrap() - line["start_ms"].as_f64().unwrap();
    let heard = loaded("h");
    assert!((heard - (long + 500.0) / 1000.0).abs() < 0.01, "{heard} s of {long} ms");
    assert_eq!(
        b.text("document.getElementById('sound-words').textContent"),
        line["text"].as_str().unwrap()
    );
    let next = loaded("j");
    assert!(next > 0.0);
    b.until("document.querySelectorAll('.playing').length === 1");
    // A click on the drawing does the same.
    b.script("document.querySelector('.course rect.b-phrase').dispatchEvent(new MouseEvent('click', { bubbles: true }));");
    b.until("document.getElementById('sound-clock').textContent === '0:09' || document.getElementById('sound-clock').textContent === '0:03'");
    b.until("player.readyState >= 2");
    // Every phrase is a link a keyboard reaches.
    let (links, phrases) = (
        b.script("return document.querySelectorAll('.phrases a.hear').length;"),
        b.script("return document.querySelectorAll('.phrases tbody tr').length;"),
    );
    assert_eq!(links, phrases);
}

#[test]
fn a_change_made_elsewhere_is_seen_and_never_written_over() {
    let Some(b) = Browser::start() else { return };
    let bench = exams::demo();
    let _r = opened(&b, &bench);
    // The page follows by itself.
    bench.run(&["settle", "e", "--gap", "leg-recoil", "--reason", "infant asleep"]).code(0);
    b.until("document.getElementById('made').textContent.includes('infant asleep')");
    assert_eq!(b.text("window.same"), "page");
    // While something is being typed, it waits; what is then sent is refused and kept in the field.
    while !b
        .text("document.querySelector('details.matter[open] .st').textContent.trim()")
        .is_empty()
    {
        b.keys("n");
    }
    b.keys("w");
    b.until("document.activeElement.name === 'reason'");
    b.keys("she was hungry");
    bench.run(&["settle", "e", "--gap", "leg-traction", "--reason", "infant asleep"]).code(0);
    let was = settlements(&bench).len();
    b.script("document.getElementById('said').textContent = '';");
    b.keys(ENTER);
    b.until("document.getElementById('said').textContent.includes('changed elsewhere meanwhile')");
    assert_eq!(settlements(&bench).len(), was, "nothing was written");
    b.until("document.querySelector('details.matter[open] input[name=reason]').value === 'she was hungry'");
    b.keys("w");
    b.keys_answered(ENTER);
    assert_eq!(settlements(&bench).len(), was + 1);
    assert_eq!(b.text("window.same"), "page");
}

#[test]
fn what_was_spoken_is_only_ever_words() {
    let Some(b) = Browser::start() else { return };
    let bench = Bench::new();
    let evil = "[0:05] pupils equal <script>window.bad = 1</script><img src=x onerror=\"window.bad = 2\">\n\
                [0:10] moro complete on the left \"><svg onload=window.bad=3> {{ 7 * 7 }} &amp;\n\
                [0:15] javascript:window.bad=4 '); window.bad = 5; //\n";
    exams::read(&bench, "e", "evil.txt", evil.as_bytes());
    let _r = opened(&b, &bench);
    b.keys("w");
    b.keys("<b onfocus=window.bad=6 autofocus>asleep</b>");
    b.keys_answered(ENTER);
    assert_eq!(b.text("window.bad"), "undefined");
    let all = b.text("document.querySelector('.phrases').textContent");
    for words in ["<script>window.bad = 1</script>", "<svg onload=window.bad=3> {{ 7 * 7 }} &amp;"]
    {
        assert!(all.contains(words), "{all}");
    }
    assert_eq!(b.script("return document.querySelectorAll('img, #all script, #all b').length;"), 0);
    // And as a file.
    bench.run(&["page", "e", "-o", "e.html"]).code(0);
    b.go(&format!("file://{}", bench.path("e.html").display()));
    assert_eq!(b.text("window.bad"), "undefined");
    assert_eq!(b.script("return document.querySelectorAll('img, script').length;"), 0);
}

/// The accessibility engine axe-core (Deque, MPL-2.0), from npm; only ever used here.
fn axe() -> Option<String> {
    const VERSION: &str = "4.14.1";
    let dir = root().join("target/tmp/axe");
    let file = dir.join("node_modules/axe-core/axe.min.js");
    if !file.is_file() {
        std::fs::create_dir_all(&dir).unwrap();
        let ran = Command::new("npm")
            .args(["install", "--no-save", "--no-audit", "--no-fund", "--ignore-scripts"])
            .arg("--prefix")
            .arg(&dir)
            .arg(format!("axe-core@{VERSION}"))
            .output();
        if !ran.is_ok_and(|r| r.status.success()) {
            skip("axe-core could not be installed (npm, and its registry)");
            return None;
        }
    }
    Some(std::fs::read_to_string(file).unwrap())
}

/// What the engine finds wrong, and what it could not tell of contrast is left to the test of the
/// palette.
fn violations(b: &Browser, axe: &str) -> Vec<String> {
    b.devtools("Runtime.evaluate", json!({ "expression": axe }));
    let found = b.promise("axe.run(document, { resultTypes: ['violations'] })");
    found["violations"]
        .as_array()
        .unwrap_or_else(|| panic!("{found}"))
        .iter()
        .map(|v| {
            let at: Vec<String> = v["nodes"]
                .as_array()
                .unwrap()
                .iter()
                .take(3)
                .map(|n| n["html"].to_string())
                .collect();
            format!("{}: {} at {}", v["id"], v["help"], at.join(" and "))
        })
        .collect()
}

fn pages(bench: &Bench) -> Vec<(&'static str, String)> {
    exams::started(
        bench,
        "late",
        "late.vtt",
        &std::fs::read(root().join("demo/exam.vtt")).unwrap(),
        "2026-03-06T09:00:00+00:00",
    );
    bench.run(&["settle", "late", "--gap", "leg-recoil", "--reason", "asleep"]).code(0);
    bench.run(&["page", "e", "-o", "file.html"]).code(0);
    bench.run(&["page", "e", "late", "-o", "several.html"]).code(0);
    ["file", "several"]
        .map(|name| (name, format!("file://{}", bench.path(&format!("{name}.html")).display())))
        .into()
}

const LOOKS: [(u32, bool, bool); 6] = [
    (320, false, false),
    (320, true, false),
    (320, false, true),
    (1280, false, false),
    (1280, true, false),
    (1280, true, true),
];

#[test]
fn an_accessibility_engine_finds_nothing_at_any_width_or_tone() {
    let Some(b) = Browser::start() else { return };
    let Some(axe) = axe() else { return };
    let bench = exams::demo();
    exams::with_sound(&bench.path("e"), 360, 0);
    let r = review(&bench, "e");
    let mut all = vec![("served", r.address.clone())];
    all.extend(pages(&bench));
    let mut wrong = Vec::new();
    // The engine is there, and finds a fault that is put there.
    b.go(&all[1].1);
    b.script("document.getElementById('main').append(document.createElement('img'));");
    let planted = violations(&b, &axe);
    assert!(planted.iter().any(|v| v.contains("image-alt")), "{planted:?}");
    for (name, address) in all {
        b.go(&address);
        if name == "served" {
            b.until("document.documentElement.classList.contains('script')");
            b.keys("j");
            b.until("!sound.hidden && player.readyState >= 2");
        }
        for (width, dark, forced) in LOOKS {
            b.seen_as(width, dark, forced);
            b.picture(&format!("{name}-{width}-{dark}-{forced}"));
            let tell = |v: String| format!("{name}, {width}, dark {dark}, forced {forced}: {v}");
            wrong.extend(violations(&b, &axe).into_iter().map(tell));
        }
    }
    assert_eq!(wrong, Vec::<String>::new());
}

/// Words of one drawing that lie over each other, and words outside it.
const OVERLAPS: &str = "
    const out = [];
    for (const svg of document.querySelectorAll('svg.drawing')) {
        const box = svg.viewBox.baseVal;
        const all = [...svg.querySelectorAll('text')].map((t) => [t.getBBox(), t.textContent]);
        all.forEach(([a, x], k) => {
            if (a.x < -1 || a.y < -1 || a.x + a.width > box.width + 1 || a.y + a.height > box.height + 1)
                out.push('outside: ' + x);
            for (const [b, y] of all.slice(k + 1))
                if (a.x + 0.5 < b.x + b.width && b.x + 0.5 < a.x + a.width && a.y + 2.5 < b.y + b.height && b.y + 2.5 < a.y + a.height)
                    out.push(x + ' over ' + y);
        });
    }
    return out;";

/// Things of the page wider than the window, save those that can be scrolled by themselves.
const CUT: &str = "
    const wide = document.documentElement.clientWidth;
    const out = document.documentElement.scrollWidth > wide ? ['the page is ' + document.documentElement.scrollWidth] : [];
    for (const e of document.querySelectorAll('body *')) {
        if (e.closest('.scroll, .shapes, .hide, .skip, thead')) continue;
        const r = e.getBoundingClientRect();
        if (r.width && (r.right > wide + 1 || r.left < -1)) out.push(e.tagName + '.' + e.className + ' ' + e.textContent.slice(0, 40));
    }
    return out.slice(0, 5);";

#[test]
fn words_never_overlap_and_nothing_is_cut_off() {
    let Some(b) = Browser::start() else { return };
    let bench = exams::demo();
    exams::with_sound(&bench.path("e"), 360, 0);
    exams::read(&bench, "long", "long.txt", exams::long(400).as_bytes());
    bench.run(&["page", "long", "-o", "long.html"]).code(0);
    let r = review(&bench, "e");
    let mut all = vec![("served", r.address.clone())];
    all.extend(pages(&bench));
    all.push(("long", format!("file://{}", bench.path("long.html").display())));
    let mut wrong = Vec::new();
    for (name, address) in all {
        b.go(&address);
        for width in [320, 768, 1280, 3840] {
            b.seen_as(width, false, false);
            for found in [OVERLAPS, CUT] {
                for v in b.script(found).as_array().unwrap() {
                    wrong.push(format!("{name}, {width}: {v}"));
                }
            }
        }
    }
    assert_eq!(wrong, Vec::<String>::new());
}

#[test]
fn every_sheet_of_paper_carries_the_exams_code_and_the_journals_digest() {
    let Some(b) = Browser::start() else { return };
    if Command::new("pdftotext").arg("-v").output().is_err() {
        return skip("no pdftotext here (Debian: poppler-utils)");
    }
    let bench = exams::demo();
    bench.run(&["page", "e", "-o", "e.html"]).code(0);
    b.go(&format!("file://{}", bench.path("e.html").display()));
    bench.file("e.pdf", b.printed());
    let out = Command::new("pdftotext")
        .args(["-layout", "e.pdf", "-"])
        .current_dir(bench.path(""))
        .output()
        .unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    let digest = cotside::journal::read(bench.path("e")).unwrap().digest().to_string();
    let code = journal(&bench)[0]["code"].as_str().unwrap().to_owned();
    let sheets: Vec<&str> = text.split('\u{c}').filter(|s| !s.trim().is_empty()).collect();
    assert!(sheets.len() > 3, "{} sheets", sheets.len());
    for (k, sheet) in sheets.iter().enumerate() {
        assert!(sheet.contains(&code) && sheet.contains(&digest), "sheet {}: {sheet}", k + 1);
    }
    // What is folded on the screen is there on paper.
    assert!(text.contains("so far:"), "the arithmetic is printed");
}
