//! The command as a person types it: output, errors, exit status and help, as snapshots.

#![allow(
    clippy::unwrap_used,
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "tests that prepare files, run the command and show what it printed"
)]

mod bad_input;
mod batch;
mod beside;
mod comfort;
mod docs;
mod help;
mod history;
mod init;
mod jig;
mod lag;
mod output;
mod pages;
mod practice;
mod probe;
mod report;
mod rooms;
mod run;
mod seeds;
#[cfg(unix)]
mod typist;
