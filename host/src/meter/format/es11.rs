//! Blocks of 11 characters, as the Cyrustek 4000-count chip of the IDEAL ND2385 and EZ DM-530SRS sends them,
//! each one twice a conversion.
//!
//! ```text
//! byte  1      2 3 4 5  6         7       8 9          10 11
//!       range  digits   function  status  options 1-2  CR LF
//!
//!              bit 3  bit 2   bit 1        bit 0           all of them 0x30 + bits
//! 7 status     judge  minus   low battery  overload
//! 8 option 1   0      0       0            VAHZ
//! 9 option 2   DC     AC      AUTO         APO
//!
//! 6 function   ; volt   1 diode   3 ohm   5 continuity   2 frequency or RPM   6 capacitance
//!              = uA     9 mA      ? A
//! 1 range      volt: 0 400.0 mV, 1 4.000 V, 2 40.00 V, 3 400.0 V, 4 4000 V
//!              ohm:  0 400.0, 1 4.000k, 2 40.00k, 3 400.0k, 4 4.000M, 5 40.00M
//!              diode, continuity, ampere: always 0; one count is 1 mV in diode test, 0.1 ohm in continuity
//! ```
//!
//! Read in makers' documents: everything but the options (IDEAL ND2385 guide, pp. 17-20, EZ DM-530SRS manual,
//! pp. 30-31), also that an overload sends the digits 4000 and that each block is sent twice. From memory: the
//! options. HOLD, REL and MAX/MIN are not among them: a frozen display of this chip is not seen.
//!
//! Other chips (ES51960, ES51986) send blocks of the same length in which the same bytes mean something else, and
//! nothing in a block tells which it is. So this format is used only when the user names it.
//!
//! The two blocks of a conversion make one reading: a block that is not followed by the same is skipped.

use nom::{
    Parser,
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
const LENGTH: usize = 11;
/// What the digits say with an overload, and the most they say at all.
const OVERLOAD_COUNTS: i64 = 4000;

/// The decoder of the format.
#[derive(Debug)]
pub(crate) struct Es11(pub(crate) SevenOdd);

impl Wire for Es11 {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        let seven = self.0;
        let first = fixed::<LENGTH>(waiting, |index, byte| match (seven.character(byte), index) {
            (None, _) => (false, "a character with odd parity"),
            (Some(character), 9) => (character == b'\r', "CR"),
            (Some(character), 10) => (character == b'\n', "LF"),
            (Some(character), _) => (character >> 4 == 3, "a character from 0 to ?"),
        });
        let Cut::Frame { .. } = first else { return first };
        let (first, behind) = waiting.split_at(LENGTH);
        match behind.get(..LENGTH) {
            Some(second) if second == first => Cut::Frame { skip: 0, length: 2 * LENGTH },
            None if first.starts_with(behind) => Cut::More,
            // The other block of this one is lost.
            _ => Cut::Skip(LENGTH),
        }
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        let mut block = [0; LENGTH];
        for (character, byte) in block.iter_mut().zip(frame) {
            *character = byte & 0x7F;
        }
        let (range, count, function, status, [dc, ac, auto_range, auto_power_off]) =
            content(&block[..LENGTH - 2], rule)?;
        let [overload, low_battery, minus, _] = status;
        if overload != (count == OVERLOAD_COUNTS) {
            let found = format!("{count} with the overload bit {}", u8::from(overload));
            return Err(Problem::Signs { expected: "the digits 4000 with an overload and only then", found });
        }
        let (function, exponent) = meaning(function, range, ac, dc)?;
        into.value = match exponent {
            _ if overload => Err(NoValue::Overload(if minus { Sign::Minus } else { Sign::Plus })),
            Some(exponent) => Ok(Number { count: if minus { -count } else { count }, exponent }),
            None => Err(NoValue::NotMeasured),
        };
        into.function = Some(function);
        into.flags = Flags { low_battery, auto_range, auto_power_off, ..Flags::default() };
        Ok(Content::Reading)
    }
}

type Parts = (u8, i64, u8, [bool; 4], [bool; 4]);

#[inline]
fn rule(input: &[u8]) -> Matched<'_, Parts> {
    let nibble = map(byte, |character| character & 0x0F);
    let counts = verify(digits::<4>, |count| *count <= OVERLOAD_COUNTS);
    let option1 = verify(byte, |character| character & 0b1110 == 0);
    (
        nibble,
        context("digits up to 4000", counts),
        byte,
        map(byte, |character| {
            let [overload, low_battery, minus, judge, ..] = bits(character);
            [overload, low_battery, minus, judge]
        }),
        context("zero in the unused option bits", option1),
        map(byte, |character| {
            let [auto_power_off, auto_range, ac, dc, ..] = bits(character);
            [dc, ac, auto_range, auto_power_off]
        }),
    )
        .map(|(range, count, function, status, _, option2)| (range, count, function, status, option2))
        .parse(input)
}

/// What the function code says, and the power of ten of one count where it is known.
#[inline]
fn meaning(code: u8, range: u8, ac: bool, dc: bool) -> Result<(Function, Option<i8>), Problem> {
    let power = i8::try_from(range).unwrap_or(i8::MAX);
    let volts = || match (ac, dc) {
        (false, true) => Function::DcVoltage,
        (true, false) => Function::AcVoltage,
        // Some meters light neither for DC: the maker's tables do not tell.
        _ => Function::Other,
    };
    let amperes = || if ac && !dc { Function::AcCurrent } else { Function::DcCurrent };
    Ok(match (code, range) {
        (b'1', 0) => (Function::Diode, Some(-3)),
        (b';', 0..=4) => (volts(), Some(power - 4)),
        (b'3', 0..=5) => (Function::Resistance, Some(power - 1)),
        (b'5', 0) => (Function::Continuity, Some(-1)),
        (b'9', 0..=1) => (amperes(), Some(power - 5)),
        (b'?', 0) | (b'=', _) => (amperes(), None),
        (b'1' | b';' | b'3' | b'5' | b'9' | b'?', _) => {
            let expected = "a range that the function has";
            return Err(Problem::Byte { place: 1, expected, found: b'0' | range });
        }
        (b'2', _) => (Function::Frequency, None),
        (b'6', _) => (Function::Capacitance, None),
        (found, _) => return Err(Problem::Byte { place: 6, expected: "a function code", found }),
    })
}

#[cfg(test)]
mod tests {
    use crate::{
        meter::{Decoder, shipped},
        moment::Moment,
    };

    const FIRST: &[u8] = b"005431008\r\n";
    const SECOND: &[u8] = b"005441008\r\n";
    const THIRD: &[u8] = b"005451008\r\n";

    /// The counts that come out of the blocks, byte by byte, with the milliseconds of their first and last byte.
    fn counts(blocks: &[&[u8]]) -> Vec<(i64, u64, u64)> {
        let mut decoder = Decoder::every_frame(&shipped("es11").unwrap());
        let mut found = Vec::new();
        for (index, byte) in blocks.concat().iter().enumerate() {
            decoder.push(&[*byte], Moment::from_micros(index as u64 * 1000));
            while let Some(pulled) = decoder.pull() {
                let reading = pulled.unwrap();
                let stamps = (reading.first_byte.as_micros() / 1000, reading.last_byte.as_micros() / 1000);
                found.push((reading.item.value.unwrap().count, stamps.0, stamps.1));
            }
        }
        found
    }

    #[test]
    fn two_blocks_make_a_reading() {
        assert_eq!(counts(&[FIRST, FIRST, SECOND, SECOND]), [(543, 0, 21), (544, 22, 43)]);
    }

    #[test]
    fn a_block_that_is_not_said_again_is_skipped() {
        assert_eq!(counts(&[FIRST, SECOND, SECOND]), [(544, 11, 32)]);
        assert_eq!(counts(&[FIRST, FIRST, SECOND, THIRD, THIRD]), [(543, 0, 21), (545, 33, 54)]);
        assert_eq!(counts(&[FIRST]), []);
    }
}
