//! The seal: an exam that is complete is signed, can be verified years later, and is only added to.
//!
//! A signed exam folder holds, besides its journal, `note.txt`, the note as it was signed, and
//! `seal.json`, the signatures ([`statement`]). The journal itself says that it was signed, and from
//! there on takes nothing but signed entries (`journal::chain`), so that a seal taken away is missed.
//!
//! # Signing
//!
//! Under the journal's lock:
//!
//! 1. The entry that will say so is put into words ([`crate::journal::Journal::prepare`]): its digest,
//!    which stands for the whole journal, is known before it is written.
//! 2. The statement over that digest, the lexicon's, the note's and those of all other files is signed,
//!    and the signature checked.
//! 3. `note.txt.part` and `seal.json.part` are written, synced, read back; the folder is synced.
//! 4. **The entry is appended to the journal and synced. From here on the exam is signed.**
//! 5. `note.txt.part` becomes `note.txt`, then `seal.json.part` becomes `seal.json`; the folder is synced.
//! 6. Sound that the entry says is removed is removed.
//!
//! A later entry goes the same way without a note: its seal file holds all seals before it too.
//!
//! If the process or the machine stops
//! - before 4: the exam is as it was. What the prepared files say is not borne out by the journal, so they
//!   are nothing, and the next signing writes them anew.
//! - in 4: the line is whole, and the exam is signed; or it is a torn tail (`journal`, "The torn tail"),
//!   and it is not.
//! - in or after 4, before the end of 5: the exam is signed. Whoever reads takes the prepared file for the
//!   seal, since the journal bears it out ([`standing`]); whoever writes next finishes 5 first.
//! - in 6: the sound is recorded as removed and partly still there. Verification says so, and
//!   `cotside purge` finishes.
//!
//! An error of the disk at any step leaves the same states.
//!
//! # What this does not cover
//!
//! - Whoever has the private key and its passphrase can sign anything.
//! - A folder put back whole as it was before its last addendum looks like what it was; only a machine
//!   that made the later seal can tell ([`register`]).
//! - The time is that of the machine's clock. A clock that stands before the last entry is recorded.
//! - Removing a file does not wipe the disk, and copies elsewhere stay.

pub mod check;
pub mod closed;
mod error;
mod facts;
pub mod folder;
pub mod gate;
pub mod keys;
pub mod known;
pub mod register;
pub mod retention;
pub mod sign;
pub mod standing;
pub mod statement;
pub mod words;

pub use error::SealError;
pub use facts::{SealFacts, facts, facts_in};
