//! The comparison: what is wrong with a board, why, and what to check next.
//!
//! Readings of a board and a reference go in, a [`Judgement`] comes out. The steps stand in this order: how the
//! board as a whole is connected, what all pins have in common, which pins then lie outside their limits, which
//! faults explain them together, what to do next. Pure: no files, no clock, no printing.

mod assumptions;
mod engine;
mod judgement;

pub use assumptions::Assumptions;
pub use engine::{Batch, Engine, judge};
pub use judgement::{
    Alternative, Check, Difference, Doubt, Evidence, Finding, Judgement, Kind, NotShown, PinJudgement,
    PinVerdict, Placement, Shared, Verdict,
};
