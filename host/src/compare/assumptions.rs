//! What the comparison assumes where the readings cannot tell, each by name and settable.

use crate::units::Volts;

/// Assumptions of a comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Assumptions {
    /// Standard deviation between good boards where known-good boards cannot tell it: with one board it is the
    /// whole knowledge of spread, with few it is drawn towards what they show. 6 mV: about 3 K of temperature at
    /// −2 mV/K (Sedra & Smith) and a part's tolerance, common practice.
    pub spread: Volts,
    /// Probability that a good board is flagged at any of its pins.
    pub false_alarms: f64,
    /// Least difference worth flagging, whatever the limits say. 0 leaves it to the limits.
    pub least: Volts,
    /// Probability that a given pin has a fault, before any reading: a few faults on a connector that was just
    /// rebuilt. Common practice.
    pub fault_rate: f64,
}

impl Default for Assumptions {
    fn default() -> Self {
        Self { spread: Volts::of(0.006), false_alarms: 0.01, least: Volts::ZERO, fault_rate: 0.02 }
    }
}
