//! The switching board as the host sees it: requests out, answers and events in.
//!
//! Pure: frames and times go in, messages and deadlines come out. This room knows nothing of pins or meters.

pub mod bleeding;
mod client;
mod clock;
pub mod discharge;
mod name;
pub mod self_test;
pub mod wear;

pub use client::{Client, ClientError, Heard, PING_EVERY, TRIES};
pub use clock::Clock;
pub use name::BoardName;
