//! The `cotside` command: parses and dispatches, nothing more.

fn main() {
    if let Err(p) = cotside::lexicon::shipped("newborn") {
        p.iter().for_each(|p| println!("{p}"));
    }
}
