//! Streams of meters against the readings that they must give.
#![allow(
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "tests read fixtures and end by panicking"
)]

mod conversation;
mod corruption;
mod decode;
mod fixture;
mod simulated;
mod split;
