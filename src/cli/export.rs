//! `cotside export`.

use std::io::IsTerminal;
use std::path::Path;

use chrono::{DateTime, Datelike, FixedOffset};

use super::exit::{Exit, Failure, Outcome};
use super::open::Opened;
use super::{ExportArgs, Format, open, output};
use crate::gaps::{Gaps, gaps};
use crate::grade::asymmetries;
use crate::problem::Problem;
use crate::report::deidentify::Shown;
use crate::report::note::Block;
use crate::report::{fhir, json, note, pdf, returned, sheet, table, words};

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
    let bytes = made(args.format, &o, &shown, &beside(exam)?)?;
    output::deliver_bytes(to, &bytes)?;
    Ok(Exit::Ok)
}

/// The note piece by piece; of a de-identified exam the sheet that quotes nobody.
fn blocks(o: &Opened, g: &Gaps, shown: &Shown) -> Vec<Block> {
    match shown {
        Shown::Whole => {
            let apart = asymmetries(&o.exam, &o.lex);
            note::blocks(&o.exam, &o.lex, &o.graded, &o.overview, &apart, g)
        }
        Shown::Deidentified { .. } => {
            sheet::blocks(&o.exam, &o.lex, &o.graded, &o.overview, g, shown)
        }
    }
}

/// Files of the exam's folder that go with its journal.
fn beside(exam: &Path) -> Result<Vec<(String, Vec<u8>)>, Failure> {
    let mut out = Vec::new();
    for name in returned::CARRIED {
        let path = exam.join(name);
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
) -> Result<Vec<u8>, Failure> {
    let (x, lex) = (&o.exam, &*o.lex);
    let g = gaps(x, lex);
    let now = chrono::Local::now().fixed_offset();
    let json_text = |v: serde_json::Value| format!("{v:#}\n").into_bytes();
    Ok(match format {
        Format::Json if shown.is_deidentified() => {
            json_text(json::deidentified(x, lex, &o.graded, &o.overview, &g, shown))
        }
        Format::Json => {
            let whole = json::export(x, lex, &o.graded, &o.overview, &g);
            json_text(json::with_journal(whole, &o.read, files))
        }
        Format::Csv => table::csv::whole(&table::rows(x, lex, &o.graded, &g, shown)).into_bytes(),
        Format::Fhir => json_text(fhir::bundle(&fhir::Given {
            x,
            lex,
            graded: &o.graded,
            o: &o.overview,
            g: &g,
            note: &blocks(o, &g, shown),
            journal: &o.read.bytes(),
            files,
            seal: None,
            shown,
            made: now,
        })),
        Format::Pdf => {
            let hidden = shown.is_deidentified();
            let on_every = pdf::Sheet {
                code: shown.code(&x.header).to_owned(),
                status: status(o, &g),
                digest: (!hidden).then(|| o.read.digest().to_string()),
                title: lex.title.clone(),
                made: if hidden { export_year(&now) } else { now },
            };
            pdf::file(&blocks(o, &g, shown), &on_every).map_err(|why| Failure {
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
fn status(o: &Opened, g: &Gaps) -> String {
    let unsettled = o.exam.unsettled().count();
    let open = g.open().count();
    let mut parts = vec!["NOT SIGNED".to_owned()];
    if unsettled > 0 {
        parts.push(format!("{unsettled} UNSETTLED, no findings yet"));
    }
    if open > 0 {
        parts.push(format!("{} OPEN", words::count(open, "GAP", "GAPS")));
    }
    parts.join("; ")
}
