//! Takes a log from elsewhere into the data directory.

use std::{
    fs::{self, File},
    io::{self, Read, Seek},
    path::Path,
};

use super::{Entry, History, HistoryError, log_of};
use crate::{
    fingerprint::{Digested, Fingerprint},
    log::OpenError,
    record::{RecordError, SweepRecord},
};

/// The largest log that is copied, in bytes. Probing by hand for a whole day with a meter that sends 25 readings a second
/// leaves a quarter of it (120 bytes a reading); a file that is larger was named by mistake.
pub const LARGEST_LOG: u64 = 1 << 30;

/// A log that was copied into the folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Added {
    /// Its session.
    pub session: String,
    /// Whether it was not there yet.
    pub is_new: bool,
}

impl History {
    /// Copies a log from elsewhere into the folder and takes it in.
    ///
    /// # Errors
    /// [`HistoryError`] if it is no log, if another log of the same session is there, or if it cannot be written.
    pub fn add(&mut self, from: &Path) -> Result<Added, HistoryError> {
        let unreadable = |error| HistoryError::Log {
            path: from.to_owned(),
            error: RecordError::Log(OpenError::Io(error)),
        };
        let metadata = fs::metadata(from).map_err(unreadable)?;
        // It is read twice, once to know what it is and once to copy it: a pipe or a device would say another thing.
        if !metadata.is_file() || metadata.len() > LARGEST_LOG {
            let found = metadata.is_file().then_some(metadata.len());
            return Err(HistoryError::NotALogFile { path: from.to_owned(), found });
        }
        let mut file = File::open(from).map_err(unreadable)?;
        let record = SweepRecord::read((&file).take(LARGEST_LOG))
            .map_err(|error| HistoryError::Log { path: from.to_owned(), error })?;
        let session = record.session.clone();
        if !is_plain(&session) {
            return Err(HistoryError::OddSession { session });
        }
        let path = log_of(&self.data, &session);
        let unwritable = |error| HistoryError::File { path: path.clone(), error };
        file.rewind().map_err(unreadable)?;
        let placed = copy(file, record.fingerprint, &path);
        match placed {
            Ok(bytes) => {
                self.insert(&[Entry::of(&record, bytes)])?;
                Ok(Added { session, is_new: true })
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                let there =
                    File::open(&path).and_then(|there| drain(there, &mut io::sink())).map_err(unwritable)?;
                match there.0 == record.fingerprint {
                    true => Ok(Added { session, is_new: false }),
                    false => Err(HistoryError::AnotherLog { session, path: from.to_owned() }),
                }
            }
            Err(error) => Err(unwritable(error)),
        }
    }
}

/// Copies a log that has this fingerprint, and gives it its name once all of it is on the disk: half a log would be taken
/// for one that was cut short. Gives its length.
fn copy(file: File, expected: Fingerprint, path: &Path) -> io::Result<u64> {
    if path.try_exists()? {
        return Err(io::ErrorKind::AlreadyExists.into());
    }
    let fresh_path = path.with_extension("jsonl.new");
    let copied = || -> io::Result<u64> {
        let mut fresh = File::create(&fresh_path)?;
        let (fingerprint, bytes) = drain(file, &mut fresh)?;
        if fingerprint != expected {
            return Err(io::Error::other("the log has changed while it was read; is it being written?"));
        }
        fresh.sync_all()?;
        place(&fresh_path, path)?;
        Ok(bytes)
    };
    copied().inspect_err(|_| {
        // What is left beside the logs is of no use.
        let _ = fs::remove_file(&fresh_path);
    })
}

/// Gives a file its name. A link never takes the place of another log; not all file systems have links.
fn place(fresh: &Path, path: &Path) -> io::Result<()> {
    match fs::hard_link(fresh, path) {
        Ok(()) => fs::remove_file(fresh),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Err(error),
        Err(_) => fs::rename(fresh, path),
    }
}

/// Moves a log, at most as much as is copied, and gives its fingerprint and its length.
fn drain(log: File, to: &mut impl io::Write) -> io::Result<(Fingerprint, u64)> {
    let mut digested = Digested::new(log.take(LARGEST_LOG));
    let bytes = io::copy(&mut digested, to)?;
    Ok((digested.fingerprint(), bytes))
}

/// Whether a session can be the name of a file everywhere, and of none but in the folder.
fn is_plain(session: &str) -> bool {
    let is_plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    !session.is_empty() && session.len() <= 128 && !session.starts_with('.') && session.chars().all(is_plain)
}
