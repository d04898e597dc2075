//! The seal: its algorithms against published vectors, stops at every moment, tampering of every kind.
//!
//! Exams, keys and people are invented.

#[path = "journal/mem_disk.rs"]
#[allow(dead_code)] // the journal's tests use more of it
mod mem_disk;
#[path = "cli/support.rs"]
mod support;

#[path = "seal/closing.rs"]
mod closing;
#[path = "seal/faults.rs"]
mod faults;
#[path = "seal/fixture.rs"]
mod fixture;
#[path = "seal/tamper.rs"]
mod tamper;
#[path = "seal/vectors.rs"]
mod vectors;
