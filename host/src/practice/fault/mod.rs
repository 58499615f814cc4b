//! What can be wrong with a practice board, and how it is written: `open:A4`, `bridge:A4+A5`, `raised:B3=150`.
//!
//! A [`Fault`] is only words; whether it makes sense on a board is found out when a
//! [`Specimen`](super::Specimen) is made with it.

mod draw;
mod text;

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::{
    connector::PinName,
    units::{Ohms, Volts},
};

pub use draw::draw_faults;
pub use text::{FaultList, FaultListError, ParseFaultError};

/// One thing that is wrong with a board, or with how it sits on the jig.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum Fault {
    /// `open:PIN`: the joint of the pin has no contact.
    Open(PinName),
    /// `raised:PIN=OHMS`: the joint of the pin has this resistance.
    Raised(PinName, Ohms),
    /// `short:PIN` or `short:PIN=OHMS`: the net of the pin is shorted to ground.
    Short(PinName, Ohms),
    /// `leak:PIN=OHMS`: the net of the pin leaks to ground (flux, moisture, a hurt chip).
    Leak(PinName, Ohms),
    /// `bridge:PIN+PIN` or `bridge:PIN+PIN=OHMS`: solder joins two nets.
    Bridge([PinName; 2], Ohms),
    /// `swap:PIN+PIN`: two jumpers are exchanged.
    Swap([PinName; 2]),
    /// `missing:PIN`: the part that stands alone for the net of the pin is not fitted.
    Missing(PinName),
    /// `placement:reversed`, `placement:shifted`, `placement:shifted=-1`, `placement:turned`.
    Placement(Placement),
    /// `live:PIN=VOLTS`: the net of the pin is powered.
    Live(PinName, Volts),
    /// `charged:PIN=VOLTS`: the capacitor on the net of the pin was not discharged.
    Charged(PinName, Volts),
}

/// How a whole board is connected wrongly.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Placement {
    /// Red and black are exchanged.
    LeadsReversed,
    /// Seated this many positions along the row: the jig's contact 1 touches pin 1 + step.
    Shifted(i8),
    /// Turned by 180°.
    Turned,
}

/// What was put into a board, for tables: the fault and how far it moves a reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// The fault.
    pub fault: Fault,
    /// Pins whose reading it moves by itself: both of a bridge, all of a shorted net.
    pub pins: Vec<PinName>,
    /// Largest change of a reading at one of these pins, by this fault alone; an overload counts as the meter's
    /// limit. A small one says that no meter could have seen it.
    pub moves: Volts,
}

/// Resistance of a short to ground unless it is given: a solder ball and the copper behind it.
pub(super) const SHORT: Ohms = Ohms::of(2.0);

/// Resistance of a solder bridge unless it is given.
pub(super) const BRIDGE: Ohms = Ohms::of(0.5);

impl Fault {
    /// The kind of fault as findings and truth tables name it.
    #[must_use]
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Open(_) => "open_joint",
            Self::Raised(..) => "high_resistance_joint",
            Self::Short(..) => "short_to_ground",
            Self::Leak(..) => "leakage",
            Self::Bridge(..) => "bridge",
            Self::Swap(_) => "swapped",
            Self::Missing(_) => "missing_part",
            Self::Placement(placement) => placement.kind(),
            Self::Live(..) => "live",
            Self::Charged(..) => "charged",
        }
    }

    /// The pins that it names.
    #[must_use]
    pub fn pins(&self) -> &[PinName] {
        match self {
            Self::Open(pin)
            | Self::Raised(pin, _)
            | Self::Short(pin, _)
            | Self::Leak(pin, _)
            | Self::Missing(pin)
            | Self::Live(pin, _)
            | Self::Charged(pin, _) => std::slice::from_ref(pin),
            Self::Bridge(pins, _) | Self::Swap(pins) => pins,
            Self::Placement(_) => &[],
        }
    }

    /// Whether it concerns a net with all its pins rather than the joint of one.
    #[must_use]
    pub const fn is_of_a_net(&self) -> bool {
        matches!(
            self,
            Self::Short(..)
                | Self::Leak(..)
                | Self::Bridge(..)
                | Self::Missing(_)
                | Self::Live(..)
                | Self::Charged(..)
        )
    }
}

impl Placement {
    /// The placement as findings and truth tables name it.
    #[must_use]
    pub const fn kind(self) -> &'static str {
        match self {
            Self::LeadsReversed => "leads_reversed",
            Self::Shifted(_) => "shifted",
            Self::Turned => "turned",
        }
    }
}

impl fmt::Display for Truth {
    /// `open:A4 moves its pin by 2.451 V`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} moves its pin by {} V", self.fault, self.moves)
    }
}
