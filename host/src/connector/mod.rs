//! What a connector is: its pins, where they stand, and what hangs on them.
//!
//! This room knows the drawing of a connector and how a jig is wired to it. It does not know readings, and it
//! opens no files: text goes in, values come out.

mod pin;

pub use pin::{Pin, PinName, Role};

use serde::{Deserialize, Serialize};

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

impl Connector {
    /// Index of the pin with this name.
    #[must_use]
    pub fn index_of(&self, name: &PinName) -> Option<usize> {
        self.pins.iter().position(|pin| pin.name == *name)
    }
}
