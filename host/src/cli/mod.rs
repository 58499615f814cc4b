//! The command line: what was typed, one thin file a command.
//!
//! This is an edge: commands open files, read the clock and print. They hold no judgement of their own.
#![allow(
    clippy::disallowed_methods,
    reason = "the command line is an edge: it opens files and reads the clock"
)]

mod batch;
mod cautions;
mod compare;
mod completions;
mod config;
mod emulation;
mod examples;
mod failures;
mod history;
mod init;
mod inputs;
mod jig;
mod keys;
mod line;
mod live_sweep;
mod logbook;
mod manual;
mod meter;
mod once;
mod options;
mod output;
mod place;
mod ports;
mod practice;
mod precheck;
mod prepare;
mod probe;
mod progress;
mod reference;
mod replay;
mod report;
mod screen;
mod sweep;
mod typed;
mod verdict;

use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};

use crate::{exit_status::ExitStatus, failure::Failure, label};

pub use screen::Screen;

/// Sweeps the pins of a connector, compares each reading with a known-good board, and says what is wrong.
#[derive(Debug, Parser)]
#[command(name = NAME, version, arg_required_else_help = true, after_long_help = EXIT_STATUS)]
struct Cli {
    /// Say less on the way: no progress, no advice; warnings and results stay
    // Behind the options of each command.
    #[arg(long, global = true, display_order = 998)]
    quiet: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Init(init::Args),
    Sweep(Box<sweep::Args>),
    Probe(Box<probe::Args>),
    Practice(Box<practice::Args>),
    Compare(compare::Args),
    Reference(reference::Args),
    Replay(replay::Args),
    Batch(Box<batch::Args>),
    History(history::Args),
    Report(report::Args),
    Jig(jig::Args),
    Meter(meter::Args),
    Completions(completions::Args),
    Manual(manual::Args),
    Cautions(cautions::Args),
}

/// What is typed to run it.
const NAME: &str = "pintally";

/// Name and version of this program, as session logs tell it.
const PROGRAM: &str = concat!("pintally ", env!("CARGO_PKG_VERSION"));

const EXIT_STATUS: &str = "\
Exit status: 0 all pins match, 1 some differ, 2 not all could be judged. Without a reference nothing is compared, and 0 \
says that all pins were read. 64 and up are troubles: 64 usage, 65 data, 66 no input, 69 device, 70 software, 74 input or \
output, 76 protocol, 78 configuration.";

/// Runs the command that was typed and tells how it ended.
#[must_use]
pub fn main() -> ExitStatus {
    let parsed = command().try_get_matches().and_then(|matches| Cli::from_arg_matches(&matches));
    let cli = match parsed {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version go to stdout and are no error; the rest is a usage error.
            let status = if error.use_stderr() { ExitStatus::Usage } else { ExitStatus::Matches };
            // A word that commands the terminal is repeated by the message, and clap lets it through.
            let is_odd = |word: std::ffi::OsString| word.to_string_lossy().chars().any(label::is_unprintable);
            if std::env::args_os().any(is_odd) {
                Screen::standard().tell(error.render().to_string().trim_end());
            } else {
                let _ = error.print();
            }
            return status;
        }
    };
    let mut screen = Screen::standard().quiet(cli.quiet);
    match run(&cli.command, &mut screen) {
        Ok(status) => status,
        Err(failure) => {
            screen.failure(&failure);
            failure.status
        }
    }
}

/// All commands, with their options and examples.
fn command() -> clap::Command {
    examples::taught(Cli::command())
}

fn run(command: &Command, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    match command {
        Command::Init(args) => init::run(args, screen),
        Command::Sweep(args) => sweep::run(args, screen),
        Command::Probe(args) => probe::run(args, screen),
        Command::Practice(args) => practice::run(args, screen),
        Command::Replay(args) => replay::run(args, screen),
        Command::Batch(args) => batch::run(args, screen),
        Command::History(args) => history::run(args, screen),
        Command::Report(args) => report::run(args, screen),
        Command::Jig(args) => jig::run(args, screen),
        Command::Meter(args) => meter::run(args, screen),
        Command::Completions(args) => completions::run(args, screen),
        Command::Manual(args) => manual::run(args, screen),
        Command::Compare(args) => compare::run(args, screen),
        Command::Reference(args) => reference::run(args, screen),
        Command::Cautions(args) => cautions::run(args, screen),
    }
}
