//! Changes a log after its sweep: an edge. Adds what is written down later, and removes words on request.
//!
//! Nothing else of a log is ever changed. What is added goes to the end, with its time since the session began. What
//! is removed leaves a [`LogEvent::Redacted`] in its line, with number, time and a checksum of its own, so that the
//! log says that something was there; all other lines stay byte by byte.
#![allow(clippy::disallowed_methods, reason = "this is the edge that changes logs")]

use std::{
    fs::{self, File, OpenOptions, TryLockError},
    io::{self, BufRead, BufReader, Read, Seek, SeekFrom, Write},
    path::{Path, PathBuf},
};

use super::{
    event::{LogEvent, LogLine},
    format::{EncodeError, LONGEST_LINE, decode, encode},
    reader::{LogReader, OpenError, TroubleKind, read_line},
    writer::sync_folder,
};
use crate::moment::Moment;

/// Why a log could not be changed. It is then as it was.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AmendError {
    /// The file cannot be read or written.
    #[error(transparent)]
    Io(#[from] io::Error),
    /// It is no log.
    #[error(transparent)]
    NoLog(#[from] OpenError),
    /// A sweep is writing it.
    #[error("expected a log that is done, found one that a sweep is writing")]
    InUse,
    /// Another log follows in the same file.
    #[error("expected one session log, found another one behind it")]
    TwoLogs,
    /// What should be added cannot be stored.
    #[error(transparent)]
    Encode(#[from] EncodeError),
}

impl AmendError {
    /// What to do about it.
    #[must_use]
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::Io(_) => "check that the file and its folder can be written and the disk has room",
            Self::NoLog(error) => error.hint(),
            Self::TwoLogs => "keep each log in a file of its own",
            Self::InUse => "wait until the sweep has ended",
            Self::Encode(_) => "say it in fewer words",
        }
    }
}

/// What was removed from a log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Redaction {
    /// Notes.
    pub notes: u32,
    /// Damaged lines that may have been notes.
    pub damaged: u32,
}

/// Adds an event at the end of a log and puts it on the disk. `at` is the time since the session began.
///
/// What a cut has left of a last line says nothing and gives way, since with a line behind it the log would count as
/// damaged in its middle from then on.
///
/// # Errors
/// [`AmendError`], also while a sweep writes the log.
pub fn append(path: &Path, at: Moment, event: LogEvent) -> Result<(), AmendError> {
    let mut file = OpenOptions::new().read(true).append(true).open(path)?;
    lock(&file)?;
    let (mut number, mut last, mut is_torn) = (1, Moment::START, false);
    let mut reader = LogReader::new(&file)?;
    for line in &mut reader {
        match line {
            Ok(line) => (number, last) = (line.number, last.max(line.at)),
            Err(trouble) => match trouble.kind {
                TroubleKind::Io(error) => return Err(error.into()),
                // A line is there, whatever it said, and has taken its number.
                TroubleKind::Damaged(_) | TroubleKind::TooLong => number += 1,
                TroubleKind::Torn => is_torn = true,
                TroubleKind::OtherLog => return Err(AmendError::TwoLogs),
                TroubleKind::Missing { .. } | TroubleKind::Misplaced { .. } => {}
            },
        }
    }
    let text = encode(&LogLine { number: number + 1, at: at.max(last), event })?;
    if is_torn {
        let end = end_of_last_line(&mut file)?;
        file.set_len(end)?;
    }
    // Of a whole line only its end may be missing.
    let bytes = if ends_in_a_line(&mut file)? { text } else { format!("\n{text}") };
    file.write_all(bytes.as_bytes())?;
    file.sync_data()?;
    Ok(())
}

/// Removes all notes from a log. `removed` is the time, as RFC 3339 text.
///
/// A damaged line that may have been a note is removed too: it can still be read by a person.
///
/// # Errors
/// [`AmendError`], also while a sweep writes the log; the log is then as it was.
pub fn remove_notes(path: &Path, removed: &str, by: Option<&str>) -> Result<Redaction, AmendError> {
    // Behind a symbolic link the words would stay in the file that it leads to.
    let path = &fs::canonicalize(path)?;
    let file = OpenOptions::new().read(true).append(true).open(path)?;
    lock(&file)?;
    LogReader::new(&file)?;
    (&file).seek(SeekFrom::Start(0))?;
    let fresh_path = beside(path);
    let result = rewrite(&file, &fresh_path, removed, by);
    match result {
        Ok(Redaction { notes: 0, damaged: 0 }) => {
            fs::remove_file(&fresh_path)?;
            Ok(Redaction::default())
        }
        Ok(redaction) => {
            fs::set_permissions(&fresh_path, file.metadata()?.permissions())?;
            fs::rename(&fresh_path, path)?;
            sync_folder(path)?;
            Ok(redaction)
        }
        Err(error) => {
            // The log itself is untouched; what is left beside it is of no use.
            let _ = fs::remove_file(&fresh_path);
            Err(error)
        }
    }
}

/// Copies a log line by line, with what is removed left out, and puts it on the disk.
fn rewrite(log: &File, to: &Path, removed: &str, by: Option<&str>) -> Result<Redaction, AmendError> {
    // What a run that was killed has left there; whatever else has that name is not written into.
    match fs::remove_file(to) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error.into()),
        _ => {}
    }
    let mut fresh = io::BufWriter::new(File::create_new(to)?);
    let mut lines = BufReader::new(log);
    let mut redaction = Redaction::default();
    let mut at = (0, Moment::START);
    let mut raw = Vec::new();
    loop {
        raw.clear();
        if read_line(&mut lines, &mut raw)? == 0 {
            break;
        }
        let line = raw.strip_suffix(b"\n").unwrap_or(&raw);
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        let is_long = raw.len() > LONGEST_LINE;
        // No reader sees what a line that is too long says.
        let was = match (!is_long).then(|| decode(line)) {
            Some(Ok(line)) => {
                at = (line.number, line.at);
                matches!(line.event, LogEvent::Note { .. }).then_some("note")
            }
            None | Some(Err(_)) => {
                at.0 += 1;
                may_be_a_note(line).then_some("damaged line")
            }
        };
        let Some(was) = was else {
            fresh.write_all(&raw)?;
            pass_rest(&mut lines, &mut raw, &mut fresh)?;
            continue;
        };
        pass_rest(&mut lines, &mut raw, &mut io::sink())?;
        match was {
            "note" => redaction.notes += 1,
            _ => redaction.damaged += 1,
        }
        let event = LogEvent::Redacted {
            was: was.to_owned(),
            removed: removed.to_owned(),
            by: by.map(str::to_owned),
        };
        fresh.write_all(encode(&LogLine { number: at.0, at: at.1, event })?.as_bytes())?;
    }
    let fresh = fresh.into_inner().map_err(io::IntoInnerError::into_error)?;
    fresh.sync_all()?;
    Ok(redaction)
}

/// Moves the rest of a line that is too long to be read whole.
fn pass_rest(lines: &mut impl BufRead, raw: &mut Vec<u8>, to: &mut impl Write) -> io::Result<()> {
    while raw.len() > LONGEST_LINE && !raw.ends_with(b"\n") {
        raw.clear();
        read_line(lines, raw)?;
        to.write_all(raw)?;
    }
    Ok(())
}

fn lock(file: &File) -> Result<(), AmendError> {
    match file.try_lock() {
        // Not all file systems can lock.
        Ok(()) | Err(TryLockError::Error(_)) => Ok(()),
        Err(TryLockError::WouldBlock) => Err(AmendError::InUse),
    }
}

/// Where the last line end is, and what comes after it begins.
fn end_of_last_line(file: &mut File) -> io::Result<u64> {
    let mut end = file.seek(SeekFrom::End(0))?;
    let mut block = [0; 4096];
    while end > 0 {
        let length = end.min(block.len() as u64);
        file.seek(SeekFrom::Start(end - length))?;
        let part = &mut block[..length as usize];
        file.read_exact(part)?;
        if let Some(at) = part.iter().rposition(|&byte| byte == b'\n') {
            return Ok(end - length + at as u64 + 1);
        }
        end -= length;
    }
    Ok(0)
}

fn ends_in_a_line(file: &mut File) -> io::Result<bool> {
    file.seek(SeekFrom::End(-1))?;
    let mut last = [0];
    file.read_exact(&mut last)?;
    Ok(last == *b"\n")
}

/// Whether a line that cannot be read may hold the words of a note: damage can also hit the name of the event, so
/// every line that names no other event counts.
fn may_be_a_note(line: &[u8]) -> bool {
    const OTHERS: [&str; 18] = [
        "header",
        "meter_bytes",
        "jig_message",
        "jig_noise",
        "sent_to_meter",
        "sent_to_jig",
        "conditions",
        "zero",
        "override",
        "confirmed",
        "measured",
        "operator",
        "link_lost",
        "link_restored",
        "told",
        "pin_result",
        "judgement",
        "end",
    ];
    let text = String::from_utf8_lossy(line);
    let names = |name: &&str| text.contains(&format!("\"event\":{{\"{name}\":"));
    !OTHERS.iter().any(names)
}

/// A name for the new log until it takes the place of the old one.
fn beside(path: &Path) -> PathBuf {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".new");
    path.with_file_name(name)
}
