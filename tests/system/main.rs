//! Both ends joined, in simulated time.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "tests: they unwrap what they made and print tables"
)]

mod bench;
mod dwell;
mod guards;
mod hand;
mod lag;
mod pace;
mod pairing;
mod pairing_trial;
mod restarts;
mod volts;
