//! The course of time: capacitors charge, in steps of implicit Euler.
//!
//! Implicit Euler replaces a capacitor by a conductance C/h beside a current source, so that a step is one more static
//! solution and never rings, however stiff the circuit. Each step is taken once whole and once in two halves: the
//! difference estimates the error and sets the next length, and the two together cancel it to first order (step
//! doubling with local extrapolation; Hairer and Wanner, Solving Ordinary Differential Equations II, IV.9).

use super::{
    Drive,
    newton::{Solution, SolveError, Solver, Step, across},
};
use crate::units::Volts;

/// Shortest step, in seconds. A step this short is taken whatever its error, so that time always moves on;
/// what a meter sees lasts a million times longer.
const SHORTEST: f64 = 1e-9;

/// A step grows by no more than this.
const GROWTH: f64 = 4.0;

/// A step shrinks by no more than this at a time.
const SHRINK: f64 = 0.2;

/// Voltages of all capacitors of a circuit at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Charge(Vec<f64>);

/// One step of time.
#[derive(Debug, Clone)]
pub struct Stride {
    /// How long it was, in seconds.
    pub seconds: f64,
    /// The circuit at its end.
    pub end: Solution,
    /// The capacitors at its end.
    pub charge: Charge,
    /// Length to try next, in seconds.
    pub next: f64,
}

impl Charge {
    /// Largest difference to another charge of the same circuit.
    #[must_use]
    pub fn distance(&self, other: &Self) -> Volts {
        Volts::of(largest_difference(&self.0, &other.0))
    }

    /// The charge on the straight way to another, `part` of it gone, 0 to 1.
    #[must_use]
    pub fn towards(&self, other: &Self, part: f64) -> Self {
        Self(self.0.iter().zip(&other.0).map(|(a, b)| a + (b - a) * part).collect())
    }
}

impl Solver {
    /// The charge before anything was connected.
    #[must_use]
    pub fn initial_charge(&self) -> Charge {
        Charge(self.capacitors.iter().map(|part| part.initial).collect())
    }

    /// The charge that belongs to a solution.
    #[must_use]
    pub fn charge_of(&self, solution: &Solution) -> Charge {
        Charge(self.capacitors.iter().map(|part| across(&solution.voltages, part.ends)).collect())
    }

    /// The circuit at the moment when a drive is connected: capacitors still hold their charge.
    ///
    /// # Errors
    /// [`SolveError`] if Newton's method does not come to rest.
    pub fn instant(&self, drive: &Drive, charge: &Charge) -> Result<Solution, SolveError> {
        self.iterate(drive, Some(Step { charge: &charge.0, seconds: SHORTEST }), None)
    }

    /// Goes on by one step of at most `longest` seconds, with an error of about `tolerance` or less, unless the step
    /// would have to be shorter than `shortest`: what is over sooner than anybody looks may be wrong on its way, since
    /// implicit Euler arrives all the same.
    ///
    /// # Errors
    /// [`SolveError`] if Newton's method does not come to rest.
    pub fn stride(
        &self,
        drive: &Drive,
        charge: &Charge,
        from: &Solution,
        [shortest, longest]: [f64; 2],
        tolerance: Volts,
    ) -> Result<Stride, SolveError> {
        let shortest = shortest.max(SHORTEST);
        let mut seconds = longest.max(shortest);
        loop {
            let whole = self.iterate(drive, Some(Step { charge: &charge.0, seconds }), Some(from))?;
            let half = seconds / 2.0;
            let middle = self.iterate(drive, Some(Step { charge: &charge.0, seconds: half }), Some(from))?;
            let between = self.charge_of(&middle);
            let mut end =
                self.iterate(drive, Some(Step { charge: &between.0, seconds: half }), Some(&middle))?;
            // What the capacitors carry on, and what the meter sees; a node that hangs on nothing does not count.
            let seen = drive.source.map_or(0.0, |(node, _)| end.at(node).get() - whole.at(node).get());
            let error = self.charge_of(&end).distance(&self.charge_of(&whole)).get().max(seen.abs());
            // The error of a step grows with the square of its length.
            let factor = if error > 0.0 { 0.9 * (tolerance.get() / error).max(0.0).sqrt() } else { GROWTH };
            if error <= tolerance.get() || seconds <= shortest {
                for (end, whole) in end.voltages.iter_mut().zip(&whole.voltages) {
                    *end = 2.0 * *end - whole;
                }
                let charge = self.charge_of(&end);
                let next = (seconds * factor.clamp(SHRINK, GROWTH)).max(shortest);
                return Ok(Stride { seconds, end, charge, next });
            }
            seconds = (seconds * factor.clamp(SHRINK, 0.9)).max(shortest);
        }
    }

    /// Goes on for a stretch of time from a charge and tells how the node stands at its end.
    ///
    /// # Errors
    /// [`SolveError`] if Newton's method does not come to rest.
    pub fn after(
        &self,
        drive: &Drive,
        charge: &Charge,
        seconds: f64,
        tolerance: Volts,
    ) -> Result<(Solution, Charge), SolveError> {
        let mut now = self.instant(drive, charge)?;
        let mut charge = charge.clone();
        let mut left = seconds;
        let mut wish = SHORTEST;
        while left > 0.0 {
            let stride = self.stride(drive, &charge, &now, [SHORTEST, wish.min(left)], tolerance)?;
            left -= stride.seconds;
            (now, charge, wish) = (stride.end, stride.charge, stride.next);
        }
        Ok((now, charge))
    }
}

fn largest_difference(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}
