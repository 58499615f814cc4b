//! Files that commands write: over a session log never, over another file that exists only when told to.

use std::{
    ffi::OsString,
    fs::{self, File, OpenOptions},
    io::{ErrorKind, Read, Write},
    path::{Path, PathBuf},
};

use clap::Args as Arguments;

use crate::{exit_status::ExitStatus, failure::Failure, log};

/// Whether files that exist are written over: the same word for every command that writes one.
#[derive(Debug, Clone, Copy, Arguments)]
pub(super) struct Overwrite {
    /// Write over a file that exists; a session log is never written over
    #[arg(long)]
    overwrite: bool,
}

/// A file that is about to be written. It is made before the work begins: a name that cannot be used should not be found
/// out after a long measurement.
#[derive(Debug)]
pub(super) struct Output<'a> {
    path: &'a Path,
    is_replaced: bool,
}

impl<'a> Output<'a> {
    /// A file of this name, which must be none of the files that the command reads.
    pub(super) fn new(path: &'a Path, overwrite: Overwrite, read: &[&Path]) -> Result<Self, Failure> {
        refuse_session_log(path)?;
        if read.iter().any(|&read| is_same(path, read)) {
            return Err(Failure::new(
                ExitStatus::Usage,
                format!("expected another file to write than those that are read, found {}", path.display()),
            )
            .hint("name another file to write"));
        }
        // A device or a pipe holds nothing that could be lost.
        let is_file = fs::metadata(path).is_ok_and(|found| found.is_file());
        if is_file && !overwrite.overwrite {
            return Err(Failure::new(
                ExitStatus::Usage,
                format!("{} exists: nothing was written", path.display()),
            )
            .hint("--overwrite writes over it; or name another file"));
        }
        Ok(Self { path, is_replaced: is_file })
    }

    /// A file that the command has read and writes back, grown.
    pub(super) fn in_place(path: &'a Path) -> Result<Self, Failure> {
        refuse_session_log(path)?;
        Ok(Self { path, is_replaced: true })
    }

    /// The name it was given.
    pub(super) const fn path(&self) -> &Path {
        self.path
    }

    /// Writes it, whole or not at all.
    pub(super) fn write(&self, what: &str, content: &[u8]) -> Result<(), Failure> {
        let written = if self.is_replaced { self.replace(content) } else { self.create(content) };
        written.map_err(|error| {
            let failure = Failure::new(
                ExitStatus::Io,
                format!("cannot write {what} to {}: {error}", self.path.display()),
            );
            match error.kind() {
                ErrorKind::AlreadyExists => {
                    failure.hint("another program has just made it: name another file")
                }
                _ => failure.hint("name a file in a folder that exists and can be written"),
            }
        })
    }

    fn create(&self, content: &[u8]) -> std::io::Result<()> {
        if self.path.exists() {
            // A device or a pipe, as was seen before.
            return OpenOptions::new().write(true).open(self.path)?.write_all(content);
        }
        let mut file = File::create_new(self.path)?;
        file.write_all(content).inspect_err(|_| {
            // Half a file would be taken for a whole one, and stand in the way of the next try.
            let _ = fs::remove_file(self.path);
        })
    }

    /// Beside the old file first, so that a failed write leaves the old one whole.
    fn replace(&self, content: &[u8]) -> std::io::Result<()> {
        // Through a link to the file that it names.
        let path = fs::canonicalize(self.path)?;
        let mut name = path.file_name().map_or_else(OsString::new, OsString::from);
        name.push(".part");
        let draft = path.with_file_name(name);
        fs::write(&draft, content).and_then(|()| fs::rename(&draft, &path)).inspect_err(|_| {
            let _ = fs::remove_file(&draft);
        })
    }
}

/// Refuses a file that is a session log, damaged or not: it is the record, and there may be no other copy.
pub(super) fn refuse_session_log(path: &Path) -> Result<(), Failure> {
    let is_file = fs::metadata(path).is_ok_and(|found| found.is_file());
    let mut first = Vec::new();
    if is_file && let Ok(file) = File::open(path) {
        let _ = file.take(log::OPENING as u64).read_to_end(&mut first);
    }
    if !log::opens(&first) {
        return Ok(());
    }
    Err(Failure::new(
        ExitStatus::Usage,
        format!("expected another file to write, found the session log {}", path.display()),
    )
    .hint("a session log is the record and is never written over: name another file"))
}

/// Whether both names lead to one file.
pub(super) fn is_same(one: &Path, other: &Path) -> bool {
    let whole = |path: &Path| -> Option<PathBuf> { fs::canonicalize(path).ok() };
    whole(one).is_some_and(|one| whole(other) == Some(one))
}
