//! The `pintally` command: parses, runs, prints the error with its hints, and exits.

use std::process::ExitCode;

fn main() -> ExitCode {
    pintally::cli::main().into()
}
