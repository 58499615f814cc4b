//! Frames of 16 characters, as meters of the Lutron DM-9962SD class stream them.
//!
//! ```text
//! D15  D14  D13              D12 D11  D10            D9        D8 ... D1     D0
//! STX  '4'  '1' or '2'       unit     '0' plus       decimals  eight digits  CR
//!           upper or lower            '1' minus      '0'..'3'
//!           display
//! ```
//!
//! Read in the Lutron DM-9962SD manual, p. 17. The display number 2 is from a sister manual. What an open diode
//! test sends is not in what was read: only digits are taken for a number, so an overload that is sent as anything
//! else is an error here and never a value.

use nom::{
    Parser,
    bytes::complete::take,
    combinator::{map_opt, verify},
    error::context,
    sequence::preceded,
};

use super::{
    Content, Cut, Wire,
    rule::{Matched, byte, content, digits, fixed},
};
use crate::meter::{Flags, Function, Number, Problem, Reading};

/// Characters of a frame.
const LENGTH: usize = 16;
const STX: u8 = 0x02;

/// The decoder of the format.
#[derive(Debug, Default)]
pub(crate) struct T16;

impl Wire for T16 {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        fixed::<LENGTH>(waiting, |index, byte| match index {
            0 => (byte == STX, "STX"),
            1 => (byte == b'4', "the character 4"),
            15 => (byte == b'\r', "CR"),
            _ => (byte.is_ascii_alphanumeric(), "a digit or letter"),
        })
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        let (display, (function, power), minus, decimals, count) =
            content(&frame[..LENGTH - 1], preceded(take(2usize), rule))?;
        if display == b'2' {
            return Ok(Content::Nothing);
        }
        let count = if minus { -count } else { count };
        let value = Ok(Number { count, exponent: power - decimals });
        *into = Reading { value, function: Some(function), flags: Flags::default() };
        Ok(Content::Reading)
    }
}

type Parts = (u8, (Function, i8), bool, i8, i64);

#[inline]
fn rule(input: &[u8]) -> Matched<'_, Parts> {
    let display = verify(byte, |byte| matches!(byte, b'1' | b'2'));
    let sign = map_opt(byte, |byte| match byte {
        b'0' => Some(false),
        b'1' => Some(true),
        _ => None,
    });
    let decimals = map_opt(byte, |byte| match byte {
        b'0'..=b'3' => i8::try_from(byte - b'0').ok(),
        _ => None,
    });
    (
        context("1 or 2 for the display", display),
        context("a unit code", map_opt(take(2usize), unit)),
        context("0 or 1 for the sign", sign),
        context("0 to 3 decimals", decimals),
        context("eight digits", digits::<8>),
    )
        .parse(input)
}

/// The unit codes of the manual: what is measured, and the power of ten of the unit.
fn unit(code: &[u8]) -> Option<(Function, i8)> {
    Some(match code {
        b"18" => (Function::DcVoltage, -3),
        b"34" => (Function::DcVoltage, 0),
        b"35" => (Function::DcCurrent, -6),
        b"37" => (Function::DcCurrent, -3),
        b"36" => (Function::DcCurrent, 0),
        b"49" => (Function::AcVoltage, -3),
        b"50" => (Function::AcVoltage, 0),
        b"51" => (Function::AcCurrent, -6),
        b"53" => (Function::AcCurrent, -3),
        b"52" => (Function::AcCurrent, 0),
        b"31" => (Function::Frequency, 0),
        b"33" => (Function::Frequency, 3),
        b"67" => (Function::Frequency, 6),
        b"38" => (Function::Resistance, 0),
        b"39" => (Function::Resistance, 3),
        b"40" => (Function::Resistance, 6),
        b"A4" => (Function::Capacitance, -12),
        b"43" => (Function::Capacitance, -9),
        b"44" => (Function::Capacitance, -6),
        b"46" => (Function::Diode, 0),
        b"01" | b"02" => (Function::Temperature, 0),
        // Henries.
        b"68" | b"41" | b"42" => (Function::Other, 0),
        _ => return None,
    })
}
