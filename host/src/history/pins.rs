//! The pins of one sweep as a row of bytes: readings, verdicts and differences in a tenth of what a row a pin takes.
//!
//! One pin after another, in the order of the connector. Of each:
//!
//! - a byte: kind of the reading in the low four bits (0 volts, 1 overload, 2 not listed, 3 skipped, 4 no reading,
//!   5 not settled, 6 voided), verdict in the next three (0 not judged, 1 matches, 2 at fault, 3 moves along,
//!   4 unexplained, 5 unread, 6 no reference, 7 misplaced), and in the top bit whether a difference follows;
//! - with kind 0 the reading in µV, with kind 5 the slope in µV/s;
//! - the difference from what was expected in µV, if there is one.
//!
//! Numbers are signed, in zigzag form (0, −1, 1, −2, ... as 0, 1, 2, 3, ...), seven bits a byte from the lowest on,
//! the top bit set in all bytes but the last (LEB128). A microvolt is a tenth of the last digit of the finest meters in
//! diode test (10 µV at 6½ digits, common practice); the log keeps every digit.

use crate::{
    compare::{PinJudgement, PinVerdict},
    readings::{PinValue, Unread},
    units::Volts,
};

/// What the history keeps of a pin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PinRow {
    /// The reading as judged.
    pub reading: PinValue,
    /// Reading less what was expected, where both are voltages.
    pub difference: Option<Volts>,
    /// Its verdict, if the board was judged.
    pub verdict: Option<PinVerdict>,
}

/// A row of bytes holds no pins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("expected {expected} pins in {bytes} bytes, found an end or a code that is none at pin {at}")]
pub struct NotPins {
    /// Pins of the connector.
    pub expected: usize,
    /// Bytes that are there.
    pub bytes: usize,
    /// The pin, counted from 0, at which it showed.
    pub at: usize,
}

const HAS_DIFFERENCE: u8 = 0x80;

impl PinRow {
    /// A pin that was judged.
    #[must_use]
    pub fn judged(pin: &PinJudgement) -> Self {
        Self { reading: pin.reading, difference: pin.difference, verdict: Some(pin.verdict) }
    }

    /// A pin that was only read.
    #[must_use]
    pub const fn read(reading: PinValue) -> Self {
        Self { reading, difference: None, verdict: None }
    }
}

/// As bytes.
#[must_use]
pub fn encode(pins: &[PinRow]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(pins.len() * 7);
    for pin in pins {
        let (kind, number) = match pin.reading {
            PinValue::Volts(volts) => (0, Some(volts.get())),
            PinValue::Overload => (1, None),
            PinValue::Unread(Unread::NotListed) => (2, None),
            PinValue::Unread(Unread::Skipped) => (3, None),
            PinValue::Unread(Unread::NoReading) => (4, None),
            PinValue::Unread(Unread::NotSettled { slope }) => (5, Some(slope)),
            PinValue::Unread(Unread::Voided) => (6, None),
        };
        let verdict = match pin.verdict {
            None => 0,
            Some(PinVerdict::Matches) => 1,
            Some(PinVerdict::AtFault) => 2,
            Some(PinVerdict::MovesAlong) => 3,
            Some(PinVerdict::Unexplained) => 4,
            Some(PinVerdict::Unread(_)) => 5,
            Some(PinVerdict::NoReference) => 6,
            Some(PinVerdict::Misplaced) => 7,
        };
        let flag = if pin.difference.is_some() { HAS_DIFFERENCE } else { 0 };
        bytes.push(kind | verdict << 4 | flag);
        for number in [number, pin.difference.map(Volts::get)].into_iter().flatten() {
            put(&mut bytes, (number * 1e6).round() as i64);
        }
    }
    bytes
}

/// From bytes.
///
/// # Errors
/// [`NotPins`] if they do not hold just so many pins.
pub fn decode(bytes: &[u8], expected: usize) -> Result<Vec<PinRow>, NotPins> {
    let mut rest = bytes;
    let mut pins = Vec::with_capacity(expected.min(bytes.len()));
    for at in 0..expected {
        let pin = take_pin(&mut rest).ok_or(NotPins { expected, bytes: bytes.len(), at })?;
        pins.push(pin);
    }
    if rest.is_empty() { Ok(pins) } else { Err(NotPins { expected, bytes: bytes.len(), at: expected }) }
}

fn take_pin(rest: &mut &[u8]) -> Option<PinRow> {
    let (&code, after) = rest.split_first()?;
    *rest = after;
    let volts = |micro: i64| Volts::of(micro as f64 / 1e6);
    let reading = match code & 0x0F {
        0 => PinValue::Volts(volts(take(rest)?)),
        1 => PinValue::Overload,
        2 => PinValue::Unread(Unread::NotListed),
        3 => PinValue::Unread(Unread::Skipped),
        4 => PinValue::Unread(Unread::NoReading),
        5 => PinValue::Unread(Unread::NotSettled { slope: take(rest)? as f64 / 1e6 }),
        6 => PinValue::Unread(Unread::Voided),
        _ => return None,
    };
    let verdict = match (code >> 4 & 0x07, reading) {
        (0, _) => None,
        (1, _) => Some(PinVerdict::Matches),
        (2, _) => Some(PinVerdict::AtFault),
        (3, _) => Some(PinVerdict::MovesAlong),
        (4, _) => Some(PinVerdict::Unexplained),
        (5, PinValue::Unread(why)) => Some(PinVerdict::Unread(why)),
        (6, _) => Some(PinVerdict::NoReference),
        (7, _) => Some(PinVerdict::Misplaced),
        _ => return None,
    };
    let difference = match code & HAS_DIFFERENCE {
        0 => None,
        _ => Some(volts(take(rest)?)),
    };
    Some(PinRow { reading, difference, verdict })
}

fn put(bytes: &mut Vec<u8>, number: i64) {
    let mut rest = (number << 1 ^ number >> 63) as u64;
    while rest >= 0x80 {
        bytes.push(rest as u8 | 0x80);
        rest >>= 7;
    }
    bytes.push(rest as u8);
}

fn take(rest: &mut &[u8]) -> Option<i64> {
    let mut zigzag = 0_u64;
    for shift in (0..64).step_by(7) {
        let (&byte, after) = rest.split_first()?;
        *rest = after;
        zigzag |= u64::from(byte & 0x7F) << shift;
        if byte & 0x80 == 0 {
            return Some((zigzag >> 1) as i64 ^ -((zigzag & 1) as i64));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn pin(reading: PinValue, difference: Option<f64>, verdict: Option<PinVerdict>) -> PinRow {
        PinRow { reading, difference: difference.map(Volts::of), verdict }
    }

    #[test]
    fn pins_are_laid_out_as_the_page_says() {
        let pins = [
            pin(PinValue::Volts(Volts::of(0.654)), Some(-0.002), Some(PinVerdict::Matches)),
            pin(PinValue::Overload, None, Some(PinVerdict::AtFault)),
            pin(PinValue::Unread(Unread::Voided), None, Some(PinVerdict::Unread(Unread::Voided))),
            pin(PinValue::Volts(Volts::ZERO), None, None),
        ];
        let bytes = [
            // Volts, matches, a difference follows; 654000 in zigzag is 1308000, -2000 is 3999.
            0x90, 0xE0, 0xEA, 0x4F, 0x9F, 0x1F, //
            0x21, // Overload, at fault.
            0x56, // Voided, unread.
            0x00, 0x00, // Volts, not judged; 0.
        ];
        assert_eq!(encode(&pins), bytes);
        assert_eq!(decode(&bytes, 4), Ok(pins.to_vec()));
    }

    #[test]
    fn other_bytes_are_no_pins() {
        let whole = encode(&[pin(PinValue::Volts(Volts::of(0.654)), Some(0.001), None)]);
        for end in 0..whole.len() {
            assert!(decode(&whole[..end], 1).is_err(), "{end}");
        }
        assert!(decode(&[0x01, 0x01], 1).is_err());
        assert!(decode(&[0x07], 1).is_err());
        // Unread as a verdict on a reading.
        assert!(decode(&[0x51], 1).is_err());
        assert!(decode(&[&[0x00][..], &[0xFF; 11]].concat(), 1).is_err());
    }

    proptest! {
        #[test]
        fn any_pins_survive_to_the_microvolt(
            pins in prop::collection::vec((0_u8..7, -5.0..5.0_f64, prop::option::of(-5.0..5.0_f64), 0_u8..8), 0..40)
        ) {
            let rows: Vec<PinRow> = pins.iter().map(|&(kind, volts, difference, verdict)| {
                let unread = match kind {
                    2 => Unread::NotListed,
                    3 => Unread::Skipped,
                    5 => Unread::NotSettled { slope: volts },
                    6 => Unread::Voided,
                    _ => Unread::NoReading,
                };
                let reading = match kind {
                    0 => PinValue::Volts(Volts::of(volts)),
                    1 => PinValue::Overload,
                    _ => PinValue::Unread(unread),
                };
                let verdict = match verdict {
                    0 => None,
                    1 => Some(PinVerdict::Matches),
                    2 => Some(PinVerdict::AtFault),
                    3 => Some(PinVerdict::MovesAlong),
                    4 => Some(PinVerdict::Unexplained),
                    5 if kind > 1 => Some(PinVerdict::Unread(unread)),
                    6 => Some(PinVerdict::NoReference),
                    _ => Some(PinVerdict::Misplaced),
                };
                pin(reading, difference, verdict)
            }).collect();
            let read = decode(&encode(&rows), rows.len()).unwrap();
            let near = |a: f64, b: f64| (a - b).abs() <= 0.5e-6 + 1e-12;
            for (row, read) in rows.iter().zip(&read) {
                let alike = match (row.reading, read.reading) {
                    (PinValue::Volts(a), PinValue::Volts(b)) => near(a.get(), b.get()),
                    (PinValue::Unread(Unread::NotSettled { slope: a }),
                        PinValue::Unread(Unread::NotSettled { slope: b })) => near(a, b),
                    (a, b) => a == b,
                };
                prop_assert!(alike);
                prop_assert_eq!(row.difference.is_some(), read.difference.is_some());
                prop_assert_eq!(
                    row.verdict.map(|verdict| std::mem::discriminant(&verdict)),
                    read.verdict.map(|verdict| std::mem::discriminant(&verdict))
                );
            }
        }

        #[test]
        fn any_bytes_are_pins_or_none(bytes in prop::collection::vec(any::<u8>(), 0..60), expected in 0_usize..20) {
            let _ = decode(&bytes, expected);
        }
    }
}
