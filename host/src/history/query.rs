//! Asks the history.

use std::time::Duration;

use rusqlite::{OptionalExtension, Row, ToSql, params};

use super::{
    History, HistoryError,
    pins::decode,
    rows::{ConditionsRow, Entry, FindingRow, NoteKind, NoteRow, SweepRow, ending_from_code},
};
use crate::{compare::Kind, fingerprint::Fingerprint, session::BatchPlace};

/// Which sweeps to list; all where nothing is set.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Of this board.
    pub board: Option<String>,
    /// Of connectors of this name.
    pub connector: Option<String>,
    /// Begun at this time or later, in microseconds since 1970-01-01 UTC.
    pub from_us: Option<i64>,
    /// Begun before this time.
    pub until_us: Option<i64>,
    /// With a finding of this kind.
    pub finding: Option<Kind>,
    /// With this verdict, as in files.
    pub verdict: Option<String>,
    /// Of this batch.
    pub batch: Option<String>,
    /// The latest so many.
    pub limit: Option<u32>,
}

/// A sweep with its findings.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// What, when, and what came of it.
    pub sweep: SweepRow,
    /// The findings, the surest first.
    pub findings: Vec<FindingRow>,
}

/// What [`sweep_row`] reads, from `s` (sweep) and `c` (connector).
const COLUMNS: &str = "s.session, s.bytes, s.sha256, s.started, s.started_us, s.board, c.name, s.batch, s.place, \
                       s.attempt, s.practice, s.ending, s.took_us, s.verdict, s.words, s.placement, s.flagged, \
                       s.unread, s.troubles";

impl History {
    /// The sweeps that pass a filter, the latest first, and how many there are without the filter's limit.
    ///
    /// # Errors
    /// [`HistoryError`] if the database cannot be read.
    pub fn sweeps(&self, filter: &Filter) -> Result<(Vec<Found>, u64), HistoryError> {
        self.list(filter).map_err(|error| self.sorted(error))
    }

    /// Everything of one board, the oldest sweep first.
    ///
    /// # Errors
    /// [`HistoryError::NoSuchBoard`] if it was never swept.
    pub fn board(&self, board: &str) -> Result<Vec<Entry>, HistoryError> {
        let filter = Filter { board: Some(board.to_owned()), ..Filter::default() };
        let (mut found, _) = self.sweeps(&filter)?;
        if found.is_empty() {
            return Err(HistoryError::NoSuchBoard { board: board.to_owned() });
        }
        found.reverse();
        found.into_iter().map(|found| self.entry(found)).collect()
    }

    /// Everything of one session.
    ///
    /// # Errors
    /// [`HistoryError`] if the database cannot be read.
    pub fn session(&self, session: &str) -> Result<Option<Entry>, HistoryError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM sweep s JOIN connector c ON c.sha256 = s.connector WHERE session = ?"
        );
        let sweep = self
            .connection
            .prepare_cached(&sql)
            .and_then(|mut statement| statement.query_row([session], sweep_row).optional())
            .map_err(|error| self.sorted(error))?;
        let found = |sweep: SweepRow| -> rusqlite::Result<Found> {
            Ok(Found { findings: self.findings(&sweep.session)?, sweep })
        };
        let found = sweep.map(found).transpose().map_err(|error| self.sorted(error))?;
        found.map(|found| self.entry(found)).transpose()
    }

    fn list(&self, filter: &Filter) -> rusqlite::Result<(Vec<Found>, u64)> {
        let kind = filter.finding.map(Kind::code);
        let conditions: [(&str, Option<&dyn ToSql>); 7] = [
            ("s.board = ?", filter.board.as_ref().map(|value| value as &dyn ToSql)),
            (
                "s.connector IN (SELECT sha256 FROM connector WHERE name = ?)",
                filter.connector.as_ref().map(|value| value as &dyn ToSql),
            ),
            ("s.started_us >= ?", filter.from_us.as_ref().map(|value| value as &dyn ToSql)),
            ("s.started_us < ?", filter.until_us.as_ref().map(|value| value as &dyn ToSql)),
            (
                "s.session IN (SELECT session FROM finding WHERE kind = ?)",
                kind.as_ref().map(|value| value as &dyn ToSql),
            ),
            ("s.verdict = ?", filter.verdict.as_ref().map(|value| value as &dyn ToSql)),
            ("s.batch = ?", filter.batch.as_ref().map(|value| value as &dyn ToSql)),
        ];
        let set: Vec<_> =
            conditions.iter().filter_map(|(sql, value)| value.map(|value| (*sql, value))).collect();
        let values: Vec<&dyn ToSql> = set.iter().map(|(_, value)| *value).collect();
        let clause = match set.as_slice() {
            [] => String::new(),
            set => format!("WHERE {}", set.iter().map(|(sql, _)| *sql).collect::<Vec<_>>().join(" AND ")),
        };
        let count = format!("SELECT count(*) FROM sweep s {clause}");
        let count: i64 =
            self.connection.prepare_cached(&count)?.query_row(values.as_slice(), |row| row.get(0))?;
        let limit = filter.limit.map_or(String::new(), |limit| format!("LIMIT {limit}"));
        let sql = format!(
            "SELECT {COLUMNS} FROM sweep s JOIN connector c ON c.sha256 = s.connector {clause} \
             ORDER BY s.started_us DESC, s.session DESC {limit}"
        );
        let mut statement = self.connection.prepare_cached(&sql)?;
        let rows = statement.query_map(values.as_slice(), sweep_row)?;
        let mut found = Vec::new();
        for sweep in rows {
            let sweep = sweep?;
            found.push(Found { findings: self.findings(&sweep.session)?, sweep });
        }
        Ok((found, count.unsigned_abs()))
    }

    fn findings(&self, session: &str) -> rusqlite::Result<Vec<FindingRow>> {
        let sql = "SELECT kind, pins, ohms, probability FROM finding WHERE session = ? ORDER BY number";
        let mut statement = self.connection.prepare_cached(sql)?;
        let rows = statement.query_map([session], |row| {
            Ok(FindingRow {
                kind: row.get(0)?,
                pins: names(row, 1)?,
                ohms: row.get(2)?,
                probability: row.get(3)?,
            })
        })?;
        rows.collect()
    }

    fn entry(&self, found: Found) -> Result<Entry, HistoryError> {
        let session = found.sweep.session.clone();
        let (pin_names, reference, conditions, bytes, notes) =
            self.details(&session).map_err(|error| self.sorted(error))?;
        let pins = decode(&bytes, pin_names.len())
            .map_err(|error| HistoryError::odd(self.data.join(super::FILE), error))?;
        Ok(Entry {
            sweep: found.sweep,
            pin_names,
            reference,
            conditions,
            pins,
            findings: found.findings,
            notes,
        })
    }

    #[allow(clippy::type_complexity, reason = "the parts of an entry, put together by the only caller")]
    fn details(
        &self,
        session: &str,
    ) -> rusqlite::Result<(
        Vec<String>,
        Option<(Fingerprint, Option<u32>)>,
        ConditionsRow,
        Vec<u8>,
        Vec<NoteRow>,
    )> {
        let (pin_names, reference, bytes) = self
            .connection
            .prepare_cached(
                "SELECT c.pins, s.reference, r.known_good, p.pins FROM sweep s \
                 JOIN connector c ON c.sha256 = s.connector JOIN readings p ON p.session = s.session \
                 LEFT JOIN reference r ON r.sha256 = s.reference WHERE s.session = ?",
            )?
            .query_row([session], |row| {
                let reference = row.get::<_, Option<[u8; 32]>>(1)?.map(Fingerprint::from_bytes);
                let known_good = row.get(2)?;
                Ok((
                    names(row, 0)?,
                    reference.map(|fingerprint| (fingerprint, known_good)),
                    row.get::<_, Vec<u8>>(3)?,
                ))
            })?;
        let conditions = self
            .connection
            .prepare_cached("SELECT * FROM conditions WHERE session = ?")?
            .query_row([session], conditions_row)?;
        let sql = "SELECT kind, number, at_us, text, by FROM note WHERE session = ? ORDER BY kind, number";
        let mut statement = self.connection.prepare_cached(sql)?;
        let notes = statement.query_map(params![session], |row| {
            let kind: String = row.get(0)?;
            Ok(NoteRow {
                kind: NoteKind::from_code(&kind).ok_or_else(|| odd(0, &kind))?,
                number: row.get::<_, i64>(1)?.unsigned_abs(),
                at_us: row.get::<_, Option<i64>>(2)?.map(i64::unsigned_abs),
                text: row.get(3)?,
                by: row.get(4)?,
            })
        })?;
        let notes = notes.collect::<rusqlite::Result<_>>()?;
        Ok((pin_names, reference, conditions, bytes, notes))
    }
}

fn sweep_row(row: &Row<'_>) -> rusqlite::Result<SweepRow> {
    let batch = match (row.get(7)?, row.get(8)?, row.get(9)?) {
        (Some(name), Some(place), Some(attempt)) => Some(BatchPlace { name, place, attempt }),
        _ => None,
    };
    let ending = row.get::<_, Option<String>>(11)?;
    Ok(SweepRow {
        session: row.get(0)?,
        bytes: row.get::<_, i64>(1)?.unsigned_abs(),
        log: Fingerprint::from_bytes(row.get(2)?),
        started: row.get(3)?,
        started_us: row.get(4)?,
        board: row.get(5)?,
        connector: row.get(6)?,
        batch,
        practice: row.get(10)?,
        ending: ending.map(|code| ending_from_code(&code).ok_or_else(|| odd(11, &code))).transpose()?,
        took: Duration::from_micros(row.get::<_, i64>(12)?.unsigned_abs()),
        verdict: row.get(13)?,
        words: row.get(14)?,
        placement: row.get(15)?,
        flagged: row.get(16)?,
        unread: row.get(17)?,
        troubles: row.get(18)?,
    })
}

fn conditions_row(row: &Row<'_>) -> rusqlite::Result<ConditionsRow> {
    let good: Option<u32> = row.get("checks_good")?;
    Ok(ConditionsRow {
        program: row.get("program")?,
        operator: row.get("operator")?,
        meter: row.get("meter")?,
        meter_amperes: row.get("meter_amperes")?,
        jig: row.get("jig")?,
        wiring: row.get("wiring")?,
        reference_path: row.get("reference_path")?,
        zeroed: row.get("zeroed")?,
        kelvin: row.get("kelvin")?,
        checks: good.zip(row.get("checks_failed")?),
        shared: [
            row.get("shared_volts")?,
            row.get("shared_kelvin")?,
            row.get("shared_ratio")?,
            row.get("shared_ohms")?,
        ],
        put_in: row.get("put_in")?,
    })
}

/// A JSON list of names.
fn names(row: &Row<'_>, column: usize) -> rusqlite::Result<Vec<String>> {
    let text: String = row.get(column)?;
    serde_json::from_str(&text).map_err(|error| {
        rusqlite::Error::FromSqlConversionFailure(column, rusqlite::types::Type::Text, Box::new(error))
    })
}

/// A code that this program has not written.
fn odd(column: usize, code: &str) -> rusqlite::Error {
    let message = format!("expected a code of this form, found {}", crate::label::Found(code));
    rusqlite::Error::FromSqlConversionFailure(column, rusqlite::types::Type::Text, message.into())
}
