//! The linear equations of a network of conductances, solved by taking its nodes away one by one.
//!
//! A node with conductances g_i to its neighbours and g_0 to ground can be replaced by conductances g_i·g_j/s between each
//! two neighbours and g_i·g_0/s from each to ground, s being their sum (the star-mesh transformation; Rosen, "A new network
//! theorem", J. IEE 62, 1924). This is Gaussian elimination of the symmetric matrix, L·D·Lᵀ, written without a
//! subtraction: a joint of 100 S beside a leakage of 1e-12 S loses no digit, where the usual form would cancel them
//! all (Grassmann, Taksar and Heyman found the same for Markov chains, Operations Research 33(5), 1985,
//! doi 10.1287/opre.33.5.1107).
//!
//! A board is nearly a star, lines hanging on rails, so that taking away first the node of fewest neighbours (scheme 2 of
//! Tinney and Walker, Proc. IEEE 55(11), 1967, doi 10.1109/PROC.1967.6011) takes a few operations a node; a
//! dense solution would take n³/6 in all.

use std::collections::BTreeSet;

/// The network, and what is left of it while it is taken apart.
#[derive(Debug, Clone)]
pub(super) struct Matrix {
    n: usize,
    /// Place of each node in the order of elimination.
    place: Vec<usize>,
    /// For each place, the later places that it may be joined to, ascending.
    later: Vec<Vec<usize>>,
    /// Conductance between two places, the earlier one first, n·n; on the diagonal the one to ground. After
    /// [`Matrix::factor`], the share of the node's sum that goes there.
    values: Vec<f64>,
    /// Sum of all conductances at each place when its turn comes.
    sums: Vec<f64>,
    /// What every solution has in common; copied in before the rest is stamped.
    base: Vec<f64>,
}

/// Some node hangs on nothing, or a value is not finite.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NotDefinite;

impl Matrix {
    /// Makes room for `n` nodes whose equations are coupled by these edges.
    pub(super) fn new(n: usize, edges: impl Iterator<Item = (usize, usize)>) -> Self {
        let mut neighbours = vec![BTreeSet::new(); n];
        for (a, b) in edges {
            if a != b {
                neighbours[a].insert(b);
                neighbours[b].insert(a);
            }
        }
        let mut place = vec![0; n];
        let mut order = Vec::with_capacity(n);
        let mut left: BTreeSet<usize> = (0..n).collect();
        let mut columns = Vec::with_capacity(n);
        // Ties go to the lowest number: the order must not depend on a hash.
        while let Some(next) = left.iter().copied().min_by_key(|&i| (neighbours[i].len(), i)) {
            left.remove(&next);
            place[next] = order.len();
            order.push(next);
            let column = std::mem::take(&mut neighbours[next]);
            for &a in &column {
                neighbours[a].remove(&next);
                neighbours[a].extend(column.iter().copied().filter(|&b| b != a));
            }
            columns.push(column);
        }
        let later = columns
            .into_iter()
            .map(|column| {
                let mut rows: Vec<usize> = column.into_iter().map(|node| place[node]).collect();
                rows.sort_unstable();
                rows
            })
            .collect();
        Self { n, place, later, values: vec![0.0; n * n], sums: vec![0.0; n], base: vec![0.0; n * n] }
    }

    /// Takes what is stamped now as the start of every later solution.
    pub(super) fn keep_as_base(&mut self) {
        self.base.copy_from_slice(&self.values);
    }

    /// Goes back to the base.
    pub(super) fn restore(&mut self) {
        for (place, later) in self.later.iter().enumerate() {
            let row = place * self.n;
            self.values[row + place] = self.base[row + place];
            for &other in later {
                self.values[row + other] = self.base[row + other];
            }
        }
    }

    /// Adds a conductance between two nodes, `None` being ground.
    pub(super) fn stamp(&mut self, ends: [Option<usize>; 2], conductance: f64) {
        let (i, j) = match ends {
            [Some(a), Some(b)] => (self.place[a], self.place[b]),
            [Some(a), None] | [None, Some(a)] => (self.place[a], self.place[a]),
            [None, None] => return,
        };
        self.values[i.min(j) * self.n + i.max(j)] += conductance;
    }

    /// Takes the network apart.
    pub(super) fn factor(&mut self) -> Result<(), NotDefinite> {
        let n = self.n;
        for k in 0..n {
            let (row, rest) = self.values[k * n..].split_at_mut(n);
            let later = &self.later[k];
            let ground = row[k];
            let sum = ground + later.iter().map(|&i| row[i]).sum::<f64>();
            // Written so that NaN fails too.
            if !(sum > 0.0 && sum.is_finite()) {
                return Err(NotDefinite);
            }
            self.sums[k] = sum;
            for (at, &i) in later.iter().enumerate() {
                let share = row[i] / sum;
                let from = (i - k - 1) * n;
                rest[from + i] += share * ground;
                for &j in &later[at + 1..] {
                    rest[from + j] += share * row[j];
                }
                row[i] = share;
            }
        }
        Ok(())
    }

    /// Solves for the currents into each node, and leaves the voltages in their place. `work` is scratch of the same
    /// length.
    pub(super) fn solve(&self, side: &mut [f64], work: &mut [f64]) {
        let n = self.n;
        for (node, &place) in self.place.iter().enumerate() {
            work[place] = side[node];
        }
        for k in 0..n {
            let current = work[k];
            for &i in &self.later[k] {
                work[i] += self.values[k * n + i] * current;
            }
            work[k] = current / self.sums[k];
        }
        for k in (0..n).rev() {
            let mut voltage = work[k];
            for &i in &self.later[k] {
                voltage += self.values[k * n + i] * work[i];
            }
            work[k] = voltage;
        }
        for (node, &place) in self.place.iter().enumerate() {
            side[node] = work[place];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::practice::random::Random;

    /// Solves a random network and puts the solution back into the equations.
    #[test]
    fn a_solution_satisfies_its_equations() {
        let mut random = Random::new(1, "matrix");
        for n in 1..40 {
            let edges: Vec<(usize, usize, f64)> = (0..2 * n)
                .map(|_| (random.below(n), random.below(n), random.decades(1e-6, 10.0)))
                .filter(|(a, b, _)| a != b)
                .collect();
            let mut matrix = Matrix::new(n, edges.iter().map(|&(a, b, _)| (a, b)));
            let mut dense = vec![vec![0.0; n]; n];
            for (node, row) in dense.iter_mut().enumerate() {
                matrix.stamp([Some(node), None], 1e-3);
                row[node] += 1e-3;
            }
            for &(a, b, g) in &edges {
                matrix.stamp([Some(a), Some(b)], g);
                dense[a][a] += g;
                dense[b][b] += g;
                dense[a][b] -= g;
                dense[b][a] -= g;
            }
            let side: Vec<f64> = (0..n).map(|_| random.between(-1.0, 1.0)).collect();
            let mut x = side.clone();
            matrix.factor().unwrap();
            matrix.solve(&mut x, &mut vec![0.0; n]);
            for (row, right) in dense.iter().zip(&side) {
                let left: f64 = row.iter().zip(&x).map(|(a, x)| a * x).sum();
                // Largest entries are of order 100·1000; twelve digits of it are left.
                assert!((left - right).abs() < 1e-7, "n {n}: {left} for {right}");
            }
        }
    }

    #[test]
    fn a_floating_node_is_refused() {
        let mut matrix = Matrix::new(2, [(0, 1)].into_iter());
        matrix.stamp([Some(0), Some(1)], 1.0);
        assert_eq!(matrix.factor(), Err(NotDefinite));
    }
}
