//! The exam in words: for the terminal, for the chart, for other programs.
//!
//! This room computes no medicine: it words what `exam`, `grade` and `gaps` found. Everything here
//! is a pure function of its arguments and gives text; writing it anywhere is the caller's matter.

pub mod archive;
pub mod arithmetic;
pub mod changes;
pub mod compare;
pub mod controls;
pub mod deidentify;
pub mod echo;
pub mod explain;
pub mod fhir;
pub mod json;
pub mod later;
pub mod measures;
pub mod note;
pub mod open_matters;
pub mod page;
pub mod pdf;
pub mod returned;
pub mod scales;
pub mod sentences;
pub mod sheet;
pub mod style;
pub mod summary;
pub mod table;
pub mod text;
pub mod watch;
pub mod words;
