//! Count, mean and standard deviation that keep their digits.

/// Count, mean and spread of a sample: no estimate without its count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    /// How many values.
    pub count: usize,
    /// Their mean.
    pub mean: f64,
    /// Standard deviation with `n − 1`; `None` for a single value, which has no spread.
    pub deviation: Option<f64>,
}

/// Summarises a sample; `None` if it is empty.
///
/// The first value is taken off before summing and sums are compensated (Neumaier, "Rundungsfehleranalyse
/// einiger Verfahren zur Summation endlicher Summen", ZAMM 54, 1974), so that 10 000 000.2 ± 0.1 keeps its
/// spread. The variance is the corrected two-pass form (Chan, Golub & LeVeque, The American Statistician 37,
/// 1983).
#[must_use]
pub fn summarise(values: &[f64]) -> Option<Summary> {
    let (&shift, count) = (values.first()?, values.len());
    let n = count as f64;
    let offset = sum(values.iter().map(|x| x - shift)) / n;
    let deviation = (count > 1).then(|| {
        let squares = sum(values.iter().map(|x| (x - shift - offset).powi(2)));
        let slack = sum(values.iter().map(|x| x - shift - offset));
        ((squares - slack * slack / n).max(0.0) / (n - 1.0)).sqrt()
    });
    Some(Summary { count, mean: shift + offset, deviation })
}

/// Compensated sum.
pub(super) fn sum(values: impl Iterator<Item = f64>) -> f64 {
    let (mut total, mut lost) = (0.0f64, 0.0f64);
    for value in values {
        let next = total + value;
        lost += if total.abs() >= value.abs() { (total - next) + value } else { (value - next) + total };
        total = next;
    }
    total + lost
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_samples_say_what_they_can() {
        assert_eq!(summarise(&[]), None);
        assert_eq!(summarise(&[0.5]), Some(Summary { count: 1, mean: 0.5, deviation: None }));
        assert_eq!(summarise(&[0.5, 0.5]), Some(Summary { count: 2, mean: 0.5, deviation: Some(0.0) }));
    }
}
