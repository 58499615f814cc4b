//! How a serial line is set.

use serde::{Deserialize, Serialize};

/// Settings of a serial line. Ports that are no serial line (`tcp:`) ignore them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// Bits a second.
    pub baud: u32,
    /// Data bits of a character.
    pub data_bits: DataBits,
    /// Parity bit of a character.
    pub parity: Parity,
    /// Stop bits of a character.
    pub stop_bits: StopBits,
    /// Level of DTR after opening; `None` leaves it to the system. Many optical cables are fed from it.
    pub dtr: Option<bool>,
    /// Level of RTS after opening; `None` leaves it to the system.
    pub rts: Option<bool>,
}

/// Data bits of a character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub enum DataBits {
    /// Seven.
    Seven,
    /// Eight.
    Eight,
}

/// Parity bit of a character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
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

impl Default for Settings {
    /// 9600 8N1, lines as the system leaves them.
    fn default() -> Self {
        Self {
            baud: 9600,
            data_bits: DataBits::Eight,
            parity: Parity::None,
            stop_bits: StopBits::One,
            dtr: None,
            rts: None,
        }
    }
}

impl Settings {
    /// What the switching board speaks on its UART: 115200 8N1, DTR raised, which USB serial firmware waits for.
    pub const SWITCHING_BOARD: Self = Self {
        baud: 115_200,
        data_bits: DataBits::Eight,
        parity: Parity::None,
        stop_bits: StopBits::One,
        dtr: Some(true),
        rts: None,
    };

    /// Bits on the line for one character, with start, parity and stop bits.
    #[must_use]
    pub fn bits_per_character(&self) -> u32 {
        let parity = u32::from(self.parity != Parity::None);
        1 + u32::from(u8::from(self.data_bits)) + parity + u32::from(u8::from(self.stop_bits))
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
            other => Err(format!("expected 7 or 8 data bits, found {other}")),
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
            other => Err(format!("expected 1 or 2 stop bits, found {other}")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_the_bits_of_a_character() {
        assert_eq!(Settings::default().bits_per_character(), 10);
        let seven_odd = Settings { data_bits: DataBits::Seven, parity: Parity::Odd, ..Settings::default() };
        assert_eq!(seven_odd.bits_per_character(), 10);
        let seven_two =
            Settings { data_bits: DataBits::Seven, stop_bits: StopBits::Two, ..Settings::default() };
        assert_eq!(seven_two.bits_per_character(), 10);
    }
}
