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
//! The two blocks of a conversion make one reading: it is handed out when the second has come and is the same.

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
pub(crate) struct Es11 {
    seven: SevenOdd,
    /// The first block of a conversion.
    first: Option<[u8; LENGTH]>,
}

impl Es11 {
    pub(crate) const fn new(seven: SevenOdd) -> Self {
        Self { seven, first: None }
    }
}

impl Wire for Es11 {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        // The second block of a conversion is what the first one was, and that one has been looked at.
        if let Some(first) = &self.first
            && waiting.starts_with(first)
        {
            return Cut::Frame { skip: 0, length: LENGTH };
        }
        let seven = self.seven;
        fixed::<LENGTH>(waiting, |index, byte| match (seven.character(byte), index) {
            (None, _) => (false, "a character with odd parity"),
            (Some(character), 9) => (character == b'\r', "CR"),
            (Some(character), 10) => (character == b'\n', "LF"),
            (Some(character), _) => (character >> 4 == 3, "a character from 0 to ?"),
        })
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        if self.first.take().is_some_and(|first| first == frame) {
            let mut block = [0; LENGTH];
            for (character, byte) in block.iter_mut().zip(frame) {
                *character = byte & 0x7F;
            }
            *into = reading(&block[..LENGTH - 2])?;
            return Ok(Content::Second);
        }
        // What it says is looked at when it is said again.
        self.first = frame.try_into().ok();
        Ok(Content::First)
    }

    fn reset(&mut self) {
        self.first = None;
    }
}

fn reading(block: &[u8]) -> Result<Reading, Problem> {
    let (range, count, function, status, [dc, ac, auto_range, auto_power_off]) = content(block, rule)?;
    let [overload, low_battery, minus, _] = status;
    if overload != (count == OVERLOAD_COUNTS) {
        let found = format!("{count} with the overload bit {}", u8::from(overload));
        return Err(Problem::Signs { expected: "the digits 4000 with an overload and only then", found });
    }
    let (function, exponent) = meaning(function, range, ac, dc)?;
    let value = match exponent {
        _ if overload => Err(NoValue::Overload(if minus { Sign::Minus } else { Sign::Plus })),
        Some(exponent) => Ok(Number { count: if minus { -count } else { count }, exponent }),
        None => Err(NoValue::NotMeasured),
    };
    let flags = Flags { low_battery, auto_range, auto_power_off, ..Flags::default() };
    Ok(Reading { value, function: Some(function), flags })
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
