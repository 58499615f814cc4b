//! Average run lengths: how many sound values pass, on average, before a control chart raises an alarm, and how many
//! after a shift.
//!
//! The run length from each state of a chart solves a linear integral equation; it is solved on the nodes of a
//! Gauss-Legendre rule (Nyström's method). For cumulative sums: Page, Biometrika 41, 1954; for the moving average:
//! Crowder, "A simple method for studying run-length distributions of exponentially weighted moving average charts",
//! Technometrics 29, 1987. Assumed: independent normal values with deviation 1 and mean `shift`.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

use super::charts::Ewma;

/// Nodes of the rule. With 64 the published tables are met to all their digits, and doubling the nodes changes run
/// lengths of a million by less than one part in a million.
const NODES: usize = 64;

/// Average run length of a two-sided chart of the exponentially weighted moving average, started at its target, with
/// fixed limits at `limit` long-run standard deviations of the average. `None` unless `0 < weight <= 1`, `limit > 0`.
#[must_use]
pub fn ewma_run_length(weight: f64, limit: f64, shift: f64) -> Option<f64> {
    if !(weight > 0.0 && weight <= 1.0 && limit > 0.0 && limit.is_finite() && shift.is_finite()) {
        return None;
    }
    let normal = Normal::standard();
    let half = limit * Ewma::spread(weight);
    let rule = rule(-half, half);
    let kernel = |from: f64, to: f64| normal.pdf((to - (1.0 - weight) * from) / weight - shift) / weight;
    let lengths = solve(&rule, kernel, None)?;
    // From the target itself, which is no node.
    Some(1.0 + rule.iter().zip(&lengths).map(|(&(y, w), length)| w * length * kernel(0.0, y)).sum::<f64>())
}

/// Average run length of two-sided cumulative sums from nothing, with this slack and decision limit in standard
/// deviations: `1/L = 1/L(up) + 1/L(down)` (Kemp, Journal of the Royal Statistical Society B 23, 1961). `None` unless
/// `slack >= 0` and `limit > 0`.
#[must_use]
pub fn cusum_run_length(slack: f64, limit: f64, shift: f64) -> Option<f64> {
    let up = one_sided_run_length(slack, limit, shift)?;
    let down = if shift == 0.0 { up } else { one_sided_run_length(slack, limit, -shift)? };
    Some(1.0 / (1.0 / up + 1.0 / down))
}

/// Average run length of one cumulative sum from nothing.
#[must_use]
pub fn one_sided_run_length(slack: f64, limit: f64, shift: f64) -> Option<f64> {
    if !(slack >= 0.0 && slack.is_finite() && limit > 0.0 && limit.is_finite() && shift.is_finite()) {
        return None;
    }
    let normal = Normal::standard();
    let rule = rule(0.0, limit);
    let kernel = |from: f64, to: f64| normal.pdf(to - from + slack - shift);
    // Nothing is a state of its own: the sum stays there with a probability.
    let to_nothing = |from: f64| normal.cdf(slack - shift - from);
    solve(&rule, kernel, Some(&to_nothing)).and_then(|lengths| lengths.last().copied())
}

/// The limit, in long-run standard deviations of the average, at which sound values run this long on average. `None`
/// unless `1 < length <= 1e9` and `0 < weight <= 1`.
#[must_use]
pub fn ewma_limit(weight: f64, length: f64) -> Option<f64> {
    limit_for(length, 8.0, |limit| ewma_run_length(weight, limit, 0.0))
}

/// The decision limit of cumulative sums, in standard deviations, at which sound values run this long on average.
/// `None` unless `1 < length <= 1e9` and `slack >= 0`.
#[must_use]
pub fn cusum_limit(slack: f64, length: f64) -> Option<f64> {
    limit_for(length, 40.0, |limit| cusum_run_length(slack, limit, 0.0))
}

/// Halves the bracket until the limit is known to six digits; run lengths grow with the limit.
fn limit_for(length: f64, widest: f64, run_length: impl Fn(f64) -> Option<f64>) -> Option<f64> {
    if !(length > 1.0 && length <= 1e9) {
        return None;
    }
    let (mut low, mut high) = (1e-6, widest);
    while high - low > 1e-6 * high {
        let middle = 0.5 * (low + high);
        // A system too near to singular belongs to a run length beyond all that are asked for.
        match run_length(middle) {
            Some(found) if found > 0.0 && found < length => low = middle,
            _ => high = middle,
        }
    }
    Some(0.5 * (low + high))
}

/// Solves `L(x) = 1 + ∫ kernel(x, y)·L(y) dy + to_nothing(x)·L(0)` on the nodes; the last value is `L(0)` where the
/// chart has a state of nothing.
fn solve(
    rule: &[(f64, f64)],
    kernel: impl Fn(f64, f64) -> f64,
    to_nothing: Option<&dyn Fn(f64) -> f64>,
) -> Option<Vec<f64>> {
    let mut states: Vec<f64> = rule.iter().map(|&(x, _)| x).collect();
    if to_nothing.is_some() {
        states.push(0.0);
    }
    let size = states.len();
    let mut matrix = Vec::with_capacity(size);
    for (row, &from) in states.iter().enumerate() {
        let mut line: Vec<f64> = rule.iter().map(|&(to, weight)| -weight * kernel(from, to)).collect();
        line.extend(to_nothing.map(|probability| -probability(from)));
        line[row] += 1.0;
        line.push(1.0);
        matrix.push(line);
    }
    eliminate(matrix)
}

/// Gaussian elimination with partial pivoting; the right side is the last column.
fn eliminate(mut matrix: Vec<Vec<f64>>) -> Option<Vec<f64>> {
    let size = matrix.len();
    for column in 0..size {
        let pivot = (column..size)
            .max_by(|&a, &b| matrix[a][column].abs().total_cmp(&matrix[b][column].abs()))
            .filter(|&row| matrix[row][column].abs() > 1e-300)?;
        matrix.swap(column, pivot);
        let (upper, lower) = matrix.split_at_mut(column + 1);
        let top = &upper[column];
        for row in lower {
            let factor = row[column] / top[column];
            if factor != 0.0 {
                for (value, above) in row[column..].iter_mut().zip(&top[column..]) {
                    *value -= factor * above;
                }
            }
        }
    }
    let mut solution = vec![0.0; size];
    for row in (0..size).rev() {
        let known: f64 = (row + 1..size).map(|column| matrix[row][column] * solution[column]).sum();
        solution[row] = (matrix[row][size] - known) / matrix[row][row];
    }
    solution.iter().all(|value| value.is_finite()).then_some(solution)
}

/// Nodes and weights of the Gauss-Legendre rule on an interval: roots of the Legendre polynomial by Newton's method
/// (Abramowitz & Stegun, Handbook of Mathematical Functions, 25.4.29 and 22.7.10).
fn rule(from: f64, to: f64) -> Vec<(f64, f64)> {
    let n = NODES as f64;
    let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
    (1..=NODES)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 - 0.25) / (n + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..100 {
                let (mut before, mut value) = (1.0, x);
                for k in 2..=NODES {
                    let k = k as f64;
                    (before, value) = (value, ((2.0 * k - 1.0) * x * value - (k - 1.0) * before) / k);
                }
                slope = n * (x * value - before) / (x * x - 1.0);
                let step = value / slope;
                x -= step;
                if step.abs() < 1e-15 {
                    break;
                }
            }
            (middle + half * x, half * 2.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rule_integrates_polynomials_exactly() {
        let integral: f64 = rule(0.0, 2.0).iter().map(|(x, w)| w * x.powi(7)).sum();
        assert!((integral - 32.0).abs() < 1e-11, "{integral}");
    }

    #[test]
    fn what_cannot_be_asked_has_no_answer() {
        assert_eq!(ewma_run_length(0.0, 3.0, 0.0), None);
        assert_eq!(ewma_run_length(0.1, f64::NAN, 0.0), None);
        assert_eq!(cusum_run_length(-1.0, 4.0, 0.0), None);
        assert_eq!(cusum_limit(0.5, f64::INFINITY), None);
        assert_eq!(ewma_limit(0.1, 1.0), None);
    }

    #[test]
    fn limits_come_back_to_their_run_length() {
        for length in [200.0, 4000.0, 1e6] {
            let ewma = ewma_run_length(0.1, ewma_limit(0.1, length).unwrap(), 0.0).unwrap();
            let cusum = cusum_run_length(0.25, cusum_limit(0.25, length).unwrap(), 0.0).unwrap();
            assert!((ewma / length - 1.0).abs() < 1e-4, "{ewma}");
            assert!((cusum / length - 1.0).abs() < 1e-4, "{cusum}");
        }
    }
}
