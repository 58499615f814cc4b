//! Characters of seven bits with odd parity, also through a port that has only eight.
//!
//! Start, seven bits, parity and stop are as long as start, eight bits and stop. A port that cannot do seven bits
//! is opened with eight and no parity; the parity then stands in bit 7 and is checked here.

use crate::meter::{DataBits, Parity, PortSettings};

/// How characters of seven bits and odd parity come from the port.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum SevenOdd {
    /// The port takes the parity bit off.
    ByPort,
    /// The parity bit is bit 7.
    InBit7,
}

impl SevenOdd {
    pub(crate) fn of(port: &PortSettings) -> Self {
        let has_eight = port.data_bits == DataBits::Eight && port.parity == Parity::None;
        if has_eight { Self::InBit7 } else { Self::ByPort }
    }

    /// The character, if its parity is right.
    pub(crate) const fn character(self, byte: u8) -> Option<u8> {
        let fits = match self {
            Self::ByPort => byte < 0x80,
            Self::InBit7 => byte.count_ones() % 2 == 1,
        };
        if fits { Some(byte & 0x7F) } else { None }
    }
}
