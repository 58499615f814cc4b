//! `pintally jig`: find, identify, test and zero switching boards.

mod deed;
mod identify;
mod load;
mod operator;
mod self_test;
mod station;
mod study;
mod talk;
mod wear;
pub(super) mod zero;

pub(super) use operator::Operator;
pub(super) use talk::{greet, odd};

use clap::{Args as Arguments, Subcommand};

use super::{
    Screen,
    ports::{FindArgs, find},
};
use crate::{exit_status::ExitStatus, failure::Failure};

/// Find, identify, test and zero switching boards
#[derive(Debug, Arguments)]
pub(super) struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Find(FindArgs),
    Identify(identify::Args),
    SelfTest(Box<self_test::Args>),
    Zero(Box<zero::Args>),
    Study(study::Args),
    Wear(wear::Args),
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    match &args.command {
        Command::Find(args) => find(args, "switching board", "pintally jig identify PORT", screen),
        Command::Identify(args) => identify::run(args, screen),
        Command::SelfTest(args) => self_test::run(args, screen),
        Command::Zero(args) => zero::run(args, screen),
        Command::Study(args) => study::run(args, screen),
        Command::Wear(args) => wear::run(args, screen),
    }
}
