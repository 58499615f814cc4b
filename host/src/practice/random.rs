//! Chance that repeats: the same seed gives the same board on every machine and in every version.

/// A stream of random numbers, SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number
/// generators", OOPSLA 2014, doi 10.1145/2660193.2660195).
///
/// Written out here, ten lines, because a seed that a technician notes down must mean the same board in ten
/// years; generators of libraries keep that promise only within a version.
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// Starts a stream. Streams of the same seed for different purposes are independent.
    #[must_use]
    pub fn new(seed: u64, purpose: &str) -> Self {
        // FNV-1a (Fowler, Noll and Vo) spreads the purpose over the seed.
        let spread = purpose
            .bytes()
            .fold(0xcbf2_9ce4_8422_2325_u64, |hash, b| (hash ^ u64::from(b)).wrapping_mul(0x100_0000_01b3));
        let mut stream = Self(seed ^ spread);
        // One step, so that neighbouring seeds part at once.
        stream.0 = stream.bits();
        stream
    }

    /// Starts a stream at this very state, for those whose seeds have always meant it so: simulated meters and the
    /// pairing trial.
    #[must_use]
    pub const fn from_state(state: u64) -> Self {
        Self(state)
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Evenly in 0..1.
    pub fn unit(&mut self) -> f64 {
        // 53 bits fill a double exactly.
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Evenly between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Between two positive values, evenly in the logarithm: for values that span decades.
    pub fn decades(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }

    /// Around 0 with standard deviation 1 (Box and Muller 1958, doi 10.1214/aoms/1177706645).
    pub fn normal(&mut self) -> f64 {
        // 1 − u is in (0, 1], so that the logarithm is finite.
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// An index below `len`; 0 if `len` is 0.
    pub fn below(&mut self, len: usize) -> usize {
        // The bias of the remainder is below 2^-50 for any list of ours.
        (self.bits() % (len.max(1) as u64)) as usize
    }

    /// One of these; `None` if there are none.
    pub fn pick<'a, T>(&mut self, choices: &'a [T]) -> Option<&'a T> {
        choices.get(self.below(choices.len()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn follows_the_published_generator() {
        // First outputs of SplitMix64 from state 1234567, as in the test vectors that come with many
        // implementations (from memory of Rosetta Code's "Pseudo-random numbers/Splitmix64").
        let mut stream = Random::from_state(1_234_567);
        assert_eq!(stream.bits(), 6_457_827_717_110_365_317);
        assert_eq!(stream.bits(), 3_203_168_211_198_807_973);
    }

    #[test]
    fn has_the_moments_it_promises() {
        let mut stream = Random::new(1, "moments");
        let n = 100_000;
        let draws: Vec<f64> = (0..n).map(|_| stream.normal()).collect();
        let mean = draws.iter().sum::<f64>() / f64::from(n);
        let variance = draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / f64::from(n);
        // Five standard errors of a fixed stream: 1/√n and √(2/n).
        assert!(mean.abs() < 5.0 * 0.0032, "{mean}");
        assert!((variance - 1.0).abs() < 5.0 * 0.0045, "{variance}");
    }

    #[test]
    fn purposes_part_the_streams() {
        assert_ne!(Random::new(7, "design").bits(), Random::new(7, "board").bits());
        assert_eq!(Random::new(7, "design").bits(), Random::new(7, "design").bits());
    }
}
