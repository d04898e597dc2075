//! `cotside gather`.

use std::io::{BufWriter, IntoInnerError};
use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressStyle};
use rayon::prelude::*;

use super::exit::{Failure, Outcome};
use super::many::{self, Lexicons};
use super::{GatherArgs, TableFormat, export, output};
use crate::gaps::gaps;
use crate::grade::grade;
use crate::journal::NewFile;
use crate::report::archive::Damaged;
use crate::report::deidentify::Shown;
use crate::report::table::{self, Row, csv, parquet};

/// Exams rebuilt before their rows are written: enough to keep all cores at work, few enough that
/// memory does not grow with the folder.
const AT_ONCE: usize = 64;

/// The file, written in larger pieces than rows.
type Out = BufWriter<NewFile<'static>>;

/// Where rows go.
enum To<'o> {
    Csv(Box<csv::Writer<&'o mut Out>>),
    Parquet(Box<parquet::Writer<&'o mut Out>>),
}

impl To<'_> {
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
    // Half a table would look like a whole one: what goes wrong leaves none.
    let (rows, damaged) = write(args, format, &folders, output::create(&args.output)?)?;
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

fn write(
    args: &GatherArgs,
    format: TableFormat,
    folders: &[PathBuf],
    file: NewFile<'static>,
) -> Result<(u64, Vec<Damaged>), Failure> {
    let fail = |e: std::io::Error| Failure::file(&args.output, "write this file", &e);
    let mut out = BufWriter::new(file);
    let mut to = match format {
        TableFormat::Csv => To::Csv(Box::new(csv::Writer::new(&mut out).map_err(fail)?)),
        TableFormat::Parquet => {
            To::Parquet(Box::new(parquet::Writer::new(&mut out).map_err(fail)?))
        }
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
    let file = out.into_inner().map_err(IntoInnerError::into_error).map_err(fail)?;
    file.finish().map_err(fail)?;
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
