//! Age arithmetic, and each finding against what its age expects.
//!
//! Pure functions of exam and lexicon. This room invents no missing input: without a birth time
//! there is no age, and without an age nothing is graded. Expected, borderline and outside are a
//! comparison with the lexicon's rows, not a diagnosis.

pub mod ages;
pub mod expect;
pub mod growth;
pub mod overview;
pub mod patterns;
pub mod scales;
pub mod serial;
pub mod summary;
pub mod watch;

pub use ages::{Ages, NotCorrected, ages};
pub use expect::{
    Apart, Asymmetry, Grade, Graded, Ungraded, Weight, age_band, asymmetries, beyond, expectation,
    grade, in_band,
};
pub use growth::{Growth, Outcome, growth};
pub use overview::Overview;
pub use patterns::{Against, Pattern, patterns};
pub use summary::{Counts, Domain, Summary, summary};
