//! `pintally completions`: what a shell needs to complete commands and options.

use clap::Args as Arguments;
use clap_complete::Shell;

use super::Screen;
use crate::{exit_status::ExitStatus, failure::Failure};

/// Print the script by which a shell completes commands, options and their values
///
/// It takes effect in shells that are opened afterwards.
#[derive(Debug, Arguments)]
pub(super) struct Args {
    /// Which shell
    #[arg(value_enum)]
    shell: Shell,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut super::command(), super::NAME, &mut script);
    screen.line(String::from_utf8_lossy(&script).trim_end())?;
    screen.flush()?;
    Ok(ExitStatus::Matches)
}
