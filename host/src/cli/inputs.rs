//! Files that commands read: connectors, readings, references.

use std::{fs::File, io::BufReader, path::Path};

use crate::{
    connector::{self, Connector},
    exit_status::ExitStatus,
    failure::Failure,
    readings::{
        BoardReadings,
        csv::{Boards, RowError, Strictness},
    },
    reference::Reference,
};

use super::Screen;

/// Reads a connector file.
pub(super) fn connector(path: &Path) -> Result<Connector, Failure> {
    let name = path.display().to_string();
    connector::from_file(&name, &text(path)?).map_err(|error| {
        Failure::new(
            ExitStatus::Configuration,
            About { what: "cannot use connector", name, source: Box::new(error) },
        )
    })
}

/// Opens a table of readings; boards come out one at a time.
pub(super) fn boards<'c>(
    path: &Path,
    connector: &'c Connector,
    strictness: Strictness,
) -> Result<Boards<'c, BufReader<File>>, Failure> {
    let file = File::open(path).map_err(|error| missing(path, error))?;
    Boards::new(BufReader::with_capacity(1 << 16, file), connector, strictness)
        .map_err(|error| bad_row(path, error))
}

/// Reads all boards of a table.
pub(super) fn all_boards(
    path: &Path,
    connector: &Connector,
    strictness: Strictness,
    screen: &mut Screen,
) -> Result<Vec<BoardReadings>, Failure> {
    let mut table = boards(path, connector, strictness)?;
    let mut all = Vec::new();
    while let Some(board) = table.next() {
        all.push(board.map_err(|error| bad_row(path, error))?);
        warn(path, &mut table, screen);
    }
    warn(path, &mut table, screen);
    Ok(all)
}

/// Reads a reference file.
pub(super) fn reference(path: &Path) -> Result<Reference, Failure> {
    Reference::from_toml(&text(path)?).map_err(|error| {
        Failure::new(
            ExitStatus::Data,
            About { what: "cannot use reference", name: path.display().to_string(), source: Box::new(error) },
        )
        .hint("make it again from the known-good readings: pintally reference make")
    })
}

/// Tells which rows were left out.
pub(super) fn warn(path: &Path, table: &mut Boards<'_, BufReader<File>>, screen: &mut Screen) {
    for warning in table.take_warnings() {
        screen.tell(&format!("warning: {} {warning}; the row is left out", path.display()));
    }
}

/// A row of a table that ends the command.
pub(super) fn bad_row(path: &Path, error: RowError) -> Failure {
    let hint = error.hint();
    let mut failure = Failure::new(
        ExitStatus::Data,
        About { what: "cannot use readings", name: path.display().to_string(), source: Box::new(error) },
    );
    failure.hints.extend(hint);
    failure.hint("--keep-good-rows leaves bad rows out and tells which")
}

/// Reads a text file whole.
pub(super) fn text(path: &Path) -> Result<String, Failure> {
    std::fs::read_to_string(path).map_err(|error| missing(path, error))
}

fn missing(path: &Path, error: std::io::Error) -> Failure {
    Failure::new(
        ExitStatus::NoInput,
        About { what: "cannot read", name: path.display().to_string(), source: Box::new(error) },
    )
}

/// What could not be used, and which file it was; the cause stands below it.
#[derive(Debug, thiserror::Error)]
#[error("{what} {name}")]
struct About {
    what: &'static str,
    name: String,
    source: Box<dyn std::error::Error + Send + Sync>,
}
