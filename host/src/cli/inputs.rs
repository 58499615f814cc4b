//! Files that commands read: connectors, readings, references.

use std::{
    fs::File,
    io::{BufReader, Read},
    path::Path,
};

use clap::Args as Arguments;

use crate::{
    connector::{self, Connector, PinName, Wiring},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    label,
    meter::{self, Profile},
    readings::{
        BoardReadings,
        csv::{Boards, RowError, RowProblem, Strictness},
    },
    record::SweepRecord,
    reference::Reference,
    repair::RepairNotes,
};

use super::Screen;

/// Largest file that is read whole; connectors, profiles and references are far smaller.
const LARGEST: u64 = 16 << 20;

/// Reads a connector file.
pub(super) fn connector(path: &Path) -> Result<Connector, Failure> {
    let name = path.display().to_string();
    connector::from_file(&name, &text(path)?).map_err(|error| {
        let hint = error.hint();
        let about = About { what: "cannot use connector", name, source: Box::new(error) };
        hinted(Failure::new(ExitStatus::Configuration, about), hint)
    })
}

/// The connector and the wiring that were named, or the demonstration connector where none was.
pub(super) fn connector_and_wiring(
    connector: Option<&Path>,
    wiring: Option<&Path>,
) -> Result<(Connector, Option<Wiring>), Failure> {
    let connector = match connector {
        Some(path) => self::connector(path)?,
        None => connector::from_toml(connector::DEMO).or_fail(ExitStatus::Software)?,
    };
    let wiring = wiring.map(|path| self::wiring(path, &connector)).transpose()?;
    Ok((connector, wiring))
}

/// What to do about rows that cannot be used.
#[derive(Debug, Clone, Copy, Arguments)]
pub(super) struct Rows {
    /// Leave bad rows out instead of stopping at the first
    #[arg(long)]
    keep_good_rows: bool,
}

impl Rows {
    pub(super) const fn strictness(self) -> Strictness {
        if self.keep_good_rows { Strictness::KeepGoodRows } else { Strictness::StopAtBadRow }
    }
}

/// Opens a table of readings; boards come out one at a time. A command without [`Rows`] stops at the first bad row.
pub(super) fn boards<'c>(
    path: &Path,
    connector: &'c Connector,
    rows: Option<Rows>,
) -> Result<Boards<'c, BufReader<File>>, Failure> {
    let file = File::open(path).map_err(|error| missing(path, error))?;
    let strictness = rows.map_or(Strictness::StopAtBadRow, Rows::strictness);
    Boards::new(BufReader::with_capacity(1 << 16, file), connector, strictness)
        // Without its columns no row of the table is good.
        .map_err(|error| bad_row(path, error, None))
}

/// Reads all boards of a table.
pub(super) fn all_boards(
    path: &Path,
    connector: &Connector,
    rows: Option<Rows>,
    screen: &mut Screen,
) -> Result<Vec<BoardReadings>, Failure> {
    let mut table = boards(path, connector, rows)?;
    let mut all = Vec::new();
    while let Some(board) = table.next() {
        all.push(board.map_err(|error| bad_row(path, error, rows))?);
        warn(path, &mut table, screen);
    }
    warn(path, &mut table, screen);
    warn_of_more(path, &table, screen);
    Ok(all)
}

/// Warns of what known-good boards do not tell, and of boards among them that stand apart.
pub(super) fn warn_of_known_good(reference: &Reference, screen: &mut Screen) {
    let unread: Vec<&str> = reference
        .pins
        .iter()
        .filter(|pin| pin.count == 0 && pin.overloads == 0)
        .map(|pin| pin.name.as_str())
        .collect();
    if !unread.is_empty() {
        screen.tell(&format!(
            "warning: no known-good board was read at {} of {} pins, which cannot be judged: {}",
            unread.len(),
            reference.pins.len(),
            first_few(&unread)
        ));
    }
    for odd in &reference.odd {
        for pin in &odd.pins {
            screen.tell(&format!(
                "warning: known-good board {} reads {} at pin {} where the others read {}; check that it is good",
                odd.board, pin.seen, pin.name, pin.others
            ));
        }
    }
}

/// Names that are listed before it is said how many more there are.
const MOST_NAMED: usize = 8;

fn first_few(names: &[&str]) -> String {
    match names.get(..MOST_NAMED) {
        Some(few) if names.len() > MOST_NAMED => {
            format!("{} and {} more", few.join(", "), names.len() - MOST_NAMED)
        }
        _ => names.join(", "),
    }
}

/// `pin A1`, or `pins A1, A2`.
pub(super) fn pin_list(names: &[&str]) -> String {
    format!("pin{} {}", if names.len() == 1 { "" } else { "s" }, names.join(", "))
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
        let rows = match warning.problem {
            RowProblem::PinTwice { .. } => "both rows are",
            _ => "the row is",
        };
        screen.tell(&format!("warning: {} {warning}; {rows} left out", path.display()));
    }
}

/// Tells how many rows were left out beyond those named, once at the end of a table.
pub(super) fn warn_of_more(path: &Path, table: &Boards<'_, BufReader<File>>, screen: &mut Screen) {
    let more = table.further_warnings();
    if more > 0 {
        screen.tell(&format!("warning: {}: {more} more rows are left out", path.display()));
    }
}

fn hinted(failure: Failure, hint: Option<&str>) -> Failure {
    match hint {
        Some(hint) => failure.hint(hint),
        None => failure,
    }
}

/// A row of a table that ends the command.
pub(super) fn bad_row(path: &Path, error: RowError, rows: Option<Rows>) -> Failure {
    let hint = error.hint();
    let mut failure = Failure::new(
        ExitStatus::Data,
        About { what: "cannot use readings", name: path.display().to_string(), source: Box::new(error) },
    );
    failure.hints.extend(hint);
    match rows {
        Some(Rows { keep_good_rows: false }) => {
            failure.hint("--keep-good-rows leaves bad rows out and tells which")
        }
        _ => failure,
    }
}

/// Reads a wiring file.
pub(super) fn wiring(path: &Path, connector: &Connector) -> Result<Wiring, Failure> {
    Wiring::from_toml(&text(path)?, connector).map_err(|error| {
        let hint = error.hint();
        let about =
            About { what: "cannot use wiring", name: path.display().to_string(), source: Box::new(error) };
        hinted(Failure::new(ExitStatus::Configuration, about), hint)
    })
}

/// Pins named on the command line, by index.
pub(super) fn pins(option: &str, names: &[String], connector: &Connector) -> Result<Vec<usize>, Failure> {
    let find = |name: &String| {
        connector.index_of(&PinName::new(name)).ok_or_else(|| {
            let found =
                format!("expected pins of {} in {option}, found {}", connector.name, label::shown(name));
            Failure::new(ExitStatus::Usage, found)
        })
    };
    names.iter().map(find).collect()
}

/// Reads repair notes and a checklist; either may be missing, and lists of both files are joined.
pub(super) fn repair(
    notes: Option<&Path>,
    checklist: Option<&Path>,
    connector: &Connector,
) -> Result<RepairNotes, Failure> {
    let read = |path: &Path| {
        RepairNotes::from_toml(&text(path)?, connector).map_err(|error| {
            let about = About {
                what: "cannot use repair notes",
                name: path.display().to_string(),
                source: Box::new(error),
            };
            Failure::new(ExitStatus::Configuration, about).hint("docs/formats.md shows such a file")
        })
    };
    let mut all = notes.map(read).transpose()?.unwrap_or_default();
    if let Some(more) = checklist.map(read).transpose()? {
        all.checklist.extend(more.checklist);
    }
    Ok(all)
}

/// Takes a meter profile by the name of a shipped one, or reads it from a file.
pub(super) fn profile(name: &str) -> Result<Profile, Failure> {
    if let Some(profile) = meter::shipped(name) {
        return Ok(profile);
    }
    let path = Path::new(name);
    if !path.exists() {
        let found = format!("expected a shipped meter profile or a file, found neither of the name {name:?}");
        return Err(Failure::new(ExitStatus::NoInput, found)
            .hint("`pintally meter profiles` lists the shipped profiles"));
    }
    Profile::from_toml(&text(path)?).map_err(|error| {
        Failure::new(
            ExitStatus::Configuration,
            About { what: "cannot use meter profile", name: name.to_owned(), source: Box::new(error) },
        )
        .hint("`pintally meter profiles text-lines` shows how each field is written")
    })
}

/// Reads a text file whole.
pub(super) fn text(path: &Path) -> Result<String, Failure> {
    let file = File::open(path).map_err(|error| missing(path, error))?;
    let mut bytes = Vec::new();
    // Not by the size that the system tells: a device or a pipe has none.
    let size = file.take(LARGEST + 1).read_to_end(&mut bytes).map_err(|error| missing(path, error))?;
    if size as u64 > LARGEST {
        let found = format!("{}: expected at most {LARGEST} bytes, found more", path.display());
        return Err(Failure::new(ExitStatus::Data, found).hint("check that it is the file you mean"));
    }
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let found = format!("{}: expected UTF-8 text, found another byte at offset {at}", path.display());
        Failure::new(ExitStatus::Data, found).hint("save the file as UTF-8 text")
    })
}

/// What a session log says.
pub(super) fn record(path: &Path) -> Result<SweepRecord, Failure> {
    let name = path.display();
    let file = File::open(path).map_err(|error| {
        Failure::new(ExitStatus::NoInput, format!("cannot read session log {name}: {error}"))
    })?;
    SweepRecord::read(BufReader::new(file)).map_err(|error| {
        let hint = error.hint();
        Failure::new(ExitStatus::Data, format!("{name}: {error}")).hint(hint)
    })
}

fn missing(path: &Path, error: std::io::Error) -> Failure {
    Failure::new(
        ExitStatus::NoInput,
        About { what: "cannot read", name: path.display().to_string(), source: Box::new(error) },
    )
    .hint("check the name and the rights to read it; a name without a folder is looked for where you are")
}

/// What could not be used, and which file it was; the cause stands below it.
#[derive(Debug, thiserror::Error)]
#[error("{what} {name}")]
pub(super) struct About {
    pub(super) what: &'static str,
    pub(super) name: String,
    pub(super) source: Box<dyn std::error::Error + Send + Sync>,
}
