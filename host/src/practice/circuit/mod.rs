//! A circuit of resistors, junctions, capacitances and sources, and what a meter's test current makes of it.
//!
//! **Sign.** In diode test with the red lead on ground the pin is driven *below* ground. Everything here is
//! written in magnitudes: the [`Volts`] of a node are how far it is below ground, what the meter shows as a
//! positive drop, and the test current is positive. So a clamp diode from ground to a line (anode on ground)
//! is a [`junction`](Circuit::junction) from the line to ground, a clamp from a line to its rail (anode on the
//! line) one from the rail to the line, and a battery that lifts a rail to +3.7 V has −3.7 V.
//! [`Drive::reversed`] turns the leads round.
//!
//! [`Circuit`] is the drawing, [`Solver`] its equations: the static solution by Newton's method
//! (`newton.rs`), the course of time by implicit Euler steps (`transient.rs`). No clock, no chance.

mod diode;
mod matrix;
mod newton;
mod source;
mod transient;

use crate::{
    physics::Junction,
    units::{Kelvin, Ohms, Volts},
};

pub use newton::{Solution, SolveError, Solver};
pub use source::Drive;
pub use transient::{Charge, Stride};

/// Resistances below this are taken as this: a millimetre of wire. It keeps the equations solvable to a
/// microvolt in double precision.
const SMALLEST_RESISTANCE: f64 = 1e-3;

/// A point where parts meet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Node(Option<usize>);

/// A contact that a solution may take as closed; open otherwise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Switch(usize);

/// Parts and how they are joined.
#[derive(Debug, Clone)]
pub struct Circuit {
    temperature: Kelvin,
    nodes: usize,
    conductors: Vec<Conductor>,
    junctions: Vec<Wired>,
    capacitors: Vec<Capacitor>,
    supplies: Vec<Supply>,
    switches: Vec<Conductor>,
}

#[derive(Debug, Clone, Copy)]
struct Conductor {
    ends: [Option<usize>; 2],
    /// In siemens.
    conductance: f64,
}

#[derive(Debug, Clone, Copy)]
struct Wired {
    ends: [Option<usize>; 2],
    junction: Junction,
}

#[derive(Debug, Clone, Copy)]
struct Capacitor {
    ends: [Option<usize>; 2],
    /// In farads.
    capacitance: f64,
    /// Voltage before anything is connected, in volts.
    initial: f64,
}

#[derive(Debug, Clone, Copy)]
struct Supply {
    node: usize,
    /// In volts, as far below ground as it would be unloaded.
    open_circuit: f64,
    /// In siemens.
    conductance: f64,
}

impl Node {
    /// Board ground, where the red lead is.
    pub const GROUND: Self = Self(None);
}

impl Circuit {
    /// An empty board at this temperature.
    #[must_use]
    pub const fn new(temperature: Kelvin) -> Self {
        Self {
            temperature,
            nodes: 0,
            conductors: Vec::new(),
            junctions: Vec::new(),
            capacitors: Vec::new(),
            supplies: Vec::new(),
            switches: Vec::new(),
        }
    }

    /// Adds a point where parts can meet.
    pub const fn node(&mut self) -> Node {
        self.nodes += 1;
        Node(Some(self.nodes - 1))
    }

    /// Adds a resistor, not smaller than a milliohm.
    pub fn resistor(&mut self, a: Node, b: Node, resistance: Ohms) {
        if a != b {
            self.conductors.push(Conductor::new(a, b, resistance));
        }
    }

    /// Adds a junction that conducts when `from` is further below ground than `to` (see the module on signs).
    pub fn junction(&mut self, from: Node, to: Node, junction: Junction) {
        if from != to {
            self.junctions.push(Wired { ends: [from.0, to.0], junction });
        }
    }

    /// Adds a capacitor, in farads, that carries `initial` volts from `a` to `b` before anything is connected.
    pub fn capacitor(&mut self, a: Node, b: Node, farads: f64, initial: Volts) {
        if a != b && farads > 0.0 {
            self.capacitors.push(Capacitor { ends: [a.0, b.0], capacitance: farads, initial: initial.get() });
        }
    }

    /// Adds a supply that holds a node this far below ground (negative: above) through a resistance.
    pub fn supply(&mut self, node: Node, open_circuit: Volts, resistance: Ohms) {
        if let Some(node) = node.0 {
            let conductance = conductance(resistance);
            self.supplies.push(Supply { node, open_circuit: open_circuit.get(), conductance });
        }
    }

    /// Adds a contact that stays open unless a [`Drive`] closes it.
    pub fn switch(&mut self, a: Node, b: Node, closed: Ohms) -> Switch {
        self.switches.push(Conductor::new(a, b, closed));
        Switch(self.switches.len() - 1)
    }

    /// Whether anything here takes time to settle.
    #[must_use]
    pub const fn has_capacitance(&self) -> bool {
        !self.capacitors.is_empty()
    }
}

impl Conductor {
    fn new(a: Node, b: Node, resistance: Ohms) -> Self {
        Self { ends: [a.0, b.0], conductance: conductance(resistance) }
    }
}

fn conductance(resistance: Ohms) -> f64 {
    resistance.get().max(SMALLEST_RESISTANCE).recip()
}
