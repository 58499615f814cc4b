//! What a reading says about the meter and the board besides its number.

use std::fmt;

use crate::{
    meter::{Function, Reading},
    readings::PinValue,
    units::Volts,
};

/// A setting of the meter that makes its readings useless, or soon will.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Guard {
    /// The meter measures something else.
    WrongFunction(Function),
    /// The display is frozen.
    Hold,
    /// A number is subtracted from every reading.
    Relative,
    /// The display shows an extreme, not the present value.
    Extreme,
    /// The battery is low: the reading still counts.
    LowBattery,
    /// The meter will switch itself off: the reading still counts.
    AutoPowerOff,
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
}

/// Below this a drop is called negative: the 50 mV above which a sense voltage is refused as well. An offset of
/// a few counts around a short is no sign of life.
const NEGATIVE: Volts = Volts::of(-0.050);

/// How far above the stated compliance a reading may lie: compliance is stated as "about" (docs/facts.md 2.1).
const COMPLIANCE_MARGIN: f64 = 1.05;

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
        !matches!(self, Self::LowBattery | Self::AutoPowerOff)
    }

    /// Which key to press.
    #[must_use]
    pub const fn remedy(self) -> &'static str {
        match self {
            Self::WrongFunction(_) => "turn the meter to diode test",
            Self::Hold => "press HOLD on the meter to release the display",
            Self::Relative => "press REL on the meter to end the relative display",
            Self::Extreme => "press MAX/MIN on the meter until the present value is shown again",
            Self::LowBattery => "change the meter's battery soon: readings drift when it is low",
            Self::AutoPowerOff => "switch auto power-off off, else the meter may fall asleep during a sweep",
        }
    }
}

impl fmt::Display for Guard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::WrongFunction(function) => write!(f, "expected diode test, found {function}"),
            Self::Hold => f.write_str("the display is frozen (HOLD)"),
            Self::Relative => f.write_str("the display is relative (REL)"),
            Self::Extreme => f.write_str("the display shows a maximum or minimum (MAX/MIN)"),
            Self::LowBattery => f.write_str("the meter's battery is low"),
            Self::AutoPowerOff => f.write_str("the meter's auto power-off is on"),
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
}

impl fmt::Display for AliveSign {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Negative(seen) => write!(f, "expected a drop of 0 V or more, found {seen} V"),
            Self::AboveCompliance { seen, compliance } => {
                write!(f, "expected at most the {compliance} V that the meter can drive, found {seen} V")
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
}
