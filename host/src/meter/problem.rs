//! What can be wrong with a meter's bytes.

use crate::moment::Moment;

/// Bytes that are no reading, with the time at which they arrived. The decoder has gone on behind them.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{format} bytes at {at}: {problem}")]
pub struct MeterError {
    /// When the first of these bytes arrived.
    pub at: Moment,
    /// The format that they were held against.
    pub format: &'static str,
    /// What is wrong with them.
    pub problem: Problem,
}

/// Why bytes are no reading.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Problem {
    /// One byte is not what its place in the frame asks for.
    #[error("expected {expected} as byte {place}, found 0x{found:02X}")]
    Byte {
        /// Place in the frame, from 1 as in the makers' tables.
        place: usize,
        /// What belongs there.
        expected: &'static str,
        /// What stood there.
        found: u8,
    },
    /// The frame ends too early or goes on too long.
    #[error("expected {expected}, found the end of the frame after {length} bytes")]
    Short {
        /// What belongs there.
        expected: &'static str,
        /// Bytes of the frame.
        length: usize,
    },
    /// Text that is not what was expected.
    #[error("expected {expected}, found \"{found}\"")]
    Text {
        /// What was expected.
        expected: &'static str,
        /// The text; bytes that are no printable ASCII are escaped.
        found: String,
    },
    /// Signs of the display that cannot be lit together, or none that is needed.
    #[error("expected {expected}, found {found}")]
    Signs {
        /// What was expected.
        expected: &'static str,
        /// What was lit.
        found: String,
    },
    /// A line that does not end.
    #[error("expected the end of a line within {limit} bytes, found none")]
    Endless {
        /// Longest line that is looked at.
        limit: usize,
    },
    /// The meter answered with an entry of its error queue.
    #[error("expected a reading, found the meter's error {code} ({text})")]
    ErrorEntry {
        /// Number of the error; negative ones are defined by SCPI-99, volume 2, chapter 21.
        code: i32,
        /// The meter's words.
        text: String,
    },
    /// Nobody pulled, and the oldest bytes were dropped.
    #[error("expected readings to be pulled after each push, found {lost} bytes above the limit of {limit}")]
    Overrun {
        /// Bytes that were dropped.
        lost: usize,
        /// Bytes that are kept.
        limit: usize,
    },
}

impl Problem {
    pub(crate) fn text(expected: &'static str, found: &[u8]) -> Self {
        Self::Text { expected, found: found.escape_ascii().to_string() }
    }
}
