//! The command as a person types it: output, errors, exit status and help, as snapshots.

mod bad_input;
mod help;
mod practice;
mod readme;
mod run;
