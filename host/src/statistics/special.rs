//! Special functions that the distribution library leaves out.

/// The trigamma function ψ′(x) for `x > 0`.
///
/// Recurrence `ψ′(x) = ψ′(x + 1) + 1/x²` up to 15, then the asymptotic series (Abramowitz & Stegun, Handbook of
/// Mathematical Functions, 6.4.6 and 6.4.12).
#[must_use]
pub fn trigamma(x: f64) -> f64 {
    let (mut x, mut total) = (x.max(f64::MIN_POSITIVE.sqrt()), 0.0);
    while x < 15.0 {
        total += 1.0 / (x * x);
        x += 1.0;
    }
    let (y, w) = (1.0 / x, 1.0 / (x * x));
    // Bernoulli numbers B2 .. B10.
    let series = w * (1.0 / 6.0 - w * (1.0 / 30.0 - w * (1.0 / 42.0 - w * (1.0 / 30.0 - w * (5.0 / 66.0)))));
    total + y + 0.5 * w + y * series
}

/// Inverse of [`trigamma`] by Newton's method on `1/ψ′`, which is nearly linear and convex (Smyth 2004,
/// appendix, doi 10.2202/1544-6115.1027); `None` unless `y > 0`.
#[must_use]
pub(super) fn trigamma_inverse(y: f64) -> Option<f64> {
    if y.is_nan() || y <= 0.0 {
        return None;
    }
    // Where the start is already good to the last digits; limits of the same appendix.
    if y > 1e7 {
        return Some(1.0 / y.sqrt());
    }
    if y < 1e-6 {
        return Some(1.0 / y);
    }
    let mut x = 0.5 + 1.0 / y;
    for _ in 0..50 {
        let value = trigamma(x);
        let step = value * (1.0 - value / y) / tetragamma(x);
        x += step;
        if -step / x < 1e-12 {
            break;
        }
    }
    Some(x)
}

/// Derivative of the trigamma function, same recurrence and series (Abramowitz & Stegun 6.4.13).
fn tetragamma(x: f64) -> f64 {
    let (mut x, mut total) = (x, 0.0);
    while x < 15.0 {
        total -= 2.0 / (x * x * x);
        x += 1.0;
    }
    let (y, w) = (1.0 / x, 1.0 / (x * x));
    total - w - y * w - w * w * (0.5 - w * (1.0 / 6.0 - w * (1.0 / 6.0 - w * 0.3)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trigamma_has_its_known_values() {
        // ψ′(1) = π²/6 and ψ′(1/2) = π²/2 (Abramowitz & Stegun 6.4.2 and 6.4.4).
        let pi2 = std::f64::consts::PI.powi(2);
        assert!((trigamma(1.0) - pi2 / 6.0).abs() < 1e-13);
        assert!((trigamma(0.5) - pi2 / 2.0).abs() < 1e-12);
    }

    #[test]
    fn the_inverse_comes_back() {
        for x in [1e-3, 0.1, 0.5, 1.0, 3.7, 25.0, 1e4] {
            let back = trigamma_inverse(trigamma(x)).unwrap();
            assert!((back / x - 1.0).abs() < 1e-9, "{x} came back as {back}");
        }
        assert_eq!(trigamma_inverse(0.0), None);
        assert_eq!(trigamma_inverse(f64::NAN), None);
    }
}
