//! What a batch tells, against a known truth: sound boards by chance alone, and a practice batch in which a channel of
//! the jig wears and the meter drifts.
#![allow(missing_docs, reason = "a test binary")]
#![allow(clippy::print_stdout, reason = "the tables are what a person reads")]
#![allow(clippy::unwrap_used, reason = "a test fails where something is missing")]

mod false_alarms;
mod practice;
