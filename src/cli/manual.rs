//! `cotside manual`: the manual page, from the same definition as the help.

use clap_mangen::roff::{Roff, roman};

use super::exit::{Exit, Failure, Outcome};
use super::{ManualArgs, definition, output};
use crate::problem::nearest;

/// Runs the command.
pub fn run(args: &ManualArgs) -> Outcome {
    let mut whole = definition();
    whole.build();
    let mut page = &whole;
    for name in &args.command {
        page = match page.find_subcommand(name) {
            Some(c) => c,
            None => {
                let known: Vec<&str> =
                    page.get_subcommands().map(clap::Command::get_name).collect();
                let near = nearest(name, known.iter().copied())
                    .map_or(String::new(), |n| format!("did you mean `{n}`? "));
                return Err(Failure::input(
                    name,
                    "there is no command of this name",
                    format!("{near}commands: {}", known.join(", ")),
                ));
            }
        };
    }
    let mut roff = Vec::new();
    clap_mangen::Man::new(page.clone()).render(&mut roff)?;
    if let Some(examples) = page.get_before_help() {
        examples_part(&examples.to_string()).to_writer(&mut roff)?;
    }
    output::raw(&String::from_utf8_lossy(&roff))?;
    Ok(Exit::Ok)
}

/// The examples that open the help, which `clap_mangen` leaves out of a page.
fn examples_part(help: &str) -> Roff {
    let lines = help.lines().filter(|l| l.starts_with(' ')).map(str::trim_end);
    let text = lines.collect::<Vec<_>>().join("\n");
    let mut part = Roff::new();
    part.control("SH", ["EXAMPLES"]).control("nf", []).text([roman(text)]).control("fi", []);
    part
}
