//! Rebuilds the exam from the journal: what stands, by item and side, with trials, states, holds,
//! corrections and what is unsettled.
//!
//! A pure function of journal and lexicon: the same journal gives the same exam, years later. This
//! room reads no clock and no file.

pub mod build;
pub mod fold;

pub use build::{
    Announced, Decided, Event, Exam, GapReason, Held, Input, LeftForLater, SectionTime, Stray,
    Stretch, build, build_as_read,
};
pub use fold::{Gone, How, Standing, Trial};
