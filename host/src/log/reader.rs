//! Reads a session log back: an edge in that it takes what a file or stream holds, whatever it is.

use std::{
    fs::File,
    io::{self, BufRead, BufReader, Read},
    path::Path,
};

use crate::moment::Moment;

use super::{
    event::{Header, LogEvent, LogLine},
    format::{LONGEST_LINE, LineProblem, decode},
};

/// The lines of a session log, one at a time, so that a long log needs the memory of one line.
///
/// Lines that cannot be used are handed out as [`LogTrouble`] in their place, and reading goes on after
/// them: what they said is not guessed, and whoever pairs readings must take each as a gap.
#[derive(Debug)]
pub struct LogReader<R> {
    lines: RawLines<R>,
    header: Header,
    started: Moment,
    /// Number of the last good line.
    last: u64,
    /// Lines that were left out since: so many numbers are missing and that is known.
    left_out: u64,
    /// A line that comes after the gap just reported.
    held: Option<LogLine>,
}

/// Something in a log that cannot be used, and where.
#[derive(Debug, thiserror::Error)]
#[error("line {line}: {kind}")]
pub struct LogTrouble {
    /// Line of the file, counted from 1.
    pub line: u64,
    /// What is the trouble.
    pub kind: TroubleKind,
}

/// What cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TroubleKind {
    /// The last line was not written to its end. What came before it is whole.
    #[error("the log ends in the middle of this line, which is left out")]
    Torn,
    /// The line is damaged and left out.
    #[error("damaged and left out: {0}")]
    Damaged(LineProblem),
    /// The line is longer than any event, and left out.
    #[error("expected lines of at most {LONGEST_LINE} bytes, found a longer one, which is left out")]
    TooLong,
    /// Lines are missing before this one.
    #[error("expected event {expected}, found event {found}: what is between them is missing")]
    Missing {
        /// Number that should come next.
        expected: u64,
        /// Number that came.
        found: u64,
    },
    /// The line does not belong here: its number was there before.
    #[error("expected event {expected}, found event {found}, which does not belong here and is left out")]
    Misplaced {
        /// Number that should come next.
        expected: u64,
        /// Number that came.
        found: u64,
    },
    /// Another session log begins here. Its numbers go on where this one was cut, so nothing of it is handed out.
    #[error(
        "another session log begins here, which is left out to its end: keep each log in a file of its own"
    )]
    OtherLog,
    /// The file or stream cannot be read.
    #[error("cannot read on: {0}")]
    Io(io::Error),
}

/// Why a log cannot be read at all.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OpenError {
    /// The file or stream cannot be read.
    #[error("cannot read the log: {0}")]
    Io(io::Error),
    /// There is nothing in it.
    #[error("expected a session log, found an empty file")]
    Empty,
    /// The first line is no header of a log, or it is damaged: connector, wiring and settings are not known.
    #[error("expected a session log with its header in the first line: {0}")]
    Header(LineProblem),
    /// The first line was not written to its end.
    #[error("expected a session log with its header in the first line, found only part of that line")]
    TornHeader,
    /// The first line is sound but is no header.
    #[error("expected a session log with its header in the first line, found `{found}`")]
    NotAHeader {
        /// The event that was found.
        found: &'static str,
    },
}

impl From<io::Error> for TroubleKind {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

impl From<io::Error> for OpenError {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

impl OpenError {
    /// What to do about it.
    #[must_use]
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::Io(_) => "check the name and the folder",
            Self::Header(LineProblem::Newer { .. }) => "read it with the version of Pintally that wrote it",
            Self::Header(LineProblem::Checksum { .. }) => {
                "connector and settings stand in that line: use another copy of this log"
            }
            Self::Empty | Self::TornHeader => "this copy holds no readings: use another one, if there is one",
            Self::Header(_) | Self::NotAHeader { .. } => "name a file that `pintally sweep` has written",
        }
    }
}

impl LogReader<File> {
    /// Opens a log file.
    ///
    /// # Errors
    /// [`OpenError`] if there is no such file or its first line is not the header of a log.
    #[allow(clippy::disallowed_methods, reason = "this is the edge that opens logs")]
    pub fn open(path: &Path) -> Result<Self, OpenError> {
        Self::new(File::open(path)?)
    }
}

impl<R: Read> LogReader<R> {
    /// Reads the header of a log.
    ///
    /// # Errors
    /// [`OpenError`] if the first line is not the header of a log of a version that is known.
    pub fn new(reader: R) -> Result<Self, OpenError> {
        let mut lines = RawLines::new(reader);
        let line = match lines.next_line()? {
            RawLine::End => return Err(OpenError::Empty),
            RawLine::TooLong => return Err(OpenError::Header(LineProblem::NoChecksum)),
            RawLine::Line { ended, bytes } => match decode(bytes) {
                Ok(line) => line,
                // Anything that does not even begin as a log does is no torn log.
                Err(_) if !ended && begins_as_header(bytes) => return Err(OpenError::TornHeader),
                Err(problem) => return Err(OpenError::Header(problem)),
            },
        };
        match line.event {
            LogEvent::Header(header) => Ok(Self {
                lines,
                header: *header,
                started: line.at,
                last: line.number,
                left_out: 0,
                held: None,
            }),
            other => Err(OpenError::NotAHeader { found: other.kind() }),
        }
    }

    /// What is swept, with what, and how it will be judged.
    pub const fn header(&self) -> &Header {
        &self.header
    }

    /// When the header was written.
    pub const fn started(&self) -> Moment {
        self.started
    }

    /// Line of the file read last, counted from 1.
    pub const fn line(&self) -> u64 {
        self.lines.number
    }

    fn next_good(&mut self) -> Result<Option<LogLine>, TroubleKind> {
        let line = match self.lines.next_line()? {
            RawLine::End => return Ok(None),
            RawLine::TooLong => Err(TroubleKind::TooLong),
            // Behind what a cut has left of a line.
            RawLine::Line { bytes, .. } if ends_in_header(bytes) => Err(TroubleKind::OtherLog),
            RawLine::Line { ended, bytes } => decode(bytes).map_err(|problem| match ended {
                true => TroubleKind::Damaged(problem),
                false => TroubleKind::Torn,
            }),
        };
        let line = match line {
            Ok(line) if matches!(line.event, LogEvent::Header(_)) => Err(TroubleKind::OtherLog),
            line => line,
        };
        if matches!(line, Err(TroubleKind::OtherLog)) {
            self.lines.ended = true;
        }
        let line = line.inspect_err(|_| self.left_out += 1)?;
        let (expected, found) = (self.last.saturating_add(1), line.number);
        if found < expected {
            return Err(TroubleKind::Misplaced { expected, found });
        }
        let next = expected.saturating_add(std::mem::take(&mut self.left_out));
        self.last = found;
        if found > next {
            self.held = Some(line);
            return Err(TroubleKind::Missing { expected: next, found });
        }
        Ok(Some(line))
    }
}

impl<R: Read> Iterator for LogReader<R> {
    type Item = Result<LogLine, LogTrouble>;

    /// The next event, or what is in its place.
    fn next(&mut self) -> Option<Self::Item> {
        if let Some(line) = self.held.take() {
            return Some(Ok(line));
        }
        match self.next_good() {
            Ok(line) => line.map(Ok),
            Err(kind) => Some(Err(LogTrouble { line: self.lines.number, kind })),
        }
    }
}

/// How the first line of every log begins. Within a line quotation marks are escaped, so that it stands nowhere else.
const BEGINNING: &[u8] = br#"{"n":1,"#;

/// Whether a line begins as the first line of every log, as far as it goes.
fn begins_as_header(line: &[u8]) -> bool {
    line.starts_with(BEGINNING) || BEGINNING.starts_with(line)
}

/// Whether the whole first line of a log stands behind something else in this line.
fn ends_in_header(line: &[u8]) -> bool {
    let begin = line.windows(BEGINNING.len()).rposition(|part| part == BEGINNING).filter(|&begin| begin > 0);
    let header = begin.and_then(|begin| decode(&line[begin..]).ok());
    header.is_some_and(|line| matches!(line.event, LogEvent::Header(_)))
}

/// Lines of limited length.
#[derive(Debug)]
struct RawLines<R> {
    reader: BufReader<R>,
    buffer: Vec<u8>,
    number: u64,
    ended: bool,
    /// The rest of a line that is too long is still to come.
    in_long_line: bool,
}

enum RawLine<'a> {
    End,
    TooLong,
    Line {
        /// Whether its line end is there.
        ended: bool,
        bytes: &'a [u8],
    },
}

impl<R: Read> RawLines<R> {
    fn new(reader: R) -> Self {
        Self {
            reader: BufReader::with_capacity(1 << 16, reader),
            buffer: Vec::new(),
            number: 0,
            ended: false,
            in_long_line: false,
        }
    }

    fn next_line(&mut self) -> io::Result<RawLine<'_>> {
        if self.ended {
            return Ok(RawLine::End);
        }
        // Only now: whoever gives up at the first line does not wait for the end of one that has none.
        while self.in_long_line {
            self.buffer.clear();
            let read = read_line(&mut self.reader, &mut self.buffer).inspect_err(|_| self.ended = true)?;
            self.in_long_line = read > 0 && self.buffer.last() != Some(&b'\n');
        }
        self.buffer.clear();
        let read = read_line(&mut self.reader, &mut self.buffer).inspect_err(|_| self.ended = true)?;
        match read {
            0 => {
                self.ended = true;
                Ok(RawLine::End)
            }
            _ if self.buffer.len() > LONGEST_LINE => {
                self.number += 1;
                self.in_long_line = self.buffer.last() != Some(&b'\n');
                // Not to be kept for the rest of the log.
                self.buffer = Vec::new();
                Ok(RawLine::TooLong)
            }
            _ => {
                self.number += 1;
                match self.buffer.strip_suffix(b"\n") {
                    // Mail programs like to change line ends; the content is the same.
                    Some(line) => {
                        Ok(RawLine::Line { ended: true, bytes: line.strip_suffix(b"\r").unwrap_or(line) })
                    }
                    None => Ok(RawLine::Line { ended: false, bytes: &self.buffer }),
                }
            }
        }
    }
}

/// Appends up to the next line end or one byte more than a line may have.
pub(super) fn read_line(reader: &mut impl BufRead, buffer: &mut Vec<u8>) -> io::Result<usize> {
    reader.by_ref().take(LONGEST_LINE as u64 + 1).read_until(b'\n', buffer)
}
