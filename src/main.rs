//! The `cotside` command: parses and dispatches, nothing more.

fn main() {}
