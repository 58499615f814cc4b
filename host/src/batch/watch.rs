//! One series of differences under watch: is it still what it was?

use super::Chart;
use crate::statistics::{Cusum, Ewma, SelfStarting, cusum_limit, ewma_limit};

/// Weight of the newest board in the moving average. Between 0.05 and 0.25 works well in practice; small weights find
/// small shifts (NIST/SEMATECH e-Handbook 6.3.2.4; Lucas and Saccucci 1990).
pub(super) const WEIGHT: f64 = 0.1;

/// Slack of the cumulative sums in standard deviations: half of the shift to be found, here half a deviation, for what
/// wears or drifts begins small (NIST/SEMATECH e-Handbook 6.3.2.3 takes one deviation).
pub(super) const SLACK: f64 = 0.25;

/// Smallest deviation between boards, in volts: half of the last digit of a meter that shows millivolts. What moves less than
/// this matters to nobody, and a ground pin that always reads zero must not raise an alarm over its first count.
pub(super) const LEAST: f64 = 0.5e-3;

/// The same for a slope: half a millivolt over the half volt that the drops of a connector spread.
pub(super) const LEAST_SLOPE: f64 = 1e-3;

/// A single board counts for no more than this many deviations: one in 16 000 sound values lies farther out, and an odd
/// one must not raise an alarm of its own.
const FARTHEST: f64 = 4.0;

/// Limits of the charts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Limits {
    /// Of the moving average, in deviations of one value.
    pub(super) average: f64,
    /// Of the cumulative sums, in deviations of one value.
    pub(super) sum: f64,
}

impl Limits {
    /// Limits at which each of the two charts of each of so many series lets sound values run so long, on average,
    /// before any of them raises an alarm. Run lengths are nearly geometric, so that rates add up.
    pub(super) fn new(series: usize, run_length: f64) -> Self {
        // 1e9 is as far as run lengths are computed; no batch is longer.
        let each = (run_length * series.max(1) as f64).clamp(2.0, 1e9);
        let never = f64::MAX;
        Self {
            average: ewma_limit(WEIGHT, each).map_or(never, |limit| limit * Ewma::spread(WEIGHT)),
            sum: cusum_limit(SLACK, each).unwrap_or(never),
        }
    }
}

/// A series and its charts. After an alarm it begins anew, as if the jig had been seen to.
#[derive(Debug, Clone)]
pub(super) struct Watch {
    least: f64,
    start: SelfStarting,
    average: Ewma,
    sum: Cusum,
    /// Plain moving average of the values, to tell how far they have moved.
    level: Option<Ewma>,
    /// Boards at which the sums last stood at nothing: up, down.
    nothing: [usize; 2],
}

/// An alarm of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Alarm {
    pub(super) chart: Chart,
    pub(super) by: f64,
    pub(super) since: usize,
}

impl Watch {
    /// Starts; `least` is the smallest deviation of the values.
    pub(super) const fn new(least: f64) -> Self {
        Self {
            least,
            start: SelfStarting::new(least),
            average: Ewma::new(WEIGHT, 0.0),
            sum: Cusum::new(0.0, SLACK),
            level: None,
            nothing: [0; 2],
        }
    }

    /// Takes the value of board number `at`.
    pub(super) fn take(&mut self, value: f64, at: usize, limits: Limits) -> Option<Alarm> {
        let before = self.start.mean();
        let score = self.start.take(value)?;
        let level = match &mut self.level {
            Some(level) => level.take(value),
            None => self.level.insert(Ewma::new(2.0 * WEIGHT, before)).take(value),
        };
        let score = score.clamp(-FARTHEST, FARTHEST);
        let average = self.average.take(score).abs();
        let sum = self.sum.take(score);
        for (nothing, side) in self.nothing.iter_mut().zip([self.sum.high, self.sum.low]) {
            if side <= 0.0 || *nothing == 0 {
                *nothing = at;
            }
        }
        let chart = match (average > limits.average, sum > limits.sum) {
            (true, _) => Chart::MovingAverage,
            (false, true) => Chart::CumulativeSum,
            (false, false) => return None,
        };
        // The change is estimated to begin after the sum last stood at nothing (Page 1954).
        let side = usize::from(self.sum.low > self.sum.high);
        let alarm = Alarm { chart, by: level - before, since: (self.nothing[side] + 1).min(at) };
        *self = Self::new(self.least);
        Some(alarm)
    }

    /// Where sound values are expected and how far they scatter; `None` before there are two.
    pub(super) fn baseline(&self) -> Option<(f64, f64)> {
        self.start.deviation().map(|deviation| (self.start.mean(), deviation))
    }
}
