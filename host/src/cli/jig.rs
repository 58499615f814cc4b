//! `pintally jig`: find, identify and test switching boards.

mod identify;
mod operator;
mod self_test;
mod station;
mod talk;

use clap::{Args as Arguments, Subcommand};

use super::{
    Screen,
    ports::{FindArgs, find},
};
use crate::{exit_status::ExitStatus, failure::Failure};

/// Find, identify and test switching boards
#[derive(Debug, Arguments)]
pub(super) struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Find(FindArgs),
    Identify(identify::Args),
    SelfTest(self_test::Args),
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    match &args.command {
        Command::Find(args) => find(args, "switching board", "pintally jig identify PORT", screen),
        Command::Identify(args) => identify::run(args, screen),
        Command::SelfTest(args) => self_test::run(args, screen),
    }
}
