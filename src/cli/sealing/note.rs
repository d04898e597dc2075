//! `cotside note` of a signed exam: the note as it was signed, the signature, what was added since.

use std::path::Path;

use super::super::exit::Failure;
use super::super::read::lexicon_ref;
use super::super::{open, output};
use super::known;
use crate::journal::{self, FileSystem};
use crate::seal::check::{self, Against};
use crate::seal::standing::{self, RawLines};
use crate::seal::statement::SEAL_FILE;
use crate::seal::{register, words};

/// The signed note with all that stands under it; none when the exam is not signed.
///
/// What does not verify is not printed: a note that somebody altered looks like one that was signed.
pub fn signed(dir: &Path, lexicon: Option<&Path>) -> Result<Option<String>, Failure> {
    let by_journal = journal::read(dir).is_ok_and(|r| r.signing().is_some());
    if !by_journal && !dir.join(SEAL_FILE).exists() {
        return Ok(None);
    }
    let (folder, known) = known()?;
    let code = journal::read(dir).ok().and_then(|r| r.header()).map(|h| h.code.to_string());
    let seen = code.map_or_else(Vec::new, |c| register::seen(&FileSystem, &folder, &c));
    let against = Against { known: Some(&known), seen: &seen, note_again: None };
    let report = check::check(&FileSystem, dir, &against)?;
    if let Some(trouble) = report.troubles.iter().find(|t| t.is_about_signed()) {
        return Err(trouble.clone().into_error(dir).into());
    }
    let raw = RawLines::read(&FileSystem, dir)?;
    let Some(found) = standing::standing(&FileSystem, dir, &raw)? else { return Ok(None) };
    for t in &report.troubles {
        output::warn(&format!("{}: {}: {}", dir.display(), t.kind, t.text));
    }
    let note = standing::note(&FileSystem, dir, &found)?.unwrap_or_default();
    let read = journal::read(dir)?;
    let note = String::from_utf8_lossy(&note).into_owned();
    let lex = report.lexicon.as_ref().and_then(|then| {
        let lex = open::lexicon(lexicon, &then.name).ok()?;
        (lexicon_ref(&lex) == *then).then_some(lex)
    });
    Ok(Some(note + &words::under_note(&read, &report.seals, lex.as_ref())))
}
