//! The gauge study: how well jig, meter and operator read a pin, against the smallest fault that they must show.
//!
//! Every operator reads every board several times, re-seating it each time ([`plan`]); the analysis of variance of a
//! crossed study then tells how much of what is read comes from the gauge ([`evaluate`], AIAG, Measurement Systems
//! Analysis, 4th ed. 2010, chapter III, section B). The same operator who re-seats in sessions of another day may stand
//! in for several operators. Good boards hardly differ, so that the gauge is not judged by how many kinds of board it
//! tells apart but by the smallest fault; the number of categories is for information. Pure.

mod evaluation;
mod plan;

pub use evaluation::{
    Fitness, LostContact, Measurement, PinGauge, Source, StudyError, StudyResult, evaluate,
};
pub use plan::{PlanError, Run, plan};

/// Smallest fault that a gauge must show unless told otherwise, in volts: 30 mV, which is 30 ohm in a joint at a test
/// current of 1 mA (the rule of the boards in `fixtures/boards`).
pub const SMALLEST_FAULT: f64 = 0.030;
