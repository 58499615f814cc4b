//! Analysis of variance: one-way, and two-way crossed with repeats.
//!
//! The first value is taken off every other before anything is summed, sums are compensated, and squares are taken
//! around means (two passes): 1 000 000 000 000.4 ± 0.1 then still has its F, as the hard sets of the NIST
//! Statistical Reference Datasets ask.

use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::summary::sum;

/// One line of an analysis of variance: where variation comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Source {
    /// Sum of squares, in squared units of the values.
    pub squares: f64,
    /// Degrees of freedom.
    pub freedom: usize,
}

impl Source {
    /// Sum of squares over degrees of freedom; 0 without freedom.
    #[must_use]
    pub fn mean_square(self) -> f64 {
        if self.freedom == 0 { 0.0 } else { self.squares / self.freedom as f64 }
    }

    /// How much larger this source's mean square is than another's; `None` where the other has none.
    #[must_use]
    pub fn over(self, other: Self) -> Option<Ratio> {
        let (upper, lower) = (self.mean_square(), other.mean_square());
        if self.freedom == 0 || other.freedom == 0 || lower <= 0.0 {
            return None;
        }
        let f = upper / lower;
        let p = FisherSnedecor::new(self.freedom as f64, other.freedom as f64).ok()?.sf(f);
        Some(Ratio { f, p })
    }

    /// Both sources as one.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self { squares: self.squares + other.squares, freedom: self.freedom + other.freedom }
    }
}

/// A ratio of mean squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// Fisher's F.
    pub f: f64,
    /// Probability of at least this F if both sources are nothing but chance. Assumes normal, independent values.
    pub p: f64,
}

/// One-way analysis of variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OneWay {
    /// Between the groups.
    pub between: Source,
    /// Within the groups.
    pub within: Source,
}

/// Analyses values in groups; `None` unless there are two groups, none of them empty, and more values than groups.
#[must_use]
pub fn one_way(groups: &[&[f64]]) -> Option<OneWay> {
    let count: usize = groups.iter().map(|group| group.len()).sum();
    if groups.len() < 2 || count <= groups.len() || groups.iter().any(|group| group.is_empty()) {
        return None;
    }
    let shift = groups[0][0];
    let means: Vec<f64> = groups.iter().map(|group| mean(group, shift)).collect();
    let weighted = groups.iter().zip(&means).map(|(group, mean)| group.len() as f64 * mean);
    let grand = sum(weighted) / count as f64;
    let between = sum(groups.iter().zip(&means).map(|(group, m)| group.len() as f64 * (m - grand).powi(2)));
    let within = sum(groups.iter().zip(&means).map(|(group, m)| squares_around(group, shift, *m)));
    Some(OneWay {
        between: Source { squares: between, freedom: groups.len() - 1 },
        within: Source { squares: within, freedom: count - groups.len() },
    })
}

/// Two-way analysis of variance of a balanced crossed study: every operator reads every part equally often.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossed {
    /// How many parts.
    pub parts: usize,
    /// How many operators.
    pub operators: usize,
    /// How often each operator read each part.
    pub repeats: usize,
    /// Between the parts.
    pub part: Source,
    /// Between the operators.
    pub operator: Source,
    /// Operators that differ on some parts more than on others.
    pub interaction: Source,
    /// Between readings of one operator on one part.
    pub repeat: Source,
}

/// Analyses a crossed study: `values[(part·operators + operator)·repeats + repeat]`. `None` unless there are at least
/// two of each and exactly one value a place.
#[must_use]
pub fn crossed(parts: usize, operators: usize, repeats: usize, values: &[f64]) -> Option<Crossed> {
    let expected = parts.checked_mul(operators)?.checked_mul(repeats)?;
    if parts < 2 || operators < 2 || repeats < 2 || values.len() != expected {
        return None;
    }
    let shift = values[0];
    let cells: Vec<f64> = values.chunks_exact(repeats).map(|cell| mean(cell, shift)).collect();
    let cell = |part: usize, operator: usize| cells[part * operators + operator];
    let part_means: Vec<f64> =
        (0..parts).map(|p| sum((0..operators).map(|o| cell(p, o))) / operators as f64).collect();
    let operator_means: Vec<f64> =
        (0..operators).map(|o| sum((0..parts).map(|p| cell(p, o))) / parts as f64).collect();
    let grand = sum(part_means.iter().copied()) / parts as f64;
    let deviations = |means: &[f64]| sum(means.iter().map(|m| (m - grand).powi(2)));
    let interaction = sum((0..parts * operators).map(|at| {
        let (p, o) = (at / operators, at % operators);
        (cells[at] - part_means[p] - operator_means[o] + grand).powi(2)
    }));
    let repeat = sum(values.chunks_exact(repeats).zip(&cells).map(|(c, m)| squares_around(c, shift, *m)));
    Some(Crossed {
        parts,
        operators,
        repeats,
        part: Source { squares: (operators * repeats) as f64 * deviations(&part_means), freedom: parts - 1 },
        operator: Source {
            squares: (parts * repeats) as f64 * deviations(&operator_means),
            freedom: operators - 1,
        },
        interaction: Source { squares: repeats as f64 * interaction, freedom: (parts - 1) * (operators - 1) },
        repeat: Source { squares: repeat, freedom: parts * operators * (repeats - 1) },
    })
}

/// Mean above the shift.
fn mean(values: &[f64], shift: f64) -> f64 {
    sum(values.iter().map(|x| x - shift)) / values.len() as f64
}

/// Squares around a mean above the shift, with the correction for the rounding of that mean.
fn squares_around(values: &[f64], shift: f64, mean: f64) -> f64 {
    let squares = sum(values.iter().map(|x| (x - shift - mean).powi(2)));
    let slack = sum(values.iter().map(|x| x - shift - mean));
    (squares - slack * slack / values.len() as f64).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_too_small_have_no_analysis() {
        assert_eq!(one_way(&[]), None);
        assert_eq!(one_way(&[&[1.0, 2.0]]), None);
        assert_eq!(one_way(&[&[1.0], &[2.0]]), None);
        assert_eq!(one_way(&[&[1.0, 2.0], &[]]), None);
        assert_eq!(crossed(2, 2, 1, &[0.0; 4]), None);
        assert_eq!(crossed(2, 2, 2, &[0.0; 7]), None);
        assert_eq!(crossed(usize::MAX, 2, 2, &[]), None);
    }

    #[test]
    fn values_that_never_vary_have_no_ratio() {
        let flat = one_way(&[&[1.0, 1.0], &[1.0, 1.0]]).unwrap();
        assert_eq!(flat.within.squares, 0.0);
        assert_eq!(flat.between.over(flat.within), None);
    }

    #[test]
    fn the_sources_add_up_to_all_variation() {
        let values: Vec<f64> = (0..24).map(|i| f64::from((i * 7919) % 23)).collect();
        let study = crossed(3, 4, 2, &values).unwrap();
        let all = study.part.and(study.operator).and(study.interaction).and(study.repeat);
        let mean = values.iter().sum::<f64>() / 24.0;
        let total: f64 = values.iter().map(|x| (x - mean).powi(2)).sum();
        assert_eq!(all.freedom, 23);
        assert!((all.squares - total).abs() < 1e-9, "{} and {total}", all.squares);
    }
}
