//! How a batch goes: yield, and where and what the faults are.

use std::collections::{HashMap, HashSet};

use super::{Entry, Outcome};
use crate::{
    compare::Kind,
    statistics::{Share, wilson},
};

/// Confidence of the interval beside a yield.
const CONFIDENCE: f64 = 0.95;

/// How many boards match.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Yield {
    /// Boards, each once.
    pub boards: usize,
    /// Sweeps of them.
    pub sweeps: usize,
    /// Boards that match now, by their last sweep.
    pub matching: usize,
    /// Boards that differ now.
    pub differing: usize,
    /// Boards that are inconclusive now.
    pub inconclusive: usize,
    /// Boards that were seated wrongly and never swept again: they are in none of the other numbers.
    pub misplaced: usize,
    /// Share that matches now, with its interval of 95 % by Wilson; `None` without boards.
    pub now: Option<Share>,
    /// Share that matched at the first sweep.
    pub at_first: Option<Share>,
}

/// How often one pin was at fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ByPin {
    /// The pin, by index.
    pub pin: usize,
    /// Boards with a named fault there.
    pub boards: usize,
}

/// How often one kind of fault was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ByKind {
    /// What kind.
    pub kind: Kind,
    /// Faults of this kind.
    pub faults: usize,
}

/// Counts boards and faults.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally {
    /// First and last verdict of each board.
    boards: HashMap<String, (Outcome, Outcome)>,
    misplaced: HashSet<String>,
    sweeps: usize,
    by_pin: Vec<usize>,
    by_kind: HashMap<Kind, usize>,
}

impl Tally {
    /// Takes a sweep; tells whether it is the first of its board that says something about its pins.
    pub(super) fn take(&mut self, entry: &Entry) -> bool {
        self.sweeps += 1;
        // A board that was seated wrongly is swept again: that sweep is the one that counts.
        if entry.placement.is_some() && !self.boards.contains_key(&entry.board) {
            self.misplaced.insert(entry.board.clone());
            return false;
        }
        self.misplaced.remove(&entry.board);
        let is_new = !self.boards.contains_key(&entry.board);
        let verdicts = self.boards.entry(entry.board.clone()).or_insert((entry.outcome, entry.outcome));
        verdicts.1 = entry.outcome;
        if is_new {
            self.count(entry);
        }
        is_new
    }

    fn count(&mut self, entry: &Entry) {
        if self.by_pin.len() < entry.pins.len() {
            self.by_pin.resize(entry.pins.len(), 0);
        }
        let mut pins: Vec<usize> = entry.faults.iter().flat_map(|fault| fault.pins.iter().copied()).collect();
        pins.sort_unstable();
        pins.dedup();
        for pin in pins {
            if let Some(count) = self.by_pin.get_mut(pin) {
                *count += 1;
            }
        }
        for fault in &entry.faults {
            *self.by_kind.entry(fault.kind).or_default() += 1;
        }
    }

    pub(super) fn of_boards(&self) -> Yield {
        let count = |outcome| self.boards.values().filter(|(_, last)| *last == outcome).count();
        let first = self.boards.values().filter(|(first, _)| *first == Outcome::Matches).count();
        let boards = self.boards.len();
        let share = |hits: usize| wilson(hits as u64, boards as u64, CONFIDENCE);
        let matching = count(Outcome::Matches);
        Yield {
            boards,
            sweeps: self.sweeps,
            matching,
            differing: count(Outcome::Differs),
            inconclusive: count(Outcome::Inconclusive),
            misplaced: self.misplaced.len(),
            now: share(matching),
            at_first: share(first),
        }
    }

    /// Pins with faults, the most frequent first.
    pub(super) fn by_pin(&self) -> Vec<ByPin> {
        let mut pins: Vec<ByPin> = self
            .by_pin
            .iter()
            .enumerate()
            .filter(|(_, boards)| **boards > 0)
            .map(|(pin, &boards)| ByPin { pin, boards })
            .collect();
        pins.sort_by_key(|by| std::cmp::Reverse(by.boards));
        pins
    }

    /// Kinds of fault, the most frequent first.
    pub(super) fn by_kind(&self) -> Vec<ByKind> {
        let mut kinds: Vec<ByKind> =
            self.by_kind.iter().map(|(&kind, &faults)| ByKind { kind, faults }).collect();
        kinds.sort_by_key(|by| (std::cmp::Reverse(by.faults), by.kind));
        kinds
    }
}
