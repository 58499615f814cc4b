//! Numbers, overloads and units as meters print them for people.

use super::decimal::{Decimal, plain};
use crate::meter::{Function, NoValue, Number, Sign};

/// What a unit measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Quantity {
    Voltage,
    Current,
    Resistance,
    Capacitance,
    Frequency,
    Ratio,
    Temperature,
}

impl Quantity {
    /// Whether a function is shown in this unit.
    pub(crate) const fn suits(self, function: Function) -> bool {
        match function {
            Function::Diode | Function::DcVoltage | Function::AcVoltage => matches!(self, Self::Voltage),
            Function::DcCurrent | Function::AcCurrent => matches!(self, Self::Current),
            Function::Resistance | Function::Continuity => matches!(self, Self::Resistance),
            Function::Capacitance => matches!(self, Self::Capacitance),
            Function::Frequency => matches!(self, Self::Frequency),
            Function::DutyCycle => matches!(self, Self::Ratio),
            Function::Temperature => matches!(self, Self::Temperature),
            Function::Other => true,
        }
    }
}

/// Reads a unit such as `mV`, `kOhm` or `Hz`: what it measures and the power of ten of its prefix.
pub(crate) fn unit(text: &[u8]) -> Option<(Quantity, i8)> {
    let (prefix, quantity) = match text {
        [prefix @ .., b'V' | b'v'] => (prefix, Quantity::Voltage),
        [prefix @ .., b'O' | b'o', b'H' | b'h', b'M' | b'm'] => (prefix, Quantity::Resistance),
        [prefix @ .., b'H' | b'h', b'Z' | b'z'] => (prefix, Quantity::Frequency),
        [prefix @ .., b'A' | b'a'] => (prefix, Quantity::Current),
        [prefix @ .., b'F' | b'f'] => (prefix, Quantity::Capacitance),
        [prefix @ .., b'%'] => (prefix, Quantity::Ratio),
        [prefix @ .., b'C' | b'c'] => (prefix, Quantity::Temperature),
        _ => return None,
    };
    let power = match prefix {
        b"" => 0,
        b"p" => -12,
        b"n" => -9,
        b"u" => -6,
        b"m" => -3,
        b"k" | b"K" => 3,
        // No meter shows megavolts: what it means would be a guess.
        b"M" if matches!(quantity, Quantity::Resistance | Quantity::Frequency) => 6,
        _ => return None,
    };
    Some((quantity, power))
}

/// Reads a number as a display shows it, in units of 10^`power`: `-12.34`, `- 0.543`, or an overload with its
/// point anywhere (`O.L`, `.OL`, `0.L`, `OL`).
pub(crate) fn shown(text: &[u8], point: u8, power: i8) -> Option<Result<Number, NoValue>> {
    let text = text.trim_ascii();
    let (minus, digits) = match text {
        [b'-', rest @ ..] => (true, rest.trim_ascii_start()),
        [b'+', rest @ ..] => (false, rest.trim_ascii_start()),
        _ => (false, text),
    };
    match plain(digits, point) {
        // The sign was taken off; a second one is none.
        Ok(([], number)) if !matches!(digits, [b'+' | b'-', ..]) => {
            let number = Decimal { negative: minus, ..number };
            Some(Ok(number.scaled(power)?))
        }
        _ if is_overload(digits) => {
            Some(Err(NoValue::Overload(if minus { Sign::Minus } else { Sign::Plus })))
        }
        _ => None,
    }
}

const fn is_point(byte: u8) -> bool {
    matches!(byte, b'.' | b',')
}

/// `OL` or `0L` with at most one point.
fn is_overload(text: &[u8]) -> bool {
    let points = text.iter().filter(|byte| is_point(**byte)).count();
    let mut letters = text.iter().filter(|byte| !is_point(**byte)).map(u8::to_ascii_uppercase);
    points <= 1
        && matches!(letters.next(), Some(b'O' | b'0'))
        && letters.next() == Some(b'L')
        && letters.next().is_none()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_units() {
        for (text, expected) in [
            ("V", Some((Quantity::Voltage, 0))),
            ("mV", Some((Quantity::Voltage, -3))),
            ("MOhm", Some((Quantity::Resistance, 6))),
            ("Kohm", Some((Quantity::Resistance, 3))),
            ("ohm", Some((Quantity::Resistance, 0))),
            ("kHz", Some((Quantity::Frequency, 3))),
            ("nF", Some((Quantity::Capacitance, -9))),
            ("xV", None),
            ("MV", None),
            ("", None),
            ("m", None),
        ] {
            assert_eq!(unit(text.as_bytes()), expected, "{text}");
        }
    }

    #[test]
    fn reads_what_a_display_shows() {
        let number = |count, exponent| Some(Ok(Number { count, exponent }));
        let overload = |sign| Some(Err(NoValue::Overload(sign)));
        for (text, expected) in [
            ("  0.543", number(543, -3)),
            ("- 12.34", number(-1234, -2)),
            ("+.5", number(5, -1)),
            (" O.L", overload(Sign::Plus)),
            (".OL", overload(Sign::Plus)),
            ("-0L.", overload(Sign::Minus)),
            ("O..L", None),
            ("0.5 3", None),
            ("1E3", None),
            ("--1", None),
            ("", None),
            ("L", None),
        ] {
            assert_eq!(shown(text.as_bytes(), b'.', 0), expected, "{text}");
        }
    }
}
