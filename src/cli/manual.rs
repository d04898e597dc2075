//! `cotside manual`: the manual page, from the same definition as the help.

use super::exit::{Exit, Failure, Outcome};
use super::{ManualArgs, definition, output};
use crate::problem::nearest;

/// Runs the command.
pub fn run(args: &ManualArgs) -> Outcome {
    let mut whole = definition();
    whole.build();
    let page = match &args.command {
        None => whole,
        Some(name) => match whole.find_subcommand(name) {
            Some(c) => c.clone(),
            None => {
                let known: Vec<&str> =
                    whole.get_subcommands().map(clap::Command::get_name).collect();
                let near = nearest(name, known.iter().copied())
                    .map_or(String::new(), |n| format!("did you mean `{n}`? "));
                return Err(Failure::input(
                    name,
                    "there is no command of this name",
                    format!("{near}commands: {}", known.join(", ")),
                ));
            }
        },
    };
    let mut roff = Vec::new();
    clap_mangen::Man::new(page).render(&mut roff)?;
    output::raw(&String::from_utf8_lossy(&roff))?;
    Ok(Exit::Ok)
}
