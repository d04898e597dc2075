//! `cotside lock` and `cotside unlock`: the whole exam folder under a passphrase, and back.

use std::path::{Path, PathBuf};

use super::super::exit::{Exit, Failure, Outcome};
use super::super::{open, output};
use super::{LockArgs, UnlockArgs, secret};
use crate::journal::FileSystem;
use crate::seal::{closed, folder};

/// Runs `cotside lock`.
pub fn lock(args: &LockArgs) -> Outcome {
    open::not_a_file(&args.exam)?;
    no_link(&args.exam)?;
    let passphrase = secret::new(&args.passphrase, &args.exam.display().to_string())?;
    let path = closed::close(&FileSystem, &args.exam, &passphrase)?;
    let shown = path.display();
    output::put(&format!(
        "locked: {shown}; the folder was compared with it and removed\nnext: cotside unlock {shown}\n"
    ))?;
    Ok(Exit::Ok)
}

/// A link would be left behind, pointing at nothing, or the folder behind it would.
fn no_link(exam: &Path) -> Result<(), Failure> {
    // `a/` would be followed; `a` is looked at itself.
    let bare: PathBuf = exam.components().collect();
    match std::fs::symlink_metadata(&bare) {
        Ok(of) if of.is_symlink() => Err(Failure::input(
            bare.display().to_string(),
            "this is a link to a folder",
            match std::fs::canonicalize(&bare) {
                Ok(real) => format!("name the folder itself: cotside lock {}", real.display()),
                Err(_) => "name the folder itself".to_owned(),
            },
        )),
        _ => Ok(()),
    }
}

/// Runs `cotside unlock`.
pub fn unlock(args: &UnlockArgs) -> Outcome {
    let passphrase = secret::given(&args.passphrase, &args.file.display().to_string())?;
    let dir = closed::open(&FileSystem, &args.file, &passphrase)?;
    // A file that was there already kept its mode.
    folder::make_private(&FileSystem, &dir)?;
    let shown = dir.display();
    output::put(&format!(
        "unlocked: {shown}; {} was removed\nnext: cotside verify {shown}\n",
        args.file.display()
    ))?;
    Ok(Exit::Ok)
}
