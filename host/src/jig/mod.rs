//! The switching board as the host sees it: requests out, answers and events in.
//!
//! Pure: frames and times go in, messages and deadlines come out. This room knows nothing of pins or meters.

pub mod bleeding;
mod client;
mod clock;
pub mod discharge;
#[cfg(test)]
mod fixture;
mod name;
mod panel;
pub mod self_test;
pub mod wear;

pub use client::{Client, ClientError, Due, Heard, PATIENCE};
pub use clock::Clock;
pub use name::BoardName;
pub use panel::Panel;
