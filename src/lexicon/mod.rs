//! Loads, checks and indexes the trade data under `lexicon/`.
//!
//! Medicine is data, code is engine: what an item is called, which values it has, in which states
//! it can be judged and what is expected of it stands in TOML files, each row with its source.
//! This room turns those files into a [`Lexicon`] and finds its phrases in a text; it does not
//! know what any of them means.

pub mod check;
pub mod codes;
pub mod compile;
pub mod family;
pub mod files;
pub mod matcher;
pub mod model;
pub mod never_lost;
pub mod pattern;
pub mod reference;
pub mod schema;
pub mod text;

pub use check::check;
pub use compile::{Compiled, compile};
pub use family::Family;
pub use files::Files;
pub use model::{Basis, Expect, Item, ItemId, Lexicon};

use crate::problem::Problem;

/// Loads and compiles the lexicon of that name carried inside the program.
///
/// # Errors
/// Every problem found, each with file, line and column.
pub fn shipped(name: &str) -> Result<Lexicon, Vec<Problem>> {
    compile(&Files::shipped(name)?).map(|c| c.lexicon)
}
