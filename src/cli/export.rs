//! `cotside export`.

use std::io::IsTerminal;
use std::path::Path;

use chrono::{DateTime, Datelike, FixedOffset};

use super::exit::{Exit, Failure, Outcome};
use super::open::Opened;
use super::{ExportArgs, Format, open, output, sealing};
use crate::exam::Exam;
use crate::gaps::{Gaps, gaps};
use crate::grade::{Graded, Overview, asymmetries, grade, scales};
use crate::journal::FileSystem;
use crate::problem::Problem;
use crate::report::deidentify::Shown;
use crate::report::later::{self, Later};
use crate::report::note::Block;
use crate::report::{fhir, json, note, pdf, returned, sheet, table, words};
use crate::seal::folder::part;
use crate::seal::standing::{self, RawLines};
use crate::seal::{self, SealFacts};

/// Random bits of the system, as 16 hexadecimal digits.
pub fn random() -> Result<String, Failure> {
    let mut bytes = [0; 8];
    getrandom::fill(&mut bytes).map_err(|e| Failure {
        exit: Exit::Device,
        problems: vec![
            Problem::in_file("system", format!("gives no random numbers: {e}"))
                .help("a de-identified export needs them for its code; try again"),
        ],
    })?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

/// A de-identified exam under a code made now.
pub fn fresh() -> Result<Shown, Failure> {
    Ok(Shown::Deidentified { code: format!("D-{}", random()?) })
}

/// Runs the command.
pub fn run(args: &ExportArgs) -> Outcome {
    let to = args.output.as_deref();
    // clap asks for an exam unless the schema is wanted.
    let Some(exam) = &args.exam else {
        let schema = if args.deidentify { json::DEIDENTIFIED_SCHEMA } else { json::SCHEMA };
        output::deliver(to, schema)?;
        return Ok(Exit::Ok);
    };
    if args.format == Format::Pdf && to.is_none() && std::io::stdout().is_terminal() {
        return Err(Failure::input(
            "--as pdf",
            "a PDF is nothing to read in a terminal",
            "name a file: -o note.pdf",
        ));
    }
    let o = open::measured(exam, args.lexicon.as_deref(), &args.reference)?;
    let shown = if args.deidentify { fresh()? } else { Shown::Whole };
    let signed = Signed::read(exam, args.lexicon.as_deref())?;
    let bytes = made(args.format, &o, &shown, &beside(exam)?, &signed)?;
    output::deliver_bytes(to, &bytes)?;
    Ok(Exit::Ok)
}

/// What a signature makes of an export: nothing but what verifies is handed on as signed.
#[derive(Default)]
pub struct Signed {
    /// The seals, the note's first.
    seals: Vec<SealFacts>,
    /// The note as signed, with the signature and what was added since.
    note: Option<String>,
}

impl Signed {
    fn read(exam: &Path, lexicon: Option<&Path>) -> Result<Self, Failure> {
        let note = sealing::note::signed(exam, lexicon)?;
        let seals = if note.is_some() { seal::facts(exam)? } else { Vec::new() };
        Ok(Signed { seals, note })
    }

    fn fhir(&self) -> Option<fhir::Seal> {
        self.seals.first().map(|f| fhir::Seal {
            who: f.who.clone(),
            when: f.at,
            entries: f.entries,
            journal_sha256: f.journal.to_string(),
            key: f.key.to_string(),
            signature: f.signature.to_vec(),
            method: f.algorithm.clone(),
            incomplete: f.incomplete.clone(),
        })
    }
}

/// An exam as exports show it, what was added after signing applied.
struct View {
    x: Exam,
    later: Vec<Later>,
    graded: Graded,
    overview: Overview,
    g: Gaps,
}

fn view(o: &Opened) -> Result<View, Failure> {
    let (x, later) = later::applied(&o.exam, &o.read.lines, &o.lex);
    let graded = grade(&x, &o.lex);
    let overview = Overview::new(scales::of_lexicon(&o.lex)?, &x, &graded, &o.lex);
    let g = gaps(&x, &o.lex);
    Ok(View { x, later, graded, overview, g })
}

/// The note piece by piece; of a de-identified exam the sheet that quotes nobody.
fn blocks(o: &Opened, v: &View, shown: &Shown, signed: &Signed) -> Vec<Block> {
    match (shown, &signed.note) {
        (Shown::Whole, Some(text)) => sheet::from_text(text),
        (Shown::Whole, None) => {
            let apart = asymmetries(&o.exam, &o.lex);
            let g = gaps(&o.exam, &o.lex);
            note::blocks(&o.exam, &o.lex, &o.graded, &o.overview, &apart, &g)
        }
        (Shown::Deidentified { .. }, _) => {
            sheet::blocks(&v.x, &o.lex, &v.graded, &v.overview, &v.g, shown)
        }
    }
}

/// Files of the exam's folder that go with its journal.
fn beside(exam: &Path) -> Result<Vec<(String, Vec<u8>)>, Failure> {
    let mut out = Vec::new();
    let raw = RawLines::read(&FileSystem, exam)?;
    // A seal that is refused elsewhere is carried as it stands.
    let on_its_way = standing::standing(&FileSystem, exam, &raw)
        .is_ok_and(|found| found.is_some_and(|found| found.pending));
    for name in returned::CARRIED {
        let prepared = exam.join(part(name));
        let path = match on_its_way && prepared.exists() {
            true => prepared,
            false => exam.join(name),
        };
        match std::fs::read(&path) {
            Ok(bytes) => out.push((name.to_owned(), bytes)),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
            Err(e) => return Err(Failure::file(&path, "read this file", &e)),
        }
    }
    Ok(out)
}

/// An exam in a format, with the files that go with its journal.
pub fn made(
    format: Format,
    o: &Opened,
    shown: &Shown,
    files: &[(String, Vec<u8>)],
    signed: &Signed,
) -> Result<Vec<u8>, Failure> {
    let lex = &*o.lex;
    let v = view(o)?;
    let now = chrono::Local::now().fixed_offset();
    let json_text = |v: serde_json::Value| format!("{v:#}\n").into_bytes();
    Ok(match format {
        Format::Json if shown.is_deidentified() => {
            let of = json::deidentified(&v.x, lex, &v.graded, &v.overview, &v.g, &v.later, shown);
            json_text(of)
        }
        Format::Json => {
            let g = gaps(&o.exam, lex);
            let whole = json::export(&o.exam, lex, &o.graded, &o.overview, &g);
            json_text(json::with_journal(whole, &o.read, files))
        }
        Format::Csv => table::csv::whole(&table::rows(&v.x, lex, &v.graded, &v.g, &v.later, shown))
            .into_bytes(),
        Format::Fhir => json_text(fhir::bundle(&fhir::Given {
            x: &v.x,
            later: &v.later,
            lex,
            graded: &v.graded,
            o: &v.overview,
            g: &v.g,
            note: &blocks(o, &v, shown, signed),
            journal: &o.read.bytes(),
            files,
            seal: signed.fhir().as_ref(),
            shown,
            made: now,
        })),
        Format::Pdf => {
            let hidden = shown.is_deidentified();
            let on_every = pdf::Sheet {
                code: shown.code(&v.x.header).to_owned(),
                status: status(&v, signed, hidden),
                digest: (!hidden).then(|| o.read.digest().to_string()),
                title: lex.title.clone(),
                made: if hidden { export_year(&now) } else { now },
            };
            pdf::file(&blocks(o, &v, shown, signed), &on_every).map_err(|why| Failure {
                exit: Exit::Device,
                problems: vec![Problem::in_file("PDF", why).help("export the note as text")],
            })?
        }
    })
}

/// The year of an export, as a moment: PDF/A asks for one, and the day would tell too much.
fn export_year(now: &DateTime<FixedOffset>) -> DateTime<FixedOffset> {
    let first = chrono::NaiveDate::from_ymd_opt(now.year(), 1, 1).unwrap_or_default();
    first.and_time(chrono::NaiveTime::MIN).and_utc().fixed_offset()
}

/// How the exam stands, for every sheet.
fn status(v: &View, signed: &Signed, hidden: bool) -> String {
    let unsettled = v.x.unsettled().count();
    let open = v.g.open().count();
    let mut parts = vec![match signed.seals.first() {
        None => "NOT SIGNED".to_owned(),
        Some(_) if hidden => "SIGNED".to_owned(),
        Some(f) => format!("SIGNED by {} on {}", f.who, words::wall(&f.at)),
    }];
    if unsettled > 0 {
        parts.push(format!("{unsettled} UNSETTLED, no findings yet"));
    }
    if open > 0 {
        parts.push(format!("{} OPEN", words::count(open, "GAP", "GAPS")));
    }
    if signed.seals.len() > 1 {
        parts.push("ADDED TO since".to_owned());
    }
    parts.join("; ")
}
