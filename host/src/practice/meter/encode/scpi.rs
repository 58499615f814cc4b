//! NR3 with nine digits, `SD.DDDDDDDDESDD`, as the 34401A prints it (p. 159).

use super::{Display, Shown};

pub(super) fn encode(display: &Display) -> Vec<u8> {
    let Shown::Count { count, decimals } = display.shown else { return b"+9.90000000E+37\r\n".to_vec() };
    let sign = if count < 0 { '-' } else { '+' };
    let digits = count.unsigned_abs().to_string();
    // At most nine significant digits, the first before the point.
    let power = if count == 0 { 0 } else { digits.len() as i32 - 1 - decimals };
    let mantissa = format!("{digits:0<9}");
    let (first, rest) = mantissa.split_at(1);
    let power_sign = if power < 0 { '-' } else { '+' };
    format!("{sign}{first}.{}E{power_sign}{:02}\r\n", &rest[..8], power.abs()).into_bytes()
}
