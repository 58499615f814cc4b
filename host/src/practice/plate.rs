//! Plates that are put on the jig instead of a board: to measure it, not a board.

use super::{
    circuit::{Circuit, Node},
    specimen::Specimen,
};
use crate::{
    connector::Connector,
    units::{Kelvin, Ohms},
};

/// What a plate does to each pin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Plate {
    /// Every pin on ground.
    Short,
    /// Every pin free.
    Open,
    /// A resistor to ground on every pin, each of another value: 100 Ω on the first, 20 Ω more on each next.
    Ladder,
}

impl Plate {
    /// The plate for a connector.
    #[must_use]
    pub fn specimen(self, connector: &Connector) -> Specimen {
        let mut circuit = Circuit::new(Kelvin::ROOM);
        let contacts = (0..connector.pins.len())
            .map(|pin| {
                let contact = circuit.node();
                if let Some(ohms) = self.resistor(pin) {
                    circuit.resistor(contact, Node::GROUND, ohms);
                }
                contact
            })
            .collect();
        let name = match self {
            Self::Short => "short plate",
            Self::Open => "open plate",
            Self::Ladder => "ladder plate",
        };
        Specimen::of_parts(name, circuit, contacts)
    }

    /// What the plate puts between a pin and ground.
    #[must_use]
    pub fn resistor(self, pin: usize) -> Option<Ohms> {
        match self {
            Self::Short => Some(Ohms::ZERO),
            Self::Open => None,
            Self::Ladder => Some(Ohms::of(100.0 + 20.0 * pin as f64)),
        }
    }
}
