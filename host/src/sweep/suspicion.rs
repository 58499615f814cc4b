//! What only many readings tell of a meter: a display that does not move, readings that scatter, steps too wide.
//!
//! Most formats do not send HOLD, none tells that the leads pick up mains hum, and a meter on the wrong range sends
//! readings that look sound. Each shows in the readings of several channels together, and in nothing else.

use std::collections::BTreeSet;

use protocol::Channel;

use super::{Guard, Settling, Target, Timing};
use crate::{
    meter::{NoValue, Number},
    units::Volts,
};

/// What the readings so far let one suspect.
#[derive(Debug, Clone)]
pub(super) struct Suspicion {
    /// Whether the sweep visits a check channel: then a frozen display can be told from pins that read alike.
    has_check: bool,
    frozen: Frozen,
    scatter: BTreeSet<Channel>,
    steps: Steps,
    told: Vec<Guard>,
}

/// A display that has not moved since the last of these visits began.
#[derive(Debug, Clone, Default)]
struct Frozen {
    shown: Option<Result<Number, NoValue>>,
    visit: Showing,
    pins: BTreeSet<usize>,
    checks: u16,
}

/// What the display did during the present visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Showing {
    #[default]
    Nothing,
    TheSame,
    Changed,
}

/// The widest step that all numbers are multiples of.
#[derive(Debug, Clone, Default)]
struct Steps {
    exponent: i8,
    divisor: u64,
    counts: BTreeSet<u64>,
}

/// A known resistor and so many pins do not show the same digits by chance: among like pins of a bus, which share a
/// mean but for a few millivolts, six do so once in thousands, and the resistor is none of them.
const STILL_PINS: usize = 6;

/// Visits to the check channel that show an open circuit, with no other reading since, before it is taken for one. The
/// first ones after a step may still be late.
const OPEN_CHECKS: u16 = 3;

/// Without a check channel: pins with the very same digits before it is mentioned. A rail of a dozen pins can be alike.
const ALIKE_PINS: usize = 12;

/// The same for pins near zero, since a connector may have many ground pins in a row.
const ALIKE_GROUNDS: usize = 24;

/// Below this a pin counts as near zero: a few ohms of path at the currents of diode tests.
const NEAR_ZERO: Volts = Volts::of(0.050);

/// Channels whose readings went to and fro before it is called hum: one alone may be a poor contact.
const RESTLESS_CHANNELS: usize = 2;

/// Turns of direction, each of more than the tolerance, that make a visit restless. A single damaged reading makes one.
const TURNS: usize = 2;

/// Different numbers that are all multiples of one step before it is believed: for a step of three counts chance does
/// so in 3^12, once in half a million.
const STEP_NUMBERS: usize = 12;

impl Suspicion {
    pub(super) fn new(has_check: bool) -> Self {
        Self {
            has_check,
            frozen: Frozen::default(),
            scatter: BTreeSet::new(),
            steps: Steps::default(),
            told: Vec::new(),
        }
    }

    /// A visit begins.
    pub(super) const fn began(&mut self) {
        self.frozen.visit = Showing::Nothing;
    }

    /// A reading was sent during the visit, whether or not it was believed.
    pub(super) fn shown(&mut self, value: Result<Number, NoValue>) {
        let frozen = &mut self.frozen;
        if value == Err(NoValue::NotMeasured) {
            return;
        }
        let is_same =
            frozen.shown == Some(value) || (frozen.shown.is_none() && frozen.visit == Showing::Nothing);
        if !is_same {
            *frozen = Frozen { visit: Showing::Changed, ..Frozen::default() };
        } else if frozen.visit == Showing::Nothing {
            frozen.visit = Showing::TheSame;
        }
        frozen.shown = Some(value);
    }

    /// A visit is over. `is_sound` says that the line has damaged nothing of late.
    pub(super) fn ended(
        &mut self,
        target: Target,
        channel: Channel,
        settling: &Settling,
        timing: &Timing,
        is_sound: bool,
    ) -> Option<Guard> {
        if self.frozen.visit == Showing::TheSame {
            match target {
                Target::Pin(pin) => {
                    self.frozen.pins.insert(pin);
                }
                Target::Check => self.frozen.checks = self.frozen.checks.saturating_add(1),
            }
        }
        if is_sound && turns(settling, timing.tolerance) >= TURNS {
            self.scatter.insert(channel);
        }
        if is_sound && let Some(Ok(number)) = settling.recent().last() {
            self.steps.take(number);
        }
        let found = self.found(timing)?;
        // What stops a sweep is said as often as it is so.
        if !found.blocks() {
            self.told.push(found);
        }
        Some(found)
    }

    /// Whether so many pins have shown the very same since the check channel was visited that it should be now: HOLD may
    /// be pressed again before the plan comes to it, and they would pass for read.
    pub(super) fn wants_check(&self) -> bool {
        let Frozen { shown, pins, checks, .. } = &self.frozen;
        let is_near_zero = |number: Number| number.to_f64().abs() < NEAR_ZERO.get();
        let enough = match shown {
            Some(Ok(number)) if is_near_zero(*number) => ALIKE_PINS,
            _ => STILL_PINS,
        };
        self.has_check && *checks == 0 && pins.len() >= enough
    }

    /// Whether the check channel has shown the very same as pins before it: a display that stands still, or the last
    /// pin's reading come late.
    pub(super) fn is_still(&self) -> bool {
        self.frozen.checks > 0 && !self.frozen.pins.is_empty()
    }

    /// Pins that have shown nothing but the display's present digits.
    pub(super) fn still_pins(&self) -> Vec<usize> {
        self.frozen.pins.iter().copied().collect()
    }

    fn found(&self, timing: &Timing) -> Option<Guard> {
        let not_told = |guard: &Guard| !self.told.contains(guard);
        let step = self.steps.widest().filter(|step| step.to_f64() > timing.tolerance.get() * (1.0 + 1e-9));
        let has_coarse = self.told.iter().any(|guard| matches!(guard, Guard::Coarse(_)));
        self.frozen
            .guard(self.has_check)
            .filter(not_told)
            .or_else(|| (self.scatter.len() >= RESTLESS_CHANNELS).then_some(Guard::Scatter).filter(not_told))
            .or_else(|| step.filter(|_| !has_coarse).map(Guard::Coarse))
    }
}

impl Frozen {
    fn guard(&self, has_check: bool) -> Option<Guard> {
        match self.shown? {
            // An open lead is likelier than a display that froze on an open pin; the words name both.
            Err(_) => (self.checks >= OPEN_CHECKS).then_some(Guard::CheckOpen),
            Ok(_) if has_check => (self.checks > 0 && self.pins.len() >= STILL_PINS).then_some(Guard::Frozen),
            Ok(number) => {
                let is_near_zero = number.to_f64().abs() < NEAR_ZERO.get();
                let enough = if is_near_zero { ALIKE_GROUNDS } else { ALIKE_PINS };
                (self.pins.len() >= enough).then_some(Guard::Alike)
            }
        }
    }
}

impl Steps {
    fn take(&mut self, number: Number) {
        if number.count == 0 {
            return;
        }
        // One display, one exponent: whoever changes it has chosen another range.
        if self.exponent != number.exponent {
            *self = Self { exponent: number.exponent, ..Self::default() };
        }
        let count = number.count.unsigned_abs();
        self.divisor = common_divisor(self.divisor, count);
        if self.counts.len() < STEP_NUMBERS {
            self.counts.insert(count);
        }
    }

    fn widest(&self) -> Option<Number> {
        let count = i64::try_from(self.divisor).ok()?;
        (self.counts.len() >= STEP_NUMBERS).then_some(Number { count, exponent: self.exponent })
    }
}

/// Euclid; with zero the other one.
const fn common_divisor(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// How often the numbers of a visit turned back by more than the tolerance. A capacitor that charges never does.
fn turns(settling: &Settling, tolerance: Volts) -> usize {
    let numbers: Vec<f64> = settling.recent().filter_map(|value| value.ok().map(Number::to_f64)).collect();
    let swings: Vec<f64> = numbers
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|swing| swing.abs() > tolerance.get() * (1.0 + 1e-9))
        .collect();
    swings.windows(2).filter(|pair| pair[0] * pair[1] < 0.0).count()
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::{meter::Sign, moment::Moment, sweep::Step};

    const TIMING: Timing = Timing { delivery: Duration::from_millis(5), ..Timing::TEN_A_SECOND };

    /// Visits in order, `None` for the check channel, each with what was shown: what was suspected, and after which.
    fn check(has_check: bool, visits: &[(Option<usize>, &[Option<i64>])]) -> Vec<(usize, Guard)> {
        let mut suspicion = Suspicion::new(has_check);
        let mut found = Vec::new();
        for (index, (pin, shown)) in visits.iter().enumerate() {
            suspicion.began();
            let mut settling = Settling::default();
            for (at, count) in (0..).zip(*shown) {
                let value = match count {
                    Some(count) => Ok(Number { count: *count, exponent: -3 }),
                    None => Err(NoValue::Overload(Sign::Plus)),
                };
                suspicion.shown(value);
                let step = settling.take(value, Moment::from_micros(at * 100_000), &TIMING);
                assert!(step == Step::More || at + 1 == shown.len() as u64 || shown.len() == 2);
            }
            let target = pin.map_or(Target::Check, Target::Pin);
            let channel = Channel(pin.unwrap_or(200) as u8);
            found.extend(
                suspicion.ended(target, channel, &settling, &TIMING, true).map(|guard| (index, guard)),
            );
        }
        found
    }

    #[test]
    fn a_check_channel_and_six_pins_do_not_read_alike() {
        let still: &[Option<i64>] = &[Some(543), Some(543)];
        let mut visits: Vec<_> = (0..5).map(|pin| (Some(pin), still)).collect();
        assert_eq!(check(true, &visits), []);
        visits.extend([(None, still), (Some(5), still)]);
        assert_eq!(check(true, &visits), [(6, Guard::Frozen)]);
        // One reading of another value, and the display is alive.
        visits[3].1 = &[Some(544), Some(543)];
        assert_eq!(check(true, &visits), []);
    }

    #[test]
    fn ground_pins_in_a_row_are_not_frozen() {
        let ground: &[Option<i64>] = &[Some(1), Some(1)];
        let visits: Vec<_> = (0..16).map(|pin| (Some(pin), ground)).collect();
        assert_eq!(check(true, &visits), []);
        assert_eq!(check(false, &visits), []);
        let rail: &[Option<i64>] = &[Some(512), Some(512)];
        let visits: Vec<_> = (0..16).map(|pin| (Some(pin), rail)).collect();
        assert_eq!(check(true, &visits), []);
        assert_eq!(check(false, &visits), [(11, Guard::Alike)], "once");
    }

    #[test]
    fn a_known_resistor_is_never_open() {
        let open: &[Option<i64>] = &[None, None];
        assert_eq!(check(true, &[(None, open), (None, open)]), []);
        assert_eq!(
            check(true, &[(None, open), (Some(1), open), (None, open), (None, open)]),
            [(3, Guard::CheckOpen)]
        );
    }

    #[test]
    fn readings_that_go_to_and_fro_on_two_channels_are_hum() {
        let hum: &[Option<i64>] = &[543, 550, 541, 549, 540].map(Some);
        let ramp: &[Option<i64>] = &[500, 510, 520, 530, 540].map(Some);
        let damaged: &[Option<i64>] = &[543, 943, 543, 543, 543].map(Some);
        assert_eq!(check(true, &[(Some(0), hum), (Some(1), ramp), (Some(2), ramp)]), []);
        assert_eq!(check(true, &[(Some(0), damaged), (Some(1), damaged)]), []);
        assert_eq!(
            check(true, &[(Some(0), hum), (Some(1), ramp), (Some(2), hum), (Some(3), hum)]),
            [(2, Guard::Scatter)]
        );
    }

    #[test]
    fn numbers_that_are_all_tens_have_wide_steps() {
        let shown: Vec<[Option<i64>; 2]> = (1..=14).map(|n| [Some(n * 10); 2]).collect();
        let visits: Vec<_> = shown.iter().enumerate().map(|(pin, shown)| (Some(pin), &shown[..])).collect();
        assert_eq!(check(true, &visits), [(11, Guard::Coarse(Number { count: 10, exponent: -3 }))]);
        let shown: Vec<[Option<i64>; 2]> = (1..=14).map(|n| [Some(n * 10 + n % 2); 2]).collect();
        let visits: Vec<_> = shown.iter().enumerate().map(|(pin, shown)| (Some(pin), &shown[..])).collect();
        assert_eq!(check(true, &visits), []);
    }
}
