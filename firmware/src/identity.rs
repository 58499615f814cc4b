//! What a board tells of itself, beside what its switch and fittings tell.

use protocol::ResetCause;

/// Version of this firmware: major, minor, patch.
pub const FIRMWARE_VERSION: (u8, u8, u8) = (
    number(env!("CARGO_PKG_VERSION_MAJOR")),
    number(env!("CARGO_PKG_VERSION_MINOR")),
    number(env!("CARGO_PKG_VERSION_PATCH")),
);

/// Who this board is and how it came up; only the image knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Identity {
    /// Another value after each start, so that the host notices a start in the middle of its work.
    pub boot_id: u32,
    /// Names this one unit.
    pub unique_id: [u8; 8],
    /// What started it.
    pub reset: ResetCause,
}

/// Reads a decimal number at compile time; a version part above 255 does not compile.
#[expect(clippy::arithmetic_side_effects, clippy::indexing_slicing, reason = "evaluated at compile time")]
const fn number(text: &str) -> u8 {
    let (digits, mut at, mut value) = (text.as_bytes(), 0, 0);
    while at < digits.len() {
        value = value * 10 + (digits[at] - b'0');
        at += 1;
    }
    value
}

#[cfg(test)]
mod tests {
    use super::number;

    #[test]
    fn numbers_are_read() {
        for (text, value) in [("0", 0), ("7", 7), ("10", 10), ("255", 255)] {
            assert_eq!(number(text), value);
        }
    }
}
