//! How far a batch got, from its sweeps.

use super::{Decision, Outcome};

/// A sweep that belongs to the batch, as the history has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Past {
    /// Name of the board.
    pub board: String,
    /// Its place in the batch, from 1.
    pub place: u32,
    /// Name of the connector.
    pub connector: String,
    /// Which sweep of this connector of the board, from 1.
    pub attempt: u32,
    /// What came of it.
    pub outcome: Outcome,
    /// What the operator decided after it.
    pub decided: Option<Decision>,
}

/// How far a batch got.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Progress {
    /// Boards that are done.
    pub done: u32,
    /// The board that was on the jig when the batch ended, if it was not done.
    pub on_the_jig: Option<OnTheJig>,
    /// Place of the next new board.
    pub next_place: u32,
    /// Name of the last board.
    pub last_name: Option<String>,
}

/// A board that was not done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OnTheJig {
    /// Its name.
    pub board: String,
    /// Its place.
    pub place: u32,
    /// The first connector that is not done, by its index in the order of the batch.
    pub connector: usize,
    /// Sweeps of that connector so far.
    pub attempts: u32,
    /// The worst outcome of the connectors before.
    pub so_far: Outcome,
}

impl Progress {
    /// Of the sweeps of a batch with these connectors, in any order.
    ///
    /// Only the last board can be unfinished: a batch goes to the next one when a board is done or was given up.
    #[must_use]
    pub fn of(sweeps: &[Past], connectors: &[String]) -> Self {
        let Some(last) = sweeps.iter().map(|sweep| sweep.place).max() else {
            return Self { next_place: 1, ..Self::default() };
        };
        let mut places: Vec<u32> = sweeps.iter().map(|sweep| sweep.place).collect();
        places.sort_unstable();
        places.dedup();
        let count = u32::try_from(places.len()).unwrap_or(u32::MAX);
        let of_last = || sweeps.iter().filter(move |sweep| sweep.place == last);
        let name = of_last().next().map(|sweep| sweep.board.clone()).unwrap_or_default();
        let next_place = last.saturating_add(1);
        let mut so_far = Outcome::Matches;
        for (index, connector) in connectors.iter().enumerate() {
            let latest =
                of_last().filter(|sweep| sweep.connector == *connector).max_by_key(|sweep| sweep.attempt);
            if latest.is_some_and(|sweep| sweep.decided == Some(Decision::Skip)) {
                // Given up with all its connectors.
                break;
            }
            let is_done = latest.is_some_and(|sweep| match sweep.outcome {
                Outcome::Doubtful(_) => sweep.decided == Some(Decision::Keep),
                outcome => outcome != Outcome::Failed,
            });
            match latest {
                Some(sweep) if is_done => so_far = so_far.worse(sweep.outcome),
                _ => {
                    let attempts = latest.map_or(0, |sweep| sweep.attempt);
                    return Self {
                        done: count.saturating_sub(1),
                        on_the_jig: Some(OnTheJig {
                            board: name.clone(),
                            place: last,
                            connector: index,
                            attempts,
                            so_far,
                        }),
                        next_place,
                        last_name: Some(name),
                    };
                }
            }
        }
        Self { done: count, on_the_jig: None, next_place, last_name: Some(name) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::batch_run::Doubt;

    fn past(place: u32, connector: &str, attempt: u32, outcome: Outcome) -> Past {
        let (board, connector) = (format!("T{place}"), connector.to_owned());
        Past { board, place, connector, attempt, outcome, decided: None }
    }

    fn check(sweeps: &[Past], done: u32, on_the_jig: Option<(u32, usize, u32)>, next: u32) {
        let connectors = ["J5".to_owned(), "J7".to_owned()];
        let progress = Progress::of(sweeps, &connectors);
        let found = progress.on_the_jig.map(|on| (on.place, on.connector, on.attempts));
        assert_eq!((progress.done, found, progress.next_place), (done, on_the_jig, next), "{sweeps:?}");
    }

    #[test]
    fn a_batch_goes_on_where_its_sweeps_end() {
        let doubt = Outcome::Doubtful(Doubt::Reading);
        check(&[], 0, None, 1);
        check(&[past(1, "J5", 1, Outcome::Matches)], 0, Some((1, 1, 0)), 2);
        let one = [past(1, "J7", 1, Outcome::Differs), past(1, "J5", 1, Outcome::Matches)];
        check(&one, 1, None, 2);
        let torn = [&one[..], &[past(2, "J5", 1, Outcome::Failed)]].concat();
        check(&torn, 1, Some((2, 0, 1)), 3);
        let again = [&torn[..], &[past(2, "J5", 2, Outcome::Matches), past(2, "J7", 1, doubt)]].concat();
        check(&again, 1, Some((2, 1, 1)), 3);
        let kept =
            [&again[..], &[past(4, "J5", 1, Outcome::Unjudged), past(4, "J7", 1, Outcome::Inconclusive)]];
        // Place 2 was left in doubt and place 3 was never swept: the batch had gone on.
        check(&kept.concat(), 3, None, 5);
    }

    #[test]
    fn what_was_decided_about_the_last_board_is_not_asked_again() {
        let doubt = Outcome::Doubtful(Doubt::Seating);
        let decided = |past: Past, decision| Past { decided: Some(decision), ..past };
        check(&[past(1, "J5", 1, doubt)], 0, Some((1, 0, 1)), 2);
        // Its first connector is kept, the second is still to be swept.
        let kept = decided(past(1, "J5", 1, doubt), Decision::Keep);
        check(std::slice::from_ref(&kept), 0, Some((1, 1, 0)), 2);
        check(&[kept.clone(), past(1, "J7", 1, Outcome::Matches)], 1, None, 2);
        // Given up at its first connector, or at its second.
        check(&[decided(past(1, "J5", 2, Outcome::Failed), Decision::Skip)], 1, None, 2);
        check(&[kept.clone(), decided(past(1, "J7", 1, Outcome::Failed), Decision::Skip)], 1, None, 2);
        // Given up, then swept once more.
        let again = [decided(past(1, "J5", 1, doubt), Decision::Skip), past(1, "J5", 2, doubt)];
        check(&again, 0, Some((1, 0, 2)), 2);
    }
}
