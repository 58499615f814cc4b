//! The rules of the switching board, one test or more for each. `firmware/remove-rules.sh` removes each rule in
//! turn and shows which of these fail.

#![allow(clippy::unwrap_used, reason = "a test may fail loudly")]

mod bench;
mod buses;
mod panel;
mod pins;
mod plan;
mod random;
mod safety;
mod select;
mod session;
mod skew;
