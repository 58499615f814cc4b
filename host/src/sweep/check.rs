//! The check channel: a known resistor that is visited now and then.
//!
//! If the meter lags more than its profile says, the check channel shows the pin before it. Then every pin
//! since the last good check may carry its neighbour's reading: those pins are voided and read again, with
//! more readings dropped.
//!
//! A check proves nothing where the pin before it reads like the check channel itself: then the pins stay unproven
//! until a later check. And where a lag can reach back further than one visit, the check shows an input that was read
//! for no pin yet and may be alike by chance: then pins are proven by two good checks in a row, or by the closing one.
//!
//! The closing check, after the last pin, takes as many readings as the longest lag: right after a pin that it can be
//! told from, one of them would show that pin at any lag. All of them must agree from the first on.

use crate::{readings::PinValue, units::Volts};

/// What the check channel has shown so far.
#[derive(Debug, Clone)]
pub(super) struct CheckChannel {
    expected: Option<Volts>,
    first: Option<Volts>,
    since: Vec<usize>,
    /// So many of them have had one good check.
    looked: usize,
    /// Two good checks prove a pin, not one.
    is_deep: bool,
    /// The latest closing check did not agree from its first reading on: a lag, or a damaged reading.
    was_mixed: bool,
    before: Option<PinValue>,
}

/// What a visit to the check channel says.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum CheckVerdict {
    /// The readings still belong to their channels.
    Good,
    /// They may not.
    Bad {
        /// What was expected, if anything was.
        expected: Option<Volts>,
        /// Pins since the last good check, by index.
        voided: Vec<usize>,
    },
}

/// How the check channel was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Look {
    /// Between pins, as short as a pin.
    Passing,
    /// After the last pin, for as many readings as the longest lag; they agreed from the first on.
    Closing,
    /// The same, but the first readings were others.
    ClosingMixed,
}

/// How far the first check may lie from what the resistor and the profile's current say: a profile's current
/// is a nominal value that real meters miss by up to 20 % (common practice for handhelds, from memory).
const FIRST_TOLERANCE: f64 = 0.25;

/// How far a later check may lie from the first one of the same sweep: drift within a sweep is a few counts.
const LATER_TOLERANCE: Volts = Volts::of(0.010);

/// Conversions by which a meter may lag behind its profile (docs/facts.md 3.1: sinc filters and averaging).
const LONGEST_LAG: u16 = 4;

impl CheckChannel {
    /// `visit` is the number of readings of a visit.
    pub(super) const fn new(expected: Option<Volts>, visit: u16) -> Self {
        let is_deep = visit < LONGEST_LAG;
        Self { expected, first: None, since: Vec::new(), looked: 0, is_deep, was_mixed: false, before: None }
    }

    /// Readings that a check must show without another among them, where it closes the sweep and must prove by itself;
    /// `None` where a visit is as long as the longest lag anyway.
    pub(super) fn closing_readings(&self) -> Option<u8> {
        (self.is_deep && !self.since.is_empty()).then_some(LONGEST_LAG as u8)
    }

    /// A pin was read.
    pub(super) fn pin(&mut self, pin: usize, value: PinValue) {
        self.since.push(pin);
        self.before = Some(value);
    }

    /// A pin was read once more, only to be told from the check channel.
    pub(super) const fn pin_again(&mut self, value: PinValue) {
        self.before = Some(value);
    }

    /// Whether pins wait for a check that could show a lag.
    pub(super) const fn has_unproven(&self) -> bool {
        !self.since.is_empty()
    }

    /// Whether what was read is what an earlier check of the same sweep has read.
    pub(super) fn shows(seen: Volts, first: Volts) -> bool {
        (seen.get() - first.get()).abs() <= LATER_TOLERANCE.get()
    }

    /// Whether a check right after a pin with this value would show a lag.
    pub(super) fn is_told_from(&self, value: PinValue) -> bool {
        let Some(own) = self.first else { return false };
        match value {
            PinValue::Volts(volts) => (volts.get() - own.get()).abs() > 2.0 * LATER_TOLERANCE.get(),
            PinValue::Overload => true,
            PinValue::Unread(_) => false,
        }
    }

    /// The check channel was read.
    pub(super) fn judge(&mut self, value: PinValue, look: Look) -> CheckVerdict {
        let was_mixed = std::mem::replace(&mut self.was_mixed, look == Look::ClosingMixed);
        let expected = self.first.or(self.expected);
        let is_good = value.volts().is_some_and(|seen| match (self.first, self.expected) {
            (Some(first), _) => Self::shows(seen, first),
            (None, Some(expected)) => (seen.get() - expected.get()).abs() <= FIRST_TOLERANCE * expected.get(),
            (None, None) => true,
        });
        let before = self.before.take();
        match value.volts() {
            Some(seen) if is_good && !(was_mixed && self.was_mixed) => {
                self.first.get_or_insert(seen);
                let is_told = before.is_some_and(|before| self.is_told_from(before));
                if look == Look::Closing && is_told {
                    self.since.clear();
                    self.looked = 0;
                } else if look == Look::Passing && is_told {
                    let proven = if self.is_deep { self.looked } else { self.since.len() };
                    self.since.drain(..proven.min(self.since.len()));
                    self.looked = self.since.len();
                }
                CheckVerdict::Good
            }
            _ => {
                self.looked = 0;
                CheckVerdict::Bad { expected, voided: std::mem::take(&mut self.since) }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn volts(value: f64) -> PinValue {
        PinValue::Volts(Volts::of(value))
    }

    #[test]
    fn pins_since_the_last_good_check_are_voided() {
        let mut check = CheckChannel::new(Some(Volts::of(0.47)), 7);
        assert_eq!(check.judge(volts(0.45), Look::Passing), CheckVerdict::Good);
        check.pin(1, volts(0.8));
        assert_eq!(check.judge(volts(0.452), Look::Passing), CheckVerdict::Good);
        check.pin(2, volts(0.3));
        check.pin(3, PinValue::Overload);
        let expected = Some(Volts::of(0.45));
        assert_eq!(
            check.judge(volts(0.6), Look::Passing),
            CheckVerdict::Bad { expected, voided: vec![2, 3] }
        );
        assert_eq!(
            check.judge(PinValue::Overload, Look::Passing),
            CheckVerdict::Bad { expected, voided: vec![] }
        );
    }

    /// Found by the pairing simulation: the last pin before a check read like the check channel, so a lagging meter
    /// passed, and sixteen pins kept their neighbours' readings.
    #[test]
    fn a_check_after_a_pin_that_reads_alike_proves_nothing() {
        let mut check = CheckChannel::new(None, 7);
        assert_eq!(check.judge(volts(0.45), Look::Passing), CheckVerdict::Good);
        check.pin(1, volts(0.8));
        check.pin(2, volts(0.46));
        assert_eq!(check.judge(volts(0.45), Look::Passing), CheckVerdict::Good);
        assert!(check.has_unproven());
        check.pin(3, volts(0.7));
        assert!(
            matches!(check.judge(volts(0.7), Look::Passing), CheckVerdict::Bad { voided, .. } if voided == [1, 2, 3])
        );
    }

    /// Found by the pairing simulation: four conversions are two visits of a triggered meter, and the check showed a
    /// pin that read like itself while the pin before it had been given another pin's reading.
    #[test]
    fn where_a_lag_reaches_back_two_visits_two_checks_prove_a_pin() {
        let mut check = CheckChannel::new(None, 2);
        check.judge(volts(0.45), Look::Passing);
        check.pin(1, volts(0.8));
        assert_eq!(check.judge(volts(0.45), Look::Passing), CheckVerdict::Good);
        check.pin(2, volts(0.7));
        assert!(
            matches!(check.judge(volts(0.8), Look::Passing), CheckVerdict::Bad { voided, .. } if voided == [1, 2])
        );
        check.pin(1, volts(0.8));
        check.judge(volts(0.45), Look::Passing);
        check.pin_again(volts(0.8));
        check.judge(volts(0.45), Look::Passing);
        assert!(!check.has_unproven());
    }

    #[test]
    fn a_closing_check_proves_by_itself_or_asks_for_another_or_fails() {
        let mut check = CheckChannel::new(None, 2);
        check.judge(volts(0.45), Look::Passing);
        assert_eq!(check.closing_readings(), None, "nothing to prove");
        check.pin(1, volts(0.8));
        assert_eq!(check.closing_readings(), Some(4));
        assert_eq!(check.judge(volts(0.45), Look::ClosingMixed), CheckVerdict::Good);
        assert!(check.has_unproven());
        check.pin_again(volts(0.8));
        assert_eq!(check.judge(volts(0.45), Look::Closing), CheckVerdict::Good);
        assert!(!check.has_unproven());
        // A damaged reading does not come twice in the same way; a lag does.
        check.pin(2, volts(0.7));
        check.judge(volts(0.45), Look::ClosingMixed);
        check.pin_again(volts(0.7));
        assert!(
            matches!(check.judge(volts(0.45), Look::ClosingMixed), CheckVerdict::Bad { voided, .. } if voided == [2])
        );
        // Where a visit is as long as the longest lag, every check proves.
        let mut check = CheckChannel::new(None, 7);
        check.judge(volts(0.45), Look::Passing);
        check.pin(1, volts(0.8));
        assert_eq!(check.closing_readings(), None);
    }

    #[test]
    fn without_knowledge_the_first_check_sets_the_mark() {
        let mut check = CheckChannel::new(None, 7);
        assert_eq!(check.judge(volts(0.9), Look::Passing), CheckVerdict::Good);
        assert!(matches!(check.judge(volts(0.7), Look::Passing), CheckVerdict::Bad { .. }));
    }
}
