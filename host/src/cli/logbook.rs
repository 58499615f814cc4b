//! Writes the session log of a sweep, and keeps what went wrong with it for the operator.

use std::path::{Path, PathBuf};

use crate::{
    connector::PinName,
    exit_status::ExitStatus,
    failure::Failure,
    log::{Ending, Header, LogEvent, LogWriter, StartError, SyncPolicy},
    moment::Moment,
    sweep::{Record, Recorder},
};

/// The session log of one sweep.
pub(super) struct Logbook {
    writer: LogWriter,
    names: Vec<PinName>,
    last: Moment,
    /// Where the log is.
    pub(super) path: PathBuf,
    /// What the operator should know about the log.
    pub(super) warnings: Vec<String>,
    /// Why not everything is in the log.
    trouble: Option<String>,
}

impl Logbook {
    /// Begins a log before anything is measured.
    pub(super) fn begin(path: &Path, header: Header, policy: SyncPolicy) -> Result<Self, Failure> {
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|error| {
                Failure::new(ExitStatus::Io, format!("cannot make the folder {}: {error}", folder.display()))
                    .hint("name another place with --log FILE or --data DIR")
            })?;
        }
        let names = header.connector.pins.iter().map(|pin| pin.name.clone()).collect();
        let writer = LogWriter::create(path, header, Moment::START, policy).map_err(|error| {
            let hint = match error {
                StartError::Exists { .. } => "name a new file with --log: a log is never overwritten",
                _ => "name another place with --log FILE or --data DIR",
            };
            Failure::new(ExitStatus::Io, error).hint(hint)
        })?;
        Ok(Self {
            writer,
            names,
            last: Moment::START,
            path: path.to_owned(),
            warnings: Vec::new(),
            trouble: None,
        })
    }

    /// Writes an event that is no part of the measurement, at the time of the last one.
    pub(super) fn note(&mut self, event: LogEvent) {
        let at = self.last;
        self.write(at, event);
    }

    /// Writes an event of another time, as it stands in a log that is carried on.
    pub(super) fn copy(&mut self, at: Moment, event: LogEvent) {
        self.write(at.max(self.last), event);
    }

    /// Ends the log.
    pub(super) fn end(mut self, how: Ending, detail: Option<String>) -> Vec<String> {
        self.note(LogEvent::End { how, detail });
        match self.writer.finish() {
            Ok(written) if written.lost > 0 => {
                self.warnings.push(format!("{} events are missing in the session log", written.lost));
            }
            Ok(_) => {}
            Err(error) => self.warnings.push(format!("the session log may not be on the disk: {error}")),
        }
        self.warnings
    }

    fn write(&mut self, at: Moment, event: LogEvent) {
        self.last = at;
        // Looked at where a person is told something: the file of a folder that is gone can still be written.
        let is_looked_at = matches!(event, LogEvent::PinResult { .. } | LogEvent::End { .. });
        if is_looked_at && self.trouble.is_none() && !self.writer.is_at(&self.path) {
            let problem = format!(
                "the session log {} is no longer there: it was moved or removed",
                self.path.display()
            );
            self.warnings.push(problem.clone());
            self.trouble = Some(problem);
        }
        if let Some(notice) = self.writer.write(at, event) {
            self.trouble.get_or_insert_with(|| notice.to_string());
            self.warnings.push(notice.to_string());
        }
    }
}

impl Recorder for Logbook {
    fn record(&mut self, at: Moment, record: Record<'_>) {
        if let Some(event) = LogEvent::of(record, &self.names) {
            self.write(at, event);
        }
    }

    fn trouble(&self) -> Option<String> {
        self.trouble.clone()
    }
}
