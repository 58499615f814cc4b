//! The least time that a sweep can take on its switching board and its meter: what the sweep's own time is held
//! against.
//!
//! A visit takes at least: break, make and settle time, the command to the meter, the frame on the line, the rest of
//! the running conversion, the spoilt readings and the agreeing ones. What a pin needs besides, since it is open or its
//! capacitor charges, are confirmations; they are counted apart.

use std::time::Duration;

use super::{Pacing, PinResult, Timing};
use crate::readings::PinValue;

/// Least time of a sweep.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Floor {
    /// Every visit with the least number of readings.
    pub visits: Duration,
    /// Further readings of open pins, and of pins whose readings moved.
    pub confirmations: Duration,
}

/// What a visit needs besides the meter's conversions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Overhead {
    /// Break, make and settle time of the switching board.
    pub switch: Duration,
    /// A reading on the line, from its first byte to its last.
    pub frame: Duration,
    /// A question on the line; nothing for a meter that streams.
    pub command: Duration,
}

/// Visits of a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Visits {
    /// To pins.
    pub pins: usize,
    /// To the check channel, which drops one reading fewer.
    pub checks: usize,
}

impl Floor {
    /// Of so many visits, with these results.
    #[must_use]
    pub fn of(
        timing: &Timing,
        period: Duration,
        overhead: Overhead,
        visits: Visits,
        results: &[Option<PinResult>],
    ) -> Self {
        let times = |visits: usize| u32::try_from(visits).unwrap_or(u32::MAX);
        let check = Timing { spoilt: timing.spoilt.saturating_sub(1), ..*timing };
        let further: u32 = results.iter().flatten().map(|result| confirmations(timing, result)).sum();
        Self {
            visits: of_visit(timing, period, overhead)
                .saturating_mul(times(visits.pins))
                .saturating_add(of_visit(&check, period, overhead).saturating_mul(times(visits.checks))),
            confirmations: of_reading(timing, period, overhead).saturating_mul(further),
        }
    }

    /// The same from when the first channel had settled on: without the switch's time at the first visit.
    #[must_use]
    pub fn from_first_settled(self, timing: &Timing, period: Duration, overhead: Overhead) -> Self {
        let frame = match timing.pacing {
            // A conversion may begin at that very moment.
            Pacing::Streaming => Duration::ZERO,
            Pacing::Triggered | Pacing::Polled => overhead.frame,
        };
        let settled = Overhead { switch: Duration::ZERO, frame, ..overhead };
        let first = of_visit(timing, period, overhead).saturating_sub(of_visit(timing, period, settled));
        Self { visits: self.visits.saturating_sub(first), ..self }
    }

    /// All of it.
    #[must_use]
    pub const fn total(&self) -> Duration {
        self.visits.saturating_add(self.confirmations)
    }
}

/// One visit.
fn of_visit(timing: &Timing, period: Duration, overhead: Overhead) -> Duration {
    let Overhead { switch, frame, .. } = overhead;
    let (spoilt, agree) = (u32::from(timing.spoilt), u32::from(timing.agree));
    match timing.pacing {
        Pacing::Triggered => switch + of_reading(timing, period, overhead) * (spoilt + agree),
        Pacing::Streaming => {
            // The pin before was decided when a frame was complete. That long after the end of a conversion, and the
            // switch's time later, some conversion is running: it is the first spoilt one.
            let since_conversion = (frame + switch).as_secs_f64();
            let begun = (since_conversion / period.as_secs_f64().max(1e-6)).ceil();
            period.mul_f64(begun) + period * (spoilt + agree).saturating_sub(1)
        }
        // The same, but that the newest conversion has ended at some time before the question.
        Pacing::Polled => switch + overhead.command + frame + period * (spoilt + agree),
    }
}

/// One reading more.
fn of_reading(timing: &Timing, period: Duration, overhead: Overhead) -> Duration {
    match timing.pacing {
        Pacing::Triggered => overhead.command + period + overhead.frame,
        Pacing::Streaming | Pacing::Polled => period,
    }
}

/// Readings that a pin needed besides the agreeing ones.
fn confirmations(timing: &Timing, result: &PinResult) -> u32 {
    let least = match result.value {
        PinValue::Unread(_) => return 0,
        PinValue::Overload | PinValue::Volts(_) => usize::from(timing.agree),
    };
    u32::try_from(result.used.len().saturating_sub(least)).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{meter, sweep::Timing};

    const SWITCH: Duration = Duration::from_millis(5);

    fn visit(profile: &str, overhead: Overhead) -> Duration {
        let timing = Timing::of(&meter::shipped(profile).unwrap());
        Floor::of(&timing, timing.period, overhead, Visits { pins: 1, checks: 0 }, &[]).total()
    }

    /// The model of docs/facts.md 3.1: t = switch + settle + (n + k)/f + frame, here with the phase of the conversions known.
    #[test]
    fn a_streaming_meter_takes_spoilt_and_agreeing_periods() {
        let frame = Duration::from_millis(16);
        let overhead = Overhead { switch: SWITCH, frame, command: Duration::ZERO };
        // 25 readings a second, 4 spoilt, 3 agreeing.
        assert_eq!(visit("bench-stream", overhead), Duration::from_millis(280));
        // The check channel drops one fewer.
        let timing = Timing::of(&meter::shipped("bench-stream").unwrap());
        let both = Floor::of(&timing, timing.period, overhead, Visits { pins: 1, checks: 1 }, &[]);
        assert_eq!(both.total(), Duration::from_millis(280 + 240));
        // A frame and switch longer than a conversion cost one more.
        let frame = Duration::from_millis(38);
        assert_eq!(visit("bench-stream", Overhead { frame, ..overhead }), Duration::from_millis(320));
    }

    #[test]
    fn a_triggered_meter_takes_its_answers() {
        let (frame, command) = (Duration::from_millis(20), Duration::from_millis(7));
        // 20 readings a second, none spoilt, 2 agreeing: 5 + 2·(7 + 50 + 20).
        let overhead = Overhead { switch: SWITCH, frame, command };
        assert_eq!(visit("scpi-bench", overhead), Duration::from_millis(159));
    }
}
