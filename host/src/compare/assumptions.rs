//! What the comparison assumes where the readings cannot tell, each by name and settable.

use crate::units::{Amperes, Volts};

/// Assumptions of a comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Assumptions {
    /// Standard deviation between good boards where known-good boards cannot tell it: with one board it is the
    /// whole knowledge of spread. 5 mV: tolerance of parts at one temperature, common practice.
    pub spread: Volts,
    /// Probability that a good board is flagged at any of its pins.
    pub false_alarms: f64,
    /// Least difference worth flagging, whatever the limits say. 0 leaves it to the limits.
    pub least: Volts,
    /// Probability that a given pin has a fault, before any reading: one or two faulty joints on a connector that was
    /// just rebuilt. Common practice.
    pub fault_rate: f64,
    /// Test current where the reference does not tell it: 1 mA, the usual current of bench meters in diode test.
    pub test_current: Amperes,
    /// Test current of the meter that read the board to judge. Where the reference's is known too, their ratio is
    /// taken from them and not from the readings.
    pub board_current: Option<Amperes>,
    /// Highest voltage that the meter shows where the reference does not tell it.
    pub compliance: Volts,
}

impl Default for Assumptions {
    fn default() -> Self {
        Self {
            spread: Volts::of(0.005),
            false_alarms: 0.005,
            least: Volts::ZERO,
            fault_rate: 0.02,
            test_current: Amperes::of(0.001),
            board_current: None,
            compliance: Volts::of(3.0),
        }
    }
}
