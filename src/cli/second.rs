//! The second reader at the end of a log: marks every phrase that has no marks yet.

use std::collections::HashSet;
use std::path::Path;

use super::exit::Failure;
use super::output;
use crate::journal::{self, Entry};
use crate::lexicon::Lexicon;
use crate::tagger::{Marks, Stream, Tagger, files};

/// Marks of the phrases of an exam that have none. None where the second reader is not installed, turned off
/// or knows nothing of the lexicon; the first is said.
///
/// # Errors
/// When the journal cannot be read, or the second reader is broken.
pub fn marks(exam: &Path, lex: &Lexicon) -> Result<Vec<Marks>, Failure> {
    let Some(tagger) = Tagger::installed()? else {
        if !files::off() {
            output::warn(
                "the second reader is not installed, and everything is read by rules alone, which \
                 leave more unsettled: run `cotside model install`",
            );
        }
        return Ok(Vec::new());
    };
    if !tagger.serves(lex) {
        return Ok(Vec::new());
    }
    let lines = journal::read(exam)?.lines;
    let marked: HashSet<u64> = lines
        .iter()
        .filter_map(|l| match &l.entry {
            Entry::Marks(m) => Some(m.phrase),
            _ => None,
        })
        .collect();
    let mut stream = Stream::new(tagger);
    for line in &lines {
        if let Entry::Phrase(p) = &line.entry {
            stream.take(line.seq, &p.text, !marked.contains(&line.seq));
        }
    }
    Ok(stream.ready(true)?)
}
