//! One program at a time leads a batch: two would give one place of it to two boards.

use std::{
    fs::{File, OpenOptions, TryLockError},
    path::Path,
};

use crate::{exit_status::ExitStatus, failure::Failure, fingerprint::Fingerprint, label::Found};

/// The batch is this program's as long as this is kept.
pub(super) struct Held {
    _lock: File,
}

/// Takes hold of a batch.
///
/// # Errors
/// Another program has it, or the data directory cannot be written.
pub(super) fn take(data: &Path, name: &str) -> Result<Held, Failure> {
    // Names may hold anything; their fingerprint is the name of a file everywhere.
    let folder = data.join("batches");
    let path = folder.join(format!("{}.lock", Fingerprint::of(name.as_bytes())));
    let opened = std::fs::create_dir_all(&folder)
        .and_then(|()| OpenOptions::new().write(true).create(true).truncate(false).open(&path));
    let lock = opened.map_err(|error| {
        Failure::new(ExitStatus::Io, format!("cannot use {}: {error}", path.display()))
            .hint("check that the folder can be written, or name another one with --data DIR")
    })?;
    match lock.try_lock() {
        // Not all file systems can lock.
        Ok(()) | Err(TryLockError::Error(_)) => Ok(Held { _lock: lock }),
        Err(TryLockError::WouldBlock) => {
            let found =
                format!("expected batch {} to be led by nobody, found another program at it", Found(name));
            Err(Failure::new(ExitStatus::Io, found)
                .hint("let it end first, or begin another batch with another --name"))
        }
    }
}
