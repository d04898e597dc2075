//! Where the model is kept, and what is there.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::problem::Problem;

/// Overrides the folder, for a machine whose users share one model.
pub const VARIABLE: &str = "COTSIDE_MODEL";

/// Files of a model, with the SHA-256 of the pinned one's.
const FILES: &[(&str, &str)] = &[
    ("model.bin", "1a5afae06a4db91c975c9a9d78be5cc110ee4ea022ad57d55492e4550e936b2a"),
    ("tokenizer.json", "929c5252409436dce1b38a75d1abbcb5e132d170d8e324e4e04ed915fa2d22df"),
];

/// A model that is installed.
#[derive(Debug, Clone)]
pub struct Kept {
    /// Its folder.
    pub dir: PathBuf,
    /// Its files with size in bytes and SHA-256.
    pub files: Vec<(String, u64, String)>,
    /// Whether all are the pinned model's.
    pub pinned: bool,
}

/// The folder the model is kept in: `COTSIDE_MODEL`, else `cotside/model` in the user's data.
///
/// # Errors
/// When the user has no data folder.
pub fn folder() -> Result<PathBuf, Problem> {
    if let Some(dir) = std::env::var_os(VARIABLE).filter(|v| !v.is_empty()) {
        return Ok(PathBuf::from(dir));
    }
    directories::ProjectDirs::from("", "", "cotside")
        .map(|d| d.data_dir().join("model"))
        .ok_or_else(|| {
            Problem::in_file("model", "this user has no home folder to keep it in")
                .help(format!("name a folder in {VARIABLE}"))
        })
}

/// Whether a folder holds weights and vocabulary.
fn is_model(dir: &Path) -> bool {
    dir.join("tokenizer.json").is_file()
        && (dir.join("model.bin").is_file() || dir.join("model.safetensors").is_file())
}

/// That a model is in `dir`.
///
/// # Errors
/// When there is none; says what to run.
pub fn present(dir: &Path) -> Result<(), Problem> {
    if is_model(dir) { Ok(()) } else { Err(missing(dir)) }
}

/// What is kept in `dir`; the digests are computed, which takes a moment.
///
/// # Errors
/// When nothing is there, or a file cannot be read.
pub fn kept(dir: &Path) -> Result<Kept, Problem> {
    present(dir)?;
    let mut files = Vec::new();
    for name in ["model.bin", "model.safetensors", "tokenizer.json"] {
        let path = dir.join(name);
        if path.is_file() {
            let (size, sha256) = sha256_of(&path)?;
            files.push((name.to_owned(), size, sha256));
        }
    }
    let pinned =
        FILES.iter().all(|(n, want)| files.iter().any(|(name, _, have)| name == n && have == want));
    Ok(Kept { dir: dir.to_owned(), files, pinned })
}

/// That there is no model, and what to run.
pub fn missing(dir: &Path) -> Problem {
    Problem::in_file(dir.display().to_string(), "the speech model is not installed")
        .help("run `cotside model install`; everything but voice works without it")
}

/// Size in bytes and SHA-256 of a file.
///
/// # Errors
/// When it cannot be read.
pub fn sha256_of(path: &Path) -> Result<(u64, String), Problem> {
    let read = || -> io::Result<(u64, String)> {
        let mut file = File::open(path)?;
        let (mut hash, mut size, mut buffer) = (Sha256::new(), 0, vec![0; 1 << 16]);
        loop {
            match file.read(&mut buffer)? {
                0 => break,
                n => {
                    hash.update(&buffer[..n]);
                    size += n as u64;
                }
            }
        }
        Ok((size, hash.finalize().iter().map(|b| format!("{b:02x}")).collect()))
    };
    read().map_err(|e| {
        Problem::in_file(path.display().to_string(), format!("cannot be read: {e}"))
            .help("check the disk, then `cotside model install`")
    })
}

/// Copies the model in the folder `from` to `dir`. The old one stays until the new one is whole.
///
/// # Errors
/// When `from` holds no model, or something cannot be written.
pub fn put(from: &Path, dir: &Path) -> Result<(), Problem> {
    if !is_model(from) {
        return Err(Problem::in_file(from.display().to_string(), "holds no model")
            .help("a model is model.bin or model.safetensors, and tokenizer.json, in one folder"));
    }
    let place = || -> io::Result<()> {
        let above = dir.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(above)?;
        let fresh = above.join(format!(".model-{}", std::process::id()));
        let _ = fs::remove_dir_all(&fresh);
        fs::create_dir(&fresh)?;
        for name in ["model.bin", "model.safetensors", "tokenizer.json", "config.json"] {
            let file = from.join(name);
            if file.is_file() {
                fs::copy(file, fresh.join(name))?;
            }
        }
        match fs::remove_dir_all(dir) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
            _ => {}
        }
        fs::rename(&fresh, dir)
    };
    place().map_err(|e| {
        Problem::in_file(dir.display().to_string(), format!("the model cannot be kept there: {e}"))
            .help("free some disk (80 MB), or name another folder in COTSIDE_MODEL")
    })
}
