//! `cotside gather`.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressStyle};
use rayon::prelude::*;

use super::exit::{Failure, Outcome};
use super::many::{self, Lexicons};
use super::{GatherArgs, TableFormat, export, output};
use crate::gaps::gaps;
use crate::grade::grade;
use crate::report::archive::Damaged;
use crate::report::deidentify::Shown;
use crate::report::table::{self, Row, csv, parquet};

/// Exams rebuilt before their rows are written: enough to keep all cores at work, few enough that
/// memory does not grow with the folder.
const AT_ONCE: usize = 64;

/// Where rows go.
enum To {
    Csv(Box<csv::Writer<BufWriter<File>>>),
    Parquet(Box<parquet::Writer<BufWriter<File>>>),
}

impl To {
    fn row(&mut self, row: Row) -> std::io::Result<()> {
        match self {
            To::Csv(w) => w.row(&row),
            To::Parquet(w) => w.row(row),
        }
    }

    fn finish(self) -> std::io::Result<()> {
        match self {
            To::Csv(w) => w.finish(),
            To::Parquet(w) => w.finish(),
        }
    }
}

/// The format: as asked for, else by the file's ending.
fn format(args: &GatherArgs) -> Result<TableFormat, Failure> {
    let ending = args.output.extension().and_then(|e| e.to_str()).unwrap_or_default();
    match (args.format, ending.to_ascii_lowercase().as_str()) {
        (Some(f), _) => Ok(f),
        (None, "csv") => Ok(TableFormat::Csv),
        (None, "parquet") => Ok(TableFormat::Parquet),
        (None, _) => Err(Failure::input(
            args.output.display().to_string(),
            "the ending does not tell the format",
            "end the name in .csv or .parquet, or say --as csv or --as parquet",
        )),
    }
}

/// Runs the command.
pub fn run(args: &GatherArgs) -> Outcome {
    let format = format(args)?;
    let found = many::find(&args.folder)?;
    let locked = found.locked_names();
    let mut folders = found.exams;
    if args.deidentify {
        // The order of the folders would tell the order in time.
        shuffle(&mut folders)?;
    }
    let file = output::create(&args.output)?;
    match write(args, format, &folders, file) {
        Ok((rows, damaged)) => {
            for d in &damaged {
                output::warn(&format!("left out: {}", d.problem));
            }
            for file in &locked {
                output::warn(&format!("locked, and left out: {file}"));
            }
            output::tell(&format!(
                "{rows} rows of {} exams written to {}",
                folders.len() - damaged.len(),
                args.output.display()
            ));
            Ok(many::exit(damaged.len()))
        }
        Err(e) => {
            // Half a table would look like a whole one.
            let _ = std::fs::remove_file(&args.output);
            Err(e)
        }
    }
}

fn write(
    args: &GatherArgs,
    format: TableFormat,
    folders: &[PathBuf],
    file: File,
) -> Result<(u64, Vec<Damaged>), Failure> {
    let fail = |e: std::io::Error| Failure::file(&args.output, "write this file", &e);
    let synced = file.try_clone().map_err(fail)?;
    let out = BufWriter::new(file);
    let mut to = match format {
        TableFormat::Csv => To::Csv(Box::new(csv::Writer::new(out).map_err(fail)?)),
        TableFormat::Parquet => To::Parquet(Box::new(parquet::Writer::new(out).map_err(fail)?)),
    };
    let lexicons = Lexicons::new(args.lexicon.as_deref());
    let bar = ProgressBar::new(folders.len() as u64);
    if let Ok(style) = ProgressStyle::with_template("{bar:40} {pos}/{len} exams") {
        bar.set_style(style);
    }
    let (mut rows, mut damaged) = (0, Vec::new());
    for some in folders.chunks(AT_ONCE) {
        let of: Vec<Result<Result<Vec<Row>, Damaged>, Failure>> =
            some.par_iter().map(|dir| exam_rows(dir, &lexicons, args.deidentify)).collect();
        for of in of {
            match of? {
                Ok(list) => {
                    for row in list {
                        rows += 1;
                        to.row(row).map_err(fail)?;
                    }
                }
                Err(d) => damaged.push(d),
            }
            bar.inc(1);
        }
    }
    to.finish().map_err(fail)?;
    synced.sync_all().map_err(fail)?;
    bar.finish_and_clear();
    Ok((rows, damaged))
}

fn exam_rows(
    dir: &Path,
    lexicons: &Lexicons,
    deidentify: bool,
) -> Result<Result<Vec<Row>, Damaged>, Failure> {
    let many::Rebuilt { exam: x, later, lex } = match many::rebuild(dir, lexicons) {
        Ok(of) => of,
        Err(d) => return Ok(Err(d)),
    };
    let shown = if deidentify { export::fresh()? } else { Shown::Whole };
    Ok(Ok(table::rows(&x, &lex, &grade(&x, &lex), &gaps(&x, &lex), &later, &shown)))
}

/// An order that tells nothing.
fn shuffle(folders: &mut Vec<PathBuf>) -> Result<(), Failure> {
    let mut keyed = Vec::with_capacity(folders.len());
    for f in folders.drain(..) {
        keyed.push((export::random()?, f));
    }
    keyed.sort_unstable();
    folders.extend(keyed.into_iter().map(|(_, f)| f));
    Ok(())
}
