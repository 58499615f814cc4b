//! NR3 with nine digits, `SD.DDDDDDDDESDD`, as the 34401A prints it (p. 159).

use super::{Display, Shown};

pub(super) fn encode(display: &Display) -> Vec<u8> {
    let sign = if display.shown.is_minus() { '-' } else { '+' };
    let Shown::Count { count, decimals } = display.shown else {
        return format!("{sign}9.90000000E+37\r\n").into_bytes();
    };
    let digits = count.unsigned_abs().to_string();
    // The first digit stands before the point, eight behind it.
    let power = if count == 0 { 0 } else { digits.len() as i32 - 1 - i32::from(decimals) };
    let mantissa = format!("{digits:0<9}");
    let power_sign = if power < 0 { '-' } else { '+' };
    format!("{sign}{}.{}E{power_sign}{:02}\r\n", &mantissa[..1], &mantissa[1..9], power.abs()).into_bytes()
}
