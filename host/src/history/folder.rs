//! The data directory: the database, and the logs beside it.

use std::{
    collections::HashMap,
    fs, io,
    path::{Path, PathBuf},
};

use rusqlite::params;

use super::{History, HistoryError, write};
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

/// The names of all logs, without their ending, in order, and the length of each.
pub(super) fn sessions(data: &Path) -> Result<Vec<(String, u64)>, HistoryError> {
    let logs = data.join(LOGS);
    let list = || -> io::Result<Vec<(String, u64)>> {
        let mut sessions = Vec::new();
        for entry in fs::read_dir(&logs)? {
            let entry = entry?;
            let name = entry.file_name();
            if let Some(session) = name.to_str().and_then(|name| name.strip_suffix(".jsonl"))
                // A pipe or a device of that name would be waited for, or never end.
                && let Some(metadata) = fs::metadata(entry.path()).ok().filter(fs::Metadata::is_file)
            {
                sessions.push((session.to_owned(), metadata.len()));
            }
        }
        sessions.sort();
        Ok(sessions)
    };
    list().map_err(|error| HistoryError::File { path: logs.clone(), error })
}

impl History {
    /// Takes in the logs that the database does not know yet, or that have another length now: those of a program that was
    /// killed, that were copied here, or into which a note was written while the database was busy. Logs that a sweep is
    /// writing right now are left alone.
    ///
    /// # Errors
    /// [`HistoryError`] if the folder or the database cannot be used. A log that cannot is no error.
    pub fn catch_up(&mut self) -> Result<CaughtUp, HistoryError> {
        let known = self.known().map_err(|error| self.sorted(error))?;
        let mut caught_up = CaughtUp::default();
        for (session, length) in sessions(&self.data)? {
            if known.get(&session) == Some(&length) || is_being_written(&log_of(&self.data, &session)) {
                continue;
            }
            match write::read(&self.data, &session) {
                Ok((record, bytes)) => {
                    self.insert(&[super::Entry::of(&record, bytes)])?;
                    caught_up.taken_in += 1;
                }
                Err(error) => {
                    self.set_aside(&session, length, &error)?;
                    caught_up.unusable.push(error);
                }
            }
        }
        Ok(caught_up)
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

    /// The logs that the database knows, and the length that each had.
    fn known(&self) -> rusqlite::Result<HashMap<String, u64>> {
        let sql = "SELECT session, bytes FROM sweep
                   UNION ALL SELECT substr(file, 1, length(file) - length('.jsonl')), bytes FROM unusable";
        let mut statement = self.connection.prepare_cached(sql)?;
        let rows = statement.query_map([], |row| {
            let bytes: i64 = row.get(1)?;
            Ok((row.get(0)?, bytes.unsigned_abs()))
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

/// Why a log cannot be used, without the place where it lies: a history that is rebuilt elsewhere says the same.
fn reason(error: &HistoryError) -> String {
    match error {
        HistoryError::Log { error, .. } => error.to_string(),
        HistoryError::File { error, .. } => error.to_string(),
        other => other.to_string(),
    }
}

/// Whether a sweep holds the lock of this log.
fn is_being_written(path: &Path) -> bool {
    let Ok(file) = fs::File::open(path) else { return false };
    matches!(file.try_lock_shared(), Err(fs::TryLockError::WouldBlock))
}
