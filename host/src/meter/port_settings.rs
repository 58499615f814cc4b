//! How a serial port must be set to hear a meter.

use std::time::Duration;

use serde::{Deserialize, Serialize};

/// Settings of a serial port.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PortSettings {
    /// Bits per second.
    pub baud: u32,
    /// Data bits.
    pub data_bits: DataBits,
    /// Parity bit.
    pub parity: Parity,
    /// Stop bits.
    pub stop_bits: StopBits,
    /// Level of DTR while the port is open. Many optical cables are fed from DTR and RTS.
    pub dtr: bool,
    /// Level of RTS while the port is open.
    pub rts: bool,
}

/// Data bits of a character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub enum DataBits {
    /// 7, ASCII.
    Seven,
    /// 8.
    Eight,
}

/// Parity bit of a character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Parity {
    /// No parity bit.
    None,
    /// The number of ones is odd.
    Odd,
    /// The number of ones is even.
    Even,
}

/// Stop bits of a character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub enum StopBits {
    /// One.
    One,
    /// Two.
    Two,
}

impl PortSettings {
    /// Time that one character takes on the wire.
    #[must_use]
    pub fn byte_time(&self) -> Duration {
        let parity = u64::from(self.parity != Parity::None);
        let bits = 1 + u64::from(u8::from(self.data_bits)) + parity + u64::from(u8::from(self.stop_bits));
        Duration::from_nanos(bits * 1_000_000_000 / u64::from(self.baud.max(1)))
    }
}

impl From<DataBits> for u8 {
    fn from(bits: DataBits) -> Self {
        match bits {
            DataBits::Seven => 7,
            DataBits::Eight => 8,
        }
    }
}

impl TryFrom<u8> for DataBits {
    type Error = String;
    fn try_from(bits: u8) -> Result<Self, String> {
        match bits {
            7 => Ok(Self::Seven),
            8 => Ok(Self::Eight),
            _ => Err(format!("expected 7 or 8 data bits, found {bits}")),
        }
    }
}

impl From<StopBits> for u8 {
    fn from(bits: StopBits) -> Self {
        match bits {
            StopBits::One => 1,
            StopBits::Two => 2,
        }
    }
}

impl TryFrom<u8> for StopBits {
    type Error = String;
    fn try_from(bits: u8) -> Result<Self, String> {
        match bits {
            1 => Ok(Self::One),
            2 => Ok(Self::Two),
            _ => Err(format!("expected 1 or 2 stop bits, found {bits}")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_character_lasts_as_long_as_its_bits() {
        // 14 characters of 10 bits at 2400 baud are 58.3 ms, 14 of 10 bits at 1200 baud 116.7 ms.
        let port = |baud, data_bits, parity, stop_bits| PortSettings {
            baud,
            data_bits,
            parity,
            stop_bits,
            dtr: true,
            rts: false,
        };
        let ms = |port: PortSettings| (port.byte_time() * 14).as_millis();
        assert_eq!(ms(port(2400, DataBits::Eight, Parity::None, StopBits::One)), 58);
        assert_eq!(ms(port(1200, DataBits::Seven, Parity::None, StopBits::Two)), 116);
        assert_eq!(ms(port(1200, DataBits::Seven, Parity::Odd, StopBits::One)), 116);
    }
}
