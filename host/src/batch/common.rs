//! What the pins of one board still share after the comparison has taken out a common shift: a slope.
//!
//! A meter whose scale drifts moves a pin by so much of its reading. The comparison takes out what all junctions drop
//! more; what is left leans: pins of high drop read high, pins of low drop low. Left in, it would look as if many
//! contacts wore at once. It is estimated robustly and taken out here, and is a series of its own.

use super::{Entry, PinState};
use crate::{statistics::median_of, units::Volts};

/// Pins below this drop say nothing about a scale: ground, shorting resistors. A tenth of a volt in any meter's diode
/// test is far below a junction (handbook values).
const LEAST_DROP: f64 = 0.1;

/// Pins that a slope needs at least, and how far their drops must spread, in volts: from fewer it is noise.
const LEAST_PINS: usize = 8;
const LEAST_SPAN: f64 = 0.1;

/// A line through the differences of a board.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Lean {
    /// Middle drop of the pins.
    middle: f64,
    /// Common difference at the middle drop.
    level: f64,
    /// Difference a volt.
    pub(super) slope: f64,
}

impl Lean {
    /// The line through the sound pins of a board by Theil's abbreviated method (Theil, "A rank-invariant method of
    /// linear and polynomial regression analysis", 1950: each pin is paired with the one half the list away; the median
    /// of the slopes). `None` if there are too few pins or their drops are too much alike.
    pub(super) fn of(entry: &Entry) -> Option<Self> {
        let mut points: Vec<(f64, f64)> = entry
            .pins
            .iter()
            .filter(|pin| pin.state == PinState::Sound)
            .filter_map(|pin| Some((pin.expected?.get(), pin.difference?.get())))
            .filter(|(expected, _)| *expected > LEAST_DROP)
            .collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (first, last) = (points.first()?, points.last()?);
        if points.len() < LEAST_PINS || last.0 - first.0 < LEAST_SPAN {
            return None;
        }
        let half = points.len() / 2;
        let pairs = points.iter().zip(&points[points.len() - half..]);
        let slopes = pairs.filter(|(a, b)| b.0 - a.0 > 1e-3).map(|(a, b)| (b.1 - a.1) / (b.0 - a.0));
        let slope = median_of(slopes)?;
        let middle = median_of(points.iter().map(|point| point.0))?;
        let level = median_of(points.iter().map(|point| point.1 - slope * (point.0 - middle)))?;
        Some(Self { middle, level, slope })
    }

    /// A pin's difference without what all share.
    pub(super) fn without(&self, difference: Volts, expected: Volts) -> Volts {
        if expected.get() <= LEAST_DROP {
            return difference;
        }
        Volts::of(difference.get() - self.level - self.slope * (expected.get() - self.middle))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::batch::{Outcome, PinEntry};

    fn entry(pins: impl Iterator<Item = (f64, f64)>) -> Entry {
        let pins = pins.map(|(expected, difference)| PinEntry {
            expected: Volts::new(expected),
            difference: Volts::new(difference),
            limit: None,
            state: PinState::Sound,
        });
        Entry {
            board: "T1".into(),
            when: String::new(),
            outcome: Outcome::Matches,
            placement: None,
            shared: None,
            pins: pins.collect(),
            faults: Vec::new(),
        }
    }

    #[test]
    fn a_scale_that_reads_high_leans() {
        let drops = || (0..12).map(|i| 0.4 + 0.03 * f64::from(i));
        let lean = Lean::of(&entry(drops().map(|x| (x, 0.01 * (x - 0.5))))).unwrap();
        assert!((lean.slope - 0.01).abs() < 1e-9);
        assert!(lean.without(Volts::of(0.001), Volts::of(0.6)).get().abs() < 1e-9);
        // Ground is left alone.
        assert_eq!(lean.without(Volts::of(0.001), Volts::ZERO), Volts::of(0.001));
        // One odd pin does not lean the rest.
        let odd = drops().enumerate().map(|(i, x)| (x, if i == 11 { 0.3 } else { 0.0 }));
        assert!(Lean::of(&entry(odd)).unwrap().slope.abs() < 1e-9);
    }

    #[test]
    fn few_or_like_pins_do_not_lean() {
        assert_eq!(Lean::of(&entry((0..7).map(|i| (0.4 + 0.1 * f64::from(i), 0.0)))), None);
        assert_eq!(Lean::of(&entry((0..20).map(|_| (0.6, 0.0)))), None);
    }
}
