//! Files that people and Pintally write: those in `fixtures/`, broken ones and what is said about them, and
//! the session log from end to end.
#![allow(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests of files open files, and one that cannot be opened fails the test"
)]

mod fixtures;
mod formats_page;
mod log_damage;
mod log_golden;
mod log_round_trip;
mod log_writer;
mod messages;
mod samples;
