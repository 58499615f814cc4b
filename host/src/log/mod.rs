//! The session log: everything that happened during one sweep, so that it can be judged again years later.
//!
//! A log is a file of JSON Lines: one event a line, each with its number, its time and a checksum. It is the
//! record; what else is kept (the history, reports) is derived from it. This room knows how lines look
//! ([`encode`], [`decode`]) and, at its two edges, how they get into a file ([`LogWriter`]) and out of one
//! ([`LogReader`]). It does not interpret them: pairing and judging a log again is the same code as live.
//!
//! # A line
//!
//! ```text
//! {"n":7,"at_us":1200345,"event":{"meter_bytes":{"hex":"302e3331380d0a"}},"crc":"5f0c9a41"}
//! ```
//!
//! - `n` counts lines from 1, so that a line that is lost is seen.
//! - `at_us` is the [`Moment`] of the event, in microseconds since the session began.
//! - `event` has one member, named as the variant of [`LogEvent`].
//! - `crc` is CRC-32/ISO-HDLC over the bytes of the line before `,"crc"`, as eight hexadecimal digits in lower
//!   case.
//!
//! The first line is the header. Its form up to `version`, its checksum and the numbering are the same in
//! every version, so that a program can tell that a log is newer than itself.
//!
//! Texts in a log are what people typed and devices sent: what shows them on a terminal or in HTML must
//! escape them. The line itself holds printable characters only.

mod amend;
mod event;
mod format;
mod jig;
mod reader;
mod stored;
mod stored_header;
mod writer;

pub use amend::{AmendError, Redaction, append, remove_notes};
pub use event::{Conditions, Confirmation, Ending, Header, Link, LogEvent, LogLine, ReferenceSource, Zero};
pub use format::{EncodeError, LONGEST_LINE, LineProblem, OPENING, VERSION, decode, encode, opens};
pub use reader::{LogReader, LogTrouble, OpenError, TroubleKind};
pub use writer::{Durable, LogNotice, LogWriter, StartError, SyncPolicy, Written};

#[cfg(doc)]
use crate::moment::Moment;
