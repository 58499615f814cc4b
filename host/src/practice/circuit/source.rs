//! What the meter drives.

use super::{Node, Switch};
use crate::{meter::DiodeSource, units::Volts};

/// How sharply a constant-current source bends at its compliance, in volts: its current is down by 1/e this
/// far below it. A real one bends over tens of millivolts; the value only has to be small against the
/// distance between the largest reading of a meter and its compliance.
const COMPLIANCE_BEND: f64 = 30e-3;

/// What is connected to the circuit while it is solved.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Drive {
    /// The test source and the node that it draws from; `None` with the meter unplugged.
    pub source: Option<(Node, DiodeSource)>,
    /// The closed contacts: a channel, and perhaps the bleed resistor.
    pub closed: [Option<Switch>; 2],
    /// Red and black are exchanged: the source lifts the node above ground.
    pub reversed: bool,
}

/// A source seen at one voltage: its current there, and how much less it gives for each volt more, in siemens.
#[derive(Debug, Clone, Copy)]
pub(super) struct Touch {
    pub(super) current: f64,
    pub(super) slope: f64,
}

impl Drive {
    /// The meter on one node, leads the right way round, no contact closed.
    #[must_use]
    pub const fn at(node: Node, source: DiodeSource) -> Self {
        Self { source: Some((node, source)), closed: [None; 2], reversed: false }
    }

    /// What the meter shows when its node is this far below ground.
    #[must_use]
    pub const fn shown(&self, node: Volts) -> Volts {
        if self.reversed { Volts::of(-node.get()) } else { node }
    }
}

/// The straight line that touches the source at this voltage.
pub(super) fn touch(source: &DiodeSource, voltage: f64) -> Touch {
    match *source {
        DiodeSource::ConstantCurrent { current, compliance } => {
            // I = I0·(1 − exp((V − Vc)/s)): the shape of a current source with a clamp at its compliance.
            let lost = current.get() * ((voltage - compliance.get()) / COMPLIANCE_BEND).min(60.0).exp();
            Touch { current: current.get() - lost, slope: lost / COMPLIANCE_BEND }
        }
        DiodeSource::BehindResistance { open_circuit, resistance } => {
            let slope = super::conductance(resistance);
            Touch { current: (open_circuit.get() - voltage) * slope, slope }
        }
    }
}

/// Steps not further into the bend than an exponential can be followed; see `newton.rs`.
pub(super) fn limit(source: &DiodeSource, new: f64, old: f64) -> f64 {
    match *source {
        DiodeSource::ConstantCurrent { current, compliance } => {
            let vc = compliance.get();
            let critical =
                COMPLIANCE_BEND * (COMPLIANCE_BEND / (std::f64::consts::SQRT_2 * current.get())).ln();
            super::newton::limit_junction(new - vc, old - vc, COMPLIANCE_BEND, critical) + vc
        }
        DiodeSource::BehindResistance { .. } => new,
    }
}
