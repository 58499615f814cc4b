//! How a batch goes: yield, and where and what the faults are.

use std::{
    collections::{HashMap, HashSet},
    fmt,
};

use super::{Entry, Outcome};
use crate::{
    compare::Kind,
    statistics::{Share, wilson},
};

/// Confidence of the interval beside a yield.
const CONFIDENCE: f64 = 0.95;

/// Boards by what was last said of each. The same for a batch that goes on and for the report of one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Count {
    /// All their pins match.
    pub matching: usize,
    /// Some pins differ.
    pub differing: usize,
    /// Judged, with no result: near a limit, or not read.
    pub inconclusive: usize,
    /// Seated wrongly and never swept again: nothing is known of their pins.
    pub misplaced: usize,
    /// Without a judgement: no reference, or a sweep that did not reach its end.
    pub unjudged: usize,
}

/// How many boards match.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Yield {
    /// Boards, each once, by their last sweep that was seated right.
    pub count: Count,
    /// Sweeps of them.
    pub sweeps: usize,
    /// Share that matches now, of the boards that were judged, with its interval of 95 % by Wilson; `None` without any.
    pub now: Option<Share>,
    /// Share that matched at the first sweep.
    pub at_first: Option<Share>,
}

impl Count {
    /// Boards whose pins were judged: a yield is a share of these.
    #[must_use]
    pub const fn judged(&self) -> usize {
        self.matching + self.differing + self.inconclusive
    }

    /// All boards.
    #[must_use]
    pub const fn all(&self) -> usize {
        self.judged() + self.misplaced + self.unjudged
    }

    /// The share of the judged boards that match, with its interval of 95 % by Wilson; `None` without any.
    #[must_use]
    pub fn share(&self) -> Option<Share> {
        self.share_of(self.matching)
    }

    fn share_of(&self, hits: usize) -> Option<Share> {
        wilson(hits as u64, self.judged() as u64, CONFIDENCE)
    }
}

/// `3 match, 1 differs, 1 misplaced`: what matches and differs always, the rest where there is some.
impl fmt::Display for Count {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let match_ = if self.matching == 1 { "matches" } else { "match" };
        let differ = if self.differing == 1 { "differs" } else { "differ" };
        write!(f, "{} {match_}, {} {differ}", self.matching, self.differing)?;
        for (count, what) in [
            (self.inconclusive, "inconclusive"),
            (self.misplaced, "misplaced"),
            (self.unjudged, "not judged"),
        ] {
            if count > 0 {
                write!(f, ", {count} {what}")?;
            }
        }
        Ok(())
    }
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
        if entry.placement.is_some() {
            if !self.boards.contains_key(&entry.board) {
                self.misplaced.insert(entry.board.clone());
            }
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
        let count = Count {
            matching: count(Outcome::Matches),
            differing: count(Outcome::Differs),
            inconclusive: count(Outcome::Inconclusive),
            misplaced: self.misplaced.len(),
            unjudged: 0,
        };
        Yield { count, sweeps: self.sweeps, now: count.share(), at_first: count.share_of(first) }
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
