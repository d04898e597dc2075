//! Published scales, as files: one engine for all of them.
//!
//! A scale file ([`schema`]) says what is scored, from which findings or entered values, and how
//! the scores come to a result. [`mod@load`] checks it; [`mod@read`] tells for each sign which scores are
//! still possible; [`rule`] turns these into the results still possible; [`eval`] adds the gates.
//! Nothing missing is imputed: it stays every score it can be, and the result says so.

pub mod eval;
pub mod load;
pub mod model;
pub mod read;
pub mod rule;
pub mod schema;

pub use eval::{GateRead, Holds, Outcome, Scored, Status, score_all};
pub use load::{TOTAL, load, of_lexicon};
pub use model::{Cited, Count, Derived, Rule, Scale, Sign, Sum};
pub use read::{Entered, Fed, Lack, SignRead, Why};
pub use rule::{Levels, Span, Totals};
