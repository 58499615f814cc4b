//! Blocks of 14 characters, as the Cyrustek ES51922 (22 000 counts) sends them once a conversion.
//!
//! ```text
//! byte  1      2 3 4 5 6  7         8       9 10 11 12   13 14
//!       range  digits     function  status  options 1-4  CR LF
//!
//!               bit 3  bit 2   bit 1        bit 0           all of them 0x30 + bits
//! 8  status     judge  minus   low battery  overload
//! 9  option 1   MAX    MIN     REL          RMR
//! 10 option 2   UL     Pmax    Pmin         0
//! 11 option 3   DC     AC      AUTO         VAHZ
//! 12 option 4   0      VBAR    HOLD         LPF
//!
//! 7  function   ; volt   1 diode   3 ohm   5 continuity   2 frequency   6 capacitance   4 temperature
//!               = uA     ? mA      0 22 A  9 A            > adapter
//! 1  range      volt: 0 100 uV a count, 1 1 mV, 2 10 mV, 3 100 mV, 4 10 uV
//!               ohm:  0 0.01 ohm a count, and ten times more with each range up to 6
//!               diode: always 0, 100 uV.  continuity: always 0, 0.01 ohm
//! ```
//!
//! Read in makers' documents: seven bits, odd parity, 19230 baud, upper bits 011 and CR LF (ES51964 data sheet,
//! section 5, same maker); the status bits and the codes 3B, 3D, 39, 3F, 33, 35, 31, 32 and 36 on a sister chip
//! (IDEAL ND2385 guide, pp. 17-20). From memory of the ES51922 data sheet: length, the other codes, options and
//! weights. Not known: which digits are sent with an overload; only the status bit counts.

use nom::{
    Parser,
    bytes::complete::take,
    combinator::{map, verify},
    error::context,
};

use super::{
    Content, Cut, Wire,
    parity::SevenOdd,
    rule::{Matched, byte, content, digits, fixed},
    signs::bits,
};
use crate::meter::{Flags, Function, NoValue, Number, Problem, Reading, Sign};

/// Characters of a block.
const LENGTH: usize = 14;
/// Digits of the count.
const DIGITS: usize = 5;
/// Place of the status character, from 0.
const STATUS: usize = 7;
/// The chip counts no further.
const MOST_COUNTS: i64 = 22_000;

/// The decoder of the format.
#[derive(Debug)]
pub(crate) struct Es14(pub(crate) SevenOdd);

impl Wire for Es14 {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        let seven = self.0;
        fixed::<LENGTH>(waiting, |index, byte| match (seven.character(byte), index) {
            (None, _) => (false, "a character with odd parity"),
            (Some(character), 12) => (character == b'\r', "CR"),
            (Some(character), 13) => (character == b'\n', "LF"),
            (Some(character), _) => (character >> 4 == 3, "a character from 0 to ?"),
        })
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        let mut block = [0; LENGTH];
        for (character, byte) in block.iter_mut().zip(frame) {
            *character = byte & 0x7F;
        }
        let (range, count, function, status, options) = content(&block[..LENGTH - 2], rule)?;
        let [overload, low_battery, minus, _] = status;
        let [
            [_, relative, min, max],
            [zero, peak_min, peak_max, _],
            [_, auto_range, ac, dc],
            [_, hold, _, zero2],
        ] = options;
        if zero || zero2 {
            let found = "one of them set".to_owned();
            return Err(Problem::Signs { expected: "zero in the unused option bits", found });
        }
        let (function, weight) = meaning(function, range, ac, dc)?;
        let value = match weight {
            _ if overload => Err(NoValue::Overload(if minus { Sign::Minus } else { Sign::Plus })),
            Some(exponent) => Ok(Number { count: if minus { -count } else { count }, exponent }),
            None => Err(NoValue::NotMeasured),
        };
        let extreme = min || max || peak_min || peak_max;
        let flags = Flags { hold, relative, extreme, low_battery, auto_range, auto_power_off: false };
        *into = Reading { value, function: Some(function), flags };
        Ok(Content::Reading)
    }
}

type Parts = (u8, i64, u8, [bool; 4], [[bool; 4]; 4]);

#[inline]
fn rule(input: &[u8]) -> Matched<'_, Parts> {
    let (rest, range) = nibble(input)?;
    // With an overload the digits mean nothing, whatever they are.
    let is_overload = input.get(STATUS).is_some_and(|status| status & 1 != 0);
    let (rest, count) = match is_overload {
        true => map(take(DIGITS), |_| 0).parse(rest)?,
        false => context("digits up to 22000", counts).parse(rest)?,
    };
    let (rest, (function, status)) = (byte, flags).parse(rest)?;
    let (rest, (a, b, c, d)) = (flags, flags, flags, flags).parse(rest)?;
    Ok((rest, (range, count, function, status, [a, b, c, d])))
}

fn nibble(input: &[u8]) -> Matched<'_, u8> {
    map(byte, |character| character & 0x0F).parse(input)
}

fn flags(input: &[u8]) -> Matched<'_, [bool; 4]> {
    map(byte, |character| {
        let [a, b, c, d, ..] = bits(character);
        [a, b, c, d]
    })
    .parse(input)
}

fn counts(input: &[u8]) -> Matched<'_, i64> {
    verify(digits::<DIGITS>, |count| *count <= MOST_COUNTS).parse(input)
}

/// What the function code says, and the power of ten of one count where it is known.
fn meaning(code: u8, range: u8, ac: bool, dc: bool) -> Result<(Function, Option<i8>), Problem> {
    let power = i8::try_from(range).unwrap_or(i8::MAX);
    let unknown_range =
        || Problem::Byte { place: 1, expected: "a range that the function has", found: b'0' | range };
    Ok(match (code, range) {
        (b'1', 0) => (Function::Diode, Some(-4)),
        (b';', 0..=3) => (voltage(ac, dc), Some(power - 4)),
        (b';', 4) => (voltage(ac, dc), Some(-5)),
        (b'3', 0..=6) => (Function::Resistance, Some(power - 2)),
        (b'5', 0) => (Function::Continuity, Some(-2)),
        (b'1' | b';' | b'3' | b'5', _) => return Err(unknown_range()),
        (b'=' | b'?' | b'0' | b'9', _) if ac && !dc => (Function::AcCurrent, None),
        (b'=' | b'?' | b'0' | b'9', _) => (Function::DcCurrent, None),
        (b'2', _) => (Function::Frequency, None),
        (b'6', _) => (Function::Capacitance, None),
        (b'4', _) => (Function::Temperature, None),
        (b'>', _) => (Function::Other, None),
        (found, _) => return Err(Problem::Byte { place: 7, expected: "a function code", found }),
    })
}

fn voltage(ac: bool, dc: bool) -> Function {
    match (ac, dc) {
        (false, true) => Function::DcVoltage,
        (true, false) => Function::AcVoltage,
        _ => Function::Other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Open leads count on until the chip's counter is full, and the digits of an overload are not written down
    /// anywhere: a sweep lost every open pin of a meter that sends others than 22000.
    #[test]
    fn an_overload_may_have_any_digits() {
        for (block, expected) in [
            (b"022000110080", Some(NoValue::Overload(Sign::Plus))),
            (b"025000110080", Some(NoValue::Overload(Sign::Plus))),
            (b"0:?;0>110080", Some(NoValue::Overload(Sign::Plus))),
            (b"025000150080", Some(NoValue::Overload(Sign::Minus))),
            (b"025000100080", None),
            (b"0:2000100080", None),
        ] {
            let mut frame = block.to_vec();
            frame.extend(b"\r\n");
            let mut reading = Reading::BLANK;
            let read = Es14(SevenOdd::ByPort).read(&frame, &mut reading);
            match expected {
                Some(overload) => {
                    assert_eq!(read, Ok(Content::Reading));
                    assert_eq!(reading.value, Err(overload));
                }
                None => assert!(read.is_err(), "{block:?}"),
            }
        }
    }
}
