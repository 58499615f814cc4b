//! What a batch tells that no single board can: how many pass, where and what the faults are, and whether the jig or
//! the meter is changing before it condemns good boards.
//!
//! Sweeps of one connector on one jig go in, one after another, as light [`Entry`]s; each may raise [`Notice`]s, and
//! [`Batch::summary`] tells the whole. Three things are watched:
//!
//! - **each pin's difference** from what is expected, for a contact that wears (`watch`): moving averages and cumulative
//!   sums;
//! - **what all pins of a board share**, for a meter that drifts: the same charts on a shift and a slope (`common`);
//! - **the same channel failing on board after board** (`channels`): a binomial argument.
//!
//! Faulty pins say nothing of the jig: only readings of pins without a fault, on boards that were seated right, reach
//! the charts, and only the first sweep of a board, so that a board swept again counts once.
//!
//! How often sound boards raise an alarm is set for the whole connector, all pins and all watchers together
//! ([`Tuning::run_length`]), and shared out among them. Pure; it judges no board.

mod channels;
mod common;
mod entry;
mod notice;
mod overview;
mod tally;
mod watch;

pub use entry::{Entry, Fault, Outcome, PinEntry, PinState};
pub use notice::{Chart, Common, Notice, Suspicion};
pub use overview::{Batch, Drift, Stated, Summary, Tuning};
pub use tally::{ByKind, ByPin, Count, Yield};
