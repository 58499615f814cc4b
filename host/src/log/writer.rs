//! Writes a session log: the edge that puts events into a file.
//!
//! # What is safe when
//!
//! The log is created before the first measurement, so that a folder that cannot be written is known before
//! the work and not after it. It is only ever appended to. Each event is handed to the system in one write
//! when it happens: killing the program loses nothing that was written. A power cut can lose what the system
//! has not yet put on the disk; so the data are synced (`fdatasync`) after the header, after each pin result
//! and after everything that a person did or decided, and not after the raw bytes and messages in between,
//! which come hundreds of times a second. What [`LogWriter::write`] has returned from is as safe as that.
//!
//! # What happens when writing fails
//!
//! The failure is handed out once as a [`LogNotice`]; a sweep then opens every channel and ends, since a reading that
//! is not on record must not be shown as if it were. Until it has ended, each further event is tried again; when one
//! gets through, the notice says how many were lost, and the gap in the numbers tells the reader of the log the same.

use std::{
    fs::{File, Metadata, OpenOptions, TryLockError},
    io::{self, Write},
    path::{Path, PathBuf},
};

use crate::{label, moment::Moment};

use super::{
    event::{Header, LogEvent, LogLine},
    format::{EncodeError, encode},
};

/// Where a log can be written.
pub trait Durable: Write {
    /// Waits until everything written is on the disk.
    ///
    /// # Errors
    /// What the system says.
    fn sync(&mut self) -> io::Result<()>;
}

/// When a log is synced to the disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SyncPolicy {
    /// After the header, each pin result and whatever a person did or decided.
    #[default]
    EachResult,
    /// After the header and at the end: for practice and soak runs, which can be repeated.
    HeaderAndEnd,
}

/// Appends events to a session log.
#[derive(Debug)]
pub struct LogWriter<S = File> {
    sink: S,
    policy: SyncPolicy,
    /// Number of the next event.
    next: u64,
    /// Events lost since writing began to fail.
    lost: u64,
    /// Events lost in all.
    lost_in_all: u64,
    failing: bool,
    /// A sync failed: what was written before it may not be on the disk, whatever later syncs say.
    doubtful: bool,
    /// A part of a line may stand at the end of the file.
    torn: bool,
}

/// Something about the log that the operator should know. The sweep goes on.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LogNotice {
    /// Writing began to fail. Told once, until it works again.
    #[error("the session log cannot be written from event {number} on: {error}")]
    Failing {
        /// The first event that is not safe.
        number: u64,
        /// What the system says.
        error: io::Error,
    },
    /// Writing works again.
    #[error("the session log is being written again; {lost} events before event {number} were lost")]
    Recovered {
        /// The first event after the gap.
        number: u64,
        /// How many are missing.
        lost: u64,
    },
    /// One event could not be stored. Others are.
    #[error("event {number} ({kind}) is missing in the session log: {error}")]
    Left {
        /// Its number.
        number: u64,
        /// What kind of event it was.
        kind: &'static str,
        /// Why.
        error: EncodeError,
    },
}

/// Why a log cannot be begun.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StartError {
    /// There is a file of that name: a log is never overwritten.
    #[error("expected a new file for the session log, found {} there already", shown(path))]
    Exists {
        /// The name.
        path: PathBuf,
    },
    /// The file cannot be created.
    #[error("cannot create the session log {}: {error}", shown(path))]
    Create {
        /// The name.
        path: PathBuf,
        /// What the system says.
        error: io::Error,
    },
    /// The header cannot be stored.
    #[error("cannot begin the session log: {0}")]
    Header(EncodeError),
    /// The header cannot be written.
    #[error("cannot write the session log: {0}")]
    Write(io::Error),
}

/// What became of a log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Written {
    /// Events in the log, with the header.
    pub events: u64,
    /// Events that were lost.
    pub lost: u64,
    /// A sync failed on the way: some events may not have reached the disk.
    pub doubtful: bool,
}

impl From<EncodeError> for StartError {
    fn from(error: EncodeError) -> Self {
        Self::Header(error)
    }
}

impl From<io::Error> for StartError {
    fn from(error: io::Error) -> Self {
        Self::Write(error)
    }
}

impl StartError {
    /// What to do about it.
    #[must_use]
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::Exists { .. } => "give the log a name of its own: a log is never overwritten",
            Self::Create { .. } | Self::Write(_) => "choose a folder that can be written and has room",
            Self::Header(_) => "check the reference and the settings",
        }
    }
}

impl LogWriter<File> {
    /// Creates a log file, locks it against other writers, and puts header and directory entry on the disk.
    ///
    /// # Errors
    /// [`StartError`]; then there is no file.
    #[allow(clippy::disallowed_methods, reason = "this is the edge that creates logs")]
    pub fn create(path: &Path, header: Header, at: Moment, policy: SyncPolicy) -> Result<Self, StartError> {
        let create = |error: io::Error| match error.kind() {
            io::ErrorKind::AlreadyExists => StartError::Exists { path: path.to_owned() },
            _ => StartError::Create { path: path.to_owned(), error },
        };
        let file = OpenOptions::new().append(true).create_new(true).open(path).map_err(create)?;
        let started = match file.try_lock() {
            // Not all file systems can lock; creating the file anew was already exclusive.
            Ok(()) | Err(TryLockError::Error(_)) => Self::start(file, header, at, policy),
            Err(TryLockError::WouldBlock) => Err(StartError::Exists { path: path.to_owned() }),
        };
        let started = started.and_then(|writer| {
            sync_folder(path)?;
            Ok(writer)
        });
        if started.is_err() {
            // A file without a header is of use to nobody; if it stays, its name is merely taken.
            let _ = std::fs::remove_file(path);
        }
        started
    }

    /// Whether the file is still where it was created: one whose folder was removed can be written to the end, and is
    /// gone then.
    #[must_use]
    pub fn is_at(&self, path: &Path) -> bool {
        match (self.sink.metadata(), path.metadata()) {
            (Ok(written), Ok(found)) => is_same_file(&written, &found),
            // A system that cannot tell of its open files still tells of its names.
            (Err(_), Ok(_)) => true,
            (_, Err(_)) => false,
        }
    }
}

impl<S: Durable> LogWriter<S> {
    /// Gives back what was written to, as it is.
    #[must_use]
    pub fn into_sink(self) -> S {
        self.sink
    }

    /// Begins a log with its header.
    ///
    /// # Errors
    /// [`StartError`] if the header cannot be stored or written.
    pub fn start(mut sink: S, header: Header, at: Moment, policy: SyncPolicy) -> Result<Self, StartError> {
        let line = LogLine { number: 1, at, event: LogEvent::Header(Box::new(header)) };
        sink.write_all(encode(&line)?.as_bytes())?;
        sink.flush()?;
        sink.sync()?;
        Ok(Self {
            sink,
            policy,
            next: 2,
            lost: 0,
            lost_in_all: 0,
            failing: false,
            doubtful: false,
            torn: false,
        })
    }

    /// Appends an event. Never ends the run: what went wrong is told.
    #[must_use = "the operator should be told"]
    pub fn write(&mut self, at: Moment, event: LogEvent) -> Option<LogNotice> {
        let number = self.next;
        self.next += 1;
        // While it fails, each event is synced, so that `Recovered` is true when it is told.
        let wants_sync = self.failing || self.policy == SyncPolicy::EachResult && !is_stream(&event);
        let kind = event.kind();
        let text = match encode(&LogLine { number, at, event }) {
            Ok(text) => text,
            Err(error) => {
                self.lost_in_all += 1;
                return Some(LogNotice::Left { number, kind, error });
            }
        };
        if let Err(error) = self.append(&text) {
            self.lost += 1;
            self.lost_in_all += 1;
            return self.fails(number, error);
        }
        if wants_sync && let Err(error) = self.sink.sync() {
            self.doubtful = true;
            return self.fails(number, error);
        }
        let recovered = std::mem::replace(&mut self.failing, false);
        let lost = std::mem::take(&mut self.lost);
        recovered.then_some(LogNotice::Recovered { number, lost })
    }

    /// Whether everything so far is in the log.
    #[must_use]
    pub const fn is_whole(&self) -> bool {
        !self.failing && !self.doubtful && self.lost_in_all == 0
    }

    /// Puts everything on the disk and tells what became of the log. The caller has written
    /// [`LogEvent::End`] before.
    ///
    /// # Errors
    /// What the system says: the last events may not be on the disk.
    pub fn finish(mut self) -> io::Result<Written> {
        self.sink.flush()?;
        self.sink.sync()?;
        let (lost, doubtful) = (self.lost_in_all, self.doubtful);
        Ok(Written { events: self.next - 1 - lost, lost, doubtful })
    }

    fn append(&mut self, line: &str) -> io::Result<()> {
        if self.torn {
            // Ends what may stand there of an earlier line, so that only that one is damaged.
            self.sink.write_all(b"\n")?;
            self.torn = false;
        }
        self.torn = true;
        self.sink.write_all(line.as_bytes())?;
        self.sink.flush()?;
        self.torn = false;
        Ok(())
    }

    fn fails(&mut self, number: u64, error: io::Error) -> Option<LogNotice> {
        let known = std::mem::replace(&mut self.failing, true);
        (!known).then_some(LogNotice::Failing { number, error })
    }
}

impl Durable for File {
    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }
}

/// Memory has no disk to wait for.
impl Durable for Vec<u8> {
    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// What devices say and are told: too many to wait for the disk each time.
const fn is_stream(event: &LogEvent) -> bool {
    matches!(
        event,
        LogEvent::MeterBytes { .. }
            | LogEvent::JigMessage { .. }
            | LogEvent::JigNoise { .. }
            | LogEvent::SentToMeter { .. }
            | LogEvent::SentToJig { .. }
    )
}

#[cfg(unix)]
fn is_same_file(one: &Metadata, other: &Metadata) -> bool {
    use std::os::unix::fs::MetadataExt;
    (one.dev(), one.ino()) == (other.dev(), other.ino())
}

/// Other systems do not let an open file be removed.
#[cfg(not(unix))]
const fn is_same_file(_: &Metadata, _: &Metadata) -> bool {
    true
}

/// Puts the directory entry of a new file on the disk.
#[cfg(unix)]
#[allow(clippy::disallowed_methods, reason = "this is the edge that creates logs")]
pub(super) fn sync_folder(path: &Path) -> io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    File::open(folder.unwrap_or(Path::new(".")))?.sync_all()
}

/// Other systems write the directory with the file or have no way to ask for it.
#[cfg(not(unix))]
#[allow(clippy::unnecessary_wraps, reason = "as on Unix")]
pub(super) fn sync_folder(_: &Path) -> io::Result<()> {
    Ok(())
}

fn shown(path: &Path) -> String {
    label::printable(&path.display().to_string())
}
