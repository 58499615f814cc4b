//! What a meter shows at one moment.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::{moment::Moment, units::Volts};

/// One conversion of a meter, as it was shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reading {
    /// The number in the base unit of the function (volts, ohms, ...), or why there is none.
    pub value: Result<Number, NoValue>,
    /// What the meter measures; `None` where its format does not tell.
    pub function: Option<Function>,
    /// Signs beside the number.
    pub flags: Flags,
}

/// A number as a meter shows it, `count × 10^exponent`, kept whole so that 0.1234 never becomes
/// 0.12340000000000001.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Number {
    /// The digits without their point, with the sign.
    pub count: i64,
    /// Power of ten of one count, in the base unit.
    pub exponent: i8,
}

/// Why a reading has no number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NoValue {
    /// More than the range can show (`OL`), with its sign where the meter tells it.
    Overload(Sign),
    /// The meter says that it has not measured (SCPI's 9.91E37), or it shows a function whose scale is not known
    /// here and that no sweep uses.
    NotMeasured,
}

/// Sign of an overload.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sign {
    /// Plus, or not told.
    Plus,
    /// Minus.
    Minus,
}

/// What a meter measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "the names say it")]
pub enum Function {
    Diode,
    Continuity,
    Resistance,
    DcVoltage,
    AcVoltage,
    DcCurrent,
    AcCurrent,
    Capacitance,
    Frequency,
    DutyCycle,
    Temperature,
    /// A function that no sweep uses.
    Other,
}

/// Signs that a meter shows beside its number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Flags {
    /// HOLD: the number is frozen.
    pub hold: bool,
    /// REL: a number is subtracted.
    pub relative: bool,
    /// MAX, MIN or a peak is shown, not the present value.
    pub extreme: bool,
    /// The battery is low.
    pub low_battery: bool,
    /// The meter chooses its range.
    pub auto_range: bool,
    /// The meter will switch itself off.
    pub auto_power_off: bool,
}

/// A reading with the time of its bytes on the host's clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamped<T> {
    /// When the first byte of the frame arrived.
    pub first_byte: Moment,
    /// When the last byte of the frame arrived.
    pub last_byte: Moment,
    /// What it says.
    pub item: T,
}

impl Reading {
    /// No number of no function.
    pub(crate) const BLANK: Self = Self {
        value: Err(NoValue::NotMeasured),
        function: None,
        flags: Flags {
            hold: false,
            relative: false,
            extreme: false,
            low_battery: false,
            auto_range: false,
            auto_power_off: false,
        },
    };
}

impl Number {
    /// The value in the base unit. Finite for every count and exponent.
    #[must_use]
    pub fn to_f64(self) -> f64 {
        // Dividing by an exact power of ten rounds once; multiplying by an inexact 10^-n would round twice.
        match self.exponent {
            e @ ..=-1 => self.count as f64 / 10f64.powi(-i32::from(e)),
            e => self.count as f64 * 10f64.powi(i32::from(e)),
        }
    }

    /// One count, in the base unit.
    #[must_use]
    pub fn resolution(self) -> f64 {
        Self { count: 1, ..self }.to_f64()
    }

    /// The value as a voltage.
    #[must_use]
    pub fn to_volts(self) -> Volts {
        Volts::of(self.to_f64())
    }
}

impl fmt::Display for Number {
    /// The number with as many decimals as the meter shows.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let decimals = usize::from(self.exponent.min(0).unsigned_abs());
        f.pad(&format!("{:.decimals$}", self.to_f64()))
    }
}

impl Function {
    /// Unit of the numbers, where there is one for all of them.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Diode | Self::DcVoltage | Self::AcVoltage => "V",
            Self::Continuity | Self::Resistance => "ohm",
            Self::DcCurrent | Self::AcCurrent => "A",
            Self::Capacitance => "F",
            Self::Frequency => "Hz",
            Self::DutyCycle => "%",
            Self::Temperature | Self::Other => "",
        }
    }
}

impl Flags {
    /// The signs that are lit, as a meter's front names them.
    pub fn names(self) -> impl Iterator<Item = &'static str> {
        [
            (self.hold, "HOLD"),
            (self.relative, "REL"),
            (self.extreme, "MAX/MIN"),
            (self.low_battery, "low battery"),
            (self.auto_range, "AUTO"),
            (self.auto_power_off, "auto power-off"),
        ]
        .into_iter()
        .filter_map(|(is_lit, name)| is_lit.then_some(name))
    }
}

impl fmt::Display for Function {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Diode => "diode test",
            Self::Continuity => "continuity",
            Self::Resistance => "resistance",
            Self::DcVoltage => "DC voltage",
            Self::AcVoltage => "AC voltage",
            Self::DcCurrent => "DC current",
            Self::AcCurrent => "AC current",
            Self::Capacitance => "capacitance",
            Self::Frequency => "frequency",
            Self::DutyCycle => "duty cycle",
            Self::Temperature => "temperature",
            Self::Other => "another function",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_keeps_its_digits() {
        let number = Number { count: 1234, exponent: -4 };
        assert_eq!(number.to_f64(), 0.1234);
        assert_eq!(number.to_string(), "0.1234");
        assert_eq!(number.resolution(), 0.0001);
    }

    #[test]
    fn every_number_is_finite() {
        for exponent in [i8::MIN, -1, 0, 1, i8::MAX] {
            for count in [i64::MIN, -1, 0, 1, i64::MAX] {
                let number = Number { count, exponent };
                assert!(number.to_f64().is_finite(), "{number:?}");
                assert!(!number.to_string().is_empty());
            }
        }
    }
}
