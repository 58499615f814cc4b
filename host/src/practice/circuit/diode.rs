//! A junction as Newton's method sees it: the line that touches its curve, and steps that its exponential can follow.

use super::SolveError;
use crate::{
    physics::{Junction, thermal_voltage},
    units::Kelvin,
};

/// The exponential is not followed further than this many thermal voltages; 80 is 10^34 saturation currents.
const LARGEST_EXPONENT: f64 = 80.0;

/// A junction with what the temperature makes of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Diode {
    pub(super) ends: [Option<usize>; 2],
    saturation: f64,
    /// n·Vt.
    slope: f64,
    /// In ohms.
    pub(super) series: f64,
    /// Voltage above which steps are shortened.
    critical: f64,
}

/// The junction part of a diode at one voltage.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Touch {
    pub(super) current: f64,
    conductance: f64,
}

impl Diode {
    /// The junction at this temperature.
    ///
    /// # Errors
    /// [`SolveError::BadPart`] without a positive saturation current or ideality.
    pub(super) fn new(
        ends: [Option<usize>; 2],
        junction: &Junction,
        temperature: Kelvin,
    ) -> Result<Self, SolveError> {
        let slope = junction.ideality * thermal_voltage(temperature).get();
        let saturation = junction.saturation_at(temperature).get();
        let series = junction.series.get();
        if !(saturation > 0.0 && slope > 0.0 && series >= 0.0) {
            return Err(SolveError::BadPart);
        }
        let critical = slope * (slope / (std::f64::consts::SQRT_2 * saturation)).ln();
        Ok(Self { ends, saturation, slope, series, critical })
    }

    /// Current and slope of the junction itself at a voltage across it.
    pub(super) fn touch(&self, inner: f64) -> Touch {
        let exponential = (inner / self.slope).min(LARGEST_EXPONENT).exp();
        Touch {
            current: self.saturation * (exponential - 1.0),
            conductance: self.saturation * exponential / self.slope,
        }
    }

    /// Slope of the whole part. The series resistance is folded in, so that it needs no node of its own.
    pub(super) fn whole(&self, touch: Touch) -> f64 {
        touch.conductance / (1.0 + touch.conductance * self.series)
    }

    /// Voltage of the junction itself after a step that put `outer` across the whole part, shortened where the
    /// exponential could not be followed.
    pub(super) fn follow(&self, outer: f64, inner: f64, touch: Touch) -> f64 {
        let step = (outer - inner - touch.current * self.series) / (1.0 + touch.conductance * self.series);
        limit_junction(inner + step, inner, self.slope, self.critical)
    }
}

/// Shortens the step of a junction (SPICE2's rule): above the critical voltage a step changes the current by
/// what the straight line promised, not by its exponential.
pub(super) fn limit_junction(new: f64, old: f64, slope: f64, critical: f64) -> f64 {
    if new <= critical || (new - old).abs() <= 2.0 * slope {
        return new;
    }
    if old > 0.0 {
        let ratio = 1.0 + (new - old) / slope;
        if ratio > 0.0 { old + slope * ratio.ln() } else { critical }
    } else {
        slope * (new / slope).ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Amperes, Ohms};

    #[test]
    fn a_part_without_a_value_is_refused() {
        for (saturation, ideality) in
            [(0.0, 1.0), (-1e-14, 1.0), (1e-14, 0.0), (1e-14, -1.0), (1e-14, f64::NAN)]
        {
            let junction = Junction { saturation: Amperes::of(saturation), ideality, series: Ohms::ZERO };
            let diode = Diode::new([Some(0), None], &junction, Kelvin::ROOM);
            assert_eq!(diode.err(), Some(SolveError::BadPart));
        }
    }
}
