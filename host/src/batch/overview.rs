//! A batch: sweeps go in, notices and a summary come out.

use super::{
    ByKind, ByPin, Common, Entry, Notice, PinState, Suspicion, Yield,
    channels::Channels,
    common::Lean,
    tally::Tally,
    watch::{Alarm, LEAST, LEAST_SLOPE, Limits, Watch},
};
use crate::units::Volts;

/// Watchers that share the alarms: moving averages and cumulative sums of pins, the same two of what all pins share,
/// and channels.
const WATCHERS: f64 = 5.0;

/// How a batch is watched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tuning {
    /// Sound boards that pass, on average, before the first false alarm: for the whole connector, all its pins and all
    /// watchers together.
    pub run_length: f64,
}

impl Default for Tuning {
    /// One false alarm in a thousand boards: a jig sees that many in a month or two.
    fn default() -> Self {
        Self { run_length: 1000.0 }
    }
}

/// What is stated about false alarms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stated {
    /// Sound boards before the first false alarm of any kind, on average, at least.
    pub run_length: f64,
    /// The same for one of the five watchers alone: moving averages of all pins, ...
    pub each: f64,
    /// Pins that are charted: those that read a voltage.
    pub charted: usize,
}

/// A batch on one connector and one jig.
#[derive(Debug, Clone)]
pub struct Batch {
    tuning: Tuning,
    tally: Tally,
    charted: Vec<bool>,
    limits: Option<(usize, Limits)>,
    limits_of_all: Limits,
    pins: Vec<Watch>,
    all: [(Common, Watch); 2],
    channels: Channels,
    /// Boards whose pins count, in their order.
    order: Vec<String>,
    /// Differences of sound pins, a list a pin: board number and volts.
    differences: Vec<Vec<(usize, f64)>>,
    shared: [Vec<(usize, f64)>; 2],
    notices: Vec<Notice>,
}

/// A series over the boards of a batch.
#[derive(Debug, Clone, PartialEq)]
pub struct Drift {
    /// Board number, counted from 1, and value: volts, or volts a volt for a slope.
    pub points: Vec<(usize, f64)>,
    /// Where sound values are expected and how far they scatter, by the boards since the last alarm.
    pub baseline: Option<(f64, f64)>,
}

/// How a batch goes.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// How many boards match.
    pub of_boards: Yield,
    /// Pins with faults, the most frequent first.
    pub by_pin: Vec<ByPin>,
    /// Kinds of fault, the most frequent first.
    pub by_kind: Vec<ByKind>,
    /// What was noticed, in order.
    pub notices: Vec<Notice>,
    /// What all junctions drop more than in the reference, over the boards.
    pub shift: Drift,
    /// By how much of their drop all pins read more, over the boards.
    pub slope: Drift,
    /// Each pin that was noticed, over the boards.
    pub pins: Vec<(usize, Drift)>,
    /// Names of the boards that count, in their order: board number 1 first.
    pub boards: Vec<String>,
    /// What is stated about false alarms.
    pub stated: Stated,
}

impl Batch {
    /// Begins a batch on a connector of so many pins.
    #[must_use]
    pub fn new(pins: usize, tuning: Tuning) -> Self {
        let each = tuning.run_length.clamp(1.0, 1e8) * WATCHERS;
        Self {
            tuning,
            tally: Tally::default(),
            charted: vec![false; pins],
            limits: None,
            limits_of_all: Limits::new(2, each),
            pins: vec![Watch::new(LEAST); pins],
            all: [(Common::Shift, Watch::new(LEAST)), (Common::Slope, Watch::new(LEAST_SLOPE))],
            channels: Channels::new(pins, each),
            order: Vec::new(),
            differences: vec![Vec::new(); pins],
            shared: [Vec::new(), Vec::new()],
            notices: Vec::new(),
        }
    }

    /// Takes the next sweep and tells what it makes noticeable.
    pub fn take(&mut self, entry: &Entry) -> Vec<Notice> {
        // Only what was seated right, and every board once, says something about the jig.
        if !self.tally.take(entry) || entry.placement.is_some() {
            return Vec::new();
        }
        self.order.push(entry.board.clone());
        let at = self.order.len();
        let mut found = Vec::new();

        let limits = self.limits(entry);
        let lean = Lean::of(entry);
        for (pin, read) in entry.pins.iter().enumerate().take(self.pins.len()) {
            let (PinState::Sound, Some(difference)) = (read.state, read.difference) else { continue };
            let own = match (lean, read.expected) {
                (Some(lean), Some(expected)) => lean.without(difference, expected),
                _ => difference,
            };
            self.differences[pin].push((at, own.get()));
            if let Some(Alarm { chart, by, since }) = self.pins[pin].take(own.get(), at, limits) {
                found.push(Suspicion::PinDrifts { pin, by: Volts::of(by), since, chart });
            }
        }
        let shared = [entry.shared.map(Volts::get), lean.map(|lean| lean.slope)];
        for (which, value) in shared.into_iter().enumerate() {
            let Some(value) = value else { continue };
            self.shared[which].push((at, value));
            let (what, watch) = &mut self.all[which];
            if let Some(Alarm { chart, by, since }) = watch.take(value, at, self.limits_of_all) {
                found.push(Suspicion::AllDrift { what: *what, by, since, chart });
            }
        }
        let states: Vec<PinState> = entry.pins.iter().map(|pin| pin.state).collect();
        for keeps in self.channels.take(&states) {
            found.push(Suspicion::KeepsFailing {
                pin: keeps.pin,
                failed: keeps.failed,
                of: keeps.of,
                chance: keeps.chance,
            });
        }
        let notices: Vec<Notice> = found
            .into_iter()
            .map(|what| Notice { at, board: entry.board.clone(), when: entry.when.clone(), what })
            .collect();
        self.notices.extend(notices.iter().cloned());
        notices
    }

    /// How the batch goes.
    #[must_use]
    pub fn summary(&self) -> Summary {
        let mut noticed: Vec<usize> = self.notices.iter().filter_map(|notice| notice.what.pin()).collect();
        noticed.sort_unstable();
        noticed.dedup();
        let drift = |which: usize| Drift {
            points: self.shared[which].clone(),
            baseline: self.all[which].1.baseline(),
        };
        Summary {
            of_boards: self.tally.of_boards(),
            by_pin: self.tally.by_pin(),
            by_kind: self.tally.by_kind(),
            notices: self.notices.clone(),
            shift: drift(0),
            slope: drift(1),
            pins: noticed
                .into_iter()
                .map(|pin| {
                    let points = self.differences[pin].clone();
                    (pin, Drift { points, baseline: self.pins[pin].baseline() })
                })
                .collect(),
            boards: self.order.clone(),
            stated: Stated {
                run_length: self.tuning.run_length,
                each: self.tuning.run_length * WATCHERS,
                charted: self.charted.iter().filter(|&&charted| charted).count(),
            },
        }
    }

    /// Limits for as many pins as read a voltage: those that read `OL` by design have no chart and need no share.
    fn limits(&mut self, entry: &Entry) -> Limits {
        for (charted, pin) in self.charted.iter_mut().zip(&entry.pins) {
            *charted |= pin.difference.is_some();
        }
        let count = self.charted.iter().filter(|&&charted| charted).count();
        match self.limits {
            Some((pins, limits)) if pins == count => limits,
            _ => {
                let limits = Limits::new(count, self.tuning.run_length.clamp(1.0, 1e8) * WATCHERS);
                self.limits = Some((count, limits));
                limits
            }
        }
    }
}
