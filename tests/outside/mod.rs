//! Programs and libraries of other hands that tests ask: installed once under `target/tmp`.
//!
//! Where one is missing and cannot be installed (no network, no Python, no npm), a test says
//! `SKIPPED` and passes, unless `COTSIDE_ORACLES=required` is set, as `.ci/run` does: then it fails.

#![allow(dead_code)] // each test program uses what it needs

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Mutex, PoisonError};

/// Why there is nothing to compare with: said, or a failure where the comparison is required.
pub fn without(what: &str, why: &str) {
    let required = std::env::var("COTSIDE_ORACLES").is_ok_and(|v| v == "required");
    assert!(!required, "{what} is required here: {why}");
    eprintln!("SKIPPED: {what} was not asked: {why}");
}

fn run(program: &Path, args: &[&str], dir: &Path) -> Result<(), String> {
    let done = Command::new(program)
        .args(args)
        .current_dir(dir)
        .output()
        .map_err(|e| format!("{}: {e}", program.display()))?;
    let told = String::from_utf8_lossy(&done.stderr).trim().to_owned();
    let last = told.lines().last().unwrap_or_default().to_owned();
    done.status.success().then_some(()).ok_or_else(|| format!("{}: {last}", args.join(" ")))
}

fn tmp(name: &str) -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join(name)
}

/// Held while something is installed: tests of one program run side by side, those of several one
/// after the other.
static INSTALLING: Mutex<()> = Mutex::new(());

/// The Python of a virtual environment `name` that holds the packages of a list under
/// `tests/reference`; made when it is not there.
pub fn python(name: &str, list: &str) -> Result<PathBuf, String> {
    let list = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference").join(list);
    let wanted = std::fs::read_to_string(&list).map_err(|e| e.to_string())?;
    let _one = INSTALLING.lock().unwrap_or_else(PoisonError::into_inner);
    let dir = tmp(name);
    let bin = if cfg!(windows) { "Scripts" } else { "bin" };
    let python = dir.join(bin).join("python");
    let stamp = dir.join("installed.txt");
    if std::fs::read_to_string(&stamp).is_ok_and(|had| had == wanted) {
        return Ok(python);
    }
    let here = Path::new(".");
    run(Path::new("python3"), &["-m", "venv", "--clear", &dir.display().to_string()], here)?;
    let list = list.display().to_string();
    let install = ["-m", "pip", "install", "--quiet", "--no-input", "--requirement", &list];
    run(&python, &install, here)?;
    std::fs::write(&stamp, wanted).map_err(|e| e.to_string())?;
    Ok(python)
}

/// A folder with the npm packages of `tests/reference/<name>/package.json`; made when it is not
/// there. Gives the folder.
pub fn npm(name: &str) -> Result<PathBuf, String> {
    let list = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference")
        .join(name)
        .join("package.json");
    let wanted = std::fs::read_to_string(&list).map_err(|e| e.to_string())?;
    let _one = INSTALLING.lock().unwrap_or_else(PoisonError::into_inner);
    let dir = tmp(&format!("npm-{name}"));
    let stamp = dir.join("installed.txt");
    if std::fs::read_to_string(&stamp).is_ok_and(|had| had == wanted) {
        return Ok(dir);
    }
    let _ = std::fs::remove_dir_all(&dir);
    std::fs::create_dir_all(&dir).map_err(|e| e.to_string())?;
    std::fs::write(dir.join("package.json"), &wanted).map_err(|e| e.to_string())?;
    let quiet = ["install", "--no-audit", "--no-fund", "--ignore-scripts", "--loglevel=error"];
    run(Path::new("npm"), &quiet, &dir)?;
    std::fs::write(&stamp, wanted).map_err(|e| e.to_string())?;
    Ok(dir)
}

/// Whether a program can be run here.
pub fn there(program: &str, version: &str) -> bool {
    Command::new(program).arg(version).output().is_ok()
}
