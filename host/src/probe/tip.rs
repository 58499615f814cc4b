//! What the tip of the probe does, as the meter's readings show it: lifted, touching, held after its value was taken.
//!
//! A touch is a stable value after the tip was lifted. While nothing is touched the meter shows an overload (or a
//! voltage close to that of its open leads), or sends nothing. A bad contact blinks in the same way; so the tip counts as
//! lifted only after it has shown nothing for longer than a blink, in more readings than one blink can spoil.

use std::time::Duration;

use crate::{
    meter::{NoValue, Number, Reading, Sign, Stamped},
    moment::Moment,
    readings::PinValue,
    sweep::{AliveSign, Belongs, Pacing, Settling, Step, Stream, Timing},
    units::Volts,
};

/// What a reading shows of the tip.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Felt {
    /// Nothing is touched.
    Nothing,
    /// A touch has begun, or goes on.
    Touching,
    /// A touch has settled.
    Touched(Touch),
    /// A touch will not settle: its value is none.
    Unsettled(Touch),
    /// The meter has shown -OL for so many readings as an open pin takes: open leads show none.
    BelowRange,
    /// The tip is still where its value was taken.
    Held,
}

/// A touch that has settled, or was given up.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Touch {
    /// What was read.
    pub(super) value: PinValue,
    /// When the first reading of it came.
    pub(super) began: Moment,
    /// When it had settled.
    pub(super) decided: Moment,
    /// Readings that were not believed.
    pub(super) spoilt: u16,
    /// Readings that agreed, and those before.
    pub(super) settling: Settling,
}

/// The tip of the probe.
#[derive(Debug)]
pub(super) struct Tip {
    timing: Timing,
    stream: Stream,
    /// Voltage of the meter's open leads, where its display can show it.
    open_leads: Option<Volts>,
    contact: Contact,
    /// Readings in a row that must show nothing before the tip counts as lifted.
    blanks_lifted: u16,
    /// Readings in a row that show nothing.
    blanks: u16,
    /// Readings in a row that show -OL.
    below: u16,
    /// The latest reading with a number.
    last_number: Option<Moment>,
    last_frame: Option<Moment>,
}

#[derive(Debug)]
enum Contact {
    Lifted,
    Touching {
        began: Moment,
        spoilt: u16,
        settling: Settling,
        /// The tip showed nothing for too short a time to know whether it was lifted from this value.
        instead_of: Option<PinValue>,
    },
    /// Its value was taken, or given up.
    Held(Option<PinValue>),
}

/// A tip that shows nothing for less than this may be a bad contact. A hand needs longer from one pin to the next:
/// about half a second under a microscope (common practice).
const BLINK: Duration = Duration::from_millis(250);

/// Readings must agree over at least this time, however fast the meter is: a tip that drags over a pin stays shorter.
const STEADY: Duration = Duration::from_millis(200);

/// A hand trembles: the readings of a touch may lie this many times further apart than on a jig.
const TREMBLE: f64 = 2.0;

/// A meter that sends nothing for so many periods, and this time at least, shows nothing.
const SILENT: (u32, Duration) = (4, Duration::from_millis(600));

/// Open leads show at least this share of the stated open-lead voltage, which is stated as "about" (docs/facts.md 2.1).
const OPEN_LEADS: f64 = 0.95;

/// A value that lies further than this from the one just taken is another pin, even if the tip seemed to blink only.
const ANOTHER: Volts = Volts::of(0.010);

impl Tip {
    /// A tip of which nothing is known yet. `open_leads` is the voltage of the meter's open leads where its display
    /// can show it.
    /// Where `wary`, nothing but the lifting itself tells pins apart that read alike, since nobody knows what comes next.
    pub(super) fn new(timing: Timing, open_leads: Option<Volts>, wary: bool) -> Self {
        let periods = STEADY.as_secs_f64() / timing.period.as_secs_f64().max(1e-3);
        // Sixteen readings are kept for a touch; no shipped meter sends that many in `STEADY`.
        let steady = (periods.ceil() as u8).saturating_add(1).min(14);
        let timing = Timing {
            agree: timing.agree.max(steady),
            tolerance: Volts::of(timing.tolerance.get() * TREMBLE),
            ..timing
        };
        // A slow integrating meter shows an overload only if the leads were open for most of a conversion, which is
        // longer than a blink.
        let is_slow = timing.spoilt <= 1 && timing.period >= BLINK;
        let blanks_lifted = if is_slow && !wary { 1 } else { u16::from(timing.spoilt.max(1)) + 1 };
        Self {
            blanks_lifted,
            stream: Stream::new(timing),
            timing,
            open_leads,
            // Until it has been seen lifted, what it touches may be anything.
            contact: Contact::Held(None),
            blanks: 0,
            below: 0,
            last_number: None,
            last_frame: None,
        }
    }

    /// The meter was asked for a reading.
    pub(super) fn asked(&mut self, now: Moment) {
        self.stream.asked(now);
    }

    /// The meter's rhythm.
    pub(super) const fn stream(&self) -> &Stream {
        &self.stream
    }

    /// Whether nothing is touched.
    pub(super) const fn is_lifted(&self) -> bool {
        matches!(self.contact, Contact::Lifted)
    }

    /// Whether the meter showed nothing in its latest reading.
    pub(super) const fn shows_nothing(&self) -> bool {
        self.blanks > 0 || self.is_lifted()
    }

    /// Readings in a row that must show nothing before a pin is called open.
    pub(super) fn blanks_wanted(&self) -> u16 {
        u16::from(self.timing.agree_overload.max(self.timing.agree))
    }

    /// A damaged frame or a sign on the display: what was collected for the present touch is not trusted.
    pub(super) fn distrust(&mut self) {
        if let Contact::Touching { settling, .. } = &mut self.contact {
            *settling = Settling::default();
        }
    }

    /// Takes a reading.
    pub(super) fn frame(&mut self, frame: &Stamped<Reading>, caution: bool) -> Option<Felt> {
        let belongs = self.stream.frame(frame);
        if belongs == Belongs::Repeated || frame.item.value == Err(NoValue::NotMeasured) {
            return None;
        }
        let at = frame.first_byte;
        let silent = SILENT.1.max(self.stream.period() * SILENT.0);
        // Only a meter that sends by itself tells something by its silence.
        if self.timing.pacing == Pacing::Streaming
            && self.last_frame.is_some_and(|last| at.since(last) >= silent)
        {
            self.contact = Contact::Lifted;
        }
        self.last_frame = Some(at);
        let is_below = frame.item.value == Err(NoValue::Overload(Sign::Minus));
        self.below = if is_below { self.below.saturating_add(1) } else { 0 };
        let felt = match frame.item.value {
            Ok(number) if !self.is_open(number) => self.number(number, frame, belongs, caution),
            _ => self.blank(at),
        };
        let is_certain = is_below && self.below == self.blanks_wanted();
        Some(if is_certain { Felt::BelowRange } else { felt })
    }

    /// Whether a number is but the voltage of the meter's open leads; what lies above that is none of the meter's.
    fn is_open(&self, number: Number) -> bool {
        let volts = number.to_volts();
        self.open_leads.is_some_and(|open| {
            volts.get() >= open.get() * OPEN_LEADS
                && AliveSign::of(PinValue::Volts(volts), Some(open)).is_none()
        })
    }

    fn blank(&mut self, at: Moment) -> Felt {
        self.blanks = self.blanks.saturating_add(1);
        if let Contact::Touching { settling, .. } = &mut self.contact {
            *settling = Settling::default();
        }
        let is_long = self.last_number.is_none_or(|last| at.since(last) >= BLINK);
        if self.blanks >= self.blanks_lifted && is_long {
            self.contact = Contact::Lifted;
        }
        match self.contact {
            Contact::Lifted => Felt::Nothing,
            Contact::Touching { .. } => Felt::Touching,
            Contact::Held(_) => Felt::Held,
        }
    }

    fn number(&mut self, number: Number, frame: &Stamped<Reading>, belongs: Belongs, caution: bool) -> Felt {
        let at = frame.first_byte;
        let blinked = std::mem::take(&mut self.blanks) > 0;
        self.last_number = Some(at);
        // The first number, also after a blink, may mix touched and untouched; so may as many more as a step spoils.
        match &mut self.contact {
            Contact::Lifted => return self.begin(at, None),
            Contact::Held(Some(value)) if blinked => {
                let value = *value;
                return self.begin(at, Some(value));
            }
            Contact::Held(_) => return Felt::Held,
            Contact::Touching { instead_of, .. } if blinked => {
                let instead_of = *instead_of;
                return self.begin(at, instead_of);
            }
            Contact::Touching { .. } => {}
        }
        let Contact::Touching { began, spoilt, settling, instead_of } = &mut self.contact else {
            return Felt::Held;
        };
        if belongs != Belongs::Yes {
            *spoilt = spoilt.saturating_add(1);
            return Felt::Touching;
        }
        let mut timing = self.timing;
        timing.agree = timing.agree.saturating_add(u8::from(caution));
        let Step::Decided(value) = settling.take(Ok(number), at, &timing) else { return Felt::Touching };
        let touch = Touch {
            value,
            began: *began,
            decided: frame.last_byte,
            spoilt: *spoilt,
            settling: std::mem::take(settling),
        };
        let PinValue::Volts(volts) = value else {
            self.contact = Contact::Held(None);
            return Felt::Unsettled(touch);
        };
        let is_same = instead_of
            .and_then(PinValue::volts)
            .is_some_and(|held| (held.get() - volts.get()).abs() <= ANOTHER.get());
        self.contact = Contact::Held(Some(value));
        if is_same { Felt::Held } else { Felt::Touched(touch) }
    }

    fn begin(&mut self, at: Moment, instead_of: Option<PinValue>) -> Felt {
        self.stream.step(at, self.timing.spoilt.saturating_sub(1));
        self.contact = Contact::Touching { began: at, spoilt: 1, settling: Settling::default(), instead_of };
        Felt::Touching
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::Flags;

    fn timing(period_ms: u64, spoilt: u8) -> Timing {
        let period = Duration::from_millis(period_ms);
        Timing { period, spoilt, agree_overload: 3 + spoilt, ..Timing::TEN_A_SECOND }
    }

    /// Feeds millivolts, `None` for an overload, one a period; gives what was taken, in millivolts.
    fn taken(timing: Timing, shown: &[Option<i64>]) -> Vec<i64> {
        let mut tip = Tip::new(timing, None, true);
        let mut taken = Vec::new();
        for (index, shown) in shown.iter().enumerate() {
            let at = Moment::START.after(timing.period * index as u32);
            let value =
                shown.map(|count| Number { count, exponent: -3 }).ok_or(NoValue::Overload(Sign::Plus));
            let item = Reading { value, function: None, flags: Flags::default() };
            let felt = tip.frame(&Stamped { first_byte: at, last_byte: at, item }, false);
            if let Some(Felt::Touched(touch)) = felt {
                taken.push((touch.value.volts().unwrap().get() * 1e3).round() as i64);
            }
        }
        taken
    }

    fn run(parts: &[(Option<i64>, usize)]) -> Vec<Option<i64>> {
        parts.iter().flat_map(|&(value, times)| std::iter::repeat_n(value, times)).collect()
    }

    #[test]
    fn a_touch_is_taken_once() {
        let shown = run(&[(None, 5), (Some(500), 20), (None, 5), (Some(600), 20)]);
        assert_eq!(taken(timing(100, 1), &shown), [500, 600]);
    }

    #[test]
    fn what_is_touched_before_the_tip_was_ever_lifted_is_not_taken() {
        assert_eq!(taken(timing(100, 1), &run(&[(Some(500), 20)])), [0; 0]);
    }

    #[test]
    fn a_bad_contact_is_no_second_touch() {
        // At 25 readings a second a blink of 120 ms shows as three overloads.
        let shown = run(&[(None, 10), (Some(500), 20), (None, 3), (Some(501), 20)]);
        assert_eq!(taken(timing(40, 1), &shown), [500]);
        // A slow meter shows one.
        let shown = run(&[(None, 3), (Some(500), 5), (None, 1), (Some(501), 8)]);
        assert_eq!(taken(timing(333, 1), &shown), [500]);
    }

    #[test]
    fn the_next_pin_is_seen_also_when_a_slow_meter_hardly_saw_the_tip_lifted() {
        let shown = run(&[(None, 3), (Some(500), 5), (None, 1), (Some(620), 8)]);
        assert_eq!(taken(timing(333, 1), &shown), [500, 620]);
    }

    #[test]
    fn a_touch_that_ends_early_or_never_settles_is_not_taken() {
        let mut shown = run(&[(None, 10), (Some(500), 3), (None, 10)]);
        shown.extend((0..40).map(|n| Some(300 + 40 * (n % 3))));
        shown.extend(run(&[(None, 10), (Some(700), 20)]));
        assert_eq!(taken(timing(40, 1), &shown), [700]);
    }

    #[test]
    fn a_slide_to_the_neighbour_is_not_taken_without_lifting() {
        let shown = run(&[(None, 10), (Some(500), 20), (Some(620), 20)]);
        assert_eq!(taken(timing(40, 1), &shown), [500]);
    }

    #[test]
    fn a_drag_over_a_pin_is_shorter_than_a_touch() {
        // 160 ms on another pin, then on the right one.
        let shown = run(&[(None, 10), (Some(500), 4), (Some(620), 20)]);
        assert_eq!(taken(timing(40, 1), &shown), [620]);
    }

    #[test]
    fn a_meter_that_sends_nothing_on_open_leads_is_understood() {
        let timing = timing(100, 1);
        let mut tip = Tip::new(timing, None, true);
        let mut taken = Vec::new();
        for (start, count) in [(0, 500), (4_000, 510), (8_000, 640)] {
            for n in 0..15_u64 {
                let at = Moment::from_micros((start + n * 100) * 1000);
                let item = Reading {
                    value: Ok(Number { count, exponent: -3 }),
                    function: None,
                    flags: Flags::default(),
                };
                if let Some(Felt::Touched(touch)) =
                    tip.frame(&Stamped { first_byte: at, last_byte: at, item }, false)
                {
                    taken.push((touch.value.volts().unwrap().get() * 1e3).round() as i64);
                }
            }
        }
        // The first began before anything was known of the tip.
        assert_eq!(taken, [510, 640]);
    }
}
