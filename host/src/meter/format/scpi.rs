//! Replies of SCPI bench meters, and of bench meters that stream such numbers.
//!
//! ```text
//! + 5 . 4 3 2 1 0 0 0 0 E - 0 1 CR LF        NR3: sign, digits with a point, exponent
//! 0 . 5 4 3 2 LF                             NR2: digits with a point
//! 2 5 LF                                     NR1: an integer
//! + 9 . 9 0 0 0 0 0 0 0 E + 3 7 CR LF        overload
//! - 1 1 3 , " U n d e f i n e d ... " CR LF  an entry of the error queue, no reading
//! ```
//!
//! Read in makers' manuals: the number forms (34401A p. 159, Keithley 2110 p. 5-13, HP 132A table 3-3), any of
//! LF, CR, CR LF and LF CR as end of line (B&K Precision 5492B, 5.2), 9.9E37 as overload and 9.91E37 as not
//! measured (R&S NGE100B p. 71, Agilent N1911A p. 75, Keithley 2400 p. 18-51). The overload is no exact constant
//! on the wire (`9.90000200E+37`, HP 34970A, TRIGger:COUNt?), so it is told by range.

use nom::{Parser, bytes::complete::tag, error::context};

use super::{
    Content, Cut, Lines, Wire,
    decimal::{Decimal, decimal},
    lines::text,
    rule::content,
};
use crate::meter::{Flags, NoValue, Problem, Reading, Sign};

/// Numbers from here on are an overload (9.9E37 with its last digits uncertain).
pub(crate) const OVERLOAD_FROM: f64 = 9.8e37;
/// SCPI-99, volume 1, 7.2.1.5: not a number.
const NOT_MEASURED: f64 = 9.91e37;
/// How near to [`NOT_MEASURED`] counts as it: far less than its distance to 9.9E37 (1E35), far more than the
/// rounding of single precision (6E30).
const NOT_MEASURED_WITHIN: f64 = 5e33;

/// A meter that is older than SCPI sends its errors as numbers: an 8840A `+1.00..E+21` (its manual, fig. 3-6).
const ERROR_FROM: f64 = 9.9e20;

/// With this power of ten and at most 18 digits a number is below [`OVERLOAD_FROM`].
const PLAIN_BELOW: i32 = 19;

/// One number a line.
#[derive(Debug)]
pub(crate) struct Scpi {
    lines: Lines,
    overload_from: f64,
}

impl Scpi {
    /// `overload_from` moves the limit for meters older than SCPI (a Fluke 8840A sends `+9.99999E+9`, its manual
    /// fig. 3-6).
    pub(crate) fn new(lines: Lines, overload_from: Option<f64>) -> Self {
        Self { lines, overload_from: overload_from.unwrap_or(OVERLOAD_FROM) }
    }
}

impl Wire for Scpi {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        self.lines.cut(waiting)
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        let line = text(frame);
        let Ok(number) = content(line, context("a number", decimal)) else {
            return Err(match error_entry(line) {
                Some((code, text)) => Problem::ErrorEntry { code, text },
                None => Problem::text("a number such as +5.43210000E-01", line),
            });
        };
        into.value = match no_value(number, self.overload_from) {
            Some(reason) => Err(reason),
            None => {
                Ok(number.scaled(0).ok_or_else(|| Problem::text("a number that a meter can show", line))?)
            }
        };
        into.function = None;
        into.flags = Flags::default();
        Ok(Content::Reading)
    }

    fn give_up(&self, frame_length: usize) -> usize {
        frame_length
    }

    fn reset(&mut self) {
        self.lines.reset();
    }
}

/// Tells overload and not measured from numbers.
#[inline]
pub(crate) fn no_value(number: Decimal, overload_from: f64) -> Option<NoValue> {
    // Numbers that are surely below every limit need no comparison: they have at most 18 digits.
    let is_plain = number.exponent < PLAIN_BELOW && overload_from >= OVERLOAD_FROM;
    if is_plain { None } else { no_value_of(number, overload_from) }
}

fn no_value_of(number: Decimal, overload_from: f64) -> Option<NoValue> {
    let size = number.magnitude();
    if (size - NOT_MEASURED).abs() <= NOT_MEASURED_WITHIN {
        return Some(NoValue::NotMeasured);
    }
    // Never an open pin.
    if overload_from < ERROR_FROM && (ERROR_FROM..OVERLOAD_FROM).contains(&size) {
        return Some(NoValue::NotMeasured);
    }
    let sign = if number.negative { Sign::Minus } else { Sign::Plus };
    (size >= overload_from).then_some(NoValue::Overload(sign))
}

/// Reads `<code>,"<text>"`, an entry of the error queue (SYSTem:ERRor?).
pub(crate) fn error_entry(line: &[u8]) -> Option<(i32, String)> {
    let (rest, code) = nom::character::complete::i32::<_, nom::error::Error<&[u8]>>(line).ok()?;
    let (rest, _) = tag::<_, _, nom::error::Error<&[u8]>>(",\"").parse(rest).ok()?;
    let words = rest.strip_suffix(b"\"")?;
    Some((code, words.escape_ascii().to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::Number;

    /// Over-range and error as the Fluke 8840A manual prints them (fig. 3-6); the limit is that of its profile.
    #[test]
    fn a_meter_older_than_scpi_has_its_own_overload() {
        let read = |text: &str, limit| {
            let mut reading = Reading::BLANK;
            let content = Scpi::new(Lines::whole(), limit).read(text.as_bytes(), &mut reading);
            assert_eq!(content, Ok(Content::Reading), "{text}");
            reading.value
        };
        let old = Some(9.9e9);
        assert_eq!(read("+9.99999E+9\r\n", old), Err(NoValue::Overload(Sign::Plus)));
        assert_eq!(read("-9.99999E+9\r\n", old), Err(NoValue::Overload(Sign::Minus)));
        assert_eq!(read("+1.00000E+21\r\n", old), Err(NoValue::NotMeasured));
        assert_eq!(read("+0.54321E+0\r\n", old), Ok(Number { count: 54321, exponent: -5 }));
        // By SCPI these are numbers.
        assert_eq!(read("+9.99999E+9\r\n", None), Ok(Number { count: 999_999, exponent: 4 }));
        assert_eq!(read("+9.9E+37\r\n", None), Err(NoValue::Overload(Sign::Plus)));
        assert_eq!(read("+9.9E+37\r\n", old), Err(NoValue::Overload(Sign::Plus)));
    }
}
