//! The data directory: the database, and the logs beside it.

use std::{
    collections::HashMap,
    fs::{self, OpenOptions},
    io::{self, Write},
    path::{Path, PathBuf},
};

use rusqlite::params;

use super::{History, HistoryError, write};
use crate::{
    log::OpenError,
    record::{RecordError, SweepRecord},
};

/// Name of the database in the data directory.
pub const FILE: &str = "history.db";

/// Name of the folder of the logs in the data directory.
pub const LOGS: &str = "logs";

/// What was found in the folder of the logs that the database did not know.
#[derive(Debug, Default)]
pub struct CaughtUp {
    /// Sessions that were taken in.
    pub taken_in: u32,
    /// What could not be: told once, and again when the file has changed.
    pub unusable: Vec<HistoryError>,
}

/// A log that was copied into the folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Added {
    /// Its session.
    pub session: String,
    /// Whether it was not there yet.
    pub is_new: bool,
}

/// Where the log of a session lies.
#[must_use]
pub fn log_of(data: &Path, session: &str) -> PathBuf {
    data.join(LOGS).join(format!("{session}.jsonl"))
}

/// Makes the data directory.
pub(super) fn make(data: &Path) -> Result<(), HistoryError> {
    let logs = data.join(LOGS);
    fs::create_dir_all(&logs).map_err(|error| HistoryError::File { path: logs, error })
}

/// The names of all logs, without their ending, in order.
pub(super) fn sessions(data: &Path) -> Result<Vec<String>, HistoryError> {
    let logs = data.join(LOGS);
    let list = || -> io::Result<Vec<String>> {
        let mut sessions = Vec::new();
        for entry in fs::read_dir(&logs)? {
            let name = entry?.file_name();
            if let Some(session) = name.to_str().and_then(|name| name.strip_suffix(".jsonl")) {
                sessions.push(session.to_owned());
            }
        }
        sessions.sort();
        Ok(sessions)
    };
    list().map_err(|error| HistoryError::File { path: logs.clone(), error })
}

impl History {
    /// Takes in the logs that the database does not know yet, or that have grown since: those of a program that was
    /// killed, or that were copied here. Logs that a sweep is writing right now are left alone.
    ///
    /// # Errors
    /// [`HistoryError`] if the folder or the database cannot be used. A log that cannot is no error.
    pub fn catch_up(&mut self) -> Result<CaughtUp, HistoryError> {
        let known = self.known().map_err(|error| self.sorted(error))?;
        let mut caught_up = CaughtUp::default();
        for session in sessions(&self.data)? {
            let path = log_of(&self.data, &session);
            match known.get(&session) {
                // A sweep that ended is done; only words are added, and they are taken in at once.
                Some(Known { is_done: true, .. }) => continue,
                Some(Known { bytes, .. }) if length(&path) == Some(*bytes) => continue,
                _ if is_being_written(&path) => continue,
                _ => {}
            }
            match write::read(&self.data, &session) {
                Ok((record, bytes)) => {
                    self.insert(&[super::Entry::of(&record, bytes)])?;
                    caught_up.taken_in += 1;
                }
                Err(error) => {
                    self.set_aside(&session, length(&path).unwrap_or(0), &error)?;
                    caught_up.unusable.push(error);
                }
            }
        }
        Ok(caught_up)
    }

    /// Copies a log from elsewhere into the folder and takes it in.
    ///
    /// # Errors
    /// [`HistoryError`] if it is no log, if another log of the same session is there, or if it cannot be written.
    pub fn add(&mut self, from: &Path) -> Result<Added, HistoryError> {
        let file_error = |path: &Path, error| HistoryError::File { path: path.to_owned(), error };
        let bytes = fs::read(from).map_err(|error| HistoryError::Log {
            path: from.to_owned(),
            error: RecordError::Log(OpenError::Io(error)),
        })?;
        let record = SweepRecord::read(bytes.as_slice())
            .map_err(|error| HistoryError::Log { path: from.to_owned(), error })?;
        let session = record.session.clone();
        if !is_plain(&session) {
            return Err(HistoryError::OddSession { session });
        }
        let path = log_of(&self.data, &session);
        match OpenOptions::new().write(true).create_new(true).open(&path) {
            Ok(mut file) => {
                let written = file.write_all(&bytes).and_then(|()| file.sync_all());
                if let Err(error) = written {
                    // Half a log would be taken for one that was cut short.
                    let _ = fs::remove_file(&path);
                    return Err(file_error(&path, error));
                }
                self.insert(&[super::Entry::of(&record, bytes.len() as u64)])?;
                Ok(Added { session, is_new: true })
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                let there = fs::read(&path).map_err(|error| file_error(&path, error))?;
                match there == bytes {
                    true => Ok(Added { session, is_new: false }),
                    false => Err(HistoryError::AnotherLog { session, path: from.to_owned() }),
                }
            }
            Err(error) => Err(file_error(&path, error)),
        }
    }

    /// Remembers a file that is no log.
    pub(super) fn set_aside(
        &mut self,
        session: &str,
        bytes: u64,
        error: &HistoryError,
    ) -> Result<(), HistoryError> {
        let bytes = i64::try_from(bytes).unwrap_or(i64::MAX);
        let why = reason(error);
        self.change(|transaction| {
            let sql = "INSERT OR REPLACE INTO unusable VALUES (?, ?, ?)";
            transaction.execute(sql, params![format!("{session}.jsonl"), bytes, why]).map(drop)
        })
    }

    /// The logs that the database knows.
    fn known(&self) -> rusqlite::Result<HashMap<String, Known>> {
        let sql = "SELECT session, bytes, ending IS NOT NULL FROM sweep
                   UNION ALL SELECT substr(file, 1, length(file) - length('.jsonl')), bytes, 0 FROM unusable";
        let mut statement = self.connection.prepare_cached(sql)?;
        let rows = statement.query_map([], |row| {
            let bytes: i64 = row.get(1)?;
            Ok((row.get(0)?, Known { bytes: bytes.unsigned_abs(), is_done: row.get(2)? }))
        })?;
        rows.collect()
    }
}

/// A database that a rebuild has set aside, if there is one.
#[must_use]
pub fn set_aside(data: &Path) -> Option<PathBuf> {
    let entries = fs::read_dir(data).ok()?;
    let is_aside = |path: &PathBuf| {
        let name = path.file_name().and_then(|name| name.to_str());
        name.is_some_and(|name| name.starts_with(&format!("{FILE}.unusable-")))
    };
    entries.flatten().map(|entry| entry.path()).find(is_aside)
}

/// Whether a session can be the name of a file everywhere, and of none but in the folder.
fn is_plain(session: &str) -> bool {
    let is_plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    !session.is_empty() && session.len() <= 128 && !session.starts_with('.') && session.chars().all(is_plain)
}

struct Known {
    bytes: u64,
    is_done: bool,
}

/// Why a log cannot be used, without the place where it lies: a history that is rebuilt elsewhere says the same.
fn reason(error: &HistoryError) -> String {
    match error {
        HistoryError::Log { error, .. } => error.to_string(),
        HistoryError::File { error, .. } => error.to_string(),
        other => other.to_string(),
    }
}

fn length(path: &Path) -> Option<u64> {
    fs::metadata(path).ok().map(|metadata| metadata.len())
}

/// Whether a sweep holds the lock of this log.
fn is_being_written(path: &Path) -> bool {
    let Ok(file) = fs::File::open(path) else { return false };
    matches!(file.try_lock_shared(), Err(fs::TryLockError::WouldBlock))
}
