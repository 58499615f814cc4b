//! Decimal numbers in text, kept digit by digit.

use nom::{
    Parser,
    bytes::complete::take_while_m_n,
    character::complete::{digit0, digit1, one_of},
    combinator::{opt, recognize},
    sequence::preceded,
};

use super::rule::Matched;
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
pub(crate) fn decimal(input: &[u8]) -> Matched<'_, Decimal> {
    let (rest, sign) = opt(one_of("+-")).parse(input)?;
    let (rest, whole) = digit0(rest)?;
    let (rest, fraction) = if whole.is_empty() {
        preceded(one_of("."), digit1).parse(rest)?
    } else {
        opt(preceded(one_of("."), digit0))
            .parse(rest)
            .map(|(rest, found)| (rest, found.unwrap_or_default()))?
    };
    let (rest, power) = opt(preceded(
        one_of("eE"),
        // Three digits hold every exponent that a number of IEEE 754 can have.
        recognize((opt(one_of("+-")), take_while_m_n(1, 3, |byte: u8| byte.is_ascii_digit()))),
    ))
    .parse(rest)?;
    let digits = whole.iter().chain(fraction).skip_while(|digit| **digit == b'0');
    if digits.clone().count() > MOST_DIGITS {
        return Err(nom::Err::Error(nom::error::ParseError::from_error_kind(
            input,
            nom::error::ErrorKind::TooLarge,
        )));
    }
    let digits = digits.fold(0, |sum, digit| sum * 10 + u64::from(digit - b'0'));
    let power: i32 = power
        .and_then(|power| std::str::from_utf8(power).ok())
        .map_or(0, |power| power.parse().expect("a sign and one to three digits"));
    let decimals = i32::try_from(fraction.len()).unwrap_or(i32::MAX);
    Ok((rest, Decimal { negative: sign == Some('-'), digits, exponent: power.saturating_sub(decimals) }))
}

impl Decimal {
    /// The number times 10^`prefix`; `None` if its power of ten is out of all proportion.
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
