//! The history: every sweep of every board, in a database that is made from the session logs.
//!
//! This is an edge: it keeps `history.db` (SQLite) and the folder `logs` in the data directory. The logs are the
//! record; the database only makes them quick to search, and can be thrown away and made again at any time. A sweep gets
//! into it in one way only, live as in a rebuild: its log is read back and distilled ([`SweepRecord`]), and what is
//! kept of it ([`Entry`]) goes in in one transaction. So a rebuilt history has the same rows as one that grew.
//!
//! Several programs may use one history at once: readers see whole sweeps only, writers wait for each other.
//! `docs/history.md` tells the form of the database.
#![allow(clippy::disallowed_methods, reason = "this is the edge that keeps the history")]

mod add;
mod changes;
mod error;
mod folder;
mod forget;
pub mod pins;
mod query;
mod rebuild;
mod rows;
mod schema;
mod write;

use std::path::{Path, PathBuf};

use rusqlite::Connection;

pub use add::{Added, LARGEST_LOG};
pub use changes::{Change, changes};
pub use error::HistoryError;
pub use folder::{CaughtUp, FILE, LOGS, log_of, set_aside};
pub use forget::{Forgotten, Noted};
pub use query::{Filter, Found};
pub use rebuild::{Rebuilt, rebuild};
pub use rows::{ConditionsRow, Entry, FindingRow, NoteKind, NoteRow, SweepRow, ending_code};
pub use schema::CURRENT as FORM;

#[cfg(doc)]
use crate::record::SweepRecord;

/// The history in a data directory.
#[derive(Debug)]
pub struct History {
    connection: Connection,
    data: PathBuf,
}

impl History {
    /// Opens the history of a data directory; makes a new one where there is none.
    ///
    /// # Errors
    /// [`HistoryError`], which says what to do about it: if the file is damaged, if a newer program wrote it, if another
    /// program does not let go of it.
    pub fn open(data: &Path) -> Result<Self, HistoryError> {
        folder::make(data)?;
        let connection = schema::open(&data.join(FILE))?;
        Ok(Self { connection, data: data.to_owned() })
    }

    /// The data directory.
    #[must_use]
    pub fn data(&self) -> &Path {
        &self.data
    }

    /// All rows of all tables as text, in an order that does not depend on how they came in: two histories with the same
    /// text say the same.
    ///
    /// # Errors
    /// [`HistoryError`] if the database cannot be read.
    pub fn dump(&self) -> Result<String, HistoryError> {
        schema::dump(&self.connection).map_err(|error| self.sorted(error))
    }

    /// Says which file an error of SQLite is about.
    fn sorted(&self, error: rusqlite::Error) -> HistoryError {
        HistoryError::of(self.data.join(FILE), error)
    }
}
