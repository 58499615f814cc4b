//! Looks for the sets of faults that explain a board: a beam search that always turns to the reading that is least
//! explained, and either finds a fault for it or leaves it unexplained.

use super::{Cause, scene::Scene};

/// A set of faults that explains the board as far as it goes.
#[derive(Debug, Clone)]
pub(super) struct Set {
    /// The faults, sorted.
    pub(super) causes: Vec<Cause>,
    /// Pins left unexplained.
    pub(super) left: Vec<usize>,
    /// Log odds against "nothing is wrong".
    pub(super) odds: f64,
    /// The pin to turn to next.
    worst: Option<usize>,
}

/// Sets that are kept from one step to the next.
const WIDTH: usize = 12;

/// Faults in a set at most, and so steps of the search: beyond this a board needs another look, not a longer list.
const MOST_FAULTS: usize = 8;

/// From so many pins on that show `OL` where a path should be, each is an open joint from the start: a row that does not
/// touch takes no steps of the search, which are for the pins that need them.
const MANY_OPEN: usize = 5;

/// The sets that explain a board, the best first; never empty. `standing_out` are the surprising pins.
pub(super) fn search(scene: &Scene<'_>, standing_out: &[usize]) -> Vec<Set> {
    let is_open = |pin: &usize| scene.overload(*pin) && scene.centre(*pin).is_some();
    let mut causes: Vec<Cause> = standing_out.iter().copied().filter(is_open).map(Cause::Open).collect();
    if causes.len() < MANY_OPEN {
        causes.clear();
    }
    causes.sort_unstable();
    let score = scene.score(&causes, &[], standing_out);
    let mut open = vec![Set { causes, left: Vec::new(), odds: score.odds, worst: score.worst }];
    let mut done: Vec<Set> = Vec::new();
    for _ in 0..=MOST_FAULTS {
        let mut next: Vec<Set> = Vec::new();
        for set in open {
            let Some(pin) = set.worst else {
                done.push(set);
                continue;
            };
            let mut left = set.left.clone();
            left.push(pin);
            left.sort_unstable();
            offer(&mut next, scene, set.causes.clone(), left, standing_out);
            for cause in scene.candidates(pin, standing_out) {
                if set.causes.contains(&cause) {
                    continue;
                }
                let mut causes = set.causes.clone();
                causes.push(cause);
                causes.sort_unstable();
                offer(&mut next, scene, causes, set.left.clone(), standing_out);
            }
        }
        next.sort_unstable_by(|a, b| b.odds.total_cmp(&a.odds));
        next.truncate(WIDTH);
        open = next;
        if open.is_empty() {
            break;
        }
    }
    // A board with more faults than fit keeps what was found.
    done.extend(open);
    done.sort_by(|a, b| b.odds.total_cmp(&a.odds));
    done
}

fn offer(
    next: &mut Vec<Set>,
    scene: &Scene<'_>,
    causes: Vec<Cause>,
    left: Vec<usize>,
    standing_out: &[usize],
) {
    if next.iter().any(|set| set.causes == causes && set.left == left) {
        return;
    }
    let score = scene.score(&causes, &left, standing_out);
    next.push(Set { causes, left, odds: score.odds, worst: score.worst });
}
