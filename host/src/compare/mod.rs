//! The comparison: what is wrong with a board, why, and what to check next.
//!
//! Readings of a board and a reference go in, a [`Judgement`] comes out. The steps stand in this order: how the
//! board as a whole is connected (`placement`), what all pins have in common (`common`), which pins then lie
//! outside their limits (`limits`), which faults explain them together (`faults`), the verdict on each pin and on the
//! board (`verdicts`); `engine` takes the steps in their order. What they know of the connector stands in `layout`, what
//! known-good boards taught in `evidence`. Pure: no files, no clock, no printing. docs/engine.md tells the method.

mod assumptions;
mod batch;
mod change;
mod common;
mod engine;
mod evidence;
mod faults;
mod judgement;
mod layout;
mod limits;
mod placement;
mod verdicts;
mod words;

pub use assumptions::Assumptions;
pub use batch::Batch;
pub use change::{Change, PinChange};
pub use engine::{Engine, judge};
pub use judgement::{
    Alternative, Check, Difference, Doubt, Evidence, Finding, Judgement, Kind, NotShown, PinJudgement,
    PinVerdict, Placement, Shared, Verdict,
};
