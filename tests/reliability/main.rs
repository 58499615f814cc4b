//! Nothing lost, nobody hurt: the real command with its process killed, its disk full, its cables pulled and its
//! input hostile. `docs/reliability.md` has the table of what was tried, and how to run the long form of each.

#![allow(
    clippy::unwrap_used,
    clippy::disallowed_methods,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "tests that prepare files, run the command and show what it printed"
)]

mod alive;
mod bench;
mod bombs;
mod cautions;
mod clock;
mod cut;
mod dependencies;
mod disk;
mod durable;
mod history;
mod hostile;
mod kill;
mod links;
#[path = "../cli/run.rs"]
#[allow(dead_code, reason = "shared with the tests of the command line, which use the rest of it")]
mod run;
