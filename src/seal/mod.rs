//! Signing: mod docs to come.

pub mod check;
mod error;
mod facts;
pub mod folder;
pub mod keys;
pub mod known;
pub mod register;
pub mod sign;
pub mod standing;
pub mod statement;

pub use error::SealError;
pub use facts::{SealFacts, facts, facts_in};
