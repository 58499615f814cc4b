//! `pintally jig`: find and identify switching boards.

mod identify;

use clap::{Args as Arguments, Subcommand};

use super::{
    Screen,
    ports::{FindArgs, find},
};
use crate::{exit_status::ExitStatus, failure::Failure};

/// Find and identify switching boards
#[derive(Debug, Arguments)]
pub(super) struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Find(FindArgs),
    Identify(identify::Args),
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    match &args.command {
        Command::Find(args) => find(args, "switching board", "pintally jig identify PORT", screen),
        Command::Identify(args) => identify::run(args, screen),
    }
}
