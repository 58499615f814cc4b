//! Known-good boards of a design, read pin by pin without a jig.

use super::{
    circuit::SolveError, design::Design, direct::DirectMeter, plan::FaultError, random::Random,
    specimen::Specimen,
};
use crate::readings::BoardReadings;

/// Why known-good boards could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum KnownGoodError {
    /// A board could not be built.
    #[error("board {board} could not be built")]
    Board {
        /// The board.
        board: String,
        /// Why.
        #[source]
        source: FaultError,
    },
    /// A board's circuit has no solution.
    #[error("board {board} could not be read")]
    Unsolved {
        /// The board.
        board: String,
        /// Why.
        #[source]
        source: SolveError,
    },
}

/// Reads so many boards without faults, named `G001`, `G002`, ..., each with its own spread and temperature.
///
/// # Errors
/// [`KnownGoodError`] names the board that could not be read.
pub fn known_good(
    design: &Design,
    count: usize,
    seed: u64,
    meter: &DirectMeter,
) -> Result<Vec<BoardReadings>, KnownGoodError> {
    let mut random = Random::new(seed, "known-good boards");
    (1..=count)
        .map(|number| {
            let board = format!("G{number:03}");
            let specimen = Specimen::new(design, &board, random.bits(), &[])
                .map_err(|source| KnownGoodError::Board { board: board.clone(), source })?;
            specimen.read(meter).map_err(|source| KnownGoodError::Unsolved { board, source })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::practice::{draw_faults, sample};

    #[test]
    fn the_same_seeds_make_the_same_boards() {
        let design = || Design::new(&sample::connector(), 3);
        let (one, two) = (design(), design());
        assert_eq!(one, two);
        assert_eq!(draw_faults(&one, 5), draw_faults(&two, 5));
        let meter = DirectMeter::default();
        let set = known_good(&one, 5, 9, &meter).unwrap();
        assert_eq!(set, known_good(&two, 5, 9, &meter).unwrap());
        assert_ne!(set[0].values, set[1].values, "boards differ among themselves");
        assert_ne!(one, Design::new(&sample::connector(), 4));
    }
}
