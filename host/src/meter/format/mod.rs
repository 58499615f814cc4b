//! What meters send, one format a file.
//!
//! Each file draws the layout of its frame, then checks length, marks and checksum ([`Wire::cut`]) before it
//! looks at the content ([`Wire::read`]). Beside each table stands where it comes from.

mod d14;
mod decimal;
mod display_text;
mod es11;
mod es14;
mod fs9721;
mod fs9922;
mod hm8012;
mod line;
mod lines;
mod parity;
mod rule;
mod scpi;
mod signs;
mod t16;
mod tpi183;
mod tpi196;

use std::fmt;

use serde::{Deserialize, Serialize};

use super::{Problem, Profile, Reading, Talk};

use parity::SevenOdd;

pub use line::LineFormat;
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
    /// Fortune FS9922-DMM3 and DMM4: digits in ASCII and signs in bits, 14 bytes.
    Fs9922,
    /// Cyrustek ES51922: 14 characters.
    Es14,
    /// Cyrustek 4000-count chip: 11 characters, twice a conversion.
    Es11,
    /// The classic answer of 14 characters.
    D14,
    /// The 16-character stream of the Lutron DM-9962SD class.
    T16,
    /// TPI 183.
    Tpi183,
    /// TPI 196.
    Tpi196,
    /// R&S/HAMEG HM8012.
    Hm8012,
    /// Lines that the profile describes.
    Line,
}

/// What the front of the waiting bytes is.
#[derive(Debug)]
pub(crate) enum Cut {
    /// More bytes are needed to tell.
    More,
    /// A frame of `length` bytes, whole by its length, marks and checksum, behind `skip` bytes that mean nothing.
    Frame { skip: usize, length: usize },
    /// Bytes that are rightly there and mean nothing, such as the end of an empty line.
    Skip(usize),
    /// No frame can begin here.
    Broken { drop: usize, problem: Problem },
}

/// What a frame says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Content {
    Reading,
    /// A good frame that is not a reading of its own.
    Nothing,
}

/// A format, with what it has learned from the stream so far.
///
/// `cut` must decide alike for the same front of the stream however many bytes follow it, so that the readings do
/// not depend on how the stream is cut into chunks.
pub(crate) trait Wire: fmt::Debug + Send {
    fn cut(&mut self, waiting: &[u8]) -> Cut;
    /// Reads a frame. The reading is written where the caller wants it: handing it out in the result would move it
    /// again, which costs a fifth of the time a reading takes.
    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem>;
    /// How many bytes to drop of a frame that cannot be read.
    fn give_up(&self, _frame_length: usize) -> usize {
        1
    }
    /// Bytes are missing from here on.
    fn reset(&mut self) {}
}

impl Format {
    /// All formats.
    pub const ALL: [Self; 11] = [
        Self::Scpi,
        Self::Fs9721,
        Self::Fs9922,
        Self::Es14,
        Self::Es11,
        Self::D14,
        Self::T16,
        Self::Tpi183,
        Self::Tpi196,
        Self::Hm8012,
        Self::Line,
    ];

    /// Its name in profiles.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Scpi => "scpi",
            Self::Fs9721 => "fs9721",
            Self::Fs9922 => "fs9922",
            Self::Es14 => "es14",
            Self::Es11 => "es11",
            Self::D14 => "d14",
            Self::T16 => "t16",
            Self::Tpi183 => "tpi183",
            Self::Tpi196 => "tpi196",
            Self::Hm8012 => "hm8012",
            Self::Line => "line",
        }
    }

    /// Whether it is lines of text of any length, ended by CR or LF.
    #[must_use]
    pub const fn is_text(self) -> bool {
        matches!(self, Self::Scpi | Self::Tpi183 | Self::Tpi196 | Self::Hm8012 | Self::Line)
    }

    /// Whether its frames tell what the meter measures.
    #[must_use]
    pub const fn tells_function(self) -> bool {
        !matches!(self, Self::Scpi | Self::Hm8012 | Self::Line)
    }

    /// Whether its frames tell that the display is frozen. Where they do not, a value that never changes is the only
    /// sign.
    #[must_use]
    pub const fn tells_hold(self) -> bool {
        matches!(self, Self::Fs9721 | Self::Fs9922 | Self::Es14)
    }

    /// Whether it is known how its frames tell an overload.
    #[must_use]
    pub const fn tells_overload(self) -> bool {
        !matches!(self, Self::T16)
    }
}

/// The decoder of a profile's format.
pub(crate) fn wire(profile: &Profile) -> Box<dyn Wire> {
    // A meter that streams may be in the middle of a line when we begin to listen.
    let lines = match profile.talk {
        Talk::Streaming => Lines::torn(),
        Talk::Polled { .. } | Talk::Triggered { .. } => Lines::whole(),
    };
    let seven = SevenOdd::of(&profile.port);
    match (profile.format, &profile.line) {
        (Format::Line, Some(line)) => Box::new(line::Line::new(lines, line.clone())),
        // A profile without its description is refused when it is read; plain numbers are what is left.
        (Format::Scpi | Format::Line, _) => Box::new(Scpi::new(lines, profile.overload_from)),
        (Format::Fs9721, _) => Box::new(fs9721::Fs9721::default()),
        (Format::Fs9922, _) => Box::new(fs9922::Fs9922),
        (Format::Es14, _) => Box::new(es14::Es14(seven)),
        (Format::Es11, _) => Box::new(es11::Es11(seven)),
        (Format::D14, _) => Box::new(d14::D14),
        (Format::T16, _) => Box::new(t16::T16),
        (Format::Tpi183, _) => Box::new(tpi183::Tpi183(lines)),
        (Format::Tpi196, _) => Box::new(tpi196::Tpi196::new(lines)),
        (Format::Hm8012, _) => Box::new(hm8012::Hm8012(lines)),
    }
}
