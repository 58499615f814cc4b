//! Whether the readings of one pin have settled.
//!
//! The rule: the last `agree` distinct readings lie within the tolerance and do not creep in one direction; one more
//! where earlier ones have differed.
//! A capacitor on a rail charges as dV/dt = I/C: while the readings move one way they are waited for; what
//! never agrees is `not settled`, with its slope, and never a guess.

use std::collections::VecDeque;

use super::Timing;
use crate::{
    meter::{NoValue, Number},
    moment::Moment,
    readings::{PinValue, Unread},
    units::Volts,
};

/// The readings of one visit.
#[derive(Debug, Clone, PartialEq)]
pub struct Settling {
    recent: VecDeque<(Moment, Result<Number, NoValue>)>,
    first: Option<(Moment, Result<Number, NoValue>)>,
    taken: u32,
    is_check: bool,
}

/// What is known after a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Step {
    /// More readings are needed.
    More,
    /// The pin is decided.
    Decided(PinValue),
}

/// So many readings tell a direction: the fewest that noise alone seldom puts in order, 1 in 4! = 24.
pub(super) const FEWEST: usize = 4;

/// Readings kept: enough for any `agree`, and to see a direction.
const KEPT: usize = 16;

impl Default for Settling {
    fn default() -> Self {
        Self { recent: VecDeque::with_capacity(KEPT), first: None, taken: 0, is_check: false }
    }
}

impl Settling {
    /// For the check channel: nothing charges there, and whatever agrees at all is evidence, for what is looked for are
    /// readings of another pin, which may stop at any time.
    #[must_use]
    pub fn of_check() -> Self {
        Self { is_check: true, ..Self::default() }
    }

    /// Takes a reading that belongs to this pin.
    pub fn take(&mut self, value: Result<Number, NoValue>, at: Moment, timing: &Timing) -> Step {
        if value == Err(NoValue::NotMeasured) {
            return Step::More;
        }
        if self.recent.len() == KEPT {
            self.recent.pop_front();
        }
        self.recent.push_back((at, value));
        self.taken += 1;
        let (first, _) = *self.first.get_or_insert((at, value));

        // Readings that have differed are not trusted as soon: where a capacitor charges or a frame is damaged, two may
        // agree by chance.
        let have_differed = !self.is_check && self.taken > u32::from(timing.agree);
        let agree = timing.agree.saturating_add(u8::from(have_differed));
        if let Some(value) = self.agreed(&Timing { agree, ..*timing }) {
            return Step::Decided(value);
        }
        let limit = if self.moves_one_way() { timing.ramp_limit } else { timing.patience };
        if at.since(first) >= limit { Step::Decided(self.given_up()) } else { Step::More }
    }

    /// What to say of a pin that is left now.
    #[must_use]
    pub fn given_up(&self) -> PinValue {
        match self.slope() {
            Some(slope) => PinValue::Unread(Unread::NotSettled { slope }),
            None => PinValue::Unread(Unread::NoReading),
        }
    }

    /// Readings taken so far.
    #[must_use]
    pub const fn taken(&self) -> u32 {
        self.taken
    }

    /// The latest readings, oldest first.
    pub fn recent(&self) -> impl Iterator<Item = Result<Number, NoValue>> + '_ {
        self.recent.iter().map(|&(_, value)| value)
    }

    /// The first reading and the latest, if the latest all fall and none of them lies above the first.
    pub(super) fn fall(&self) -> Option<(Volts, Volts)> {
        let (_, first) = self.first?;
        let latest: Vec<f64> =
            self.recent().map(|reading| reading.ok().map(Number::to_f64)).collect::<Option<_>>()?;
        let (first, &[oldest, .., last]) = (first.ok()?.to_f64(), &latest[..]) else { return None };
        let falls = first >= oldest && latest.windows(2).all(|pair| pair[1] < pair[0]);
        (falls && latest.len() >= FEWEST).then_some((Volts::of(first), Volts::of(last)))
    }

    fn agreed(&self, timing: &Timing) -> Option<PinValue> {
        let (_, latest) = *self.recent.back()?;
        match latest {
            Err(_) => {
                let wanted = usize::from(timing.agree_overload);
                let overloads = self.recent.iter().rev().take_while(|(_, value)| value.is_err()).count();
                (overloads >= wanted).then_some(PinValue::Overload)
            }
            Ok(number) => {
                let wanted = usize::from(timing.agree);
                let numbers: Vec<Number> =
                    self.recent.iter().rev().take(wanted).filter_map(|(_, value)| value.ok()).collect();
                if numbers.len() < wanted {
                    return None;
                }
                let last: Vec<f64> = numbers.iter().map(|number| number.to_f64()).collect();
                let (low, high) = (minimum(&last), maximum(&last));
                // The finest of them: a damaged `0.54` among `0.543` must not widen the tolerance.
                let one_count =
                    minimum(&numbers.iter().map(|number| number.resolution()).collect::<Vec<_>>());
                // Two counts: a reading on the edge between two counts shows either, and noise adds one.
                let tolerance = timing.tolerance.get().max(2.0 * one_count);
                let creeps =
                    !self.is_check && high - low > 1.5 * one_count && wanted > 2 && is_monotone(&last);
                (high - low <= tolerance * (1.0 + 1e-9) && !creeps)
                    .then(|| PinValue::Volts(number.to_volts()))
            }
        }
    }

    fn moves_one_way(&self) -> bool {
        let last: Vec<f64> =
            self.recent.iter().rev().take(4).filter_map(|(_, v)| v.ok().map(Number::to_f64)).collect();
        last.len() >= 3 && is_monotone(&last)
    }

    /// Slope over the latest readings, in volts a second.
    fn slope(&self) -> Option<f64> {
        let mut numbers = self.recent.iter().rev().filter_map(|&(at, v)| v.ok().map(|n| (at, n.to_f64())));
        let (end, last) = numbers.next()?;
        let (start, first) = numbers.take(3).last()?;
        let seconds = end.since(start).as_secs_f64();
        (seconds > 0.0).then(|| (last - first) / seconds)
    }
}

fn minimum(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

fn maximum(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

fn is_monotone(values: &[f64]) -> bool {
    values.windows(2).all(|pair| pair[0] < pair[1]) || values.windows(2).all(|pair| pair[0] > pair[1])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::Sign;

    const TIMING: Timing = Timing { agree: 3, agree_overload: 4, ..Timing::TEN_A_SECOND };

    /// Feeds millivolts, `None` for an overload, every 100 ms; tells after how many readings what was decided.
    fn check(millivolts: impl IntoIterator<Item = Option<i64>>) -> Option<(usize, PinValue)> {
        let mut settling = Settling::default();
        for (index, shown) in millivolts.into_iter().enumerate() {
            let value =
                shown.map(|count| Number { count, exponent: -3 }).ok_or(NoValue::Overload(Sign::Plus));
            let at = Moment::from_micros(index as u64 * 100_000);
            if let Step::Decided(value) = settling.take(value, at, &TIMING) {
                return Some((index + 1, value));
            }
        }
        None
    }

    fn volts(value: f64) -> PinValue {
        PinValue::Volts(Volts::of(value))
    }

    #[test]
    fn agreeing_readings_decide() {
        assert_eq!(check([543, 543, 543].map(Some)), Some((3, volts(0.543))));
        assert_eq!(check([543, 544, 542].map(Some)), Some((3, volts(0.542))));
        // Once readings have differed, one more must agree.
        assert_eq!(check([700, 543, 543, 544].map(Some)), None);
        assert_eq!(check([700, 543, 543, 544, 543].map(Some)), Some((5, volts(0.543))));
        assert_eq!(check([543, 543].map(Some)), None);
    }

    #[test]
    fn an_overload_wants_one_more() {
        assert_eq!(check([None, None, None]), None);
        assert_eq!(check([None, None, None, None]), Some((4, PinValue::Overload)));
        assert_eq!(check([None, Some(543), None, None, None]), None);
    }

    #[test]
    fn readings_that_creep_are_waited_for() {
        assert_eq!(check([540, 541, 542, 543, 543, 543].map(Some)), Some((5, volts(0.543))));
    }

    #[test]
    fn a_coarse_number_agrees_with_none() {
        let mut settling = Settling::default();
        // 0.54 has a count of 10 mV; the others are 3 mV away from it.
        for (index, (count, exponent)) in [(543, -3), (543, -3), (54, -2)].into_iter().enumerate() {
            let at = Moment::from_micros(index as u64 * 100_000);
            assert_eq!(settling.take(Ok(Number { count, exponent }), at, &TIMING), Step::More);
        }
    }

    #[test]
    fn a_ramp_is_given_up_with_its_slope() {
        // 10 mV a reading, 0.1 V/s, for longer than the limit.
        let Some((_, PinValue::Unread(Unread::NotSettled { slope }))) = check((0..200).map(|n| Some(n * 10)))
        else {
            panic!("a ramp was taken for a value");
        };
        assert!((slope - 0.1).abs() < 1e-9, "{slope}");
    }

    #[test]
    fn noise_is_given_up_sooner_than_a_ramp() {
        let noise = (0..200).map(|n| Some(if n % 2 == 0 { 500 } else { 560 }));
        let (count, value) = check(noise).unwrap();
        assert!(matches!(value, PinValue::Unread(Unread::NotSettled { .. })));
        assert_eq!(count, 21);
    }

    #[test]
    fn no_readings_is_no_reading() {
        assert_eq!(Settling::default().given_up(), PinValue::Unread(Unread::NoReading));
    }
}
