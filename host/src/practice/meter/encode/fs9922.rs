//! Digits as text and four bytes of signs.

use super::Display;
use crate::meter::Function;

pub(super) fn encode(display: &Display) -> Vec<u8> {
    let sign = if display.shown.is_minus() { '-' } else { '+' };
    let digits = display.shown.digits(3, 4).unwrap_or_else(|| "?0:?".to_owned());
    let mut frame = format!("{sign}{digits} 1").into_bytes();
    let (mut sb1, sb3, sb4) = match display.function {
        Function::Diode => (0, 0b0000_0100, 0b1000_0000),
        Function::Continuity => (0, 0b0000_1000, 0b0010_0000),
        Function::DcVoltage => (0b0011_0000, 0, 0b1000_0000),
        _ => (0b0010_0000, 0b0001_0000, 0b0010_0000),
    };
    let mut sb2 = 0;
    if display.hold {
        sb1 |= 0b10;
    }
    if display.relative {
        sb1 |= 0b100;
    }
    if display.low_battery {
        sb2 |= 0b100;
    }
    if display.extreme {
        sb2 |= 0b10_0000;
    }
    if display.auto_power_off {
        sb2 |= 0b1000;
    }
    frame.extend([sb1, sb2, sb3, sb4, 0, b'\r', b'\n']);
    frame
}
