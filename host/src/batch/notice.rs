//! What a batch noticed.

use std::fmt;

use crate::units::Volts;

/// Something that is no fault of a board but may be one of the jig or the meter.
#[derive(Debug, Clone, PartialEq)]
pub struct Notice {
    /// After which board of the batch, counted from 1.
    pub at: usize,
    /// The board's name.
    pub board: String,
    /// When it was swept: RFC 3339 text.
    pub when: String,
    /// What is suspected, and on what evidence.
    pub what: Suspicion,
}

/// What is suspected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Suspicion {
    /// Sound boards read more and more apart at one pin: its contact, or its channel of the switching board.
    PinDrifts {
        /// The pin, by index.
        pin: usize,
        /// How far the newest boards stand from the first ones.
        by: Volts,
        /// Since about which board of the batch.
        since: usize,
        /// What raised it.
        chart: Chart,
    },
    /// All pins together read more and more apart: the meter, its leads, or the temperature of the room.
    AllDrift {
        /// In which way.
        what: Common,
        /// How far the newest boards stand from the first ones: volts, or volts a volt.
        by: f64,
        /// Since about which board of the batch.
        since: usize,
        /// What raised it.
        chart: Chart,
    },
    /// One pin fails on board after board, far more often than the others: its channel before its boards.
    KeepsFailing {
        /// The pin, by index.
        pin: usize,
        /// On how many of the latest boards it failed.
        failed: usize,
        /// How many boards those are.
        of: usize,
        /// Probability of that, at this pin, if it failed as often as the others do.
        chance: f64,
    },
}

/// What all pins of a board share.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Common {
    /// All junctions drop by so much more.
    Shift,
    /// Pins read more by so much of their drop.
    Slope,
}

/// A chart that raises alarms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Chart {
    /// Exponentially weighted moving average.
    MovingAverage,
    /// Cumulative sum.
    CumulativeSum,
}

impl Suspicion {
    /// The pin that it is about, by index; `None` if it is about all.
    #[must_use]
    pub const fn pin(&self) -> Option<usize> {
        match self {
            Self::PinDrifts { pin, .. } | Self::KeepsFailing { pin, .. } => Some(*pin),
            Self::AllDrift { .. } => None,
        }
    }

    /// The name in files: `pin_drifts`, ...
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::PinDrifts { .. } => "pin_drifts",
            Self::AllDrift { .. } => "all_drift",
            Self::KeepsFailing { .. } => "keeps_failing",
        }
    }
}

impl Common {
    /// The name in files.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::Shift => "shift",
            Self::Slope => "slope",
        }
    }
}

impl Chart {
    /// The name in files.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::MovingAverage => "moving_average",
            Self::CumulativeSum => "cumulative_sum",
        }
    }
}

impl fmt::Display for Chart {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::MovingAverage => "moving average",
            Self::CumulativeSum => "cumulative sum",
        })
    }
}
