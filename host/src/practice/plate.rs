//! Plates that are put on the jig instead of a board: to measure it, not a board.

use super::{
    circuit::{Circuit, Node},
    random::Random,
    specimen::Specimen,
};
use crate::{
    connector::Connector,
    jig::self_test::ladder_resistor,
    units::{Kelvin, Ohms, Volts},
};

/// What a plate does to each pin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Plate {
    /// Every pin on ground.
    Short,
    /// Every pin free.
    Open,
    /// A resistor to ground on every pin, each of another value, 0.5 % off at most.
    Ladder,
    /// Every pin free, but a cell lifts this one above ground.
    Cell(usize, Volts),
}

/// Tolerance of the resistors on the ladder plate (docs/jig, plates).
const TOLERANCE: f64 = 0.005;

/// Inner resistance of an alkaline cell (common practice).
const CELL_RESISTANCE: Ohms = Ohms::of(0.3);

impl Plate {
    /// The plate for a connector; the same seed gives the same resistors.
    #[must_use]
    pub fn specimen(self, connector: &Connector, seed: u64) -> Specimen {
        let mut random = Random::new(seed, "plate");
        let mut circuit = Circuit::new(Kelvin::ROOM);
        let contacts = (0..connector.pins.len())
            .map(|pin| {
                let contact = circuit.node();
                let off = random.between(-TOLERANCE, TOLERANCE);
                match self {
                    Self::Short => circuit.resistor(contact, Node::GROUND, Ohms::ZERO),
                    Self::Ladder => {
                        let ohms = ladder_resistor(pin).get() * (1.0 + off);
                        circuit.resistor(contact, Node::GROUND, Ohms::of(ohms));
                    }
                    // Above ground is negative in the sense of `circuit`.
                    Self::Cell(place, volts) if place == pin => {
                        circuit.supply(contact, Volts::of(-volts.get()), CELL_RESISTANCE);
                    }
                    Self::Open | Self::Cell(..) => {}
                }
                contact
            })
            .collect();
        Specimen::of_parts(self.name(), circuit, contacts)
    }

    /// What it is called.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Short => "short plate",
            Self::Open => "open plate",
            Self::Ladder => "ladder plate",
            Self::Cell(..) => "open plate with a cell",
        }
    }
}
