//! Cutting a stream of text into lines.

use super::Cut;
use crate::meter::Problem;

/// Cuts at CR or LF. An empty line means nothing, so LF, CR, CR LF and LF CR all end a line, however the stream
/// is cut into chunks.
#[derive(Debug)]
pub(crate) struct Lines {
    /// The bytes up to the next end of line belong to a line whose beginning was not seen.
    torn: bool,
}

impl Lines {
    /// Longest line that is looked at. A SCPI error entry has at most 255 characters (SCPI-99, volume 2, 21.8,
    /// from memory); readings and identities are shorter.
    pub(crate) const LIMIT: usize = 256;

    /// Starts at the beginning of a line: for a meter that speaks only when asked.
    pub(crate) const fn whole() -> Self {
        Self { torn: false }
    }

    /// Starts anywhere: for a meter that is already talking. The first line counts from its end only, since the
    /// rest of `+5.432E-01` is also a number.
    pub(crate) const fn torn() -> Self {
        Self { torn: true }
    }

    pub(crate) fn cut(&mut self, waiting: &[u8]) -> Cut {
        let ends = waiting.iter().take_while(|byte| is_end(**byte)).count();
        if ends > 0 {
            self.torn = false;
        }
        let line = &waiting[ends..];
        let end = memchr::memchr2(b'\r', b'\n', &line[..line.len().min(Self::LIMIT)]);
        match end {
            Some(end) if self.torn => {
                self.torn = false;
                Cut::Skip(end + 1)
            }
            Some(end) => Cut::Frame { skip: ends, length: end + 1 },
            None if ends > 0 => Cut::Skip(ends),
            None if self.torn && !line.is_empty() => Cut::Skip(line.len().min(Self::LIMIT)),
            None if line.len() >= Self::LIMIT => {
                self.torn = true;
                Cut::Broken { drop: Self::LIMIT, problem: Problem::Endless { limit: Self::LIMIT } }
            }
            None => Cut::More,
        }
    }

    pub(crate) const fn reset(&mut self) {
        self.torn = true;
    }
}

/// A frame without its end of line and without blanks around it.
pub(crate) fn text(frame: &[u8]) -> &[u8] {
    frame.trim_ascii()
}

const fn is_end(byte: u8) -> bool {
    matches!(byte, b'\r' | b'\n')
}
