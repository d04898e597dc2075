//! The page at work: served on this machine alone, to whoever has the address, for as long as a
//! browser shows it. Decisions made on it become entries of the journal.
//!
//! ```text
//!  browser ──(guard: token, Host, Origin)──> server ──> act ──> Desk (journal)
//!     ^                                        │
//!     └────────── view (report::page) <────────┘
//! ```
//!
//! The rooms to the right know how an exam is opened and written; they hand it in as a [`Desk`].

mod act;
mod answer;
mod guard;
pub mod server;
pub mod sound;
pub mod view;

use std::path::Path;
use std::sync::Arc;

use crate::exam::Exam;
use crate::grade::{Graded, Overview};
use crate::journal::{Line, Settlement};
use crate::lexicon::Lexicon;
use crate::problem::Problem;

/// An exam as it stands.
pub struct State {
    /// The exam.
    pub exam: Exam,
    /// Grades.
    pub graded: Graded,
    /// Scales and counts.
    pub overview: Overview,
    /// The lexicon at hand.
    pub lex: Arc<Lexicon>,
    /// The journal's lines.
    pub lines: Vec<Line>,
    /// The journal's digest, hex.
    pub digest: String,
    /// The signature, where there is one.
    pub signed: Option<Signed>,
}

/// The signature of an exam, as far as a page tells it.
pub struct Signed {
    /// Who signed and when, in words.
    pub by: String,
    /// The note as it was signed, with all that was added since.
    pub note: String,
}

/// Why a decision was not written.
#[derive(Debug)]
pub enum NotWritten {
    /// The journal is not the one the decision was made on.
    Changed,
    /// Something stands in the way.
    Problem(Problem),
}

/// Where the exam is kept.
pub trait Desk: Send + Sync {
    /// The exam as it stands now.
    ///
    /// # Errors
    /// Why it cannot be read.
    fn state(&self) -> Result<State, Problem>;

    /// Appends decisions in their order, if the journal is still the one with the digest `seen`;
    /// gives their entries.
    ///
    /// # Errors
    /// Why nothing was written, or, where a disk failed, nothing more.
    fn write(&self, seen: &str, list: &[Settlement]) -> Result<Vec<u64>, NotWritten>;

    /// The exam's folder.
    fn folder(&self) -> &Path;

    /// Initials of whoever decides.
    fn who(&self) -> &str;
}
