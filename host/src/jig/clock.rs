//! The switching board's clock on the host's time scale.
//!
//! Every message carries the time at which the switching board wrote it, and arrives no earlier. An answer was
//! written no earlier than its request was sent. So `sent − at ≤ offset ≤ arrival − at`, and the offset is in
//! the intersection of all these intervals, widened by what two quartz clocks may drift apart
//! (Cristian's method: F. Cristian, Probabilistic clock synchronization, Distributed Computing 3, 1989).

use crate::moment::Moment;

/// How far two quartz clocks may drift apart: 100 ppm each, common practice for uncompensated crystals.
const DRIFT: f64 = 200e-6;

/// An interval for the offset of the two clocks, from the messages heard so far.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Clock {
    bounds: Option<Bounds>,
}

/// All in µs; the offset is host time less board time.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Bounds {
    low: f64,
    high: f64,
    as_of: f64,
}

impl Clock {
    /// Learns from an answer that came at `arrival` to a request sent at `sent`.
    pub fn answer(&mut self, sent: Moment, at_us: u64, arrival: Moment) {
        self.learn(sent.as_micros() as f64 - at_us as f64, at_us, arrival);
    }

    /// Learns from a message that no request asked for.
    pub fn event(&mut self, at_us: u64, arrival: Moment) {
        self.learn(f64::NEG_INFINITY, at_us, arrival);
    }

    /// When the switching board's clock showed `at_us`, on the host's clock: the latest moment that fits.
    ///
    /// The latest, because a reading belongs to a pin only if its conversion began after the switch had
    /// settled, and erring late never pairs it wrongly.
    #[must_use]
    pub fn latest(&self, at_us: u64) -> Option<Moment> {
        self.on_host(at_us, |bounds| bounds.high)
    }

    /// The earliest moment that fits; `None` before the first answer.
    #[must_use]
    pub fn earliest(&self, at_us: u64) -> Option<Moment> {
        self.on_host(at_us, |bounds| bounds.low)
    }

    fn on_host(&self, at_us: u64, pick: impl Fn(Bounds) -> f64) -> Option<Moment> {
        let offset = pick(self.bounds?);
        offset.is_finite().then(|| Moment::from_micros((at_us as f64 + offset).max(0.0) as u64))
    }

    fn learn(&mut self, low: f64, at_us: u64, arrival: Moment) {
        let now = arrival.as_micros() as f64;
        let high = now - at_us as f64;
        let fresh = Bounds { low, high, as_of: now };
        self.bounds = Some(match self.bounds {
            None => fresh,
            Some(old) => {
                let drift = (now - old.as_of).max(0.0) * DRIFT;
                let joined = Bounds {
                    low: (old.low - drift).max(low),
                    high: (old.high + drift).min(high),
                    as_of: now,
                };
                // An empty intersection means that a clock jumped: start again.
                if joined.low > joined.high { fresh } else { joined }
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(value: u64) -> Moment {
        Moment::from_micros(value * 1000)
    }

    #[test]
    fn the_quickest_round_trip_counts() {
        let mut clock = Clock::default();
        // Board time 0 is host time 500 ms. A slow answer, then a quick one.
        clock.answer(ms(1000), 510_000, ms(1040));
        clock.answer(ms(2000), 1_501_000, ms(2002));
        let (early, late) = (clock.earliest(1_501_000).unwrap(), clock.latest(1_501_000).unwrap());
        assert!(early <= ms(2001) && ms(2001) <= late, "{early} {late}");
        assert!(late.since(early).as_micros() <= 2000, "{early} {late}");
    }

    #[test]
    fn a_late_event_does_not_move_the_clock() {
        let mut clock = Clock::default();
        clock.answer(ms(1000), 500_500, ms(1001));
        clock.event(600_000, ms(1300));
        assert!(clock.latest(600_000).unwrap() <= ms(1101));
    }

    #[test]
    fn a_restarted_board_starts_a_new_clock() {
        let mut clock = Clock::default();
        clock.answer(ms(10_000), 9_000_500, ms(10_001));
        clock.answer(ms(12_000), 500, ms(12_001));
        assert_eq!(clock.latest(500), Some(ms(12_001)));
    }
}
