//! One line of a session log, to text and back. Pure.

use crc::{CRC_32_ISO_HDLC, Crc};
use serde::{Deserialize, Serialize};

use crate::{label, moment::Moment};

use super::{
    event::{LogEvent, LogLine},
    stored::Stored,
};

/// Version of the log that this program writes. Reads this and all before it.
pub const VERSION: u32 = 1;

/// Bytes in a line at most, with its line end: a reference of 1024 pins in the header fits several times.
pub const LONGEST_LINE: usize = 8 << 20;

/// CRC-32/ISO-HDLC, the one of zip files and Ethernet. Finds every burst of up to 32 bits and every two
/// flipped bits in lines of this length (the polynomial is primitive: Peterson and Brown 1961).
const CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// What stands between the content of a line and its checksum, and what ends it.
const CHECKSUM_OPENS: &[u8] = b",\"crc\":\"";
const CHECKSUM_CLOSES: &[u8] = b"\"}";
const CHECKSUM_DIGITS: usize = 8;

/// Bytes of a file that tell whether it opens as a session log does.
pub const OPENING: usize = 64;

/// Why an event cannot be stored.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum EncodeError {
    /// It has a value that JSON cannot hold.
    #[error("the event cannot be stored: {0}")]
    Value(serde_json::Error),
    /// It is longer than a line may be.
    #[error("expected an event of at most {LONGEST_LINE} bytes, found {found}")]
    TooLong {
        /// Bytes that were needed.
        found: usize,
    },
}

/// Why a line of a log cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum LineProblem {
    /// The line does not end in a checksum.
    #[error("expected a line that ends in a checksum, found none")]
    NoChecksum,
    /// The content is not what was written.
    #[error("expected checksum {expected:08x} for what the line says, found {found}")]
    Checksum {
        /// Of the content that was found.
        expected: u32,
        /// What the line says.
        found: String,
    },
    /// The log was written by a newer program.
    #[error("expected a log of version {VERSION} or older, found version {found}")]
    Newer {
        /// The version in the header.
        found: u64,
    },
    /// The checksum is right, but the content is none of this version.
    #[error("expected an event of log version {VERSION}, found something else: {message}")]
    Content {
        /// What is wrong with it.
        message: String,
    },
}

impl From<serde_json::Error> for EncodeError {
    fn from(error: serde_json::Error) -> Self {
        Self::Value(error)
    }
}

/// Whether a file that begins so is a session log, of whatever version and however damaged further on.
#[must_use]
pub fn opens(first: &[u8]) -> bool {
    let rest = first.strip_prefix(b"{\"n\":1,\"at_us\":").unwrap_or_default();
    let digits = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
    digits > 0 && rest.get(digits..).is_some_and(|rest| rest.starts_with(b",\"event\":{\"header\""))
}

/// Writes an event as a line with its line end.
///
/// # Errors
/// [`EncodeError`] if the event holds a number that is not finite or is too long.
pub fn encode(line: &LogLine) -> Result<String, EncodeError> {
    let stored = StoredLine { n: line.number, at_us: line.at, event: Stored::from(&line.event) };
    let mut text = escaped(serde_json::to_string(&stored)?);
    text.pop();
    let checksum = CRC.checksum(text.as_bytes());
    text.push_str(&format!(",\"crc\":\"{checksum:08x}\"}}\n"));
    if text.len() > LONGEST_LINE {
        return Err(EncodeError::TooLong { found: text.len() });
    }
    Ok(text)
}

/// Reads a line without its line end.
///
/// # Errors
/// [`LineProblem`]. What is damaged is never guessed.
pub fn decode(line: &[u8]) -> Result<LogLine, LineProblem> {
    let body = line.strip_suffix(CHECKSUM_CLOSES).ok_or(LineProblem::NoChecksum)?;
    let (body, found) = body.split_last_chunk::<CHECKSUM_DIGITS>().ok_or(LineProblem::NoChecksum)?;
    let content = body.strip_suffix(CHECKSUM_OPENS).ok_or(LineProblem::NoChecksum)?;
    let expected = CRC.checksum(content);
    if format!("{expected:08x}").as_bytes() != found {
        let found = label::printable(&String::from_utf8_lossy(found));
        return Err(LineProblem::Checksum { expected, found });
    }
    let json = [content, b"}"].concat();
    let stored: StoredLine = match serde_json::from_slice(&json) {
        Ok(stored) => stored,
        Err(error) => {
            return Err(newer_version(&json).map_or_else(
                || LineProblem::Content { message: label::printable(&error.to_string()) },
                |found| LineProblem::Newer { found },
            ));
        }
    };
    // A newer header may happen to look like one of this version.
    if let Stored::Header(header) = &stored.event
        && header.version() > VERSION
    {
        return Err(LineProblem::Newer { found: header.version().into() });
    }
    let event = LogEvent::try_from(stored.event)
        .map_err(|message| LineProblem::Content { message: label::printable(&message) })?;
    Ok(LogLine { number: stored.n, at: stored.at_us, event })
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredLine {
    n: u64,
    at_us: Moment,
    event: Stored,
}

/// The version in a header, if it is newer than this program. Looks at nothing else, since the rest of a
/// newer header is not known.
fn newer_version(json: &[u8]) -> Option<u64> {
    #[derive(Deserialize)]
    struct Line {
        event: Event,
    }
    #[derive(Deserialize)]
    struct Event {
        header: Version,
    }
    #[derive(Deserialize)]
    struct Version {
        version: u64,
    }
    let line: Line = serde_json::from_slice(json).ok()?;
    Some(line.event.header.version).filter(|&version| version > u64::from(VERSION))
}

/// Spells out in JSON what would change how a terminal shows the line. JSON has such characters only inside
/// texts, and itself spells out those below U+0020.
fn escaped(json: String) -> String {
    if json.is_ascii() && !json.contains('\u{7f}') {
        return json;
    }
    let mut escaped = String::with_capacity(json.len());
    for c in json.chars() {
        if label::is_unprintable(c) {
            escaped.push_str(&format!("\\u{:04x}", u32::from(c)));
        } else {
            escaped.push(c);
        }
    }
    escaped
}
