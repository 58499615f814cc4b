//! Shares: what so many of so many say about the rest.

use statrs::function::beta::beta_reg;

use super::factors::normal_quantile;

/// A share that was counted, with the interval that holds the true share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// How many of them.
    pub hits: u64,
    /// Out of how many.
    pub trials: u64,
    /// The lower end of the interval.
    pub low: f64,
    /// The upper end of the interval.
    pub high: f64,
}

impl Share {
    /// The share itself.
    #[must_use]
    pub fn value(&self) -> f64 {
        self.hits as f64 / self.trials as f64
    }
}

/// Wilson's score interval of a share: two-sided, with the given confidence (Wilson, Journal of the American Statistical
/// Association 22, 1927; method 3 of Newcombe, Statistics in Medicine 17, 1998). Assumes independent trials. `None`
/// without trials, with more hits than trials, or unless the confidence lies inside (0, 1).
#[must_use]
pub fn wilson(hits: u64, trials: u64, confidence: f64) -> Option<Share> {
    if trials == 0 || hits > trials || !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let z = normal_quantile(0.5 * (1.0 + confidence));
    let (n, p) = (trials as f64, hits as f64 / trials as f64);
    let middle = p + z * z / (2.0 * n);
    let half = z * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
    let whole = 1.0 + z * z / n;
    // None and all are the ends themselves, whatever rounding says.
    let low = if hits == 0 { 0.0 } else { ((middle - half) / whole).max(0.0) };
    let high = if hits == trials { 1.0 } else { ((middle + half) / whole).min(1.0) };
    Some(Share { hits, trials, low, high })
}

/// Probability of at least `hits` hits in `trials` independent trials of chance `p`, by the incomplete beta function
/// (Abramowitz & Stegun, Handbook of Mathematical Functions, 26.5.24).
#[must_use]
pub fn binomial_tail(hits: u64, trials: u64, p: f64) -> f64 {
    if hits == 0 {
        return 1.0;
    }
    if hits > trials || p.is_nan() || p <= 0.0 {
        return 0.0;
    }
    if p >= 1.0 {
        return 1.0;
    }
    beta_reg(hits as f64, (trials - hits) as f64 + 1.0, p)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_of_nothing_say_nothing() {
        assert_eq!(wilson(0, 0, 0.95), None);
        assert_eq!(wilson(2, 1, 0.95), None);
        assert_eq!(wilson(1, 2, 1.0), None);
    }

    #[test]
    fn tails_at_their_ends() {
        assert_eq!(binomial_tail(0, 10, 0.0), 1.0);
        assert_eq!(binomial_tail(1, 10, 0.0), 0.0);
        assert_eq!(binomial_tail(11, 10, 0.5), 0.0);
        assert_eq!(binomial_tail(10, 10, 1.0), 1.0);
        assert!((binomial_tail(2, 2, 0.5) - 0.25).abs() < 1e-12);
    }
}
