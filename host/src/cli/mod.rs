//! The command line: what was typed, one thin file a command.
//!
//! This is an edge: commands open files, read the clock and print. They hold no judgement of their own.
#![allow(
    clippy::disallowed_methods,
    reason = "the command line is an edge: it opens files and reads the clock"
)]

mod compare;
mod config;
mod dwell;
mod emulation;
mod init;
mod inputs;
mod jig;
mod line;
mod logbook;
mod meter;
mod place;
mod ports;
mod practice;
mod precheck;
mod progress;
mod reference;
mod replay;
mod screen;
mod sweep;
mod verdict;

use clap::{Parser, Subcommand};

use crate::{exit_status::ExitStatus, failure::Failure};

pub use screen::Screen;

/// Sweeps the pins of a connector, compares each reading with a known-good board, and says what is wrong.
#[derive(Debug, Parser)]
#[command(name = "pintally", version, arg_required_else_help = true)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Init(init::Args),
    Sweep(Box<sweep::Args>),
    Practice(Box<practice::Args>),
    Compare(compare::Args),
    Reference(reference::Args),
    Replay(replay::Args),
    Jig(jig::Args),
    Meter(meter::Args),
}

/// Name and version of this program, as session logs tell it.
const PROGRAM: &str = concat!("pintally ", env!("CARGO_PKG_VERSION"));

/// Runs the command that was typed and tells how it ended.
#[must_use]
pub fn main() -> ExitStatus {
    let mut screen = Screen::standard();
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version go to stdout and are no error; the rest is a usage error.
            let status = if error.use_stderr() { ExitStatus::Usage } else { ExitStatus::Matches };
            let _ = error.print();
            return status;
        }
    };
    match run(&cli.command, &mut screen) {
        Ok(status) => status,
        Err(failure) => {
            screen.failure(&failure);
            failure.status
        }
    }
}

fn run(command: &Command, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    match command {
        Command::Init(args) => init::run(args, screen),
        Command::Sweep(args) => sweep::run(args, screen),
        Command::Practice(args) => practice::run(args, screen),
        Command::Replay(args) => replay::run(args, screen),
        Command::Jig(args) => jig::run(args, screen),
        Command::Meter(args) => meter::run(args, screen),
        Command::Compare(args) => compare::run(args, screen),
        Command::Reference(args) => reference::run(args, screen),
    }
}
