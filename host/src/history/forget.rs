//! Notes that come later, and words that are removed on request.

use super::{History, HistoryError, folder::log_of};
use crate::{
    log::{self, LogEvent},
    moment::Moment,
};

/// A note that is in a log.
#[derive(Debug)]
pub struct Noted {
    /// The session with the note.
    pub session: String,
    /// Why the database does not know it yet. It takes it in by itself, so that nothing needs to be written again.
    pub left: Option<HistoryError>,
}

/// What was removed of a board.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Forgotten {
    /// Sweeps of the board.
    pub sweeps: u32,
    /// Logs that were rewritten.
    pub logs: u32,
    /// Notes that were removed.
    pub notes: u32,
    /// Damaged lines that may have been notes, and were removed too.
    pub damaged: u32,
    /// Logs that are not in the folder any more.
    pub missing: u32,
}

impl History {
    /// Writes a note about a board into the log of its latest sweep. `now_us` is the time, in microseconds since
    /// 1970-01-01 UTC.
    ///
    /// # Errors
    /// [`HistoryError`] if the board was never swept or its log cannot be written: there is no note then.
    pub fn note(&mut self, board: &str, text: &str, now_us: i64) -> Result<Noted, HistoryError> {
        let entries = self.board(board)?;
        let Some(sweep) = entries.last().map(|entry| &entry.sweep) else {
            return Err(HistoryError::NoSuchBoard { board: board.to_owned() });
        };
        let session = sweep.session.clone();
        // A log whose beginning is no time counts from there on as well as it can.
        let since = now_us.saturating_sub(sweep.started_us.unwrap_or(now_us));
        let at = Moment::from_micros(u64::try_from(since).unwrap_or(0));
        let path = log_of(&self.data, &session);
        log::append(&path, at, LogEvent::Note { text: text.to_owned() })
            .map_err(|error| HistoryError::Amend { path, error })?;
        // From here on the note is on record, whatever becomes of the database.
        let left = self.ingest(&session).err();
        Ok(Noted { session, left })
    }

    /// Removes all notes about a board from its logs and from the database. `removed` is the time, as RFC 3339 text.
    ///
    /// The logs say afterwards that something was removed, when and by whom. Copies elsewhere are not reached.
    ///
    /// # Errors
    /// [`HistoryError`] if the board was never swept or one of its logs cannot be written; asking again goes on where it
    /// failed.
    pub fn forget(
        &mut self,
        board: &str,
        removed: &str,
        by: Option<&str>,
    ) -> Result<Forgotten, HistoryError> {
        let mut forgotten = Forgotten::default();
        for entry in self.board(board)? {
            forgotten.sweeps += 1;
            let session = entry.sweep.session;
            let path = log_of(&self.data, &session);
            if !path.exists() {
                forgotten.missing += 1;
                self.change(|transaction| {
                    let sql = "DELETE FROM note WHERE session = ? AND kind = 'note'";
                    transaction.execute(sql, [&session]).map(drop)
                })?;
                continue;
            }
            let redaction = log::remove_notes(&path, removed, by)
                .map_err(|error| HistoryError::Amend { path: path.clone(), error })?;
            forgotten.notes += redaction.notes;
            forgotten.damaged += redaction.damaged;
            if redaction.notes + redaction.damaged > 0 {
                forgotten.logs += 1;
            }
            self.ingest(&session)?;
        }
        // What was deleted also stands in the log of changes beside the file until that is written back.
        let written_back = self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()));
        written_back.map_err(|error| self.sorted(error))?;
        Ok(forgotten)
    }
}
