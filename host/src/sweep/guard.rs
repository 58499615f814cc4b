//! What a reading says about the meter besides its number.

use std::fmt;

use crate::meter::{Function, Number, Reading};

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

impl Guard {
    /// What a reading shows, worst first.
    pub fn all(reading: &Reading) -> impl Iterator<Item = Self> + use<> {
        let flags = reading.flags;
        // Continuity drives a current of its own and reads ohms: only diode test will do.
        let other = reading.function.filter(|&function| function != Function::Diode);
        let signs = [
            flags.hold.then_some(Self::Hold),
            flags.relative.then_some(Self::Relative),
            flags.extreme.then_some(Self::Extreme),
            flags.low_battery.then_some(Self::LowBattery),
            flags.auto_power_off.then_some(Self::AutoPowerOff),
        ];
        other.map(Self::WrongFunction).into_iter().chain(signs.into_iter().flatten())
    }

    /// The worst of what a reading shows.
    #[must_use]
    pub fn of(reading: &Reading) -> Option<Self> {
        Self::all(reading).next()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::Flags;

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
        let tired = reading(None, Flags { low_battery: true, auto_power_off: true, ..clear });
        assert!(Guard::all(&tired).eq([Guard::LowBattery, Guard::AutoPowerOff]), "one hides no other");
        assert!(Guard::Hold.blocks() && !Guard::LowBattery.blocks());
        assert!(Guard::Frozen.ends_sweep() && !Guard::Hold.ends_sweep());
    }
}
