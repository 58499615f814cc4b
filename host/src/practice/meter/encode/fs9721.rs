//! Segments of a seven-segment display, drawn letter by letter (a on top, then clockwise b to f, g in the middle).

use super::{Display, Shown};
use crate::meter::Function;

/// Segments of the digits, as on every seven-segment display.
const DIGITS: [&str; 10] =
    ["abcdef", "bc", "abdeg", "abcdg", "bcfg", "acdfg", "acdefg", "abc", "abcdefg", "abcdfg"];
const LETTER_L: &str = "def";

/// What can be lit besides digits: byte and bit of each sign.
const AUTO: (usize, u8) = (1, 1);
const DC: (usize, u8) = (1, 2);
const RS232: (usize, u8) = (1, 0);
const DIODE: (usize, u8) = (10, 0);
const BEEP: (usize, u8) = (11, 0);
const MEGA: (usize, u8) = (11, 1);
const HOLD: (usize, u8) = (12, 0);
const REL: (usize, u8) = (12, 1);
const OHM: (usize, u8) = (12, 2);
const VOLT: (usize, u8) = (13, 2);
const BATTERY: (usize, u8) = (13, 0);

pub(super) fn encode(display: &Display) -> Vec<u8> {
    let mut frame: Vec<u8> = (1..=14).map(|place: u8| place << 4).collect();
    let mut light = |(byte, bit): (usize, u8)| frame[byte - 1] |= 1 << bit;
    light(RS232);
    match display.function {
        Function::Diode => [DIODE, VOLT].map(&mut light).len(),
        Function::DcVoltage => [AUTO, DC, VOLT].map(&mut light).len(),
        Function::Continuity => [BEEP, OHM].map(&mut light).len(),
        _ => [AUTO, MEGA, OHM].map(&mut light).len(),
    };
    for (lit, sign) in [(display.hold, HOLD), (display.relative, REL), (display.low_battery, BATTERY)] {
        if lit {
            light(sign);
        }
    }
    let (cells, point) = cells(display.shown);
    for (digit, segments) in cells.iter().enumerate() {
        let first = 2 + 2 * digit;
        for segment in segments.chars() {
            light(match segment {
                'a' => (first, 0),
                'b' => (first + 1, 0),
                'c' => (first + 1, 2),
                'd' => (first + 1, 3),
                'e' => (first, 2),
                'f' => (first, 1),
                _ => (first + 1, 1),
            });
        }
    }
    if let Some(digit) = point {
        light((2 + 2 * digit, 3));
    }
    if display.shown.is_minus() {
        light((2, 3));
    }
    frame
}

/// Segments of the four digits, and the digit that has the point before it.
fn cells(shown: Shown) -> ([&'static str; 4], Option<usize>) {
    match shown.digits(3, 4) {
        Some(digits) => {
            let mut cells = [""; 4];
            for (cell, digit) in cells.iter_mut().zip(digits.bytes()) {
                *cell = DIGITS[usize::from(digit - b'0')];
            }
            (cells, Some(1))
        }
        None => (["", DIGITS[0], LETTER_L, ""], Some(2)),
    }
}
