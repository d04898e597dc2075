//! One phrase, and what came just before, to readings: item, side, value, number, state, control,
//! what was left over, how certain, and why.
//!
//! The reader writes nothing and guesses nothing silently: whatever it is not sure of carries its
//! [`Doubt`]s and stays unsettled until a person decides. It knows no medicine: every item, value
//! and ordinary word comes from the [`crate::lexicon`]. The phrase grammar it follows is written
//! down in `GRAMMAR.md` beside this file.
//!
//! A phrase passes through the modules in this order:
//!
//! | step | modules |
//! |---|---|
//! | words to atoms | `numbers`, `atoms`; `ears` and `sound` for what was misheard |
//! | what counts as said of this subject, now | `clauses` |
//! | atoms to segments, one for each item named | `pieces`, `walk`, `segments`, `weak`, `lists` |
//! | segments to claims: item, side, judgement | `resolve`, `pairs`, `negation`, `claims`, `sides`, `copy`, `talk`, `reasons`, `doubts` |
//! | claims settled with one another | `merge` |
//! | what takes back or moves earlier findings | `takeback`, `corrections` |
//! | claims to findings | `findings` |
//! | what else was said; what the next phrase may speak of | `notes`, `memory` |
//! | the second reader's marks weighed against all this; what neither read | `judge`, `untold` |
//!
//! A phrase that is nothing but one more stimulus of a series under way (`series`) is counted
//! (`counting`) and goes no further.
//!
//! ```
//! use cotside::capture::{Phrase, Source};
//! use cotside::reading::Reader;
//!
//! let lexicon = cotside::lexicon::shipped("newborn").unwrap();
//! let mut reader = Reader::new(&lexicon);
//! let phrase = Phrase {
//!     text: "knee jerks two plus, both sides".into(),
//!     start_ms: 0, end_ms: 1500, source: Source::Keys,
//!     line: None, speaker: None, alternatives: vec![], words: Vec::new(), certainty: None,
//! };
//! let reading = reader.read(1, &phrase);
//! assert_eq!(reading.findings.len(), 1);
//! ```

pub mod atoms;
mod claim;
mod claims;
pub mod clauses;
mod copy;
mod corrections;
mod counting;
mod doubts;
pub mod ears;
mod findings;
mod heard;
mod hearing;
pub mod judge;
mod lists;
mod memory;
mod merge;
mod negation;
mod notes;
pub mod numbers;
pub mod pairs;
pub mod pieces;
pub mod reader;
mod reasons;
pub mod resolve;
mod rest;
mod segments;
pub mod series;
mod sides;
mod situation;
pub mod sound;
mod takeback;
mod talk;
pub mod types;
pub mod untold;
mod walk;
mod weak;
pub mod wording;

pub use reader::Reader;
pub use types::{Doubt, Finding, FindingId, Reading, Side, Status, Strike};
