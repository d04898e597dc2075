//! A folder of many exams: finding them, and rebuilding them side by side, each forgotten once it
//! is counted. Every lexicon is loaded once.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use super::exit::{Exit, Failure};
use super::open;
use crate::exam::{self, Exam};
use crate::journal;
use crate::lexicon::Lexicon;
use crate::report::archive::Damaged;
use crate::report::later::{self, Later};

/// Deepest folder looked into, so that a link back to a folder above ends somewhere.
const DEEPEST: usize = 12;

/// What was found in a folder of many exams.
#[derive(Debug, Default)]
pub struct Found {
    /// Folders that hold an exam, in order.
    pub exams: Vec<PathBuf>,
    /// Locked exams, in order: they are told, and cannot be counted.
    pub locked: Vec<PathBuf>,
}

impl Found {
    /// The locked exams, as they are told.
    pub fn locked_names(&self) -> Vec<String> {
        self.locked.iter().map(|p| p.display().to_string()).collect()
    }
}

/// The exams under `dir`; `dir` itself when it is one.
///
/// # Errors
/// A folder that cannot be read, or one without any exam that is not locked.
pub fn find(dir: &Path) -> Result<Found, Failure> {
    let mut out = Found::default();
    walk(dir, 0, &mut out)?;
    if out.exams.is_empty() && !out.locked.is_empty() {
        return Err(Failure::input(
            dir.display().to_string(),
            format!("all exams in this folder are locked: {}", out.locked_names().join(", ")),
            "open them with `cotside unlock`, then ask again",
        ));
    }
    if out.exams.is_empty() {
        return Err(Failure::input(
            dir.display().to_string(),
            format!("there is no exam in this folder (no {})", journal::FILE_NAME),
            "name a folder that holds exam folders, at any depth",
        ));
    }
    out.exams.sort();
    out.locked.sort();
    Ok(out)
}

fn walk(dir: &Path, depth: usize, out: &mut Found) -> Result<(), Failure> {
    if dir.join(journal::FILE_NAME).exists() {
        out.exams.push(dir.to_owned());
        return Ok(());
    }
    let read = |e| Failure::file(dir, "read this folder", &e);
    for entry in std::fs::read_dir(dir).map_err(read)? {
        let path = entry.map_err(read)?.path();
        if path.is_dir() && depth < DEEPEST {
            walk(&path, depth + 1, out)?;
        } else if path.extension().is_some_and(|e| e == "age") && path.is_file() {
            out.locked.push(path);
        }
    }
    Ok(())
}

/// Lexicons by name, each loaded when it is first asked for.
pub struct Lexicons {
    folder: Option<PathBuf>,
    loaded: Mutex<BTreeMap<String, Result<Arc<Lexicon>, String>>>,
}

impl Lexicons {
    /// Those shipped, or the one in `folder` for all exams.
    pub fn new(folder: Option<&Path>) -> Self {
        Lexicons { folder: folder.map(Path::to_owned), loaded: Mutex::new(BTreeMap::new()) }
    }

    /// The lexicon of that name, or why there is none.
    pub fn get(&self, name: &str) -> Result<Arc<Lexicon>, String> {
        let mut loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
        let load = || {
            let told =
                |f: Failure| f.problems.first().map_or_else(String::new, ToString::to_string);
            open::lexicon(self.folder.as_deref(), name).map(Arc::new).map_err(told)
        };
        loaded.entry(name.to_owned()).or_insert_with(load).clone()
    }
}

/// An exam of many.
pub struct Rebuilt {
    /// The exam, with what was added after signing applied.
    pub exam: Exam,
    /// What was added after signing.
    pub later: Vec<Later>,
    /// Its lexicon.
    pub lex: Arc<Lexicon>,
}

/// Rebuilds one exam.
///
/// # Errors
/// What is wrong with it, for the list.
pub fn rebuild(dir: &Path, lexicons: &Lexicons) -> Result<Rebuilt, Damaged> {
    let damaged = |problem: String| Damaged { folder: dir.display().to_string(), problem };
    let read = journal::read(dir).map_err(|e| damaged(e.problem().to_string()))?;
    let Some(header) = read.header() else {
        return Err(damaged(format!("{}: the journal has no header", dir.display())));
    };
    let lex = lexicons.get(&header.lexicon.name).map_err(|why| {
        let name = &header.lexicon.name;
        damaged(format!("{}: the lexicon `{name}` cannot be used: {why}", dir.display()))
    })?;
    let signed = exam::build(header, &read.lines, &lex);
    let (exam, later) = later::applied(&signed, &read.lines, &lex);
    Ok(Rebuilt { exam, later, lex })
}

/// How a run over many exams ends: as damaged when any of them was.
pub fn exit(damaged: usize) -> Exit {
    if damaged > 0 { Exit::Damaged } else { Exit::Ok }
}
