//! Answers of 14 characters to the poll `D`, the classic of many handhelds.
//!
//! ```text
//! column  1 2   3 4 5 6 7 8 9                10 11 12 13             14
//!         mode  value, to the right,         unit, to the right      CR
//!               - in 3 or 4, point in place
//!         D I       0 . 5 4 3                          V
//!         O H       O . L                      M  O  h  m
//! ```
//!
//! Read in a maker's document: port, poll, length, the mode `DC`, digits in 5 to 9, `V` in 13 (the GW-BASIC program
//! of the RadioShack RS-232 multimeter's manual, and a byte dump of a later one). From memory: the other modes and
//! units, the forms of an overload, CR at the end (some send LF).
//!
//! The columns are cut before anything is looked for in them: the unit `Ohm` begins with an O as `OL` does.

use nom::{Parser, bytes::complete::take, combinator::map_opt, error::context};

use super::{
    Content, Cut, Wire,
    display_text::{Quantity, shown, unit},
    rule::{Matched, content, fixed},
};
use crate::meter::{Flags, Function, Problem, Reading};

/// Characters of an answer.
const LENGTH: usize = 14;

/// The decoder of the format.
#[derive(Debug, Default)]
pub(crate) struct D14;

impl Wire for D14 {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        // Meters that end with CR LF leave an LF behind.
        if let Some(b'\r' | b'\n') = waiting.first() {
            return Cut::Skip(1);
        }
        fixed::<LENGTH>(waiting, |index, byte| match index {
            13 => (matches!(byte, b'\r' | b'\n'), "CR or LF"),
            0 | 1 => (byte.is_ascii_uppercase(), "a capital of the mode"),
            _ => (matches!(byte, b' '..=b'~'), "a printable character"),
        })
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        let columns = &frame[..LENGTH - 1];
        let (mode, value, (quantity, power)) = content(columns, rule)?;
        let function = function(mode, quantity);
        if !quantity.suits(function) {
            return Err(Problem::text("a unit that goes with the mode", columns));
        }
        let value = shown(value, b'.', power)
            // A number stands to the right: a blank behind it is a lost digit.
            .filter(|shown| shown.is_err() || !value.ends_with(b" "))
            .ok_or_else(|| Problem::text("a number or OL in columns 3 to 9", value))?;
        *into = Reading { value, function: Some(function), flags: Flags::default() };
        Ok(Content::Reading)
    }
}

#[derive(Debug, Clone, Copy)]
enum Mode {
    Dc,
    Ac,
    Of(Function),
}

#[inline]
fn rule(input: &[u8]) -> Matched<'_, (Mode, &[u8], (Quantity, i8))> {
    let mode = map_opt(take(2usize), |mode: &[u8]| {
        Some(match mode {
            b"DC" => Mode::Dc,
            b"AC" => Mode::Ac,
            b"OH" => Mode::Of(Function::Resistance),
            b"DI" => Mode::Of(Function::Diode),
            b"CA" => Mode::Of(Function::Capacitance),
            b"FR" => Mode::Of(Function::Frequency),
            b"TE" => Mode::Of(Function::Temperature),
            b"HF" | b"LO" => Mode::Of(Function::Other),
            _ => return None,
        })
    });
    let unit = map_opt(take(4usize), |text: &[u8]| unit(text.trim_ascii()));
    (context("a mode such as DI, DC or OH", mode), take(7usize), context("a unit", unit)).parse(input)
}

const fn function(mode: Mode, quantity: Quantity) -> Function {
    match (mode, quantity) {
        (Mode::Of(function), _) => function,
        (Mode::Dc, Quantity::Current) => Function::DcCurrent,
        (Mode::Dc, _) => Function::DcVoltage,
        (Mode::Ac, Quantity::Current) => Function::AcCurrent,
        (Mode::Ac, _) => Function::AcVoltage,
    }
}
