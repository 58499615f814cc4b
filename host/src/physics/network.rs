//! Readings of a few nets that are tied together.
//!
//! Kirchhoff's current law at every net: what the meter draws at one of them leaves through the paths of all.

use super::{Path, Source};

/// Nets of a network at most: two bridged pairs.
pub const MOST_NETS: usize = 4;

/// A few nets, each with its path to ground, tied by resistances.
#[derive(Debug, Clone, Copy)]
pub struct Network {
    paths: [Path; MOST_NETS],
    ground: [f64; MOST_NETS],
    ties: [[f64; MOST_NETS]; MOST_NETS],
    nets: usize,
}

impl Network {
    /// Takes up to [`MOST_NETS`] paths; further ones are left out.
    #[must_use]
    pub fn new(paths: &[Path]) -> Self {
        let nets = paths.len().min(MOST_NETS);
        let mut own = [Path::Open; MOST_NETS];
        own[..nets].copy_from_slice(&paths[..nets]);
        Self { paths: own, ground: [0.0; MOST_NETS], ties: [[0.0; MOST_NETS]; MOST_NETS], nets }
    }

    /// Ties two nets by a resistance in ohms.
    #[must_use]
    pub fn tie(mut self, a: usize, b: usize, ohms: f64) -> Self {
        if a < self.nets && b < self.nets && a != b {
            let conductance = 1.0 / ohms.max(1e-3);
            self.ties[a][b] += conductance;
            self.ties[b][a] += conductance;
        }
        self
    }

    /// Ties a net to ground by a resistance in ohms.
    #[must_use]
    pub fn leak(mut self, net: usize, ohms: f64) -> Self {
        if net < self.nets {
            self.ground[net] += 1.0 / ohms.max(1e-3);
        }
        self
    }

    /// What the meter reads at one net; `None` where it finds no path within its compliance.
    ///
    /// Newton's method from above: every path's current grows ever faster with its voltage, so each step stays
    /// above the solution (Ortega & Rheinboldt, Iterative Solution of Nonlinear Equations, 13.3).
    #[must_use]
    pub fn reading(&self, source: &Source, net: usize) -> Option<f64> {
        let n = self.nets;
        if net >= n {
            return None;
        }
        let full = source.current_at(0.0);
        let compliance = source.compliance;
        // No net can stand higher than where its own path, given all the current, or the compliance holds it.
        let mut volts = [compliance; MOST_NETS];
        for (volts, path) in volts.iter_mut().zip(&self.paths) {
            *volts = path.drop_at(full).map_or(compliance, |drop| drop.min(compliance));
        }
        for _ in 0..80 {
            let mut matrix = [[0.0; MOST_NETS]; MOST_NETS];
            let mut rest = [0.0; MOST_NETS];
            for a in 0..n {
                let (current, conductance) = self.paths[a].current_at(volts[a]);
                rest[a] = current + self.ground[a] * volts[a];
                matrix[a][a] = conductance + self.ground[a] + 1e-12;
                for b in 0..n {
                    rest[a] += self.ties[a][b] * (volts[a] - volts[b]);
                    matrix[a][a] += self.ties[a][b];
                    if a != b {
                        matrix[a][b] = -self.ties[a][b];
                    }
                }
            }
            rest[net] -= source.current_at(volts[net]);
            matrix[net][net] += source.conductance();
            let step = solve(matrix, rest, n)?;
            let mut largest = 0.0f64;
            for a in 0..n {
                volts[a] -= step[a];
                largest = largest.max(step[a].abs());
            }
            if largest < 1e-7 {
                break;
            }
        }
        let reading = volts[net];
        (reading < compliance && full > 0.0).then_some(reading.max(0.0))
    }
}

/// Gaussian elimination with pivots from the diagonal, which dominates in a conductance matrix.
fn solve(
    mut matrix: [[f64; MOST_NETS]; MOST_NETS],
    mut right: [f64; MOST_NETS],
    n: usize,
) -> Option<[f64; MOST_NETS]> {
    for pivot in 0..n {
        let diagonal = matrix[pivot][pivot];
        if diagonal.is_nan() || diagonal.abs() < 1e-300 {
            return None;
        }
        for row in pivot + 1..n {
            let factor = matrix[row][pivot] / diagonal;
            let above = matrix[pivot];
            for (cell, above) in matrix[row].iter_mut().zip(above).skip(pivot) {
                *cell -= factor * above;
            }
            right[row] -= factor * right[pivot];
        }
    }
    for pivot in (0..n).rev() {
        for column in pivot + 1..n {
            right[pivot] -= matrix[pivot][column] * right[column];
        }
        right[pivot] /= matrix[pivot][pivot];
    }
    right.iter().all(|x| x.is_finite()).then_some(right)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SOURCE: Source = Source { short_current: 1e-3, inner: None, compliance: 3.0 };

    fn junction(drop: f64) -> Path {
        Path::junction(drop, 1e-3, 0.025_693, 0.0)
    }

    #[test]
    fn two_like_junctions_drop_vt_ln_2_less() {
        let network = Network::new(&[junction(0.6), junction(0.6)]).tie(0, 1, 0.001);
        let reading = network.reading(&SOURCE, 0).unwrap();
        assert!((reading - (0.6 - 0.025_693 * 2f64.ln())).abs() < 1e-5, "{reading}");
    }

    #[test]
    fn a_leak_takes_its_share() {
        let reading = Network::new(&[junction(0.6)]).leak(0, 1000.0).reading(&SOURCE, 0).unwrap();
        let through = junction(0.6).current_at(reading).0;
        assert!((through + reading / 1000.0 - 1e-3).abs() < 1e-9);
        assert_eq!(Network::new(&[Path::Open]).reading(&SOURCE, 0), None);
        let resistor = Network::new(&[Path::Open]).leak(0, 470.0).reading(&SOURCE, 0).unwrap();
        assert!((resistor - 0.47).abs() < 1e-6);
    }

    #[test]
    fn a_handheld_gives_less_current_at_a_higher_drop() {
        let handheld = Source { short_current: 1.1e-3, inner: Some(2000.0), compliance: 2.0 };
        let reading = Network::new(&[Path::Open]).leak(0, 1000.0).reading(&handheld, 0).unwrap();
        // 2.2 V behind 2 kohm into 1 kohm.
        assert!((reading - 2.2 / 3.0).abs() < 1e-6, "{reading}");
    }
}
