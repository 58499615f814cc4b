//! A meter that is held on each pin in turn, without a jig and without noise: what a board reads by itself.

use super::{circuit::SolveError, specimen::Specimen};
use crate::{
    meter::{DiodeSource, Number},
    readings::{BoardReadings, PinValue},
    units::{Amperes, Volts},
};

/// The meter: what it drives and how finely it shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DirectMeter {
    /// Test current.
    pub source: DiodeSource,
    /// Power of ten of one count, in volts: −3 for 1 mV.
    pub exponent: i8,
    /// Above this it shows overload.
    pub limit: Volts,
}

impl Default for DirectMeter {
    /// A bench meter: 1 mA up to 3.2 V, 1 mV, overload above 2.5 V. Currents and limits of this order are in
    /// docs/facts.md 2.1.
    fn default() -> Self {
        Self {
            source: DiodeSource::ConstantCurrent { current: Amperes::of(1e-3), compliance: Volts::of(3.2) },
            exponent: -3,
            limit: Volts::of(2.5),
        }
    }
}

impl Specimen {
    /// Reads each pin without a jig.
    ///
    /// # Errors
    /// [`SolveError`] if the circuit does not settle.
    pub fn read(&self, meter: &DirectMeter) -> Result<BoardReadings, SolveError> {
        let values = self.drops(meter.source)?.into_iter().map(|drop| meter.shows(drop)).collect();
        Ok(BoardReadings { board: self.name.clone(), values })
    }
}

impl DirectMeter {
    /// What it shows for a voltage.
    #[must_use]
    pub fn shows(&self, voltage: Volts) -> PinValue {
        if voltage.get().abs() > self.limit.get() {
            return PinValue::Overload;
        }
        let one = Number { count: 1, exponent: self.exponent }.to_f64();
        // Saturating: the limit keeps the count far below what an i64 holds.
        let count = (voltage.get() / one).round() as i64;
        PinValue::Volts(Number { count, exponent: self.exponent }.to_volts())
    }
}
