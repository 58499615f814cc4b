//! Who reads which board, in which order.

/// Readings in a study at most: a bound for numbers that are slips of the pen.
const MOST_RUNS: usize = 10_000;

/// One run of a study.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Run {
    /// Number of the run, from 1: the order in which to work.
    pub run: usize,
    /// Which board, from 1.
    pub board: usize,
    /// Who reads it.
    pub operator: String,
    /// Which reading of this board by this operator, from 1.
    pub repeat: usize,
}

/// A study cannot be planned so.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PlanError {
    /// Variance needs two of each.
    #[error("expected at least 2 {what}, found {found}")]
    TooFew {
        /// Of what.
        what: &'static str,
        /// How many.
        found: usize,
    },
    /// Two operators have one name.
    #[error("expected each operator once, found {0} again")]
    Twice(String),
    /// More than anybody reads.
    #[error("expected at most {MOST_RUNS} runs, found more")]
    TooMany,
}

/// Plans a crossed study. An operator reads all boards once before any is read again, each round in another order, so
/// that neither the warming of the meter nor memory favours a board; operators take turns round by round.
///
/// # Errors
/// [`PlanError`] unless there are two boards, two operators of different names, and two repeats.
pub fn plan(boards: usize, operators: &[String], repeats: usize) -> Result<Vec<Run>, PlanError> {
    for (what, found) in [("boards", boards), ("operators", operators.len()), ("repeats", repeats)] {
        if found < 2 {
            return Err(PlanError::TooFew { what, found });
        }
    }
    for (index, operator) in operators.iter().enumerate() {
        if operators[..index].contains(operator) {
            return Err(PlanError::Twice(operator.clone()));
        }
    }
    let count = boards.checked_mul(operators.len()).and_then(|runs| runs.checked_mul(repeats));
    if count.is_none_or(|count| count > MOST_RUNS) {
        return Err(PlanError::TooMany);
    }
    let mut runs = Vec::new();
    for repeat in 1..=repeats {
        for (number, operator) in operators.iter().enumerate() {
            let round = (repeat - 1) * operators.len() + number;
            for place in 0..boards {
                // Begins elsewhere each round, and every other round goes backwards.
                let place = if round.is_multiple_of(2) { place } else { boards - 1 - place };
                let board = (place + round * boards.div_ceil(3)) % boards + 1;
                runs.push(Run { run: runs.len() + 1, board, operator: operator.clone(), repeat });
            }
        }
    }
    Ok(runs)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(names: &[&str]) -> Vec<String> {
        names.iter().map(|&name| name.to_owned()).collect()
    }

    #[test]
    fn everybody_reads_every_board_so_often() {
        let runs = plan(10, &named(&["ann", "ben", "cleo"]), 3).unwrap();
        assert_eq!(runs.len(), 90);
        for board in 1..=10 {
            for operator in ["ann", "ben", "cleo"] {
                let mut repeats: Vec<usize> = runs
                    .iter()
                    .filter(|run| run.board == board && run.operator == operator)
                    .map(|run| run.repeat)
                    .collect();
                repeats.sort_unstable();
                assert_eq!(repeats, [1, 2, 3]);
            }
        }
        let firsts: Vec<usize> = runs.chunks(10).map(|round| round[0].board).collect();
        assert!(firsts.iter().any(|&first| first != firsts[0]), "each round begins elsewhere: {firsts:?}");
    }

    #[test]
    fn what_cannot_be_planned_is_told() {
        assert_eq!(
            plan(1, &named(&["a", "b"]), 2).unwrap_err().to_string(),
            "expected at least 2 boards, found 1"
        );
        assert_eq!(
            plan(2, &named(&["a", "a"]), 2).unwrap_err().to_string(),
            "expected each operator once, found a again"
        );
        assert_eq!(plan(usize::MAX, &named(&["a", "b"]), 2), Err(PlanError::TooMany));
    }
}
