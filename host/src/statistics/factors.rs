//! Quantiles and interval factors.

use statrs::{
    distribution::{ContinuousCDF, Normal, StudentsT},
    function::gamma::ln_gamma,
};

/// Quantile of the standard normal distribution; `p` is held inside (0, 1).
#[must_use]
pub fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p.clamp(1e-300, 1.0 - 1e-16))
}

/// Quantile of Student's distribution with `freedom` degrees of freedom (normal beyond a million).
#[must_use]
pub fn student_quantile(p: f64, freedom: f64) -> f64 {
    if freedom > 1e6 {
        return normal_quantile(p);
    }
    match StudentsT::new(0.0, 1.0, freedom.max(1e-3)) {
        Ok(student) => student.inverse_cdf(p.clamp(1e-15, 1.0 - 1e-15)),
        Err(_) => normal_quantile(p),
    }
}

/// Probability that a Student variable lies farther from zero than `t`, on both sides.
#[must_use]
pub fn student_tail(t: f64, freedom: f64) -> f64 {
    if freedom > 1e6 {
        return 2.0 * Normal::standard().cdf(-t.abs());
    }
    match StudentsT::new(0.0, 1.0, freedom.max(1e-3)) {
        Ok(student) => 2.0 * student.cdf(-t.abs()),
        Err(_) => 1.0,
    }
}

/// Half width, in standard deviations, of the interval that holds one future value with probability
/// `1 − alarm`, after `count` values whose standard deviation has `freedom` degrees of freedom:
/// `t(1 − alarm/2, ν)·√(1 + 1/n)` (Hahn & Meeker, Statistical Intervals, section 4.7).
///
/// With moderated variance `freedom = d0 + n − 1`.
#[must_use]
pub fn prediction_factor(alarm: f64, count: usize, freedom: f64) -> f64 {
    student_quantile(1.0 - 0.5 * alarm, freedom) * (1.0 + 1.0 / count.max(1) as f64).sqrt()
}

/// Logarithm of the normalisation of Student's density: `lnΓ((ν+1)/2) − lnΓ(ν/2) − ½·ln(νπ)`.
#[must_use]
pub fn student_log_norm(freedom: f64) -> f64 {
    // −½·ln 2π, the normal density's, beyond a million.
    if freedom > 1e6 {
        return -0.918_938_533_204_672_8;
    }
    let freedom = freedom.max(1e-3);
    ln_gamma(0.5 * (freedom + 1.0)) - ln_gamma(0.5 * freedom) - 0.5 * (freedom * std::f64::consts::PI).ln()
}
