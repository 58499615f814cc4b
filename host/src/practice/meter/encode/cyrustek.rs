//! Blocks of characters from 0 to ?, with odd parity.

use super::Display;
use crate::meter::Function;

/// A character that carries four bits.
fn packet(bits: [bool; 4]) -> char {
    let value = bits.iter().fold(0u8, |value, bit| value * 2 + u8::from(*bit));
    char::from(b"0123456789:;<=>?"[usize::from(value)])
}

fn status(display: &Display, is_overload: bool) -> char {
    packet([false, display.shown.is_minus(), display.low_battery, is_overload])
}

const fn function(function: Function) -> char {
    match function {
        Function::Diode => '1',
        Function::Continuity => '5',
        Function::DcVoltage | Function::AcVoltage => ';',
        _ => '3',
    }
}

/// As the port hands it over.
fn on_port(block: String, is_eight_bits: bool) -> Vec<u8> {
    let mut bytes = block.into_bytes();
    bytes.extend(b"\r\n");
    if is_eight_bits {
        for byte in &mut bytes {
            let is_even = byte.count_ones() % 2 == 0;
            *byte |= if is_even { 0x80 } else { 0 };
        }
    }
    bytes
}

pub(super) fn encode14(display: &Display, is_eight_bits: bool) -> Vec<u8> {
    let digits = display.shown.digits(4, 5);
    let digits = digits.filter(|digits| digits.as_str() <= "22000");
    let is_overload = digits.is_none();
    let digits = digits.unwrap_or_else(|| "22000".to_owned());
    let is_dc = matches!(display.function, Function::Diode | Function::DcVoltage);
    let block = format!(
        "0{digits}{}{}{}0{}{}",
        function(display.function),
        status(display, is_overload),
        packet([display.extreme, false, display.relative, false]),
        packet([is_dc, false, false, false]),
        packet([false, false, display.hold, false]),
    );
    on_port(block, is_eight_bits)
}

pub(super) fn encode11(display: &Display, is_eight_bits: bool) -> Vec<u8> {
    let digits = display.shown.digits(3, 4).filter(|digits| digits.as_str() < "4000");
    let is_overload = digits.is_none();
    let block = format!(
        "{}{}{}{}0{}",
        if matches!(display.function, Function::DcVoltage) { '1' } else { '0' },
        digits.unwrap_or_else(|| "4000".to_owned()),
        function(display.function),
        status(display, is_overload),
        packet([true, false, false, display.auto_power_off]),
    );
    on_port(block, is_eight_bits)
}
