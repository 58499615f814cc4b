//! Signs in the readings that a board is not dead: a voltage of its own, at a pin where only the meter should drive.
//!
//! With red on ground a supply that is on makes the pin's reading negative: a lithium cell's 3.7 V show as -3.7 V, and on
//! a meter whose display ends at 2 V as -OL. What cannot be seen is a voltage of the other sign above the display's end:
//! it shows OL as an open joint does. So signs in readings are the last net, behind the operator's word, DC volts and
//! the switching board's sense input (docs/facts.md 2.5).

use std::fmt;

use super::settle::{FEWEST, Settling};
use crate::{
    meter::{NoValue, Number, Sign},
    readings::{PinValue, Unread},
    units::Volts,
};

/// A sign that the board is not dead.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AliveSign {
    /// The drop is negative: something on the board drives current into the meter.
    Negative(Volts),
    /// The meter shows -OL: a voltage of the sign that no drop has, and beyond its range.
    BelowRange,
    /// The drop is above what the meter itself can drive.
    AboveCompliance {
        /// What was seen.
        seen: Volts,
        /// What the meter can drive at most.
        compliance: Volts,
    },
    /// A ground pin lies below ground: a current flows in the board's ground that is not the meter's.
    GroundBelow(Volts),
    /// The drop falls and does not end: the meter's current can only raise it, so something else drives the net.
    Falling {
        /// The first reading.
        from: Volts,
        /// The last one.
        to: Volts,
    },
}

/// Below this a drop is called negative: the 50 mV above which a sense voltage is refused as well. An offset of
/// a few counts around a short is no sign of life.
const NEGATIVE: Volts = Volts::of(-0.050);

/// How far above the stated compliance a reading may lie: compliance is stated as "about" (docs/facts.md 2.1).
const COMPLIANCE_MARGIN: f64 = 1.05;

/// Below this a ground pin is called alive. With red on ground the meter's current flows from ground into the pin, so
/// a bad joint, a long path, a clip in the wrong place or a board that is seated wrong all read above 0 V or open: they
/// are findings, however many pins show them. Only a source of its own puts a ground pin below (docs/facts.md 2.5:
/// "external voltage across the components causes invalid readings"). 10 mV is common practice: an offset of a few
/// counts of 1 mV is the meter's, and 10 mV on a ground path of 20 milliohm are half an ampere.
const GROUND_BELOW: Volts = Volts::of(-0.010);

/// The same in counts, for meters whose counts are wider than 1 mV: common practice, see [`GROUND_BELOW`].
const GROUND_COUNTS: f64 = 10.0;

/// A drop that has fallen by more than this, the latest readings every one below the one before, is not the meter's doing: dV/dt = I/C (docs/facts.md 2.4) has the sign of the meter's current, which is up. The 50 mV above which a
/// sense voltage is refused (docs/facts.md 2.5).
const FALL: Volts = Volts::of(0.050);

impl AliveSign {
    /// What a settled reading shows; `compliance` is the most that the meter can drive, where it is known.
    #[must_use]
    pub fn of(value: PinValue, compliance: Option<Volts>) -> Option<Self> {
        let seen = value.volts()?;
        if seen < NEGATIVE {
            return Some(Self::Negative(seen));
        }
        compliance
            .filter(|limit| seen.get() > limit.get() * COMPLIANCE_MARGIN)
            .map(|compliance| Self::AboveCompliance { seen, compliance })
    }

    /// What a settled reading of a ground pin shows besides; `count` is one count of the meter's display, in volts.
    #[must_use]
    pub fn of_ground(value: PinValue, count: f64) -> Option<Self> {
        let seen = value.volts()?;
        (seen < GROUND_BELOW && seen.get() < -GROUND_COUNTS * count).then_some(Self::GroundBelow(seen))
    }

    /// What was decided at a pin shows, with the readings by which it was.
    #[must_use]
    pub fn of_decided(
        value: PinValue,
        settling: &Settling,
        is_ground: bool,
        compliance: Option<Volts>,
    ) -> Option<Self> {
        match value {
            PinValue::Volts(_) => Self::of(value, compliance).or_else(|| {
                let count = settling.recent().last()?.ok()?.resolution();
                is_ground.then(|| Self::of_ground(value, count))?
            }),
            PinValue::Overload => Self::of_overload(settling),
            PinValue::Unread(Unread::NotSettled { .. }) => Self::of_unsettled(settling, compliance),
            PinValue::Unread(_) => None,
        }
    }

    /// What a single reading shows, settled or not.
    #[must_use]
    pub fn of_reading(reading: Result<Number, NoValue>, compliance: Option<Volts>) -> Option<Self> {
        match reading {
            Ok(number) => Self::of(PinValue::Volts(number.to_volts()), compliance),
            Err(NoValue::Overload(Sign::Minus)) => Some(Self::BelowRange),
            Err(_) => None,
        }
    }

    /// What the overloads that came last show: leads that hang open drive the display up, never down.
    fn of_overload(settling: &Settling) -> Option<Self> {
        let readings: Vec<_> = settling.recent().collect();
        let mut overloads = readings.iter().rev().take_while(|reading| reading.is_err()).peekable();
        overloads.peek()?;
        overloads.all(|reading| *reading == Err(NoValue::Overload(Sign::Minus))).then_some(Self::BelowRange)
    }

    /// What readings show that never settled. A drop that still rises is no sign: a capacitor beside 10 kohm takes most
    /// of a minute (docs/facts.md 2.4).
    fn of_unsettled(settling: &Settling, compliance: Option<Volts>) -> Option<Self> {
        // Every one of them: hum goes to and fro around what is there, and one overload is a loose contact.
        let signs: Option<Vec<Self>> =
            settling.recent().map(|reading| Self::of_reading(reading, compliance)).collect();
        let always = signs.filter(|signs| signs.len() >= FEWEST).and_then(|signs| signs.last().copied());
        always.or_else(|| {
            let (from, to) = settling.fall()?;
            (from.get() - to.get() > FALL.get()).then_some(Self::Falling { from, to })
        })
    }
}

impl fmt::Display for AliveSign {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Negative(seen) => write!(f, "expected a drop of 0 V or more, found {seen} V"),
            Self::BelowRange => {
                f.write_str("expected a drop of 0 V or more, found -OL, a voltage below the meter's range")
            }
            Self::AboveCompliance { seen, compliance } => {
                write!(f, "expected at most the {compliance} V that the meter can drive, found {seen} V")
            }
            Self::GroundBelow(seen) => write!(f, "expected a ground pin at 0 V or more, found {seen} V"),
            Self::Falling { from, to } => {
                write!(
                    f,
                    "expected a drop that the meter's current raises, found one that falls, {from} V to {to} V"
                )
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{moment::Moment, sweep::Timing};

    const ABOVE: Result<Number, NoValue> = Err(NoValue::Overload(Sign::Plus));
    const BELOW: Result<Number, NoValue> = Err(NoValue::Overload(Sign::Minus));

    const NOT_SETTLED: PinValue = PinValue::Unread(Unread::NotSettled { slope: 0.0 });

    /// Readings of a meter that sends ten a second; nothing is decided by them.
    fn settling(readings: &[Result<Number, NoValue>]) -> Settling {
        let timing = Timing { agree: 3, agree_overload: 4, ..Timing::TEN_A_SECOND };
        let mut settling = Settling::default();
        for (index, &reading) in readings.iter().enumerate() {
            settling.take(reading, Moment::from_micros(index as u64 * 100_000), &timing);
        }
        settling
    }

    fn reading(millivolts: i64) -> Result<Number, NoValue> {
        Ok(Number { count: millivolts, exponent: -3 })
    }

    #[test]
    fn an_overload_is_a_sign_only_below_the_range() {
        let sign =
            |readings: &[_]| AliveSign::of_decided(PinValue::Overload, &settling(readings), false, None);
        assert_eq!(sign(&[reading(-800), BELOW, BELOW, BELOW]), Some(AliveSign::BelowRange));
        for open in [&[ABOVE, ABOVE, ABOVE][..], &[BELOW, ABOVE, BELOW], &[reading(500)], &[]] {
            assert_eq!(sign(open), None, "{open:?}");
        }
    }

    #[test]
    fn only_a_ground_pin_is_held_to_ground() {
        let readings = [reading(-20), reading(-20)];
        let sign = |is_ground| {
            AliveSign::of_decided(PinValue::Volts(Volts::of(-0.020)), &settling(&readings), is_ground, None)
        };
        assert_eq!((sign(false), sign(true)), (None, Some(AliveSign::GroundBelow(Volts::of(-0.020)))));
    }

    #[test]
    fn sees_a_board_that_is_alive() {
        let volts = |value| PinValue::Volts(Volts::of(value));
        let compliance = Some(Volts::of(3.0));
        assert_eq!(AliveSign::of(volts(0.5), compliance), None);
        assert_eq!(AliveSign::of(volts(-0.002), compliance), None);
        assert_eq!(AliveSign::of(PinValue::Overload, compliance), None);
        assert!(matches!(AliveSign::of(volts(-0.2), None), Some(AliveSign::Negative(_))));
        assert!(matches!(AliveSign::of(volts(3.7), compliance), Some(AliveSign::AboveCompliance { .. })));
    }

    #[test]
    fn a_ground_pin_is_alive_only_below_ground() {
        let sign = |value, count| AliveSign::of_ground(PinValue::Volts(Volts::of(value)), count);
        assert!(matches!(sign(-0.020, 0.001), Some(AliveSign::GroundBelow(_))));
        // The meter's offset; one of a display of 10 mV; a bad joint of any resistance.
        for (value, count) in [(-0.008, 0.001), (-0.020, 0.010), (0.060, 0.001), (1.9, 0.001)] {
            assert_eq!(sign(value, count), None, "{value}");
        }
        assert_eq!(AliveSign::of_ground(PinValue::Overload, 0.001), None);
    }

    #[test]
    fn a_ramp_is_alive_where_the_meter_cannot_drive_it() {
        let sign = |counts: &[i64]| {
            let readings: Vec<_> = counts.iter().map(|&count| reading(count)).collect();
            AliveSign::of_decided(NOT_SETTLED, &settling(&readings), false, Some(Volts::of(3.0)))
        };
        // Dead boards: a capacitor charges, from 0 V or from less; noise; a drop that creeps down as a part cools.
        for dead in [
            &[100, 120, 140, 160, 180][..],
            &[-80, -60, -40, -20],
            &[-200, 200, -200, 200],
            &[520, 517, 514, 511],
            &[600, 500, 400],
            &[],
        ] {
            assert_eq!(sign(dead), None, "{dead:?}");
        }
        assert!(matches!(sign(&[600, 580, 560, 540]), Some(AliveSign::Falling { .. })));
        // A meter that sends fast sees little of it in its latest readings.
        let slow: Vec<i64> = (0..80).map(|n| 900 - 3 * n).collect();
        assert!(matches!(sign(&slow), Some(AliveSign::Falling { from, .. }) if from == Volts::of(0.9)));
        assert_eq!(sign(&[-400, -390, -380, -370]), Some(AliveSign::Negative(Volts::of(-0.370))));
        assert!(matches!(sign(&[3500, 3480, 3520, 3490]), Some(AliveSign::AboveCompliance { .. })));
        let mut loose: Vec<_> = [600, 580, 560].map(reading).to_vec();
        loose.push(ABOVE);
        assert_eq!(AliveSign::of_decided(NOT_SETTLED, &settling(&loose), false, None), None);
        // A supply at the very end of the range: now a number, now -OL.
        let edge = [reading(-1990), reading(-1995), BELOW, reading(-1998), BELOW];
        let seen = AliveSign::of_decided(NOT_SETTLED, &settling(&edge), false, None);
        assert_eq!(seen, Some(AliveSign::BelowRange));
    }
}
