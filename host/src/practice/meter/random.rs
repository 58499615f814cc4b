//! Chance that is the same for the same seed, on every machine and with every version.

/// SplitMix64 (Steele, Lea, Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014, doi
/// 10.1145/2714064.2660195): small, and its numbers never change, which a library does not promise.
#[derive(Debug, Clone)]
pub(super) struct Random(u64);

impl Random {
    pub(super) const fn new(seed: u64) -> Self {
        Self(seed)
    }

    const fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 up to, not including, 1.
    pub(super) const fn unit(&mut self) -> f64 {
        // 53 bits are what an f64 holds.
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Whether something of this probability happens. Draws nothing for what never happens, so that adding a
    /// kind of trouble leaves the other numbers of a seed as they were.
    pub(super) fn chance(&mut self, probability: f64) -> bool {
        probability > 0.0 && self.unit() < probability
    }

    /// A whole number below `limit`.
    pub(super) const fn below(&mut self, limit: u64) -> u64 {
        // The bias of the remainder is below 2^-50 for the small limits used here.
        self.next() % limit
    }

    /// A normal deviate with standard deviation `spread` (Box and Muller 1958, doi 10.1214/aoms/1177706645).
    pub(super) fn normal(&mut self, spread: f64) -> f64 {
        if spread <= 0.0 {
            return 0.0;
        }
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        spread * radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_those_of_the_published_generator() {
        // First outputs for seed 1234567 of the authors' reference code, as quoted in the documentation of several
        // implementations; from memory.
        let mut random = Random::new(1_234_567);
        assert_eq!(random.next(), 6_457_827_717_110_365_317);
        assert_eq!(random.next(), 3_203_168_211_198_807_973);
    }

    #[test]
    fn normal_deviates_have_their_spread() {
        let mut random = Random::new(1);
        let draws: Vec<f64> = (0..10_000).map(|_| random.normal(2.0)).collect();
        let mean = draws.iter().sum::<f64>() / 1e4;
        let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 1e4;
        // Five standard errors: 5·2/100 and 5·4·sqrt(2/10000).
        assert!(mean.abs() < 0.1, "{mean}");
        assert!((variance - 4.0).abs() < 0.29, "{variance}");
    }
}
