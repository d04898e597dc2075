//! The `cotside` command: parses and dispatches, nothing more.

fn main() -> std::process::ExitCode {
    cotside::cli::main()
}
