//! `cotside completions`.

use super::exit::{Exit, Outcome};
use super::{CompletionsArgs, definition, output};

/// Runs the command.
pub fn run(args: &CompletionsArgs) -> Outcome {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut definition(), "cotside", &mut script);
    output::raw(&String::from_utf8_lossy(&script))?;
    Ok(Exit::Ok)
}
