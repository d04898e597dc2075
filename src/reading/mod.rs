//! Turns one phrase and what came just before it into readings.

pub mod sound;
