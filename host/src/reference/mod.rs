//! What known-good boards teach: the evidence that a board is judged against.
//!
//! A reference keeps the readings themselves beside what was learned from them, so that it can be extended,
//! learned again by a later version and read by a person. It does not judge.

mod learn;
mod stored;

use crate::{
    connector::{Connector, PinName, Role},
    label,
    readings::{BoardReadings, PinValue},
    units::{Amperes, Kelvin, Volts},
};

pub use learn::{Unlearnable, learn};
pub use stored::{CURRENT as FILE_VERSION, Unreadable};

/// What known-good boards teach about one connector.
#[derive(Debug, Clone, PartialEq)]
pub struct Reference {
    /// Name of the connector.
    pub connector: String,
    /// How the readings were taken.
    pub conditions: Conditions,
    /// The known-good boards, with their readings in the order of the pins.
    pub boards: Vec<BoardReadings>,
    /// What they say about each pin, in the order of the connector.
    pub pins: Vec<PinEvidence>,
    /// Boards that do not fit the others, the worst first.
    pub odd: Vec<OddBoard>,
}

/// How the readings of a reference were taken, as far as it is known.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Conditions {
    /// Which meter.
    pub meter: Option<String>,
    /// Test current in diode test.
    pub test_current: Option<Amperes>,
    /// Highest voltage that the meter shows before `OL`.
    pub compliance: Option<Volts>,
    /// Which lead was on ground; red where nothing is said.
    pub polarity: Polarity,
    /// Temperature of the boards.
    pub temperature: Option<Kelvin>,
    /// When the readings were taken, as the operator writes dates.
    pub date: Option<String>,
    /// Anything else that a later reader should know.
    pub note: Option<String>,
}

/// Which lead stood on board ground.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub enum Polarity {
    /// Red on ground, black on the pin: the usual way.
    #[default]
    RedOnGround,
    /// Black on ground, red on the pin.
    BlackOnGround,
}

/// What the known-good boards say about one pin.
#[derive(Debug, Clone, PartialEq)]
pub struct PinEvidence {
    /// Which pin.
    pub name: PinName,
    /// What the pin does, as the drawing says or as its readings show.
    pub role: Option<Role>,
    /// Readings that are a voltage.
    pub count: usize,
    /// Readings that are an overload.
    pub overloads: usize,
    /// Middle of the voltages (their median, so that one odd board cannot move it far).
    pub centre: Option<Volts>,
    /// Standard deviation of the voltages, from two boards up.
    pub spread: Option<Volts>,
}

/// A board among the known-good ones that does not fit the others.
#[derive(Debug, Clone, PartialEq)]
pub struct OddBoard {
    /// Its name.
    pub board: String,
    /// Pins on which it stands apart, the farthest first.
    pub pins: Vec<OddPin>,
}

/// A pin on which one known-good board stands apart from the others.
#[derive(Debug, Clone, PartialEq)]
pub struct OddPin {
    /// Which pin.
    pub name: PinName,
    /// What the odd board reads.
    pub seen: PinValue,
    /// What the other boards read.
    pub others: PinValue,
}

/// A reference was made for another connector.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Unfitting {
    /// It was made for another connector, which may well have pins of the same names.
    #[error("expected a reference for connector {connector}, found one for {}", label::Found(found))]
    OtherConnector {
        /// Name of the connector that was asked for.
        connector: String,
        /// Name of the connector that the reference speaks of.
        found: String,
    },
    /// It was taken with the other lead on ground, which drives current through other junctions.
    #[error("expected a reference taken with the red lead on ground, found one taken with black on ground")]
    OtherPolarity,
    /// The lists of pins differ.
    #[error(
        "expected a reference for the pins of connector {connector}, found one that differs at pin {pin}"
    )]
    OtherPin {
        /// Name of the connector that was asked for.
        connector: String,
        /// First pin that differs.
        pin: PinName,
    },
    /// The numbers of pins differ.
    #[error("expected a reference of {expected} pins for connector {connector}, found one of {found}")]
    OtherCount {
        /// Name of the connector that was asked for.
        connector: String,
        /// Its number of pins.
        expected: usize,
        /// The reference's number of pins.
        found: usize,
    },
}

impl Unfitting {
    /// What to do about it.
    #[must_use]
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::OtherConnector { .. } => {
                "name the reference of this connector, or make one: pintally reference make; if only the name has changed, \
                 change it in the reference too (connector = ...)"
            }
            Self::OtherPolarity => {
                "read the known-good boards with red on ground and black on the pins, and make the reference again"
            }
            Self::OtherPin { .. } | Self::OtherCount { .. } => {
                "make a reference for this connector: pintally reference make"
            }
        }
    }
}

impl Reference {
    /// What the known-good boards read at a pin: the centre, an overload where most of them overload, or not
    /// listed where none was read.
    #[must_use]
    pub fn value(&self, pin: usize) -> PinValue {
        self.pins.get(pin).map_or(PinValue::Unread(crate::readings::Unread::NotListed), PinEvidence::value)
    }

    /// The same with pins that a good board has open: one that a repair left without connection on purpose.
    #[must_use]
    pub fn with_open(&self, pins: &[usize]) -> Self {
        let mut reference = self.clone();
        for &pin in pins {
            if let Some(evidence) = reference.pins.get_mut(pin) {
                *evidence = PinEvidence {
                    name: evidence.name.clone(),
                    role: Some(Role::Unconnected),
                    count: 0,
                    overloads: reference.boards.len().max(1),
                    centre: None,
                    spread: None,
                };
            }
            for board in &mut reference.boards {
                if let Some(value) = board.values.get_mut(pin) {
                    *value = PinValue::Overload;
                }
            }
        }
        reference
    }

    /// Checks that a sweep of this connector may be judged by the reference: it speaks of its pins, and was taken as sweeps
    /// are, with red on ground.
    ///
    /// # Errors
    /// [`Unfitting`], as from [`Reference::fits`], or for its polarity.
    pub fn fits_sweep(&self, connector: &Connector) -> Result<(), Unfitting> {
        self.fits(connector)?;
        match self.conditions.polarity {
            Polarity::RedOnGround => Ok(()),
            Polarity::BlackOnGround => Err(Unfitting::OtherPolarity),
        }
    }

    /// Checks that the reference speaks of this connector and its pins. One that names no connector may speak of any.
    ///
    /// # Errors
    /// [`Unfitting`], which names the other connector or the first pin that differs.
    pub fn fits(&self, connector: &Connector) -> Result<(), Unfitting> {
        if !self.connector.is_empty() && self.connector != connector.name {
            return Err(Unfitting::OtherConnector {
                connector: connector.name.clone(),
                found: self.connector.clone(),
            });
        }
        if self.pins.len() != connector.pins.len() {
            return Err(Unfitting::OtherCount {
                connector: connector.name.clone(),
                expected: connector.pins.len(),
                found: self.pins.len(),
            });
        }
        match connector.pins.iter().zip(&self.pins).find(|(pin, evidence)| pin.name != evidence.name) {
            Some((pin, _)) => {
                Err(Unfitting::OtherPin { connector: connector.name.clone(), pin: pin.name.clone() })
            }
            None => Ok(()),
        }
    }
}

impl PinEvidence {
    /// The reading that a good board is most likely to show.
    #[must_use]
    pub fn value(&self) -> PinValue {
        match self.centre {
            Some(centre) if self.count >= self.overloads => PinValue::Volts(centre),
            _ if self.overloads > 0 => PinValue::Overload,
            _ => PinValue::Unread(crate::readings::Unread::NotListed),
        }
    }
}
