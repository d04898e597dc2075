//! One phrase, and what came just before, to readings: item, side, value, number, state, control,
//! what was left over, how certain, and why.
//!
//! The reader writes nothing and guesses nothing silently: whatever it is not sure of carries its
//! [`Doubt`]s and stays unsettled until a person decides. It knows no medicine: every item, value
//! and ordinary word comes from the [`crate::lexicon`]. The phrase grammar it follows is written
//! down in `GRAMMAR.md` beside this file.
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
//!     line: None, speaker: None, alternatives: vec![],
//! };
//! let reading = reader.read(1, &phrase);
//! assert_eq!(reading.findings.len(), 1);
//! ```

pub mod assemble;
pub mod atoms;
pub mod clauses;
pub mod ears;
pub mod numbers;
pub mod reader;
pub mod segments;
pub mod series;
pub mod sound;
pub mod types;

pub use reader::Reader;
pub use types::{Doubt, Finding, FindingId, Reading, Side, Status, Strike};
