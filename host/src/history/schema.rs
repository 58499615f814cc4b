//! The tables of the history, and how a database gets from an older form to the present one.

use std::{path::Path, time::Duration};

use rusqlite::{Connection, OpenFlags, TransactionBehavior, types::ValueRef};

use super::error::{HistoryError, PATIENCE_SECONDS};

/// One file a form, in order. A form is kept in the database as `user_version`: so many of these files were run.
const MIGRATIONS: [&str; 1] = [include_str!("migrations/0001.sql")];

/// The form that this program writes.
pub const CURRENT: u32 = MIGRATIONS.len() as u32;

/// The tables, each after those that it refers to, and what their rows are sorted by.
pub(super) const TABLES: [(&str, &str); 9] = [
    ("board", "name"),
    ("connector", "sha256"),
    ("reference", "sha256"),
    ("sweep", "session"),
    ("conditions", "session"),
    ("readings", "session"),
    ("finding", "session, number"),
    ("note", "session, kind, number"),
    ("unusable", "file"),
];

/// Opens a database and brings it to the present form.
pub(super) fn open(path: &Path) -> Result<Connection, HistoryError> {
    let sorted = |error| HistoryError::of(path.to_owned(), error);
    // Without SQLITE_OPEN_URI: a folder of a strange name must not be read as options.
    let flags =
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut connection = Connection::open_with_flags(path, flags).map_err(sorted)?;
    connection.busy_timeout(Duration::from_secs(PATIENCE_SECONDS)).map_err(sorted)?;
    let found = version(&connection).map_err(sorted)?;
    if found > CURRENT {
        return Err(HistoryError::Newer { path: path.to_owned(), known: CURRENT, found });
    }
    if found == 0 && is_foreign(&mut connection).map_err(sorted)? {
        return Err(HistoryError::Foreign { path: path.to_owned() });
    }
    // The log of changes lies beside the file, so that readers never wait. `normal`: a power cut may lose the last
    // sweeps, never the order of the file; they are taken in again from their logs.
    connection
        .execute_batch(
            "PRAGMA journal_mode = wal; PRAGMA synchronous = normal; PRAGMA foreign_keys = on; \
             PRAGMA secure_delete = on; PRAGMA trusted_schema = off;",
        )
        .map_err(sorted)?;
    migrate(&mut connection).map_err(sorted)?;
    Ok(connection)
}

fn version(connection: &Connection) -> rusqlite::Result<u32> {
    connection.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// Whether there is something in it, and none of our files was run. In one transaction, since another program may just be
/// running them.
fn is_foreign(connection: &mut Connection) -> rusqlite::Result<bool> {
    let transaction = connection.transaction()?;
    let tables: u32 = transaction.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    Ok(tables > 0 && version(&transaction)? == 0)
}

/// Runs the files that the database has not seen, all of them or none.
fn migrate(connection: &mut Connection) -> rusqlite::Result<()> {
    if version(connection)? == CURRENT {
        return Ok(());
    }
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Another program may have done it while this one waited.
    let found = version(&transaction)?;
    for sql in MIGRATIONS.iter().skip(found as usize) {
        transaction.execute_batch(sql)?;
    }
    transaction.pragma_update(None, "user_version", CURRENT)?;
    transaction.commit()
}

/// All rows as text.
pub(super) fn dump(connection: &Connection) -> rusqlite::Result<String> {
    let mut text = String::new();
    for (table, order) in TABLES {
        let mut statement = connection.prepare(&format!("SELECT * FROM {table} ORDER BY {order}"))?;
        let columns = statement.column_count();
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            text.push_str(table);
            for column in 0..columns {
                text.push('|');
                match row.get_ref(column)? {
                    ValueRef::Null => text.push_str("null"),
                    ValueRef::Integer(number) => text.push_str(&number.to_string()),
                    // Enough digits for every bit.
                    ValueRef::Real(number) => text.push_str(&format!("{number:e}")),
                    ValueRef::Text(bytes) => text.push_str(&format!("{:?}", String::from_utf8_lossy(bytes))),
                    ValueRef::Blob(bytes) => text.push_str(&crate::fingerprint::hex(bytes)),
                }
            }
            text.push('\n');
        }
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_table_is_dumped() {
        let mut connection = Connection::open_in_memory().unwrap();
        migrate(&mut connection).unwrap();
        let mut statement = connection
            .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
            .unwrap();
        let names = statement.query_map([], |row| row.get::<_, String>(0)).unwrap();
        let mut names: Vec<String> = names.map(Result::unwrap).collect();
        names.sort();
        let mut known = TABLES.map(|(table, _)| table.to_owned()).to_vec();
        known.sort();
        assert_eq!(names, known);
        assert_eq!(version(&connection), Ok(CURRENT));
        assert_eq!(dump(&connection), Ok(String::new()));
    }
}
