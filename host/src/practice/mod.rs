//! The practice bench: a board with chosen faults, a jig and a meter, emulated whole, so that every other
//! command can be tried and tested without hardware.
//!
//! ```text
//! connector ─► Design ─► Specimen (spread, faults) ─► circuit ─┐
//!                                     Jig (the firmware) ──────┼─► Bench ─► bytes of meter and jig
//!                                     SimulatedMeter ──────────┘
//! ```
//!
//! Everything but [`serve`] is pure and repeats by its seeds: time is an argument. The bench shares its circuit model with the
//! engine's explanations, so it proves no judgement; the boards of an independent circuit simulator do
//! (`fixtures/boards`).

mod bench;
pub mod circuit;
mod course;
pub mod demo;
mod design;
mod devices;
mod direct;
pub mod fault;
mod hand;
mod jig;
mod known_good;
mod line;
pub mod meter;
mod plan;
mod plate;
pub mod random;
#[cfg(test)]
mod sample;
mod seating;
pub mod serve;
mod specimen;
mod trouble;
mod truths;
mod wires;

pub use bench::{Bench, Side};
pub use design::{Design, Net, NetKind, Part};
pub use devices::BenchDevices;
pub use direct::DirectMeter;
pub use fault::{Fault, Placement, Truth, draw_faults};
pub use hand::{Habits, HandBench};
pub use jig::{CLOCK_AHEAD_US, Jig, JigSetup};
pub use known_good::{KnownGoodError, known_good};
pub use line::CommonLine;
pub use plan::FaultError;
pub use plate::Plate;
pub use specimen::Specimen;
pub use trouble::{JigTrouble, ParseJigTroubleError};
pub use truths::truths;
