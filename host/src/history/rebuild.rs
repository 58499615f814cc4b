//! Makes the history again from the session logs.

use std::{
    fs, io,
    path::{Path, PathBuf},
};

use rusqlite::params;

use super::{
    FILE, History, HistoryError,
    folder::{make, sessions},
    rows::Entry,
    schema::TABLES,
    write,
};

/// What came of a rebuild.
#[derive(Debug, Default)]
pub struct Rebuilt {
    /// Sessions in the history now.
    pub sessions: u32,
    /// Logs that cannot be used, and why.
    pub unusable: Vec<HistoryError>,
    /// Where the old database was put, if it could not be used.
    pub set_aside: Option<PathBuf>,
}

/// Sessions that go in at once: few enough to keep in memory, many enough that the disk is not waited for each time.
const AT_ONCE: usize = 64;

/// Makes the history of a data directory again. `progress` hears how many logs of how many are done.
///
/// The new rows are made in a file beside the old one and then put into it in one transaction, so that other programs
/// see the old history or the new one. A database that cannot be used is set aside, never deleted.
///
/// # Errors
/// [`HistoryError`] if the data directory cannot be used.
pub fn rebuild(data: &Path, progress: &mut dyn FnMut(usize, usize)) -> Result<Rebuilt, HistoryError> {
    make(data)?;
    let mut rebuilt = Rebuilt::default();
    let place = data.join(format!("{FILE}.rebuild-{}", std::process::id()));
    let file_error = |path: &Path, error| HistoryError::File { path: path.to_owned(), error };
    // What a rebuild that was killed has left: its process has this one's number by chance.
    remove(&place).map_err(|error| file_error(&place, error))?;
    fs::create_dir(&place).map_err(|error| file_error(&place, error))?;
    let fresh = place.join(FILE);
    let result = fill(data, &fresh, &mut rebuilt, progress)
        .and_then(|()| usable(data, &mut rebuilt))
        .and_then(|mut history| {
            take_over(&mut history, &fresh)?;
            // Sweeps that ended while this one read.
            history.catch_up()
        });
    // Only a copy: what is left of it harms nobody.
    let _ = remove(&place);
    rebuilt.sessions += result?.taken_in;
    Ok(rebuilt)
}

/// Reads all logs into a database of their own.
fn fill(
    data: &Path,
    fresh: &Path,
    rebuilt: &mut Rebuilt,
    progress: &mut dyn FnMut(usize, usize),
) -> Result<(), HistoryError> {
    let mut history = History { connection: super::schema::open(fresh)?, data: data.to_owned() };
    let sessions = sessions(data)?;
    let mut entries = Vec::with_capacity(AT_ONCE);
    for (done, (session, length)) in sessions.iter().enumerate() {
        progress(done, sessions.len());
        match write::read(data, session) {
            Ok((record, bytes)) => {
                entries.push(Entry::of(&record, bytes));
                rebuilt.sessions += 1;
            }
            Err(error) => {
                history.set_aside(session, *length, &error)?;
                rebuilt.unusable.push(error);
            }
        }
        if entries.len() == AT_ONCE {
            history.insert(&entries)?;
            entries.clear();
        }
    }
    history.insert(&entries)?;
    progress(sessions.len(), sessions.len());
    Ok(())
}

/// Opens the database of the data directory; sets it aside first if it cannot be used.
fn usable(data: &Path, rebuilt: &mut Rebuilt) -> Result<History, HistoryError> {
    let looked_at = History::open(data).and_then(|history| history.check().map(|()| history));
    match looked_at {
        Err(HistoryError::Damaged { .. } | HistoryError::Newer { .. } | HistoryError::Database { .. }) => {
            let aside = free_name(data);
            let path = data.join(FILE);
            fs::rename(&path, &aside).map_err(|error| HistoryError::File { path: path.clone(), error })?;
            for ending in ["-wal", "-shm"] {
                let beside = |path: &Path| {
                    let mut name = path.as_os_str().to_owned();
                    name.push(ending);
                    PathBuf::from(name)
                };
                // They belong to the old file and must not be taken for those of the new one.
                match fs::rename(beside(&path), beside(&aside)) {
                    Err(error) if error.kind() != io::ErrorKind::NotFound => {
                        return Err(HistoryError::File { path: beside(&path), error });
                    }
                    _ => {}
                }
            }
            rebuilt.set_aside = Some(aside);
            History::open(data)
        }
        other => other,
    }
}

/// Puts the rows of a fresh database in the place of all rows.
fn take_over(history: &mut History, fresh: &Path) -> Result<(), HistoryError> {
    let name = fresh.to_string_lossy().into_owned();
    let attached = history.connection.execute("ATTACH ? AS fresh", params![name]);
    attached.map_err(|error| history.sorted(error))?;
    let result = history.change(|transaction| {
        for (table, _) in TABLES.iter().rev() {
            transaction.execute(&format!("DELETE FROM main.{table}"), [])?;
        }
        for (table, order) in TABLES {
            let sql = format!("INSERT INTO main.{table} SELECT * FROM fresh.{table} ORDER BY {order}");
            transaction.execute(&sql, [])?;
        }
        Ok(())
    });
    let detached = history.connection.execute_batch("DETACH fresh");
    result.and(detached.map_err(|error| history.sorted(error)))
}

impl History {
    /// Looks through the whole file for damage.
    fn check(&self) -> Result<(), HistoryError> {
        let found: String = self
            .connection
            .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
            .map_err(|error| self.sorted(error))?;
        match found.as_str() {
            "ok" => Ok(()),
            _ => Err(HistoryError::odd(self.data.join(FILE), found)),
        }
    }
}

/// A name for the old database that is not taken.
fn free_name(data: &Path) -> PathBuf {
    let name = |number: u32| data.join(format!("{FILE}.unusable-{number}"));
    (1..).map(name).find(|path| !path.exists()).unwrap_or_else(|| name(0))
}

fn remove(folder: &Path) -> io::Result<()> {
    match fs::remove_dir_all(folder) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}
