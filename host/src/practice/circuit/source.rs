//! What the meter drives, and its test source as Newton's method sees it.

use super::{Node, Switch, diode::limit_junction, matrix::Matrix, newton::relative};
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
struct Touch {
    current: f64,
    slope: f64,
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

/// The meter's test source as Newton's method sees it. It works in its own sense: turned leads mirror the voltage it sees.
pub(super) struct TestSource {
    node: usize,
    source: DiodeSource,
    sense: f64,
    /// Voltage that its line was last drawn at.
    seen: f64,
}

impl TestSource {
    /// The source of this drive, unless its leads lie on ground or nowhere.
    pub(super) fn new(drive: &Drive, voltages: &[f64]) -> Option<Self> {
        let (Node(Some(node)), source) = drive.source? else { return None };
        let sense = if drive.reversed { -1.0 } else { 1.0 };
        Some(Self { node, source, sense, seen: sense * voltages[node] })
    }

    /// Replaces it by the line that touches its curve here.
    pub(super) fn draw_line(&self, voltages: &[f64], matrix: &mut Matrix, side: &mut [f64]) {
        let touch = touch(&self.source, self.seen);
        matrix.stamp([Some(self.node), None], touch.slope);
        let beyond = self.seen - self.sense * voltages[self.node];
        side[self.node] += self.sense * (touch.current + touch.slope * beyond);
    }

    /// Takes it along to the new voltages; how far it moved.
    pub(super) fn follow(&mut self, voltages: &[f64]) -> f64 {
        let next = limit(&self.source, self.sense * voltages[self.node], self.seen);
        let moved = relative(next, self.seen);
        self.seen = next;
        moved
    }
}

/// The straight line that touches the source at this voltage.
fn touch(source: &DiodeSource, voltage: f64) -> Touch {
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

/// Steps not further into the bend than an exponential can be followed; see `diode.rs`.
fn limit(source: &DiodeSource, new: f64, old: f64) -> f64 {
    match *source {
        DiodeSource::ConstantCurrent { current, compliance } => {
            let vc = compliance.get();
            let critical =
                COMPLIANCE_BEND * (COMPLIANCE_BEND / (std::f64::consts::SQRT_2 * current.get())).ln();
            limit_junction(new - vc, old - vc, COMPLIANCE_BEND, critical) + vc
        }
        DiodeSource::BehindResistance { .. } => new,
    }
}
