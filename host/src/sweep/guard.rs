//! What a reading says about the meter and the board besides its number.

use std::fmt;

use crate::{
    meter::{Function, NoValue, Number, Reading},
    readings::PinValue,
    units::Volts,
};

/// A setting of the meter that makes its readings useless, or soon will.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Guard {
    /// The meter measures something else.
    WrongFunction(Function),
    /// The display is frozen, and says so.
    Hold,
    /// The display has not moved while the check channel and many pins were read.
    Frozen,
    /// The check channel, a known resistor, reads open again and again.
    CheckOpen,
    /// A number is subtracted from every reading.
    Relative,
    /// The display shows an extreme, not the present value.
    Extreme,
    /// The battery is low: the reading still counts.
    LowBattery,
    /// The meter will switch itself off: the reading still counts.
    AutoPowerOff,
    /// Many pins in a row show the very same digits: the readings still count.
    Alike,
    /// Readings of settled channels go to and fro: the readings that agree still count.
    Scatter,
    /// The display shows only multiples of this step: the readings still count.
    Coarse(Number),
}

/// A sign that the board is not dead.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AliveSign {
    /// The drop is negative: something on the board drives current into the meter.
    Negative(Volts),
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
        /// The earliest of the latest readings.
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

/// A drop that falls by more than this over the latest readings, every one below the one before, is not the meter's
/// doing: dV/dt = I/C (docs/facts.md 2.4) has the sign of the meter's current, which is up. The 50 mV above which a
/// sense voltage is refused (docs/facts.md 2.5).
const FALL: Volts = Volts::of(0.050);

/// So many readings tell a direction: the fewest that noise alone seldom puts in order, 1 in 4! = 24, and never by 50 mV.
const FEWEST: usize = 4;

impl Guard {
    /// What a reading shows, worst first.
    #[must_use]
    pub fn of(reading: &Reading) -> Option<Self> {
        let flags = reading.flags;
        match reading.function {
            // Continuity drives a current of its own and reads ohms: only diode test will do.
            Some(function) if function != Function::Diode => Some(Self::WrongFunction(function)),
            _ if flags.hold => Some(Self::Hold),
            _ if flags.relative => Some(Self::Relative),
            _ if flags.extreme => Some(Self::Extreme),
            _ if flags.low_battery => Some(Self::LowBattery),
            _ if flags.auto_power_off => Some(Self::AutoPowerOff),
            _ => None,
        }
    }

    /// Whether readings must not be used while this lasts.
    #[must_use]
    pub const fn blocks(self) -> bool {
        match self {
            Self::WrongFunction(_)
            | Self::Hold
            | Self::Frozen
            | Self::CheckOpen
            | Self::Relative
            | Self::Extreme => true,
            Self::LowBattery | Self::AutoPowerOff | Self::Alike | Self::Scatter | Self::Coarse(_) => false,
        }
    }

    /// Whether the sweep must end: what was read may be wrong already, and a key pressed now does not mend it.
    #[must_use]
    pub const fn ends_sweep(self) -> bool {
        matches!(self, Self::Frozen | Self::CheckOpen)
    }

    /// Which key to press.
    #[must_use]
    pub const fn remedy(self) -> &'static str {
        match self {
            Self::WrongFunction(_) => "turn the meter to diode test",
            Self::Hold => "press HOLD on the meter to release the display",
            Self::Frozen => "press HOLD on the meter to release the display, then sweep again",
            Self::CheckOpen => {
                "plug both leads in, red to board ground, black to the switching board, and the check resistor to its \
                 channel; if the display does not move when the leads touch, press HOLD"
            }
            Self::Relative => "press REL on the meter to end the relative display",
            Self::Extreme => "press MAX/MIN on the meter until the present value is shown again",
            Self::LowBattery => "change the meter's battery soon: readings drift when it is low",
            Self::AutoPowerOff => "switch auto power-off off, else the meter may fall asleep during a sweep",
            Self::Alike => {
                "if the display does not move when the leads touch, press HOLD on the meter and sweep again"
            }
            Self::Scatter => {
                "keep the leads short and away from mains cables, lamps and supplies, shield the jig, and connect its \
                 metal to board ground; if only some pins scatter, clean their contacts"
            }
            Self::Coarse(_) => {
                "press RANGE on the meter until it shows millivolts, or choose a meter that does"
            }
        }
    }
}

impl fmt::Display for Guard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::WrongFunction(function) => write!(f, "expected diode test, found {function}"),
            Self::Hold => f.write_str("the display is frozen (HOLD)"),
            Self::Frozen => f.write_str(
                "the display does not move: the check channel and every pin since show the very same digits",
            ),
            Self::CheckOpen => {
                f.write_str("the check channel reads OL: expected its resistor, found an open circuit")
            }
            Self::Relative => f.write_str("the display is relative (REL)"),
            Self::Extreme => f.write_str("the display shows a maximum or minimum (MAX/MIN)"),
            Self::LowBattery => f.write_str("the meter's battery is low"),
            Self::AutoPowerOff => f.write_str("the meter's auto power-off is on"),
            Self::Alike => f.write_str("many pins in a row show the very same digits: the display may be frozen"),
            Self::Scatter => f.write_str(
                "readings of settled pins go to and fro by more than the meter's noise: the leads pick up mains hum, or \
                 contacts are poor",
            ),
            Self::Coarse(step) => {
                write!(f, "the display moves in steps of {step} V: too wide to tell a poor joint from a good one")
            }
        }
    }
}

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

    /// What the latest readings of a pin show that never settled, oldest first. A drop that still rises is no sign: a
    /// capacitor beside 10 kohm takes most of a minute (docs/facts.md 2.4).
    #[must_use]
    pub fn of_unsettled(readings: &[Result<Number, NoValue>], compliance: Option<Volts>) -> Option<Self> {
        // One overload among them is a loose contact, not a voltage.
        let seen: Vec<Volts> =
            readings.iter().map(|reading| reading.ok().map(Number::to_volts)).collect::<Option<_>>()?;
        let (&[from, ..], &[.., to]) = (&seen[..], &seen[..]) else { return None };
        if seen.len() < FEWEST {
            return None;
        }
        // Every one of them: hum goes to and fro around what is there.
        let signs: Option<Vec<Self>> =
            seen.iter().map(|&volts| Self::of(PinValue::Volts(volts), compliance)).collect();
        if let Some(sign) = signs.and_then(|signs| signs.last().copied()) {
            return Some(sign);
        }
        let falls = seen.windows(2).all(|pair| pair[1] < pair[0]);
        (falls && from.get() - to.get() > FALL.get()).then_some(Self::Falling { from, to })
    }
}

impl fmt::Display for AliveSign {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Negative(seen) => write!(f, "expected a drop of 0 V or more, found {seen} V"),
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
    use crate::meter::{Flags, Number};

    fn reading(function: Option<Function>, flags: Flags) -> Reading {
        Reading { value: Ok(Number { count: 543, exponent: -3 }), function, flags }
    }

    #[test]
    fn sees_what_the_meter_shows() {
        let clear = Flags::default();
        for (function, flags, expected) in [
            (Some(Function::Diode), clear, None),
            (None, clear, None),
            (Some(Function::DcVoltage), clear, Some(Guard::WrongFunction(Function::DcVoltage))),
            (Some(Function::Diode), Flags { hold: true, ..clear }, Some(Guard::Hold)),
            (Some(Function::Diode), Flags { relative: true, ..clear }, Some(Guard::Relative)),
            (Some(Function::Diode), Flags { extreme: true, ..clear }, Some(Guard::Extreme)),
            (Some(Function::Diode), Flags { low_battery: true, ..clear }, Some(Guard::LowBattery)),
        ] {
            assert_eq!(Guard::of(&reading(function, flags)), expected);
        }
        assert!(Guard::Hold.blocks() && !Guard::LowBattery.blocks());
        assert!(Guard::Frozen.ends_sweep() && !Guard::Hold.ends_sweep());
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
            let number = |&count: &i64| Ok(Number { count, exponent: -3 });
            AliveSign::of_unsettled(&counts.iter().map(number).collect::<Vec<_>>(), Some(Volts::of(3.0)))
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
        assert_eq!(sign(&[-400, -390, -380, -370]), Some(AliveSign::Negative(Volts::of(-0.370))));
        assert!(matches!(sign(&[3500, 3480, 3520, 3490]), Some(AliveSign::AboveCompliance { .. })));
        let mut loose: Vec<_> = [600, 580, 560].map(|count| Ok(Number { count, exponent: -3 })).to_vec();
        loose.push(Err(NoValue::Overload(crate::meter::Sign::Plus)));
        assert_eq!(AliveSign::of_unsettled(&loose, None), None);
    }
}
