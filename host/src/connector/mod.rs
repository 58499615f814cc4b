//! What a connector is: its pins, where they stand, and what hangs on them.
//!
//! This room knows the drawing of a connector and how a jig is wired to it. It does not know readings, and it
//! opens no files: text goes in, values come out.

mod board_kind;
mod check;
mod error;
mod from_csv;
mod from_toml;
mod pin;
mod rectangle;
mod to_toml;
mod toml_file;
mod wiring;
mod wiring_toml;

pub use board_kind::{BoardKind, BoardKindError, BoardKindProblem, KindConnector, MOST_CONNECTORS};
pub use error::{ConnectorError, ConnectorProblem, Place, Row};
pub use from_csv::from_csv;
pub use from_toml::from_toml;
pub use pin::{Pin, PinName, Role};
pub use rectangle::{Numbering, RectangleError, rectangle};
pub use toml_file::TomlProblem;
pub(crate) use toml_file::{line_of, read as read_toml};
pub use wiring::{
    CHECK_RESISTOR_OHMS, CheckChannel, Lead, MOST_CHANNELS, Wiring, WiringError, WiringProblem,
};

use serde::{Deserialize, Serialize};

/// Pins of a connector at most. More than any connector has; a bound for files that are none.
pub const MOST_PINS: usize = 1024;

/// Last position in a row: a row cannot be longer than the connector.
pub const LAST_POSITION: u16 = 1024;

/// Bytes of a connector, wiring or board kind file at most: 1024 pins with long notes fit.
pub const LONGEST_FILE: usize = 1 << 20;

/// The connector of the demonstration: the display connector of an invented field notebook computer.
pub const DEMO: &str = include_str!("../../../fixtures/connectors/j5-display.toml");

/// A connector: pins in the order in which a person counts them.
///
/// The order is the order of every list of readings, verdicts and references that belongs to the connector:
/// an index into [`Connector::pins`] is a pin everywhere.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Connector {
    /// What the board's drawing calls it.
    pub name: String,
    /// The pins, each name once.
    pub pins: Vec<Pin>,
}

/// Reads a connector from the text of a file: CSV if its name ends in `.csv`, else TOML. A CSV connector is
/// named as its file is.
///
/// # Errors
/// [`ConnectorError`], which names the line and the pin.
pub fn from_file(file_name: &str, text: &str) -> Result<Connector, ConnectorError> {
    let base = file_name.rsplit(['/', '\\']).next().unwrap_or(file_name);
    match base.rsplit_once('.') {
        Some((stem, _)) if is_table(base) => from_csv(stem, text),
        _ => from_toml(text),
    }
}

/// Whether a file is a table of pins, by its name.
fn is_table(file_name: &str) -> bool {
    file_name.rsplit_once('.').is_some_and(|(_, extension)| extension.eq_ignore_ascii_case("csv"))
}

impl Connector {
    /// Index of the pin with this name.
    #[must_use]
    pub fn index_of(&self, name: &PinName) -> Option<usize> {
        self.pins.iter().position(|pin| pin.name == *name)
    }

    /// Indexes of the pins that are said to be ground.
    pub fn grounds(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.pins.len()).filter(|&pin| self.pins[pin].role == Some(Role::Ground))
    }
}
