//! Lines of words, as the TPI 196 streams them.
//!
//! ```text
//! 2  DIO  0.543  V  CR LF       a value: function, sign and number, unit
//! 3  REL  ON     CR LF          a key was pressed
//! 1  ...                        a key is on
//!
//! functions: DIO diode, DCV, ACV, DCA, ACA, OHM, BEP continuity, CAP, FRQ
//! ```
//!
//! Read in the TPI 196 manual, p. 37, whose example is `2 DCV -1.2345 mV`. Not certain: that an overload is sent
//! as `OL` with a point anywhere, and the words behind the key codes.

use nom::{Parser, bytes::complete::tag, combinator::map_opt, error::context, sequence::preceded};

use super::{
    Content, Cut, Lines, Wire,
    display_text::{Quantity, shown, unit},
    lines::text,
    rule::{Matched, content},
};
use crate::meter::{Flags, Function, Problem, Reading};

/// The decoder of the format, with the keys that it has seen pressed.
#[derive(Debug)]
pub(crate) struct Tpi196 {
    lines: Lines,
    keys: Flags,
}

impl Tpi196 {
    pub(crate) fn new(lines: Lines) -> Self {
        Self { lines, keys: Flags::default() }
    }
}

impl Wire for Tpi196 {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        self.lines.cut(waiting)
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        let line = text(frame);
        if let [b'1' | b'3', b' ', key @ ..] = line {
            self.key(key);
            return Ok(Content::Nothing);
        }
        let (function, value, (quantity, power)) = content(line, rule)?;
        if !quantity.suits(function) {
            return Err(Problem::text("a unit that goes with the function", line));
        }
        let value = shown(value, b'.', power)
            .ok_or_else(|| Problem::text("a number or OL after the function", line))?;
        *into = Reading { value, function: Some(function), flags: self.keys };
        Ok(Content::Reading)
    }

    fn give_up(&self, frame_length: usize) -> usize {
        frame_length
    }

    fn reset(&mut self) {
        self.lines.reset();
    }
}

impl Tpi196 {
    /// Remembers a key that changes what the numbers mean: `REL ON`, `HOLD OFF`.
    fn key(&mut self, words: &[u8]) {
        let mut words = words.split(|byte| *byte == b' ').filter(|word| !word.is_empty());
        let (key, state) = (words.next().unwrap_or_default(), words.next().unwrap_or_default());
        let is_on = match state {
            b"ON" => true,
            b"OFF" => false,
            _ => return,
        };
        match key {
            b"REL" => self.keys.relative = is_on,
            b"HOLD" => self.keys.hold = is_on,
            b"MAX" | b"MIN" => self.keys.extreme = is_on,
            _ => {}
        }
    }
}

#[inline]
fn rule(input: &[u8]) -> Matched<'_, (Function, &[u8], (Quantity, i8))> {
    let function = map_opt(word, |name: &[u8]| {
        Some(match name {
            b"DIO" => Function::Diode,
            b"DCV" => Function::DcVoltage,
            b"ACV" => Function::AcVoltage,
            b"DCA" => Function::DcCurrent,
            b"ACA" => Function::AcCurrent,
            b"OHM" => Function::Resistance,
            b"BEP" => Function::Continuity,
            b"CAP" => Function::Capacitance,
            b"FRQ" => Function::Frequency,
            _ => return None,
        })
    });
    preceded(
        context("2 before a value", tag(&b"2 "[..])),
        (context("a function", function), signed, context("a unit", map_opt(word, unit))),
    )
    .parse(input)
}

/// A word, with the blanks before and behind it.
#[inline]
fn word(input: &[u8]) -> Matched<'_, &[u8]> {
    let input = input.trim_ascii_start();
    let end = input.iter().position(|byte| *byte == b' ').unwrap_or(input.len());
    let (word, rest) = input.split_at(end);
    Ok((rest.trim_ascii_start(), word))
}

/// A sign, blanks and the word behind it.
#[inline]
fn signed(input: &[u8]) -> Matched<'_, &[u8]> {
    let digits = match input {
        [b'+' | b'-', rest @ ..] => rest,
        rest => rest,
    };
    let (rest, _) = word(digits)?;
    Ok((rest, &input[..input.len() - rest.len()]))
}
