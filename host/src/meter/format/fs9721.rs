//! The segments of the display, as the Fortune FS9721_LP3 and FS9721B send them: 14 bytes, no checksum.
//!
//! ```text
//! byte    1      2    3    4    5    6    7    8    9    10   11   12   13   14
//! high    1      2    3    4    5    6    7    8    9    A    B    C    D    E     place of the byte
//! low     signs  digit 1   digit 2   digit 3   digit 4   units and signs     user
//!
//!               bit 3     bit 2     bit 1     bit 0
//! 1 (signs)     AC        DC        AUTO      RS232
//! 2, 4, 6, 8    minus     e         f         a         (in 4, 6 and 8: the point before this digit)
//! 3, 5, 7, 9    d         c         g         b
//! 10            micro     nano      kilo      diode
//! 11            milli     %         mega      beep
//! 12            farad     ohm       REL       HOLD
//! 13            ampere    volt      hertz     low battery
//! 14            user      user      user      user      (degrees on some meters)
//! ```
//!
//! Read in a maker's document: port, length and the places in the high nibbles (Voltcraft, "VC820_VC840_VC860
//! Protocol Rev 1.0", sections 1 and 3). From memory of the FS9721_LP3 data sheet: all low nibbles. Not certain:
//! the order of the four signs in byte 1, where that sheet prints RS232, AUTO, DC, AC without bit numbers; the
//! sign RS232, which is lit whenever the meter sends, tells the order here where it can.
//!
//! Whether bit 3 or bit 0 comes first on the wire differs as well. The digits tell: mirrored, all of them but
//! `3`, `8` and blank are no digits any more.

use nom::{IResult, Parser, error::context};

use super::{
    Content, Cut, Wire,
    rule::{Miss, content},
};
use crate::meter::{Flags, Function, NoValue, Number, Problem, Reading, Sign};

/// Bytes of a frame.
const LENGTH: usize = 14;

/// The decoder of the format, with the order of bits that the stream has shown.
#[derive(Debug, Default)]
pub(crate) struct Fs9721 {
    order: Option<Order>,
}

/// Which bit of the low nibbles is which.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Order {
    AsDrawn,
    Mirrored,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Cell {
    Digit(u8),
    L,
    Blank,
}

/// The low nibbles under one order of bits.
struct Display {
    signs: u8,
    minus: bool,
    cells: [Cell; 4],
    /// Before digits 2, 3 and 4.
    points: [bool; 3],
    units: [u8; 5],
}

impl Wire for Fs9721 {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        for (index, &found) in waiting.iter().take(LENGTH).enumerate() {
            if usize::from(found >> 4) != index + 1 {
                const EXPECTED: &str = "the place of the byte in the high nibble";
                return Cut::Broken {
                    drop: 1,
                    problem: Problem::Byte { place: index + 1, expected: EXPECTED, found },
                };
            }
        }
        if waiting.len() < LENGTH { Cut::More } else { Cut::Frame(LENGTH) }
    }

    fn read(&mut self, frame: &[u8]) -> Result<Content, Problem> {
        let drawn = content(frame, |input| display(input, Order::AsDrawn));
        let mirrored = content(frame, |input| display(input, Order::Mirrored));
        let shown = match (self.order, drawn, mirrored) {
            (Some(Order::AsDrawn), Ok(shown), _) | (Some(Order::Mirrored), _, Ok(shown)) => shown,
            // Only digits that read alike both ways: no telling yet.
            (None, Ok(_), Ok(_)) => return Ok(Content::Nothing),
            (None, Ok(shown), Err(_)) => {
                self.order = Some(Order::AsDrawn);
                shown
            }
            (None, Err(_), Ok(shown)) => {
                self.order = Some(Order::Mirrored);
                shown
            }
            // The stream contradicts what was learned, by damage or because it was learned from damage: the
            // frame is refused and the next one tells anew.
            (Some(Order::AsDrawn), Err(problem), Ok(_)) | (Some(Order::Mirrored), Ok(_), Err(problem)) => {
                self.order = None;
                return Err(problem);
            }
            (Some(Order::Mirrored), Err(_), Err(problem)) | (_, Err(problem), Err(_)) => {
                return Err(problem);
            }
        };
        reading(&shown).map(Content::Reading)
    }
}

/// The low nibble of the next byte.
fn nibble(order: Order) -> impl Fn(&[u8]) -> IResult<&[u8], u8, Miss> {
    move |input| {
        let (rest, byte) = nom::number::complete::u8(input)?;
        let low = byte & 0x0F;
        Ok((rest, if order == Order::AsDrawn { low } else { (low.reverse_bits()) >> 4 }))
    }
}

/// The sign or point of a digit, and the digit.
fn cell(order: Order) -> impl Fn(&[u8]) -> IResult<&[u8], (bool, Cell), Miss> {
    move |input| {
        let (rest, (high, low)) = (nibble(order), nibble(order)).parse(input)?;
        let cell = match (high & 7) << 4 | low {
            0x7D => Cell::Digit(0),
            0x05 => Cell::Digit(1),
            0x5B => Cell::Digit(2),
            0x1F => Cell::Digit(3),
            0x27 => Cell::Digit(4),
            0x3E => Cell::Digit(5),
            0x7E => Cell::Digit(6),
            0x15 => Cell::Digit(7),
            0x7F => Cell::Digit(8),
            0x3F => Cell::Digit(9),
            0x68 => Cell::L,
            0x00 => Cell::Blank,
            _ => return Err(nom::Err::Error(miss(input))),
        };
        Ok((rest, (high & 8 != 0, cell)))
    }
}

fn miss(input: &[u8]) -> Miss {
    nom::error::ParseError::from_error_kind(input, nom::error::ErrorKind::Verify)
}

fn display(input: &[u8], order: Order) -> IResult<&[u8], Display, Miss> {
    const DIGIT: &str = "the segments of a digit, L or blank";
    let digit = || context(DIGIT, cell(order));
    let unit = || nibble(order);
    let (rest, (signs, (minus, c1), (p1, c2), (p2, c3), (p3, c4))) =
        (nibble(order), digit(), digit(), digit(), digit()).parse(input)?;
    let (rest, (u1, u2, u3, u4, u5)) = (unit(), unit(), unit(), unit(), unit()).parse(rest)?;
    let shown =
        Display { signs, minus, cells: [c1, c2, c3, c4], points: [p1, p2, p3], units: [u1, u2, u3, u4, u5] };
    Ok((rest, shown))
}

fn reading(shown: &Display) -> Result<Reading, Problem> {
    let [u1, u2, u3, u4, _] = shown.units;
    let [micro, nano, kilo, diode] = bits(u1);
    let [milli, percent, mega, beep] = bits(u2);
    let [farad, ohm, relative, hold] = bits(u3);
    let [ampere, volt, hertz, low_battery] = bits(u4);
    // RS232 is lit whenever bytes come. In bit 3 instead of bit 0 it says that byte 1 is printed the other way.
    let signs = if shown.signs & 0b1001 == 0b1000 { shown.signs.reverse_bits() >> 4 } else { shown.signs };
    let [ac, dc, auto_range, _] = bits(signs);

    let signs_found = || Problem::Signs {
        expected: "one unit, at most one prefix and at most one point",
        found: format!(
            "unit nibbles {u1:X} {u2:X} {u3:X} {u4:X} and points {:?}",
            shown.points.map(u8::from)
        ),
    };
    let function = match (diode, ohm, volt, ampere, farad, hertz, percent) {
        (true, false, true, false, false, false, false) => Function::Diode,
        (false, true, false, false, false, false, false) if beep => Function::Continuity,
        (false, true, false, false, false, false, false) => Function::Resistance,
        (false, false, true, false, false, false, false) => current_kind(ac, dc, true),
        (false, false, false, true, false, false, false) => current_kind(ac, dc, false),
        (false, false, false, false, true, false, false) => Function::Capacitance,
        (false, false, false, false, false, true, false) => Function::Frequency,
        (false, false, false, false, false, false, true) => Function::DutyCycle,
        // Degrees and the like stand in the user's nibble, whose bits differ from meter to meter.
        (false, false, false, false, false, false, false) if shown.units[4] != 0 => Function::Other,
        _ => return Err(signs_found()),
    };
    let prefix = match (nano, micro, milli, kilo, mega) {
        (false, false, false, false, false) => 0,
        (true, false, false, false, false) => -9,
        (false, true, false, false, false) => -6,
        (false, false, true, false, false) => -3,
        (false, false, false, true, false) => 3,
        (false, false, false, false, true) => 6,
        _ => return Err(signs_found()),
    };
    let decimals = match shown.points {
        [false, false, false] => 0,
        [true, false, false] => 3,
        [false, true, false] => 2,
        [false, false, true] => 1,
        _ => return Err(signs_found()),
    };
    let value = if shown.cells.contains(&Cell::L) {
        Err(NoValue::Overload(if shown.minus { Sign::Minus } else { Sign::Plus }))
    } else {
        let digits = number(&shown.cells)?;
        let count = if shown.minus { -digits } else { digits };
        Ok(Number { count, exponent: prefix - decimals })
    };
    let flags = Flags { hold, relative, extreme: false, low_battery, auto_range, auto_power_off: false };
    Ok(Reading { value, function: Some(function), flags })
}

/// Digits, of which leading ones may be blank.
fn number(cells: &[Cell; 4]) -> Result<i64, Problem> {
    let shown: Vec<_> = cells.iter().skip_while(|cell| **cell == Cell::Blank).collect();
    let digits = shown.iter().try_fold(0, |sum, cell| match cell {
        Cell::Digit(digit) => Some(sum * 10 + i64::from(*digit)),
        Cell::L | Cell::Blank => None,
    });
    match digits {
        Some(digits) if !shown.is_empty() => Ok(digits),
        _ => Err(Problem::Signs { expected: "digits without a gap", found: format!("{cells:?}") }),
    }
}

fn current_kind(ac: bool, dc: bool, voltage: bool) -> Function {
    match (ac, dc, voltage) {
        (false, true, true) => Function::DcVoltage,
        (true, false, true) => Function::AcVoltage,
        (false, true, false) => Function::DcCurrent,
        (true, false, false) => Function::AcCurrent,
        // AC + DC, or neither lit.
        _ => Function::Other,
    }
}

/// Bits 3, 2, 1, 0.
fn bits(nibble: u8) -> [bool; 4] {
    [nibble & 8 != 0, nibble & 4 != 0, nibble & 2 != 0, nibble & 1 != 0]
}
