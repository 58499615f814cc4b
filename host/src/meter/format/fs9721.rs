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

use nom::{Parser, error::context};

use super::{
    Content, Cut, Wire,
    rule::{Matched, byte, content, fixed, miss},
    signs::{Signs, bits},
};
use crate::meter::{Flags, NoValue, Number, Problem, Reading, Sign};

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

impl Order {
    const fn other(self) -> Self {
        match self {
            Self::AsDrawn => Self::Mirrored,
            Self::Mirrored => Self::AsDrawn,
        }
    }
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
        const PLACE: &str = "its place in the high nibble";
        fixed::<LENGTH>(waiting, |index, byte| (usize::from(byte >> 4) == index + 1, PLACE))
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        let hold_against = |order| content(frame, |input| display(input, order));
        let shown = match self.order {
            Some(order) => match hold_against(order) {
                Ok(shown) => shown,
                Err(problem) => {
                    // If only the other order fits, the stream contradicts what was learned, by damage or because it
                    // was learned from damage: the frame is refused and the next one tells anew.
                    if hold_against(order.other()).is_ok() {
                        self.order = None;
                    }
                    return Err(problem);
                }
            },
            None => match (hold_against(Order::AsDrawn), hold_against(Order::Mirrored)) {
                // Only digits that read alike both ways: no telling yet.
                (Ok(_), Ok(_)) => return Ok(Content::Nothing),
                (Ok(shown), Err(_)) => {
                    self.order = Some(Order::AsDrawn);
                    shown
                }
                (Err(_), Ok(shown)) => {
                    self.order = Some(Order::Mirrored);
                    shown
                }
                (Err(problem), Err(_)) => return Err(problem),
            },
        };
        *into = reading(&shown)?;
        Ok(Content::Reading)
    }
}

/// The low nibble of the next byte.
fn nibble(order: Order) -> impl Fn(&[u8]) -> Matched<'_, u8> {
    move |input| {
        let (rest, byte) = byte(input)?;
        let low = byte & 0x0F;
        Ok((rest, if order == Order::AsDrawn { low } else { (low.reverse_bits()) >> 4 }))
    }
}

/// The sign or point of a digit, and the digit.
fn cell(order: Order) -> impl Fn(&[u8]) -> Matched<'_, (bool, Cell)> {
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
            _ => return miss(input, nom::error::ErrorKind::Verify),
        };
        Ok((rest, (high & 8 != 0, cell)))
    }
}

fn display(input: &[u8], order: Order) -> Matched<'_, Display> {
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
    let [u1, u2, u3, u4, user] = shown.units.map(bits);
    // RS232 is lit whenever bytes come. In bit 3 instead of bit 0 it says that byte 1 is printed the other way.
    let is_reversed = shown.signs & 0b1001 == 0b1000;
    let signs = bits(if is_reversed { shown.signs.reverse_bits() >> 4 } else { shown.signs });
    let lit = Signs {
        diode: u1[0],
        kilo: u1[1],
        nano: u1[2],
        micro: u1[3],
        beep: u2[0],
        mega: u2[1],
        percent: u2[2],
        milli: u2[3],
        ohm: u3[2],
        farad: u3[3],
        hertz: u4[1],
        volt: u4[2],
        ampere: u4[3],
        dc: signs[2],
        ac: signs[3],
        // Degrees and the like stand in the user's nibble, whose bits differ from meter to meter.
        other: user.contains(&true),
    };
    let function = lit.function()?;
    let decimals = match shown.points {
        [false, false, false] => 0,
        [true, false, false] => 3,
        [false, true, false] => 2,
        [false, false, true] => 1,
        points => {
            let found = format!("points {:?}", points.map(u8::from));
            return Err(Problem::Signs { expected: "at most one point", found });
        }
    };
    let exponent = lit.prefix()? - decimals;
    let value = if shown.cells.contains(&Cell::L) {
        Err(NoValue::Overload(if shown.minus { Sign::Minus } else { Sign::Plus }))
    } else {
        let digits = number(&shown.cells)?;
        Ok(Number { count: if shown.minus { -digits } else { digits }, exponent })
    };
    let flags =
        Flags { hold: u3[0], relative: u3[1], low_battery: u4[0], auto_range: signs[1], ..Flags::default() };
    Ok(Reading { value, function: Some(function), flags })
}

/// Digits, of which leading ones may be blank.
fn number(cells: &[Cell; 4]) -> Result<i64, Problem> {
    let mut number = None;
    for cell in cells {
        match (cell, number) {
            (Cell::Digit(digit), before) => number = Some(before.unwrap_or(0) * 10 + i64::from(*digit)),
            (Cell::Blank, None) => {}
            (Cell::Blank | Cell::L, _) => {
                number = None;
                break;
            }
        }
    }
    number.ok_or_else(|| Problem::Signs { expected: "digits without a gap", found: format!("{cells:?}") })
}
