//! Passphrases: typed without being shown, or from a file. Never a flag, which every user of a machine
//! can read in the list of processes.

use std::io::{self, BufRead as _, IsTerminal as _};
use std::path::Path;

use zeroize::Zeroizing;

use super::super::exit::Failure;
use super::Passphrase;
use crate::seal::folder::open_to_others;

/// The passphrase of something there already.
pub fn given(from: &Passphrase, of: &str) -> Result<Zeroizing<String>, Failure> {
    match &from.passphrase_file {
        Some(file) => first_line(file),
        None => asked(&format!("Passphrase of {of}: ")),
    }
}

/// A new passphrase, typed twice.
pub fn new(from: &Passphrase, of: &str) -> Result<Zeroizing<String>, Failure> {
    if let Some(file) = &from.passphrase_file {
        return first_line(file);
    }
    let first = asked(&format!("New passphrase for {of}: "))?;
    match *first == *asked("The same again: ")? {
        true => Ok(first),
        false => Err(Failure::input("passphrase", "the two are not the same", "begin again")),
    }
}

fn asked(prompt: &str) -> Result<Zeroizing<String>, Failure> {
    if !io::stdin().is_terminal() {
        return Err(Failure::input(
            "passphrase",
            "there is no terminal to ask on",
            "give --passphrase-file FILE, a file that only you can read, or - for standard input",
        ));
    }
    Ok(Zeroizing::new(rpassword::prompt_password(prompt)?))
}

fn first_line(file: &Path) -> Result<Zeroizing<String>, Failure> {
    let mut line = Zeroizing::new(String::new());
    let read = if file.as_os_str() == "-" {
        io::stdin().lock().read_line(&mut line)
    } else {
        let fail = |e: &io::Error| Failure::file(file, "read this passphrase", e);
        if let Some(mode) = open_to_others(file).map_err(|e| fail(&e))? {
            return Err(Failure::input(
                file.display().to_string(),
                format!("others on this machine can read this passphrase (mode {mode:04o})"),
                format!("make it yours alone: chmod 600 {}", file.display()),
            ));
        }
        std::fs::File::open(file).and_then(|f| io::BufReader::new(f).read_line(&mut line))
    };
    read.map_err(|e| Failure::file(file, "read this passphrase", &e))?;
    let bare = line.trim_end_matches(['\n', '\r']);
    match bare.is_empty() {
        true => Err(Failure::input(
            file.display().to_string(),
            "the first line is empty, so there is no passphrase",
            "write the passphrase on the first line",
        )),
        false => Ok(Zeroizing::new(bare.to_owned())),
    }
}
