//! Lines of ten characters, as the TPI 183 streams them.
//!
//! ```text
//! F         A                R      _      D D D D D D         T
//! function  1 auto, 0 hand   range  blank  sign, digits,       end of line
//!                                          point in place
//!
//! F: 0 AC V  1 ohm  2 DC V  3 DC mV  4 AC A  5 DC A  6 diode  7 DC mA  9 AC mA  A capacitance  B frequency
//! R: ohm 0 400.0, 1 4.000k, 2 40.00k, 3 400.0k, 4 4.000M, 5 40.00M; diode 0 4.000 V
//! ```
//!
//! Read in the TPI 183 manual, pp. 30-31. Not certain: that an overload is sent as the text of the display
//! (` 0.L `), and that the end of a line is CR or LF.

use nom::{
    Parser,
    bytes::complete::{tag, take},
    combinator::map_opt,
    error::context,
};

use super::{
    Content, Cut, Lines, Wire,
    display_text::shown,
    rule::{Matched, byte, content},
};
use crate::meter::{Flags, Function, NoValue, Problem, Reading};

/// The decoder of the format.
#[derive(Debug)]
pub(crate) struct Tpi183(pub(crate) Lines);

impl Wire for Tpi183 {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        self.0.cut(waiting)
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        // Blanks are columns here: only the end of the line goes.
        let line = &frame[..frame.len() - 1];
        let (function, auto_range, range, text) = content(line, rule)?;
        let power =
            power(function, range).ok_or_else(|| Problem::text("a range that the function has", line))?;
        let value = shown(text, b'.', power.unwrap_or(0))
            .ok_or_else(|| Problem::text("a number or 0.L in columns 5 to 10", text))?;
        if let (Code::Diode, Ok(number)) = (function, value)
            && number.exponent != -3
        {
            return Err(Problem::text("three decimals in the diode range of 4.000 V", line));
        }
        let value = if power.is_some() { value } else { Err(NoValue::NotMeasured) };
        let flags = Flags { auto_range, ..Flags::default() };
        *into = Reading { value, function: Some(function.into()), flags };
        Ok(Content::Reading)
    }

    fn give_up(&self, frame_length: usize) -> usize {
        frame_length
    }

    fn reset(&mut self) {
        self.0.reset();
    }
}

#[derive(Debug, Clone, Copy)]
enum Code {
    Diode,
    Ohm,
    /// A voltage or current with the power of ten of its unit.
    Scaled(Function, i8),
    /// The ranges are not in what was read.
    Unscaled(Function),
}

impl From<Code> for Function {
    fn from(code: Code) -> Self {
        match code {
            Code::Diode => Self::Diode,
            Code::Ohm => Self::Resistance,
            Code::Scaled(function, _) | Code::Unscaled(function) => function,
        }
    }
}

#[inline]
fn rule(input: &[u8]) -> Matched<'_, (Code, bool, u8, &[u8])> {
    let function = map_opt(byte, |code| {
        Some(match code {
            b'0' => Code::Scaled(Function::AcVoltage, 0),
            b'1' => Code::Ohm,
            b'2' => Code::Scaled(Function::DcVoltage, 0),
            b'3' => Code::Scaled(Function::DcVoltage, -3),
            b'4' => Code::Scaled(Function::AcCurrent, 0),
            b'5' => Code::Scaled(Function::DcCurrent, 0),
            b'6' => Code::Diode,
            b'7' => Code::Scaled(Function::DcCurrent, -3),
            b'9' => Code::Scaled(Function::AcCurrent, -3),
            b'A' => Code::Unscaled(Function::Capacitance),
            b'B' => Code::Unscaled(Function::Frequency),
            _ => return None,
        })
    });
    let auto = map_opt(byte, |byte| match byte {
        b'1' => Some(true),
        b'0' => Some(false),
        _ => None,
    });
    let range = map_opt(byte, |byte| byte.is_ascii_digit().then(|| byte - b'0'));
    (
        context("a function code", function),
        context("1 or 0 for automatic range", auto),
        context("a range", range),
        context("a blank", tag(&b" "[..])),
        context("six characters", take(6usize)),
    )
        .map(|(function, auto, range, _, text)| (function, auto, range, text))
        .parse(input)
}

/// The power of ten of the unit that the display shows: `None` for a range that is not there, `Some(None)` where
/// the ranges are not known.
const fn power(code: Code, range: u8) -> Option<Option<i8>> {
    match (code, range) {
        (Code::Ohm, 0) | (Code::Diode, 0) => Some(Some(0)),
        (Code::Ohm, 1..=3) => Some(Some(3)),
        (Code::Ohm, 4..=5) => Some(Some(6)),
        (Code::Ohm | Code::Diode, _) => None,
        (Code::Scaled(_, power), _) => Some(Some(power)),
        (Code::Unscaled(_), _) => Some(None),
    }
}
