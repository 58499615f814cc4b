//! What was found and planned at each pin before the repair, what was done, and what the user wants tested afterwards.
//!
//! The notes go into the header of the session log, so that they stay with the board. This room reads and words them; it
//! judges nothing.

mod from_toml;

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::connector::{Connector, PinName};

pub use from_toml::{Expected, RepairError, RepairProblem};

/// Notes about one repair.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RepairNotes {
    /// The pins that are noted, in the order in which they are to be checked.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pins: Vec<PinNote>,
    /// What to test once the board has power: the user's own list.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub checklist: Vec<String>,
}

/// What is noted of one pin.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PinNote {
    /// The pin.
    pub name: PinName,
    /// How its pad was found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pad: Option<Pad>,
    /// Where its trace goes: a part, a via, another connector.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trace: Option<String>,
    /// Its jumper wire.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub jumper: Option<Jumper>,
    /// It is left without connection on purpose.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub unconnected: bool,
    /// Anything else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// How a pad was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Pad {
    /// Scratched, burnt or torn in part.
    Damaged,
    /// Lifted from the board, still there.
    Lifted,
    /// Gone.
    Missing,
}

/// A jumper wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Jumper {
    /// To be soldered.
    Planned,
    /// Soldered.
    Done,
}

impl RepairNotes {
    /// Whether nothing is noted.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.pins.is_empty() && self.checklist.is_empty()
    }

    /// What is noted of a pin.
    #[must_use]
    pub fn of(&self, name: &PinName) -> Option<&PinNote> {
        self.pins.iter().find(|pin| pin.name == *name)
    }

    /// The noted pins by their index, in their order.
    #[must_use]
    pub fn indices(&self, connector: &Connector) -> Vec<usize> {
        self.pins.iter().filter_map(|pin| connector.index_of(&pin.name)).collect()
    }

    /// Jumpers that are planned and not done yet.
    pub fn still_planned(&self) -> impl Iterator<Item = &PinNote> {
        self.pins.iter().filter(|pin| pin.jumper == Some(Jumper::Planned))
    }
}

impl fmt::Display for PinNote {
    /// In a few words, without the pin: `lifted pad, jumper done, trace to R12`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let pad = self.pad.map(|pad| match pad {
            Pad::Damaged => "damaged pad".to_owned(),
            Pad::Lifted => "lifted pad".to_owned(),
            Pad::Missing => "missing pad".to_owned(),
        });
        let jumper = self.jumper.map(|jumper| match jumper {
            Jumper::Planned => "jumper planned".to_owned(),
            Jumper::Done => "jumper done".to_owned(),
        });
        let trace = self.trace.as_ref().map(|trace| format!("trace to {trace}"));
        let unconnected = self.unconnected.then(|| "not connected on purpose".to_owned());
        let parts: Vec<String> =
            [pad, jumper, trace, unconnected, self.note.clone()].into_iter().flatten().collect();
        f.write_str(if parts.is_empty() { "repaired" } else { "" })?;
        f.write_str(&parts.join(", "))
    }
}
