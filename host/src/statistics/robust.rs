//! Centres and spreads that one wrong value cannot move.

/// Factor that makes the median absolute deviation of a normal sample estimate its standard deviation:
/// `1/Φ⁻¹(3/4)` (Venables & Ripley, Modern Applied Statistics with S, 4th ed. 2002, section 5.5).
const MAD_TO_DEVIATION: f64 = 1.482_602_218_505_602;

/// Factor that makes the interquartile range of a normal sample estimate its standard deviation:
/// `1/(2·Φ⁻¹(3/4))`, same source.
const IQR_TO_DEVIATION: f64 = 0.741_301_109_252_801;

/// Middle of a sample, sorted in place; `None` if it is empty.
#[must_use]
pub fn median(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (_, &mut upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return Some(upper);
    }
    // After the selection all values before the middle are no larger than it.
    let lower = values[..n / 2].iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(0.5 * (lower + upper))
}

/// Middle of the values that an iterator gives; `None` if there are none.
#[must_use]
pub fn median_of(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    median(&mut values.into_iter().collect::<Vec<_>>())
}

/// Median absolute deviation from the median, scaled to a normal standard deviation; `None` if empty.
#[must_use]
pub fn mad(values: &[f64]) -> Option<f64> {
    let centre = median_of(values.iter().copied())?;
    median_of(values.iter().map(|x| (x - centre).abs())).map(|m| m * MAD_TO_DEVIATION)
}

/// Interquartile range, scaled to a normal standard deviation; `None` if empty.
#[must_use]
pub fn interquartile(values: &[f64]) -> Option<f64> {
    Some((quantile(values, 0.75)? - quantile(values, 0.25)?) * IQR_TO_DEVIATION)
}

/// Quantile by linear interpolation between order statistics, `h = (n − 1)p + 1` (definition 7 of Hyndman &
/// Fan, The American Statistician 50, 1996); `None` if the sample is empty. `p` is held to 0..=1.
#[must_use]
pub fn quantile(values: &[f64], p: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let last = sorted.len().checked_sub(1)?;
    let h = last as f64 * p.clamp(0.0, 1.0);
    let below = (h.floor() as usize).min(last);
    let above = (below + 1).min(last);
    Some(sorted[below] + (h - h.floor()) * (sorted[above] - sorted[below]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn degenerate_samples() {
        assert_eq!(median(&mut []), None);
        assert_eq!(median(&mut [3.0]), Some(3.0));
        assert_eq!(median(&mut [4.0, 1.0]), Some(2.5));
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(mad(&[]), None);
        assert_eq!(mad(&[1.0, 1.0, 1.0]), Some(0.0));
        assert_eq!(quantile(&[], 0.5), None);
        assert_eq!(quantile(&[1.0, 2.0], 7.0), Some(2.0));
    }
}
