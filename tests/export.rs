//! Tables, paper, exports taken back, and exports that must not tell whose exam it is. All invented.

mod made;
mod outside;
#[path = "cli/support.rs"]
mod support;

use std::process::Command;

use cotside::report::deidentify::Shown;
use cotside::report::table::csv::Writer;
use cotside::report::table::{COLUMNS, Cell, Kind, Row};
use cotside::report::{json, returned};
use serde_json::Value;
use support::Bench;

const HEADER: [&str; 12] = [
    "--code",
    "NEO-0417",
    "--sex",
    "f",
    "--ga",
    "39+2",
    "--by",
    "ZQX",
    "--born",
    "2031-04-04T03:10:00+02:00",
    "--started",
    "2031-04-05T09:26:53+02:00",
];

/// An exam `e` with something of everything: sides, numbers, a doubt, a correction, reasons known
/// and unknown, words nobody understands.
fn exam() -> Bench {
    let bench = Bench::new();
    bench.file(
        "e.txt",
        "[0:01] Überprüft: naïve Ödeme, Жёлтый 中, marmalade ward, cousin Philippa watching\n[0:03] quiet awake\n\
         [0:05] left arm recoil slow\n[0:09] right arm recoil brisk\n\
         [0:14] head circumference thirty four point six\n[0:20] skip gag reflex, just fed\n\
         [0:24] skip rooting because the marmalade spilt\n\
         [0:28] popliteal angle left eighty to ninety degrees\n\
         [0:33] suck strong\n[0:36] correction, suck weak\n[0:40] palate intact\n[0:42] scratch that\n\
         [0:47] moro, I think complete\n",
    );
    bench.run(&[&["read", "e.txt", "--exam", "e"][..], &HEADER].concat()).code(0);
    bench.run(&["settle", "e", "--gap", "red-reflex", "--reason", "Philippa's marmalade"]).code(0);
    bench
}

fn csv(bench: &Bench, more: &[&str]) -> Vec<Vec<String>> {
    let text = bench.run(&[&["export", "e", "--as", "csv"][..], more].concat()).code(0).out;
    let mut reader = ::csv::ReaderBuilder::new().has_headers(false).from_reader(text.as_bytes());
    reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect()
}

fn at<'a>(row: &'a [String], column: &str) -> &'a str {
    let k = COLUMNS.iter().position(|c| c.0 == column).unwrap();
    &row[k]
}

#[test]
fn a_table_has_a_row_for_every_finding_and_every_absence() {
    let bench = exam();
    let rows = csv(&bench, &[]);
    assert_eq!(rows[0], COLUMNS.iter().map(|c| c.0.to_owned()).collect::<Vec<_>>());
    let of = |item: &str| -> Vec<&Vec<String>> {
        rows.iter().skip(1).filter(|r| at(r, "item") == item).collect()
    };
    let recoil = of("arm-recoil");
    assert_eq!(recoil.len(), 2);
    assert_eq!((at(recoil[0], "side"), at(recoil[0], "value")), ("left", "slow"));
    assert_eq!(at(recoil[1], "wall"), "2031-04-05T09:27:02+02:00");
    assert_eq!(at(recoil[1], "exam_clock_s"), "9");
    let head = of("head-circumference")[0];
    assert_eq!((at(head, "number"), at(head, "unit")), ("34.6", "cm"));
    let angle = of("popliteal-angle");
    assert_eq!(
        (at(angle[0], "low"), at(angle[0], "high"), at(angle[0], "unit")),
        ("80", "90", "deg")
    );
    assert_eq!((at(angle[1], "side"), at(angle[1], "status")), ("right", "not_done"));
    let gag = of("gag")[0];
    assert_eq!((at(gag, "status"), at(gag, "reason_code").is_empty()), ("skipped", false));
    let red = of("red-reflex")[0];
    assert_eq!((at(red, "status"), at(red, "came_to")), ("not_done", "left-out"));
    assert_eq!(at(red, "reason"), "Philippa's marmalade (ZQX)");
    let moro = of("moro")[0];
    assert_eq!((at(moro, "certainty"), at(moro, "doubts")), ("unsettled", "hedged"));
    let suck = of("suck");
    assert_eq!((suck.len(), at(suck[0], "value")), (1, "weak"));
    // What was not done has a row too: as many items as the protocol requires are told of.
    let required: std::collections::BTreeSet<&str> = rows
        .iter()
        .skip(1)
        .filter(|r| at(r, "required") == "true")
        .map(|r| at(r, "item"))
        .collect();
    let j = bench.run(&["gaps", "e", "--json"]).json();
    assert_eq!(required.len() as u64, j["required"].as_u64().unwrap());
}

/// A row whose words are those given, in turn.
fn row(words: &[&str]) -> Row {
    let mut next = words.iter();
    let cell = |kind: Kind| match kind {
        Kind::Text => next.next().map_or(Cell::Empty, |w| Cell::Text((*w).into())),
        _ => Cell::Empty,
    };
    COLUMNS.iter().map(|c| c.1).map(cell).collect()
}

fn written(rows: &[Row]) -> Vec<u8> {
    let mut out = Vec::new();
    let mut w = Writer::new(&mut out).unwrap();
    rows.iter().for_each(|r| w.row(r).unwrap());
    w.finish().unwrap();
    out
}

/// RFC 4180, section 2, rules 1 to 7.
#[test]
fn tables_keep_to_rfc_4180() {
    let cases = ["plain", "with, comma", "with \"quotes\"", "two\r\nlines", " spaces kept ", ""];
    let bytes = written(&[row(&cases), row(&["last"])]);
    let text = String::from_utf8(bytes.clone()).unwrap();
    // 1 and 2: every record ends in CR LF, the last one too (which the rule leaves free).
    assert!(text.ends_with("\r\n"));
    assert!(!text.replace("\r\n", "").contains('\n'), "no line ends in LF alone");
    // 3: a line of names.
    assert!(text.starts_with("exam,protocol,complete,"));
    // 5 to 7: quotes around what holds a comma, a line break or a quote; a quote is doubled.
    for part in
        ["\"with, comma\"", "\"with \"\"quotes\"\"\"", "\"two\r\nlines\"", ", spaces kept ,"]
    {
        assert!(text.contains(part), "{part} in {text}");
    }
    // 4: as many fields in every record, spaces part of them; read by Python's csv module.
    if !outside::there("python3", "--version") {
        return outside::without("Python's csv", "there is no python3 on this machine");
    }
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("t.csv");
    std::fs::write(&path, bytes).unwrap();
    let script = "import csv,json,sys\n\
                  print(json.dumps(list(csv.reader(open(sys.argv[1],encoding='utf-8',newline='')))))";
    let done = Command::new("python3").args(["-c", script]).arg(&path).output().unwrap();
    let read: Vec<Vec<String>> = serde_json::from_slice(&done.stdout).unwrap();
    assert_eq!(read.len(), 3);
    assert!(read.iter().all(|r| r.len() == COLUMNS.len()));
    let words: Vec<&str> = COLUMNS
        .iter()
        .zip(&read[1])
        .filter(|(c, _)| c.1 == Kind::Text)
        .map(|(_, w)| w.as_str())
        .take(cases.len())
        .collect();
    assert_eq!(words, cases);
}

/// The beginnings that OWASP's page on CSV injection names.
#[test]
fn no_cell_of_words_is_run_as_a_formula() {
    let evil = ["=1+2", "+1", "-1+2", "@SUM(A1)", "\t=1", "\r=1", " =cmd", "fine = here"];
    let bytes = written(&[row(&evil)]);
    let mut reader = ::csv::Reader::from_reader(bytes.as_slice());
    let record = reader.records().next().unwrap().unwrap();
    let words = COLUMNS.iter().zip(record.iter()).filter(|(c, _)| c.1 == Kind::Text);
    for ((_, word), was) in words.zip(evil) {
        let first = word.trim_start_matches(' ').chars().next().unwrap();
        assert!(!"=+-@\t\r".contains(first), "{word:?}");
        assert!(word.ends_with(was), "{word:?} still holds {was:?}");
    }
    assert_eq!(record.iter().filter(|w| *w == "fine = here").count(), 1);
}

#[test]
fn an_export_makes_the_same_exam_again_byte_for_byte() {
    let bench = exam();
    for format in ["json", "fhir"] {
        let (file, back) = (format!("e.{format}"), format!("back-{format}"));
        bench.run(&["export", "e", "--as", format, "-o", &file]).code(0);
        bench.run(&["import", &file, "--exam", &back]).code(0);
        let of = |dir: &str| std::fs::read(bench.path(&format!("{dir}/journal.jsonl"))).unwrap();
        assert_eq!(of("e"), of(&back), "by {format}");
        let all = std::fs::read_dir(bench.path(&back)).unwrap().count();
        assert_eq!(all, 1);
    }
}

#[test]
fn every_narrated_exam_comes_back_from_its_export() {
    let bench = Bench::new();
    for (name, path) in made::narrations() {
        let dir = bench.path(&name);
        made::write(&dir, &std::fs::read(path).unwrap(), made::header());
        let o = made::open(&dir);
        let journal = std::fs::read(dir.join("journal.jsonl")).unwrap();
        for export in [json::with_journal(o.json(), &o.read, &[]), o.fhir(None, &Shown::Whole)] {
            for text in [format!("{export:#}"), export.to_string()] {
                let back = returned::journal("x", &text).unwrap_or_else(|p| panic!("{name}: {p}"));
                assert_eq!(back.bytes, journal, "{name}");
            }
        }
    }
}

#[cfg(unix)]
#[test]
fn what_holds_an_exam_can_be_read_by_its_owner_alone() {
    use std::os::unix::fs::PermissionsExt;
    let bench = exam();
    bench.run(&["export", "e", "-o", "e.json"]).code(0);
    bench.run(&["import", "e.json", "--exam", "back"]).code(0);
    bench.run(&["gather", ".", "-o", "all.csv"]).code(0);
    for (name, mode) in
        [("e.json", 0o600), ("all.csv", 0o600), ("back/journal.jsonl", 0o600), ("back", 0o700)]
    {
        let meta = std::fs::metadata(bench.path(name)).unwrap();
        assert_eq!(meta.permissions().mode() & 0o777, mode, "{name}");
    }
}

/// Line of a text on which a word stands first, from 1.
fn line_of(text: &str, word: &str) -> usize {
    text.lines().position(|l| l.contains(word)).unwrap() + 1
}

#[test]
fn a_changed_export_is_refused_with_the_place() {
    let bench = exam();
    let text = bench.run(&["export", "e"]).code(0).out;
    // What is changed, into what, and what the message must name.
    let cases = [
        ("\"value\": \"weak\"", "\"value\": \"strong\"", "findings"),
        ("\"protocol_met\": false", "\"protocol_met\": true", "exam"),
        ("suck strong", "suck absent", "journal"),
        ("\\\"ga\\\":\\\"39+2", "\\\"ga\\\":\\\"39+3", "journal"),
        ("Philippa's marmalade\\\"", "another reason\\\"", "journal"),
        ("\"exported_by\"", "\"exported_for\"", "sha256"),
    ];
    for (was, is, named) in cases {
        assert!(text.contains(was), "{was}");
        let changed = text.replacen(was, is, 1);
        bench.file("x.json", &changed);
        let ran = bench.run(&["import", "x.json", "--exam", "x"]);
        if named == "sha256" {
            // Nothing that counts was changed.
            ran.code(0);
            std::fs::remove_dir_all(bench.path("x")).unwrap();
            continue;
        }
        let ran = ran.code(2);
        assert!(ran.err.contains("x.json:") && ran.err.contains(named), "{was}: {}", ran.err);
        assert!(!bench.path("x").exists(), "{was}");
    }
    // The line of the very place, in the findings and in the journal.
    let changed = text.replacen("\"value\": \"weak\"", "\"value\": \"strong\"", 1);
    bench.file("x.json", &changed);
    let err = bench.run(&["import", "x.json", "--exam", "x"]).code(2).err;
    let line = line_of(&text, "\"value\": \"weak\"");
    assert!(err.contains(&format!("x.json:{line}:")) && err.contains("/value"), "{line}: {err}");
    bench.file("x.json", text.replacen("suck strong", "suck absent", 1));
    let err = bench.run(&["import", "x.json", "--exam", "x"]).code(2).err;
    let line = line_of(&text, "suck strong\\\"");
    assert!(err.contains(&format!("x.json:{line}:")), "{line}: {err}");
    // The last line, which no later line holds.
    let last = text.rfind("Philippa").unwrap();
    let changed = format!("{}Phillippa{}", &text[..last], &text[last + 8..]);
    bench.file("x.json", changed);
    let err = bench.run(&["import", "x.json", "--exam", "x"]).code(2).err;
    assert!(err.contains("its last, was changed"), "{err}");
}

#[test]
fn a_journal_cut_short_swapped_or_doubled_is_refused() {
    let bench = exam();
    let mut v: Value = bench.run(&["export", "e"]).json();
    let lines = v["journal"]["lines"].as_array().unwrap().clone();
    let mut try_with = |lines: Vec<Value>| {
        v["journal"]["lines"] = Value::Array(lines);
        bench.file("x.json", v.to_string());
        bench.run(&["import", "x.json", "--exam", "x"]).code(2);
        assert!(!bench.path("x").exists());
    };
    try_with(lines[..lines.len() - 1].to_vec());
    let mut swapped = lines.clone();
    swapped.swap(3, 4);
    try_with(swapped);
    let mut doubled = lines.clone();
    doubled.insert(3, lines[3].clone());
    try_with(doubled);
    try_with(Vec::new());
}

#[test]
fn a_changed_bundle_is_refused_whatever_was_changed() {
    let bench = exam();
    let text = bench.run(&["export", "e", "--as", "fhir"]).code(0).out;
    for (was, is) in [
        ("suck/weak", "suck/strong"),
        ("\"text\": \"left\"", "\"text\": \"right\""),
        ("\"status\": \"preliminary\"", "\"status\": \"final\""),
        ("\"data\": \"eyJ", "\"data\": \"eyK"),
    ] {
        assert!(text.contains(was), "{was}");
        bench.file("x.json", text.replacen(was, is, 1));
        let err = bench.run(&["import", "x.json", "--exam", "x"]).code(2).err;
        assert!(err.contains("x.json"), "{err}");
        assert!(!bench.path("x").exists(), "{was}");
    }
    // Another order of keys and other blanks are no change.
    let v: Value = serde_json::from_str(&text).unwrap();
    bench.file("y.json", v.to_string());
    bench.run(&["import", "y.json", "--exam", "y"]).code(0);
}

#[test]
fn nothing_is_imported_over_something_or_out_of_something_else() {
    let bench = exam();
    bench.run(&["export", "e", "-o", "e.json"]).code(0);
    let before = bench.text("e/journal.jsonl");
    let err = bench.run(&["import", "e.json", "--exam", "e"]).code(2).err;
    assert!(err.contains("already"), "{err}");
    assert_eq!(bench.text("e/journal.jsonl"), before);
    for (name, text) in [
        ("a.json", "{}"),
        ("b.json", "[1]"),
        ("c.json", "not JSON"),
        ("d.json", "{\"resourceType\":\"Bundle\",\"entry\":[]}"),
        ("e2.json", ""),
    ] {
        bench.file(name, text);
        let err = bench.run(&["import", name, "--exam", "x"]).code(2).err;
        assert!(err.contains(name) && err.contains("help"), "{err}");
    }
    bench.file("bytes.json", [0xff, 0xfe, 0x00]);
    bench.run(&["import", "bytes.json", "--exam", "x"]).code(2);
    bench.run(&["import", "none.json", "--exam", "x"]).code(2);
}

/// What must not be found in a de-identified export: initials, the code, wall times, exact ages,
/// every word that only a person said or typed.
const SECRETS: [&str; 14] = [
    "ZQX",
    "NEO-0417",
    "2031-04",
    "09:26",
    "09:27",
    "03:10",
    "39+2",
    "39 weeks",
    "275",
    "armalade",
    "hilippa",
    "cousin",
    "spilt",
    "Überprüft",
];

fn deidentified(bench: &Bench) -> Vec<(String, String)> {
    let mut out = Vec::new();
    for format in ["json", "csv", "fhir"] {
        let ran = bench.run(&["export", "e", "--as", format, "--deidentify"]).code(0);
        out.push((format.to_owned(), ran.out));
    }
    bench.run(&["gather", ".", "--deidentify", "-o", "all.csv"]).code(0);
    out.push(("gather".into(), bench.text("all.csv")));
    std::fs::remove_file(bench.path("all.csv")).unwrap();
    bench.run(&["export", "e", "--as", "pdf", "--deidentify", "-o", "d.pdf"]).code(0);
    if outside::there("pdftotext", "-v") {
        let done = Command::new("pdftotext").arg(bench.path("d.pdf")).arg("-").output().unwrap();
        out.push(("pdf".into(), String::from_utf8(done.stdout).unwrap()));
    } else {
        outside::without("pdftotext", "it is not installed");
    }
    std::fs::remove_file(bench.path("d.pdf")).unwrap();
    out
}

#[test]
fn a_deidentified_export_tells_what_was_found_and_not_of_whom() {
    let bench = exam();
    // Random names of resources and digests hold any three digits sooner or later.
    let random = regex::Regex::new("[0-9a-f]{8,}(-[0-9a-f]{4,})*").unwrap();
    for (format, text) in deidentified(&bench) {
        let told = random.replace_all(&text, "");
        let secrets = SECRETS.iter().filter(|s| told.contains(**s)).collect::<Vec<_>>();
        assert!(secrets.is_empty(), "{format} holds {secrets:?}:\n{text}");
        assert!(text.contains("37+0 to 41+6 weeks") && text.contains("24 to 71 h"), "{format}");
        assert!(text.contains("brisk") && text.contains("34.6"), "{format}: {text}");
        assert!(text.contains("D-"), "{format}");
    }
    // The words are there when nothing is left out, so the test above can fail.
    let whole = bench.run(&["export", "e"]).out + &bench.run(&["export", "e", "--as", "csv"]).out;
    let found = SECRETS.iter().filter(|s| whole.contains(**s)).count();
    assert!(found >= 11, "{found}");
}

#[test]
fn every_deidentified_export_has_a_code_of_its_own() {
    let bench = exam();
    let code = || {
        let v: Value = bench.run(&["export", "e", "--deidentify"]).code(0).json();
        v["exam"]["code"].as_str().unwrap().to_owned()
    };
    assert_ne!(code(), code());
}

#[test]
fn json_exports_keep_to_their_schemas() {
    let bench = exam();
    for more in [&[][..], &["--deidentify"]] {
        let schema: Value = bench.run(&[&["export", "--schema"][..], more].concat()).code(0).json();
        let validator = jsonschema::validator_for(&schema).unwrap();
        let v: Value = bench.run(&[&["export", "e"][..], more].concat()).code(0).json();
        let errors: Vec<String> = validator.iter_errors(&v).map(|e| e.to_string()).collect();
        assert_eq!(errors, Vec::<String>::new());
    }
}

#[test]
fn deidentified_exports_cannot_be_imported_and_say_so() {
    let bench = exam();
    for format in ["json", "fhir"] {
        bench.run(&["export", "e", "--as", format, "--deidentify", "-o", format]).code(0);
        let err = bench.run(&["import", format, "--exam", "x"]).code(2).err;
        assert!(err.contains("de-identified"), "{err}");
        assert!(!bench.path("x").exists());
    }
}

/// Text of each sheet, by poppler's reader.
fn sheets(bench: &Bench, pdf: &str) -> Option<Vec<String>> {
    if !outside::there("pdftotext", "-v") {
        outside::without("pdftotext", "it is not installed");
        return None;
    }
    let mut c = Command::new("pdftotext");
    let done = c.args(["-layout"]).arg(bench.path(pdf)).arg("-").output().unwrap();
    assert!(done.status.success());
    let text = String::from_utf8(done.stdout).unwrap();
    let mut sheets: Vec<String> = text.split('\u{c}').map(str::to_owned).collect();
    sheets.pop();
    Some(sheets)
}

#[test]
fn the_printed_note_says_what_the_note_says_and_every_sheet_which_exam_it_is() {
    let bench = exam();
    bench.run(&["export", "e", "--as", "pdf", "-o", "e.pdf"]).code(0);
    let Some(sheets) = sheets(&bench, "e.pdf") else { return };
    assert!(sheets.len() > 1, "{} sheets", sheets.len());
    let journal = bench.text("e/journal.jsonl");
    let last = journal.lines().last().unwrap();
    let digest = cotside::journal::Digest::of(last.as_bytes()).to_string();
    for (n, s) in sheets.iter().enumerate() {
        assert!(s.contains("Exam NEO-0417"), "{s}");
        assert!(s.contains(&digest), "{s}");
        assert!(s.contains(&format!("sheet {} of {}", n + 1, sheets.len())), "{s}");
        assert!(s.contains("NOT SIGNED") && s.contains("UNSETTLED"), "{s}");
    }
    // Word for word: the letters of the note, blanks and the letters no font has set aside.
    let bare = |t: &str| -> String {
        t.replace('中', "[U+4E2D]").chars().filter(|c| !c.is_whitespace()).collect()
    };
    // Without the head and foot of each sheet, over which a paragraph may go.
    let edge = |l: &&str| {
        let head = l.contains("sheet ") && l.contains("Exam NEO-0417");
        !(head || l.starts_with("NOT SIGNED") || l.starts_with("Journal SHA-256"))
    };
    let body: Vec<&str> =
        sheets.iter().flat_map(|s| s.lines().map(str::trim).filter(edge)).collect();
    let printed = bare(&body.join(" ").replace('•', ""));
    let note = bench.run(&["note", "e"]).out;
    for line in note.lines().filter(|l| !l.trim().is_empty()) {
        let line = bare(line.trim_start_matches("- "));
        // Titles are in capitals in plain text and in bold letters on paper.
        let found = printed.contains(&line) || printed.to_uppercase().contains(&line);
        assert!(found, "{line} is not in {printed}");
    }
    assert!(printed.contains("Überprüft:naïveÖdeme,Жёлтый[U+4E2D]"), "{printed}");
}

#[test]
fn the_printed_note_carries_its_fonts_on_a4() {
    let bench = exam();
    bench.run(&["export", "e", "--as", "pdf", "-o", "e.pdf"]).code(0);
    if !outside::there("pdffonts", "-v") {
        return outside::without("pdffonts", "it is not installed");
    }
    let ran = |program: &str| {
        let done = Command::new(program).arg(bench.path("e.pdf")).output().unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        String::from_utf8(done.stdout).unwrap()
    };
    let fonts = ran("pdffonts");
    let lines: Vec<&str> = fonts.lines().skip(2).collect();
    assert!(!lines.is_empty());
    for line in lines {
        // Columns from the right: object, generation, uni, sub, emb.
        let columns: Vec<&str> = line.split_whitespace().rev().collect();
        assert_eq!(columns[2..5], ["yes", "yes", "yes"], "{line}");
    }
    let info = ran("pdfinfo");
    assert!(info.contains("(A4)"), "{info}");
    assert!(info.contains("NEO-0417"), "{info}");
}
