//! Why the history cannot be used, and what to do about it.

use std::{io, path::PathBuf};

use rusqlite::ErrorCode;

use super::add::LARGEST_LOG;
use crate::{exit_status::ExitStatus, label, log::OpenError, record::RecordError};

/// Why the history cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum HistoryError {
    /// A folder or file cannot be read or written.
    #[error("cannot use {}: {error}", shown(path))]
    File {
        /// Which.
        path: PathBuf,
        /// What the system says.
        error: io::Error,
    },
    /// The file of the database is damaged or no database.
    #[error("expected the history in {}, found a file that is damaged or no database: {what}", shown(path))]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What SQLite says.
        what: String,
    },
    /// The database is that of another program, which is left alone.
    #[error("expected the history in {}, found a database of another program", shown(path))]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// The database was written by a newer program.
    #[error("expected a history of form {known} or older in {}, found form {found}", shown(path))]
    Newer {
        /// The file.
        path: PathBuf,
        /// Newest form that this program knows.
        known: u32,
        /// Its form.
        found: u32,
    },
    /// Another program has held the database for too long.
    #[error("another program has been writing into {} for {seconds} s", shown(path))]
    Busy {
        /// The file.
        path: PathBuf,
        /// How long this one waited.
        seconds: u64,
    },
    /// SQLite fails otherwise.
    #[error("the history in {} cannot be used: {error}", shown(path))]
    Database {
        /// The file.
        path: PathBuf,
        /// What SQLite says.
        error: rusqlite::Error,
    },
    /// A log cannot be taken in.
    #[error("{}: {error}", shown(path))]
    Log {
        /// The log.
        path: PathBuf,
        /// Why.
        error: RecordError,
    },
    /// It is no file that a log could be.
    #[error("expected a log, a file of at most {LARGEST_LOG} bytes, found {} in {}", odd_file(*found), shown(path))]
    NotALogFile {
        /// What was named.
        path: PathBuf,
        /// Its length in bytes; `None` for a pipe, a device or a folder.
        found: Option<u64>,
    },
    /// A log has another name than its session.
    #[error("expected the log of session {session} in {session}.jsonl, found it in {}", label::shown(file))]
    Misnamed {
        /// The session, as far as it can be shown.
        session: String,
        /// The name of the file.
        file: String,
    },
    /// A session's name cannot be the name of a file.
    #[error(
        "expected a session named with letters, digits, `-`, `_` and `.`, found {}",
        label::Found(session)
    )]
    OddSession {
        /// The name.
        session: String,
    },
    /// There is another log of the same session.
    #[error(
        "expected the log of a session that is not here yet, found another log of session {session} in {}",
        shown(path)
    )]
    AnotherLog {
        /// The session.
        session: String,
        /// The log that was to be added.
        path: PathBuf,
    },
    /// A log cannot be changed.
    #[error("cannot change {}: {error}", shown(path))]
    Amend {
        /// The log.
        path: PathBuf,
        /// Why.
        error: crate::log::AmendError,
    },
    /// Nothing is known of this board.
    #[error("expected a board of the history, found none of the name {}", label::Found(board))]
    NoSuchBoard {
        /// What was asked for.
        board: String,
    },
}

/// How long a program waits for another one to finish writing. Taking in one sweep takes milliseconds, a rebuild
/// writes for seconds at most.
pub(super) const PATIENCE_SECONDS: u64 = 10;

impl HistoryError {
    /// What to do about it.
    #[must_use]
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::File { .. } => {
                "check that the folder is there and can be written, or name another one with --data DIR"
            }
            Self::Damaged { .. } => {
                "the session logs are the record: `pintally history rebuild` makes the history again from them"
            }
            Self::Foreign { .. } => "name another data directory with --data DIR",
            Self::Newer { .. } => {
                "use the newer program, or make the history again with this one: `pintally history rebuild`"
            }
            Self::Busy { .. } => "let it finish, then try again",
            Self::Database { .. } => {
                "check that the disk has room and can be written; `pintally history rebuild` makes the history again from the logs"
            }
            Self::Log { error, .. } => error.hint(),
            Self::Misnamed { .. } => "take it in with `pintally history add FILE`",
            Self::NotALogFile { found: None, .. } => "copy it into a file first, and name that",
            Self::OddSession { .. } | Self::NotALogFile { .. } => {
                "name a file that `pintally sweep` has written"
            }
            Self::AnotherLog { .. } => {
                "one of the two was changed since, by a note or a removal: keep the one that you trust"
            }
            Self::Amend { error, .. } => error.hint(),
            Self::NoSuchBoard { .. } => "`pintally history` lists the boards that were swept",
        }
    }

    /// How a command ends after this.
    #[must_use]
    pub const fn exit_status(&self) -> ExitStatus {
        match self {
            Self::File { .. } | Self::Busy { .. } | Self::Database { .. } | Self::Amend { .. } => {
                ExitStatus::Io
            }
            Self::Log { error: RecordError::Log(OpenError::Io(_)), .. } => ExitStatus::NoInput,
            Self::Damaged { .. }
            | Self::Foreign { .. }
            | Self::Newer { .. }
            | Self::Log { .. }
            | Self::Misnamed { .. }
            | Self::OddSession { .. }
            | Self::NotALogFile { .. }
            | Self::AnotherLog { .. } => ExitStatus::Data,
            Self::NoSuchBoard { .. } => ExitStatus::NoInput,
        }
    }

    /// Sorts what SQLite says.
    pub(super) fn of(path: PathBuf, error: rusqlite::Error) -> Self {
        match error.sqlite_error_code() {
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
                Self::Damaged { path, what: error.to_string() }
            }
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
                Self::Busy { path, seconds: PATIENCE_SECONDS }
            }
            _ => Self::Database { path, error },
        }
    }

    /// A row says what no program has written.
    pub(super) fn odd(path: PathBuf, what: impl ToString) -> Self {
        Self::Damaged { path, what: what.to_string() }
    }
}

fn odd_file(bytes: Option<u64>) -> String {
    bytes.map_or_else(|| "a pipe, a device or a folder".to_owned(), |bytes| format!("{bytes} bytes"))
}

fn shown(path: &std::path::Path) -> String {
    label::printable(&path.display().to_string())
}
