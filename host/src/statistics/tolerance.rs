//! Two-sided tolerance factors: how many standard deviations around the mean hold a share of all future values, with
//! a given confidence, when mean and deviation come from a few values.

use statrs::{
    distribution::{Continuous, ContinuousCDF, Normal},
    function::gamma::{gamma_lr, gamma_ur},
};

/// Nodes and weights of Gauss-Legendre quadrature with 10 points on (−1, 1), positive half (Abramowitz & Stegun,
/// Handbook of Mathematical Functions, table 25.4).
const GAUSS: [(f64, f64); 5] = [
    (0.148_874_338_981_631_2, 0.295_524_224_714_752_87),
    (0.433_395_394_129_247_2, 0.269_266_719_309_996_35),
    (0.679_409_568_299_024_4, 0.219_086_362_515_982_04),
    (0.865_063_366_688_984_5, 0.149_451_349_150_580_6),
    (0.973_906_528_517_171_7, 0.066_671_344_308_688_14),
];

/// Degrees of freedom beyond which a deviation is as good as known: its relative error is 1/√(2ν), below 1e-4.
const CERTAIN: f64 = 1e8;

/// Exact two-sided factor k: the interval mean ± k·s of `count` normal values, whose deviation s has `freedom` degrees
/// of freedom, holds at least `content` of the population with the given confidence. `None` unless `count` is at
/// least 1, `freedom` positive, and content and confidence lie inside (0, 1).
///
/// Solves `2·∫₀^∞ φ(t)·Q_ν(ν·R(t/√n)²/k²) dt = confidence` with `Φ(x + R) − Φ(x − R) = content` (Odeh & Owen, Tables
/// for Normal Tolerance Limits, 1980; ISO 16269-6:2014). Without moderated variance `freedom` is `count − 1`.
#[must_use]
pub fn tolerance_factor(count: usize, freedom: f64, content: f64, confidence: f64) -> Option<f64> {
    let inside = |p: f64| p > 0.0 && p < 1.0;
    if count == 0 || freedom.is_nan() || freedom <= 0.0 || !inside(content) || !inside(confidence) {
        return None;
    }
    if freedom > CERTAIN {
        // The deviation is as good as known: only the mean's doubt is left.
        let t = Normal::standard().inverse_cdf(0.5 * (1.0 + confidence));
        return Some(radius(t / (count as f64).sqrt(), content));
    }
    let nodes = nodes(count, content);
    let reached = |k: f64| -> f64 {
        nodes
            .iter()
            .map(|(weight, radius)| weight * gamma_ur(0.5 * freedom, 0.5 * freedom * (radius / k).powi(2)))
            .sum()
    };
    // The confidence grows with k: a bracket by doubling, then halving.
    let (mut low, mut high) = (1e-6, 1.0);
    while reached(high) < confidence {
        low = high;
        high *= 2.0;
        if high > 1e12 {
            return None;
        }
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if reached(middle) < confidence {
            low = middle;
        } else {
            high = middle;
        }
        if high - low < 1e-13 * high {
            break;
        }
    }
    Some(0.5 * (low + high))
}

/// Weights of the mean's distance from its true value, and the radius that holds the content around it.
fn nodes(count: usize, content: f64) -> Vec<(f64, f64)> {
    // φ is below 1e-16 beyond 8.5.
    const END: f64 = 8.5;
    const PANELS: usize = 24;
    let normal = Normal::standard();
    let half = 0.5 * END / PANELS as f64;
    let root = (count as f64).sqrt();
    let mut nodes = Vec::with_capacity(10 * PANELS);
    for panel in 0..PANELS {
        let middle = (2 * panel + 1) as f64 * half;
        for (node, weight) in GAUSS {
            for t in [middle - half * node, middle + half * node] {
                nodes.push((2.0 * half * weight * normal.pdf(t), radius(t / root, content)));
            }
        }
    }
    nodes
}

/// `Φ(z) − ½` by the incomplete gamma function (Abramowitz & Stegun 26.2.30 and 6.5.16), which keeps all digits; the
/// library's own normal distribution keeps eleven.
fn above_middle(z: f64) -> f64 {
    if z == 0.0 { 0.0 } else { 0.5 * gamma_lr(0.5, 0.5 * z * z).copysign(z) }
}

/// R with `Φ(x + R) − Φ(x − R) = content`: Newton's method inside a bracket that shrinks with every step, for the left
/// side is nearly flat where x is large and R small.
fn radius(x: f64, content: f64) -> f64 {
    let normal = Normal::standard();
    let central = normal.inverse_cdf(0.5 * (1.0 + content));
    let (mut low, mut high) = (0.0, central + x + 1.0);
    let mut r = central;
    for _ in 0..200 {
        let short = content - (above_middle(x + r) - above_middle(x - r));
        if short > 0.0 {
            low = r;
        } else {
            high = r;
        }
        let newton = r + short / (normal.pdf(x + r) + normal.pdf(x - r)).max(1e-300);
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        let step = (next - r).abs();
        r = next;
        if step < 1e-14 * r.max(1.0) {
            break;
        }
    }
    r
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_asked_has_no_answer() {
        assert_eq!(tolerance_factor(0, 4.0, 0.95, 0.95), None);
        assert_eq!(tolerance_factor(5, 0.0, 0.95, 0.95), None);
        assert_eq!(tolerance_factor(5, 4.0, 1.0, 0.95), None);
        assert_eq!(tolerance_factor(5, 4.0, 0.95, f64::NAN), None);
    }

    #[test]
    fn many_values_need_the_normal_quantile_only() {
        let factor = tolerance_factor(1_000_000, 1e9, 0.95, 0.5).unwrap();
        assert!((factor - 1.959_964).abs() < 1e-4, "{factor}");
    }
}
