//! cotside: the hands-free logger for the newborn neurological examination.
//!
//! What was said, when, is kept for ever; what it means is computed from that, in the open, and
//! can be computed again.
//!
//! ```text
//!  microphone ─┐
//!  WAV file ───┼─> capture ──> speech ──> Phrase ──> reading ──> journal ──> exam ──> grade ──> report
//!  keyboard ───┤   (samples,   (segment,  (time,    (item,side, (append,  (ordered, (age,     (text,
//!  timed text ─┘    clock)      recognise) words,    value,     sync,     by side,  expected, JSON)
//!                                          n-best)   control)   chain)    states)   outside)
//!                                             ▲                              │         │
//!                                         lexicon (data)  ───────────────────┴─ gaps ──┴─> seal (sign,
//!                                                                                   verify, add to)
//! ```
//!
//! Beside `reading` stands `tagger`, a second reader of another kind: its marks go into the journal, and `reading`
//! weighs them against what its rules read.
//!
//! Arrows point one way: a room (module) imports only rooms to its left, and [`lexicon`].
//! `tests/architecture.rs` holds that line.

pub mod capture;
pub mod cli;
pub mod exam;
pub mod gaps;
pub mod grade;
pub mod journal;
pub mod lexicon;
pub mod problem;
pub mod reading;
pub mod report;
pub mod review;
pub mod seal;
pub mod settle;
pub mod speech;
pub mod tagger;
