//! How the meter's own current shows: the ladder's resistors as it sees them against what they are.

use crate::statistics::median;

/// The line from true conductance to the one that the meter shows, G' = s·G + g.
///
/// A meter that drives another current than its profile says scales every resistance; one whose source resistance is
/// another looks like a resistor across its leads (Norton's theorem). Both are taken out before a channel is judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fit {
    scale: f64,
    across: f64,
    /// Channels that fit, of those that read a number.
    pub(super) matches: usize,
    pub(super) loads: usize,
}

/// Profiles state nominal currents, which real meters miss by up to 20 % (common practice for handhelds, from memory);
/// beyond this the line is not believed.
const SCALE: std::ops::RangeInclusive<f64> = 0.6..=1.6;

/// A source resistance that is 20 % off at 2.2 kΩ looks like 11 kΩ across the leads; what leaks more is a fault.
const MOST_ACROSS: f64 = 1.0 / 8000.0;

/// How far a channel may lie from its resistor: 0.5 % parts and a meter of 1 % (docs/jig, plates).
const TOLERANCE: f64 = 0.015;

/// And in ohms, for two contacts and a step of a reed's path between two closings.
const CONTACTS: f64 = 1.5;

impl Fit {
    /// The profile's own current, where nothing better is known.
    pub(super) const NOMINAL: Self = Self { scale: 1.0, across: 0.0, matches: 0, loads: 0 };

    /// The line through pairs of what is there and what was seen, in ohms: the median of all slopes (Theil 1950, Sen
    /// 1968, doi 10.1080/01621459.1968.10480934), so that a few bad channels do not move it.
    pub(super) fn new(pairs: &[(f64, f64)], count: f64) -> Self {
        let usable: Vec<(f64, f64)> = pairs
            .iter()
            .filter(|(there, seen)| *there > 1.0 && *seen > 1.0)
            .map(|(t, s)| (1.0 / t, 1.0 / s))
            .collect();
        let mut slopes = Vec::with_capacity(usable.len() * usable.len() / 2);
        for (at, (x1, y1)) in usable.iter().enumerate() {
            // Neighbours on the ladder lie too near each other to give a slope.
            slopes.extend(
                usable[..at]
                    .iter()
                    .filter(|(x2, _)| (x1 - x2).abs() > 0.1 * x1)
                    .map(|(x2, y2)| (y1 - y2) / (x1 - x2)),
            );
        }
        let believed = |scale: &f64| SCALE.contains(scale);
        let scale = median(&mut slopes).filter(believed);
        let across = scale
            .and_then(|scale| median(&mut usable.iter().map(|(x, y)| y - scale * x).collect::<Vec<_>>()));
        let (scale, across) = match (scale, across) {
            (Some(scale), Some(across)) if across.abs() <= MOST_ACROSS && usable.len() >= 6 => {
                (scale, across)
            }
            // Too few, or something else: only the current is fitted.
            _ => {
                let ratio = median(&mut usable.iter().map(|(x, y)| y / x).collect::<Vec<_>>());
                (ratio.filter(believed).unwrap_or(1.0), 0.0)
            }
        };
        let mut fit = Self { scale, across, matches: 0, loads: pairs.len() };
        fit.matches =
            pairs.iter().filter(|(there, seen)| fit.is_match(fit.corrected(*seen), *there, count)).count();
        fit
    }

    /// What is there, from what was seen.
    pub(super) fn corrected(&self, seen: f64) -> f64 {
        let conductance = (1.0 / seen.max(1e-3) - self.across) / self.scale;
        if conductance > 0.0 { 1.0 / conductance } else { f64::MAX }
    }

    /// Whether a corrected resistance is what is there, with a meter whose one count is `count` ohms near zero.
    pub(super) fn is_match(&self, corrected: f64, there: f64, count: f64) -> bool {
        (corrected - there).abs() <= (TOLERANCE * there).max(CONTACTS) + 2.0 * count
    }

    /// The meter's current as a part of what its profile says.
    pub(super) const fn current(&self) -> f64 {
        1.0 / self.scale
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::jig::self_test::ladder_resistor;

    #[test]
    fn another_current_and_a_resistor_across_the_leads_are_taken_out() {
        for (scale, across) in [(1.0, 0.0), (0.85, 0.0), (1.2, 1.0 / 9000.0)] {
            let pairs: Vec<(f64, f64)> = (0..40)
                .map(|at| {
                    let there = ladder_resistor(at).get();
                    // Three channels read anything.
                    let seen = if at % 14 == 3 { 20.0 } else { 1.0 / (scale / there + across) };
                    (there, seen)
                })
                .collect();
            let fit = Fit::new(&pairs, 1.0);
            assert_eq!((fit.matches, fit.loads), (37, 40), "{fit:?}");
            assert!((fit.current() * scale - 1.0).abs() < 1e-6, "{fit:?}");
        }
    }

    #[test]
    fn no_readings_fit_nothing() {
        let fit = Fit::new(&[], 1.0);
        assert_eq!((fit.matches, fit.loads), (0, 0));
        assert!((fit.corrected(100.0) - 100.0).abs() < 1e-9);
    }
}
