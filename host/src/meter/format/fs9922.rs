//! Digits in ASCII and signs in bits, as the Fortune FS9922-DMM3 and FS9922-DMM4 send them: 14 bytes.
//!
//! ```text
//! byte  1     2 3 4 5   6      7      8    9    10   11   12         13 14
//!       sign  digits    space  point  SB1  SB2  SB3  SB4  bar graph  CR LF
//!       + -   0..9 or          0 none           raw bits
//!             ?0:? (OL)        1 d.ddd
//!                              2 dd.dd
//!                              4 ddd.d
//!
//!        bit 7  bit 6   bit 5  bit 4  bit 3  bit 2        bit 1  bit 0
//! SB1                   AUTO   DC     AC     REL          HOLD   bar graph
//! SB2                   MAX    MIN    APO    low battery  nano
//! SB3    micro  milli   kilo   mega   beep   diode        %      user
//! SB4    volt   ampere  ohm    hFE    hertz  farad        degC   degF
//! ```
//!
//! All of it is from memory of the FS9922-DMM4 data sheet, section RS232.
//!
//! The raw bytes may be CR or LF by chance, so the frame is never cut at its end alone: sign, space and end must
//! all stand in their places.

use nom::{
    Parser,
    branch::alt,
    bytes::complete::tag,
    combinator::{map, value, verify},
    error::context,
    sequence::terminated,
};

use super::{
    Content, Cut, Wire,
    rule::{Matched, byte, content, digits, fixed},
    signs::{Signs, bits},
};
use crate::meter::{Flags, NoValue, Number, Problem, Reading, Sign};

/// Bytes of a frame.
const LENGTH: usize = 14;

/// The decoder of the format.
#[derive(Debug, Default)]
pub(crate) struct Fs9922;

impl Wire for Fs9922 {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        fixed::<LENGTH>(waiting, |index, byte| match index {
            0 => (matches!(byte, b'+' | b'-'), "a sign"),
            5 => (byte == b' ', "a space"),
            12 => (byte == b'\r', "CR"),
            13 => (byte == b'\n', "LF"),
            _ => (true, ""),
        })
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        let (negative, count, decimals, [sb1, sb2, sb3, sb4]) = content(frame, rule)?;
        let [_, hold, relative, ac, dc, auto_range, ..] = sb1;
        let [_, nano, low_battery, auto_power_off, minimum, maximum, ..] = sb2;
        let [_, percent, diode, beep, mega, kilo, milli, micro] = sb3;
        let [fahrenheit, celsius, farad, hertz, gain, ohm, ampere, volt] = sb4;
        let lit = Signs {
            diode,
            beep,
            ac,
            dc,
            volt,
            ampere,
            ohm,
            farad,
            hertz,
            percent,
            other: celsius || fahrenheit || gain,
            nano,
            micro,
            milli,
            kilo,
            mega,
        };
        let function = Some(lit.function()?);
        let exponent = lit.prefix()? - decimals;
        let value = match count {
            Some(count) => Ok(Number { count: if negative { -count } else { count }, exponent }),
            None => Err(NoValue::Overload(if negative { Sign::Minus } else { Sign::Plus })),
        };
        let extreme = minimum || maximum;
        let flags = Flags { hold, relative, extreme, low_battery, auto_range, auto_power_off };
        *into = Reading { value, function, flags };
        Ok(Content::Reading)
    }
}

type Parts = (bool, Option<i64>, i8, [[bool; 8]; 4]);

#[inline]
fn rule(input: &[u8]) -> Matched<'_, Parts> {
    let sign = map(byte, |byte| byte == b'-');
    let point = map(verify(byte, |byte| matches!(byte, b'0' | b'1' | b'2' | b'4')), |byte| match byte {
        b'1' => 3,
        b'2' => 2,
        b'4' => 1,
        _ => 0,
    });
    let counts = alt((value(None, tag(&b"?0:?"[..])), map(digits::<4>, Some)));
    let signs = map((byte, byte, byte, byte), |(a, b, c, d)| [a, b, c, d].map(bits));
    let end = (byte, tag(&b"\r\n"[..]));
    (
        sign,
        context("a digit, or ?0:? for an overload", counts),
        tag(&b" "[..]),
        context("0, 1, 2 or 4 for the point", point),
        terminated(signs, end),
    )
        .map(|(negative, count, _, decimals, signs)| (negative, count, decimals, signs))
        .parse(input)
}
