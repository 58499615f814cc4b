//! The practice bench: a board with chosen faults, a jig and a meter, emulated whole, so that every other
//! command can be tried and tested without hardware.
//!
//! ```text
//! connector ─► Design ─► Specimen (spread, faults) ─► circuit ─┐
//!                                     Jig (the firmware) ──────┼─► Bench ─► bytes of meter and jig
//!                                     SimulatedMeter ──────────┘
//! ```
//!
//! Everything is pure and repeats by its seeds: time is an argument. The bench shares its circuit model with the
//! engine's explanations, so it proves no judgement; the boards of an independent circuit simulator do
//! (`fixtures/boards`).

pub mod circuit;
mod design;
pub mod fault;
mod known_good;
pub mod meter;
pub mod random;
#[cfg(test)]
mod sample;
mod seating;
mod specimen;

pub use design::{Design, Net, NetKind, Part};
pub use fault::{Fault, Placement, Truth, draw_faults};
pub use known_good::{KnownGoodError, known_good};
pub use specimen::{DirectMeter, FaultError, Specimen, truths};
