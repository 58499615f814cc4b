//! Control charts: when a series of values is no longer what it was.
//!
//! The moving parts only. How often sound values set them off is in [`run_length`](super::run_length).

use super::factors::{normal_quantile, student_tail};

/// Mean range of two normal values, in standard deviations, d2 for n = 2, as the NIST/SEMATECH e-Handbook rounds it
/// (6.3.2.2); exactly 2/√π = 1.128379.
const D2: f64 = 1.128;

/// Individual values with their moving ranges (NIST/SEMATECH e-Handbook 6.3.2.2).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Individuals {
    /// Mean of the values.
    pub mean: f64,
    /// Mean difference of neighbours.
    pub moving_range: f64,
    /// Standard deviation that the moving ranges tell.
    pub sigma: f64,
}

impl Individuals {
    /// From values in their order; `None` for fewer than two.
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        if values.len() < 2 {
            return None;
        }
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let ranges = values.windows(2).map(|pair| (pair[1] - pair[0]).abs());
        let moving_range = ranges.sum::<f64>() / (values.len() - 1) as f64;
        Some(Self { mean, moving_range, sigma: moving_range / D2 })
    }

    /// Limits three standard deviations from the mean: lower, upper.
    #[must_use]
    pub fn limits(&self) -> (f64, f64) {
        (self.mean - 3.0 * self.sigma, self.mean + 3.0 * self.sigma)
    }
}

/// Exponentially weighted moving average (Roberts, Technometrics 1, 1959; NIST/SEMATECH e-Handbook 6.3.2.4).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ewma {
    /// Weight of the newest value.
    weight: f64,
    value: f64,
}

impl Ewma {
    /// Starts at the target; `weight` is the share of the newest value, held to 0..=1.
    #[must_use]
    pub const fn new(weight: f64, target: f64) -> Self {
        Self { weight: weight.clamp(0.0, 1.0), value: target }
    }

    /// Takes the next value and tells the average.
    pub fn take(&mut self, value: f64) -> f64 {
        self.value += self.weight * (value - self.value);
        self.value
    }

    /// The average.
    #[must_use]
    pub const fn value(&self) -> f64 {
        self.value
    }

    /// Standard deviation of the average in the long run, over that of one value: `√(λ/(2 − λ))`.
    #[must_use]
    pub fn spread(weight: f64) -> f64 {
        (weight / (2.0 - weight)).sqrt()
    }
}

/// Tabular cumulative sums, one for each way (Page, Biometrika 41, 1954; NIST/SEMATECH e-Handbook 6.3.2.3).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cusum {
    target: f64,
    slack: f64,
    /// Sum of what lies above the target by more than the slack.
    pub high: f64,
    /// Sum of what lies below the target by more than the slack.
    pub low: f64,
}

impl Cusum {
    /// Starts at nothing; `slack` is half the shift to be found, in the unit of the values.
    #[must_use]
    pub const fn new(target: f64, slack: f64) -> Self {
        Self { target, slack, high: 0.0, low: 0.0 }
    }

    /// Takes the next value and tells the larger of the two sums.
    pub fn take(&mut self, value: f64) -> f64 {
        self.high = (self.high + value - self.target - self.slack).max(0.0);
        self.low = (self.low + self.target - self.slack - value).max(0.0);
        self.high.max(self.low)
    }
}

/// Turns values of unknown mean and deviation into standard normal ones: each is compared with those before it
/// (Hawkins, "Self-starting CUSUM charts for location and scale", The Statistician 36, 1987).
///
/// While the values are independent, normal and alike, what comes out is exactly independent and standard normal,
/// however few came before; so run lengths computed for known parameters hold from the third value on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SelfStarting {
    count: u32,
    mean: f64,
    squares: f64,
    least: f64,
}

/// Values before the first that can be compared: a deviation needs two.
const BEFORE_FIRST: u32 = 2;

impl SelfStarting {
    /// Starts without any value. The deviation is never taken for less than `least`, so that a value that never varies
    /// (a ground pin) raises no alarm over the last digit; alarms then get rarer, never more frequent.
    #[must_use]
    pub const fn new(least: f64) -> Self {
        Self { count: 0, mean: 0.0, squares: 0.0, least: least.max(f64::MIN_POSITIVE) }
    }

    /// Takes the next value and tells how far it lies from those before, as a standard normal value; `None` for the
    /// first two.
    pub fn take(&mut self, value: f64) -> Option<f64> {
        let score = self.score(value);
        // Welford's update (Technometrics 4, 1962).
        self.count += 1;
        let off = value - self.mean;
        self.mean += off / f64::from(self.count);
        self.squares += off * (value - self.mean);
        score
    }

    /// How many values it has seen.
    #[must_use]
    pub const fn count(&self) -> u32 {
        self.count
    }

    /// Mean of the values so far.
    #[must_use]
    pub const fn mean(&self) -> f64 {
        self.mean
    }

    /// Standard deviation of the values so far, at least the least; `None` for fewer than two.
    #[must_use]
    pub fn deviation(&self) -> Option<f64> {
        (self.count >= BEFORE_FIRST)
            .then(|| (self.squares / f64::from(self.count - 1)).sqrt().max(self.least))
    }

    fn score(&self, value: f64) -> Option<f64> {
        let deviation = self.deviation()?;
        let n = f64::from(self.count);
        let t = (value - self.mean) / deviation * (n / (n + 1.0)).sqrt();
        Some(normal_score(t, n - 1.0))
    }
}

/// The normal value as far out as Student's `t`: exact for few degrees of freedom, from 30 on by Wallace's transformation
/// (Annals of Mathematical Statistics 30, 1959), which Hawkins takes too: within 0.0025 out to t = 6, and much faster.
fn normal_score(t: f64, freedom: f64) -> f64 {
    if freedom < 30.0 {
        // The tail, not the distribution: it keeps its digits far out.
        return -normal_quantile(0.5 * student_tail(t, freedom)) * t.signum();
    }
    let factor = (8.0 * freedom + 1.0) / (8.0 * freedom + 3.0);
    factor * (freedom * (t * t / freedom).ln_1p()).sqrt().copysign(t)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_series_have_no_limits() {
        assert_eq!(Individuals::of(&[]), None);
        assert_eq!(Individuals::of(&[1.0]), None);
        assert_eq!(Individuals::of(&[1.0, 1.0]).unwrap().limits(), (1.0, 1.0));
    }

    #[test]
    fn a_value_that_never_varies_scores_nothing() {
        let mut start = SelfStarting::new(1e-3);
        assert_eq!(start.take(0.5), None);
        assert_eq!(start.take(0.5), None);
        for _ in 0..20 {
            assert_eq!(start.take(0.5).map(f64::abs), Some(0.0));
        }
        assert!(start.take(0.503).unwrap() > 2.0);
    }

    #[test]
    fn the_quick_transformation_agrees_with_the_exact_one() {
        for freedom in [30.0, 60.0, 200.0] {
            for tenths in -60..=60 {
                let t = f64::from(tenths) / 10.0;
                let exact = -normal_quantile(0.5 * student_tail(t, freedom)) * t.signum();
                let quick = normal_score(t, freedom);
                assert!((quick - exact).abs() < 2.5e-3, "{t} with {freedom}: {quick}, exactly {exact}");
            }
        }
    }

    #[test]
    fn scores_are_finite_and_have_the_sign_of_the_move() {
        let mut start = SelfStarting::new(1e-3);
        for value in [0.0, 1.0, 0.5, 0.4, 0.6] {
            start.take(value);
        }
        let (mut up, mut down) = (start, start);
        let (up, down) = (up.take(1e9).unwrap(), down.take(-1e9).unwrap());
        assert!(up.is_finite() && up > 3.0, "{up}");
        assert!(down.is_finite() && down < -3.0, "{down}");
    }
}
