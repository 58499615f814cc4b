//! Pin readings: what was read at each pin of one board.
//!
//! This is what a sweep makes, what typed notes are turned into, and what the comparison judges. It does not
//! judge.

pub mod csv;
mod row_error;
pub mod typed;

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::units::Volts;

/// The readings of one board on one connector.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BoardReadings {
    /// Ticket number or other name of the board.
    pub board: String,
    /// One value a pin, in the order of [`Connector::pins`](crate::connector::Connector::pins).
    pub values: Vec<PinValue>,
}

/// What was read at one pin.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PinValue {
    /// A drop, in diode test with the red lead on ground.
    Volts(Volts),
    /// More than the meter can show: no path, as far as this meter can tell.
    Overload,
    /// The pin has no reading.
    Unread(Unread),
}

/// Why a pin has no reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unread {
    /// The list of readings does not name the pin.
    NotListed,
    /// The operator passed it over.
    Skipped,
    /// The meter sent nothing usable while the pin was selected.
    NoReading,
    /// The readings never agreed; the last slope, in volts a second.
    NotSettled {
        /// How fast the reading still moved at the end.
        slope: f64,
    },
    /// The check channel showed that readings around this pin may belong to a neighbour.
    Voided,
}

impl PinValue {
    /// The drop, if there is one.
    #[must_use]
    pub const fn volts(self) -> Option<Volts> {
        match self {
            Self::Volts(volts) => Some(volts),
            Self::Overload | Self::Unread(_) => None,
        }
    }
}

impl fmt::Display for PinValue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Volts(volts) => volts.fmt(f),
            Self::Overload => f.pad("OL"),
            Self::Unread(_) => f.pad("-"),
        }
    }
}
