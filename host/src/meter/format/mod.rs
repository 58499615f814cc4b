//! What meters send, one format a file.
//!
//! Each file draws the layout of its frame, then checks length, marks and checksum ([`Wire::cut`]) before it
//! looks at the content ([`Wire::read`]). Beside each table stands where it comes from.

mod decimal;
mod fs9721;
mod lines;
mod rule;
mod scpi;

use std::fmt;

use serde::{Deserialize, Serialize};

use super::{Problem, Reading};

pub(crate) use fs9721::Fs9721;
pub(crate) use lines::Lines;
pub(crate) use scpi::{Scpi, error_entry};

/// What a meter sends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Format {
    /// Numbers as SCPI and IEEE 488.2 define them, one a line.
    Scpi,
    /// Fortune FS9721_LP3 and FS9721B: the segments of the display, 14 bytes.
    Fs9721,
}

/// What the front of the waiting bytes is.
#[derive(Debug)]
pub(crate) enum Cut {
    /// More bytes are needed to tell.
    More,
    /// A frame of this many bytes, whole by its length, marks and checksum.
    Frame(usize),
    /// Bytes that are rightly there and mean nothing, such as the end of an empty line.
    Skip(usize),
    /// No frame can begin here.
    Broken { drop: usize, problem: Problem },
}

/// What a frame says.
#[derive(Debug)]
pub(crate) enum Content {
    Reading(Reading),
    /// A good frame that is not a reading of its own.
    Nothing,
}

/// A format, with what it has learned from the stream so far.
///
/// `cut` must decide alike for the same front of the stream however many bytes follow it, so that the readings do
/// not depend on how the stream is cut into chunks.
pub(crate) trait Wire: fmt::Debug + Send {
    fn cut(&mut self, waiting: &[u8]) -> Cut;
    fn read(&mut self, frame: &[u8]) -> Result<Content, Problem>;
    /// How many bytes to drop of a frame that cannot be read.
    fn give_up(&self, _frame_length: usize) -> usize {
        1
    }
    /// Bytes are missing from here on.
    fn reset(&mut self) {}
}

impl Format {
    /// All formats.
    pub const ALL: [Self; 2] = [Self::Scpi, Self::Fs9721];

    /// Its name in profiles.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Scpi => "scpi",
            Self::Fs9721 => "fs9721",
        }
    }

    /// Whether it is lines of text, ended by CR or LF.
    #[must_use]
    pub const fn is_text(self) -> bool {
        matches!(self, Self::Scpi)
    }
}
