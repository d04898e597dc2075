//! `cotside devices`: the microphones there are.

use super::exit::{Exit, Failure, Outcome};
use super::output;
use crate::capture::sound::microphone::devices;
use crate::problem::Problem;

/// Runs the command.
pub fn run() -> Outcome {
    let gone = |p: Problem| Failure { exit: Exit::Device, problems: vec![p] };
    let list = devices().map_err(gone)?;
    if list.is_empty() {
        return Err(gone(
            Problem::in_file("devices", "there is no microphone")
                .help("plug one in; everything but live voice works without"),
        ));
    }
    let mut out = String::new();
    for d in list {
        let mark = if d.default { "*" } else { " " };
        out += &format!("{mark} {}\n    {}; {}\n", d.id, d.name, d.offers);
    }
    out += "* is taken when none is named with --device\n";
    output::put(&out)?;
    Ok(Exit::Ok)
}
