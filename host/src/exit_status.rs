//! How a command ends, as a number that scripts can act on.

use std::process::ExitCode;

/// Exit status of the command: verdicts below 64, troubles as in BSD's `sysexits.h`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum ExitStatus {
    /// All pins match, or the command did what it was asked.
    Matches = 0,
    /// Some pins differ.
    Differs = 1,
    /// Nothing is condemned, but not all pins could be judged.
    Inconclusive = 2,
    /// The command line is wrong (EX_USAGE).
    Usage = 64,
    /// A file or stream has content that cannot be used (EX_DATAERR).
    Data = 65,
    /// A file does not exist or cannot be read (EX_NOINPUT).
    NoInput = 66,
    /// The meter or the switching board does not answer or is not what was expected (EX_UNAVAILABLE).
    Unavailable = 69,
    /// A result of our own arithmetic or program is wrong (EX_SOFTWARE).
    Software = 70,
    /// Reading or writing failed (EX_IOERR).
    Io = 74,
    /// The other side speaks another version of the protocol (EX_PROTOCOL).
    Protocol = 76,
    /// A setting, connector, wiring or profile does not fit (EX_CONFIG).
    Configuration = 78,
}

impl ExitStatus {
    /// The number.
    #[must_use]
    pub const fn code(self) -> u8 {
        self as u8
    }
}

impl From<ExitStatus> for ExitCode {
    fn from(status: ExitStatus) -> Self {
        Self::from(status.code())
    }
}
