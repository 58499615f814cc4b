//! Variances shared between like pins: moderated variance.
//!
//! A few known-good boards give every pin a poor variance of its own. All pins together tell how variances are
//! spread, and each pin's variance is drawn towards the common one by as much as that spread allows (Smyth,
//! "Linear models and empirical Bayes methods for assessing differential expression in microarray experiments",
//! Statistical Applications in Genetics and Molecular Biology 3(1), 2004, doi 10.2202/1544-6115.1027).
//!
//! Assumed: `s²ᵢ | σ²ᵢ ~ σ²ᵢ·χ²(dᵢ)/dᵢ` and `1/σ²ᵢ ~ χ²(d0)/(d0·s0²)`, independent pins.

use statrs::function::gamma::digamma;

use super::special::{trigamma, trigamma_inverse};

/// Variance of one pin's readings and the degrees of freedom behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleVariance {
    /// Variance with `n − 1` in the denominator, in squared units.
    pub variance: f64,
    /// Degrees of freedom, usually `n − 1`.
    pub freedom: f64,
}

/// What all pins together say about the variance of a pin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moderated {
    /// The common variance s0².
    pub variance: f64,
    /// How many degrees of freedom the common variance is worth for each pin, d0. `f64::MAX` stands for "all
    /// pins have the same variance".
    pub freedom: f64,
}

impl Moderated {
    /// Learns the common variance and its worth from many pins, by the moments of `ln s²` (Smyth 2004, section
    /// 6.2). Pins without freedom or variance are left out; `None` if fewer than two pins remain.
    #[must_use]
    pub fn learn(pins: &[SampleVariance]) -> Option<Self> {
        Self::learn_within(pins, 0.0, f64::MAX)
    }

    /// The same with a worth between these two, for where few pins tell it poorly: the common variance is the one that
    /// belongs to the worth that is used.
    #[must_use]
    pub fn learn_within(pins: &[SampleVariance], least: f64, most: f64) -> Option<Self> {
        let logs: Vec<(f64, f64)> = pins
            .iter()
            .filter(|pin| pin.variance > 0.0 && pin.freedom > 0.0)
            .map(|pin| {
                let half = 0.5 * pin.freedom;
                (pin.variance.ln() - digamma(half) + half.ln(), trigamma(half))
            })
            .collect();
        if logs.len() < 2 {
            return None;
        }
        let n = logs.len() as f64;
        let mean = logs.iter().map(|(e, _)| e).sum::<f64>() / n;
        let scatter = logs.iter().map(|(e, _)| (e - mean).powi(2)).sum::<f64>() / (n - 1.0);
        let excess = scatter - logs.iter().map(|(_, t)| t).sum::<f64>() / n;
        // No more scatter than chance makes: one variance for all.
        let freedom = trigamma_inverse(excess).map_or(f64::MAX, |half| 2.0 * half).max(least).min(most);
        let half = 0.5 * freedom;
        let shift = if freedom >= f64::MAX { 0.0 } else { digamma(half) - half.ln() };
        Some(Self { variance: (mean + shift).exp(), freedom })
    }

    /// The variance to use for one pin, with its degrees of freedom `d0 + d` (Smyth 2004, section 3).
    #[must_use]
    pub fn of(&self, pin: SampleVariance) -> SampleVariance {
        let own = if pin.freedom > 0.0 { pin.freedom } else { 0.0 };
        if self.freedom >= f64::MAX {
            return SampleVariance { variance: self.variance, freedom: f64::MAX };
        }
        let freedom = self.freedom + own;
        let variance = if own > 0.0 {
            (self.freedom * self.variance + own * pin.variance) / freedom
        } else {
            self.variance
        };
        SampleVariance { variance, freedom }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_pin_tells_nothing_of_all() {
        let pin = SampleVariance { variance: 1.0, freedom: 4.0 };
        assert_eq!(Moderated::learn(&[]), None);
        assert_eq!(Moderated::learn(&[pin]), None);
        assert_eq!(Moderated::learn(&[pin, SampleVariance { variance: 0.0, freedom: 4.0 }]), None);
    }

    #[test]
    fn equal_variances_are_one() {
        let pins = [SampleVariance { variance: 2.0, freedom: 4.0 }; 8];
        let common = Moderated::learn(&pins).unwrap();
        assert_eq!(common.freedom, f64::MAX);
        assert_eq!(common.of(pins[0]).freedom, f64::MAX);
    }

    #[test]
    fn a_pin_without_readings_takes_the_common_variance() {
        let common = Moderated { variance: 3.0, freedom: 5.0 };
        let none = SampleVariance { variance: 0.0, freedom: 0.0 };
        assert_eq!(common.of(none), SampleVariance { variance: 3.0, freedom: 5.0 });
    }
}
