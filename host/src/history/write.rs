//! Puts sweeps into the history.

use std::fs::File;

use rusqlite::{Connection, ToSql, Transaction, TransactionBehavior, params};

use super::{
    History, HistoryError, folder,
    pins::encode,
    rows::{ConditionsRow, Entry, FindingRow, NoteRow, ending_code},
};
use crate::{
    fingerprint::Fingerprint,
    record::{RecordError, SweepRecord},
};

impl History {
    /// Takes in the log of a session of this data directory, or takes it in again if it has changed.
    ///
    /// # Errors
    /// [`HistoryError`] if there is no such log, if it is none, or if the database cannot be written.
    pub fn ingest(&mut self, session: &str) -> Result<SweepRecord, HistoryError> {
        let (record, bytes) = read(&self.data, session)?;
        self.insert(&[Entry::of(&record, bytes)])?;
        Ok(record)
    }

    /// Puts entries in, all of them in one transaction; each takes the place of one of the same session.
    ///
    /// # Errors
    /// [`HistoryError`] if the database cannot be written.
    pub fn insert(&mut self, entries: &[Entry]) -> Result<(), HistoryError> {
        self.change(|transaction| entries.iter().try_for_each(|entry| put(transaction, entry)))
    }

    /// Changes the database in one transaction, which waits for those of other programs first.
    pub(super) fn change(
        &mut self,
        what: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<()>,
    ) -> Result<(), HistoryError> {
        let run = |connection: &mut Connection| {
            let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            what(&transaction)?;
            transaction.commit()
        };
        run(&mut self.connection).map_err(|error| self.sorted(error))
    }
}

/// Reads the log of a session: the record and the length of the log.
pub(super) fn read(data: &std::path::Path, session: &str) -> Result<(SweepRecord, u64), HistoryError> {
    let path = folder::log_of(data, session);
    let open = || -> std::io::Result<(File, u64)> {
        let file = File::open(&path)?;
        let bytes = file.metadata()?.len();
        Ok((file, bytes))
    };
    let (file, bytes) = open().map_err(|error| HistoryError::File { path: path.clone(), error })?;
    let record = SweepRecord::read(file).map_err(|error| match error {
        RecordError::Log(crate::log::OpenError::Io(error)) => {
            HistoryError::File { path: path.clone(), error }
        }
        error => HistoryError::Log { path: path.clone(), error },
    })?;
    if record.session != session {
        let session_found = crate::label::shown(&record.session);
        return Err(HistoryError::Misnamed { session: session_found, file: format!("{session}.jsonl") });
    }
    Ok((record, bytes))
}

/// Puts one entry in, in place of what is there of the same session.
fn put(transaction: &Transaction<'_>, entry: &Entry) -> rusqlite::Result<()> {
    let session = &entry.sweep.session;
    run(transaction, "DELETE FROM sweep WHERE session = ?", params![session])?;
    run(transaction, "DELETE FROM unusable WHERE file = ? || '.jsonl'", params![session])?;
    let connector = put_named(transaction, entry)?;
    put_sweep(transaction, entry, connector)?;
    put_conditions(transaction, session, &entry.conditions)?;
    run(transaction, "INSERT INTO readings VALUES (?, ?)", params![session, encode(&entry.pins)])?;
    put_findings(transaction, session, &entry.findings)?;
    put_notes(transaction, session, &entry.notes)
}

/// What many sweeps share: the board, the connector, which is told by the fingerprint returned, and the reference.
fn put_named(transaction: &Transaction<'_>, entry: &Entry) -> rusqlite::Result<Fingerprint> {
    let sweep = &entry.sweep;
    if let Some(board) = &sweep.board {
        run(transaction, "INSERT OR IGNORE INTO board VALUES (?)", params![board])?;
    }
    let pin_names = json(&entry.pin_names);
    let connector = Fingerprint::of(format!("{}\n{pin_names}", sweep.connector).as_bytes());
    run(
        transaction,
        "INSERT OR IGNORE INTO connector VALUES (?, ?, ?)",
        params![connector.as_bytes(), sweep.connector, pin_names],
    )?;
    if let Some((fingerprint, known_good)) = &entry.reference {
        // Some logs only name their reference: what one log knows of it serves all.
        run(
            transaction,
            "INSERT INTO reference VALUES (?1, ?2) ON CONFLICT DO UPDATE SET known_good = \
             coalesce(known_good, excluded.known_good)",
            params![fingerprint.as_bytes(), known_good],
        )?;
    }
    Ok(connector)
}

fn put_sweep(transaction: &Transaction<'_>, entry: &Entry, connector: Fingerprint) -> rusqlite::Result<()> {
    let sweep = &entry.sweep;
    let batch = sweep.batch.as_ref();
    run(
        transaction,
        "INSERT INTO sweep VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        params![
            sweep.session,
            integer(sweep.bytes),
            sweep.log.as_bytes(),
            sweep.started,
            sweep.started_us,
            sweep.board,
            connector.as_bytes(),
            entry.reference.as_ref().map(|(fingerprint, _)| *fingerprint.as_bytes()),
            batch.map(|batch| &batch.name),
            batch.map(|batch| batch.place),
            batch.map(|batch| batch.attempt),
            sweep.practice,
            sweep.ending.map(ending_code),
            i64::try_from(sweep.took.as_micros()).unwrap_or(i64::MAX),
            sweep.verdict,
            sweep.words,
            sweep.placement,
            sweep.flagged,
            sweep.unread,
            sweep.troubles,
        ],
    )
}

fn put_conditions(
    transaction: &Transaction<'_>,
    session: &str,
    conditions: &ConditionsRow,
) -> rusqlite::Result<()> {
    run(
        transaction,
        "INSERT INTO conditions VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        params![
            session,
            conditions.program,
            conditions.operator,
            conditions.meter,
            conditions.meter_amperes,
            conditions.jig,
            conditions.wiring,
            conditions.reference_path,
            conditions.zeroed,
            conditions.kelvin,
            conditions.checks.map(|(good, _)| good),
            conditions.checks.map(|(_, failed)| failed),
            conditions.shared[0],
            conditions.shared[1],
            conditions.shared[2],
            conditions.shared[3],
            conditions.put_in,
        ],
    )
}

fn put_findings(
    transaction: &Transaction<'_>,
    session: &str,
    findings: &[FindingRow],
) -> rusqlite::Result<()> {
    (1_i64..).zip(findings).try_for_each(|(number, finding)| {
        let FindingRow { kind, pins, ohms, probability } = finding;
        run(
            transaction,
            "INSERT INTO finding VALUES (?, ?, ?, ?, ?, ?)",
            params![session, number, kind, json(pins), ohms, probability],
        )
    })
}

fn put_notes(transaction: &Transaction<'_>, session: &str, notes: &[NoteRow]) -> rusqlite::Result<()> {
    notes.iter().try_for_each(|note| {
        let (number, at_us) = (integer(note.number), note.at_us.map(integer));
        run(
            transaction,
            "INSERT INTO note VALUES (?, ?, ?, ?, ?, ?)",
            params![session, note.kind.code(), number, at_us, note.text, note.by],
        )
    })
}

fn run(transaction: &Transaction<'_>, sql: &str, values: &[&dyn ToSql]) -> rusqlite::Result<()> {
    transaction.prepare_cached(sql)?.execute(values).map(drop)
}

/// SQLite counts with a sign; no length or number of lines is that large.
fn integer(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

fn json(names: &[String]) -> String {
    // A list of texts always has a JSON form.
    serde_json::to_string(names).unwrap_or_default()
}
