//! Decimal numbers in text, kept digit by digit.

use nom::error::ErrorKind;

use super::rule::{Matched, miss};
use crate::meter::Number;

/// A number as it was written: sign, digits, power of ten of the last digit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Decimal {
    pub(crate) negative: bool,
    pub(crate) digits: u64,
    pub(crate) exponent: i32,
}

/// Digits that are surely below 2^63; 8 1/2 digit meters send 10.
const MOST_DIGITS: usize = 18;

/// Reads `[sign] digits [. digits] [E [sign] digits]`, with a digit on at least one side of the point: NR1, NR2
/// and NR3 of IEEE 488.2 (8.7.2 to 8.7.4, section numbers from memory), and with a lower-case `e` its NRf.
#[inline]
pub(crate) fn decimal(input: &[u8]) -> Matched<'_, Decimal> {
    scientific(input, b'.')
}

/// As [`decimal`], with another character for the point.
// In place, as `plain` is: a number that a function hands out goes through memory, which takes as long as reading it.
#[inline(always)]
pub(crate) fn scientific(input: &[u8], point: u8) -> Matched<'_, Decimal> {
    let (rest, number) = plain(input, point)?;
    let [b'e' | b'E', power @ ..] = rest else { return Ok((rest, number)) };
    let (is_negative, digits) = match power {
        [b'-', digits @ ..] => (true, digits),
        [b'+', digits @ ..] => (false, digits),
        digits => (false, digits),
    };
    // Three digits hold every exponent that a number of IEEE 754 can have.
    let count = digits.iter().take(3).take_while(|byte| byte.is_ascii_digit()).count();
    if count == 0 {
        return Ok((rest, number));
    }
    let (digits, rest) = digits.split_at(count);
    let power = digits.iter().fold(0, |power, digit| power * 10 + i32::from(digit - b'0'));
    let exponent = number.exponent.saturating_add(if is_negative { -power } else { power });
    Ok((rest, Decimal { exponent, ..number }))
}

/// Reads `[sign] digits [point digits]`, with a digit on at least one side of the point.
#[inline(always)]
pub(crate) fn plain(input: &[u8], point: u8) -> Matched<'_, Decimal> {
    let (negative, rest) = match input {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        rest => (false, rest),
    };
    let (whole, behind) = run(rest);
    let (decimals, behind) = match behind {
        [byte, behind @ ..] if *byte == point => run(behind),
        _ => (&[][..], behind),
    };
    if whole.is_empty() && decimals.is_empty() {
        return miss(input, ErrorKind::Digit);
    }
    let Some(digits) = joined(whole, decimals) else { return miss(input, ErrorKind::TooLarge) };
    // A line has at most a few hundred characters.
    let exponent = i32::try_from(decimals.len()).map_or(i32::MIN, |count| -count);
    Ok((behind, Decimal { negative, digits, exponent }))
}

/// The digits at the front, and what is behind them.
#[inline]
fn run(input: &[u8]) -> (&[u8], &[u8]) {
    let count = input.iter().take_while(|byte| byte.is_ascii_digit()).count();
    input.split_at(count)
}

/// The number that two runs of digits make, one behind the other; `None` if too many of them count.
#[inline]
fn joined(whole: &[u8], decimals: &[u8]) -> Option<u64> {
    if whole.len() + decimals.len() > MOST_DIGITS {
        return long(whole, decimals);
    }
    Some(decimals.iter().fold(whole.iter().fold(0, append), append))
}

/// As [`joined`], with so many digits that it matters which count: leading zeros do not.
#[cold]
fn long(whole: &[u8], decimals: &[u8]) -> Option<u64> {
    let mut significant = whole.iter().chain(decimals).skip_while(|digit| **digit == b'0');
    let number = significant.by_ref().take(MOST_DIGITS).fold(0, append);
    significant.next().is_none().then_some(number)
}

fn append(number: u64, digit: &u8) -> u64 {
    number * 10 + u64::from(digit - b'0')
}

impl Decimal {
    /// The number times 10^`prefix`; `None` if its power of ten is out of all proportion.
    #[inline]
    pub(crate) fn scaled(self, prefix: i8) -> Option<Number> {
        let count = i64::try_from(self.digits).ok()?;
        let exponent = match i8::try_from(self.exponent.saturating_add(i32::from(prefix))) {
            Ok(exponent) => exponent,
            Err(_) if count == 0 => 0,
            Err(_) => return None,
        };
        Some(Number { count: if self.negative { -count } else { count }, exponent })
    }

    /// The size of the number, for a comparison with a limit.
    pub(crate) fn magnitude(self) -> f64 {
        self.digits as f64 * 10f64.powi(self.exponent)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keeps_every_digit() {
        for (text, count, exponent) in [
            ("0.1234", 1234, -4),
            ("+5.43210000E-01", 543_210_000, -9),
            ("-.2", -2, -1),
            ("25", 25, 0),
            ("25.", 25, 0),
            ("1.0E5", 10, 4),
            ("-25e5", -25, 5),
            ("000.0", 0, -1),
            ("999999999999999999", 999_999_999_999_999_999, 0),
        ] {
            let (rest, found) = decimal(text.as_bytes()).unwrap();
            assert_eq!((rest, found.scaled(0)), (&b""[..], Some(Number { count, exponent })), "{text}");
        }
    }

    #[test]
    fn refuses_what_is_no_number() {
        for text in ["", "+", ".", "-.", "E5", "O.L", "1000000000000000000000"] {
            assert!(decimal(text.as_bytes()).is_err(), "{text}");
        }
        // A torn exponent is left over, and so no whole frame.
        assert_eq!(decimal(b"1.5E").unwrap().0, b"E");
        assert_eq!(decimal(b"1E200").unwrap().1.scaled(0), None);
    }
}
