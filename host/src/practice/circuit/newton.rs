//! The static solution: nodal equations, Newton's method, junctions limited as in SPICE.
//!
//! Each part is a conductance or a current source beside one, so that plain nodal analysis serves; the
//! branch equations of modified nodal analysis (Ho, Ruehli and Brennan, "The modified nodal approach to network
//! analysis", IEEE Trans. Circuits and Systems 22(6), 1975, doi 10.1109/TCS.1975.1084079) would only be needed
//! for ideal voltage sources, and a board has none. A junction is replaced by the line that touches its curve
//! at the last voltage, the circuit solved, and so on. A Newton step may land far up an exponential; the step of
//! each junction is therefore shortened to what changes its current by a like amount (Nagel, "SPICE2: A
//! computer program to simulate semiconductor circuits", UCB/ERL M520, 1975). Every part has a rising curve, so
//! the matrix is symmetric and positive definite and the solution unique.
//!
//! Each step solves for the change of the voltages, not for the voltages: what is left over at a node is then summed
//! from currents that really flow. Solved for the voltages, a capacitor in a step of a nanosecond would be a source of
//! hundreds of amperes, whose rounding alone moves a node that hangs on nothing else by a tenth of a volt.

use std::cell::RefCell;

use super::{
    Capacitor, Circuit, Drive, Node,
    diode::{Diode, Touch},
    matrix::Matrix,
    source::TestSource,
};
use crate::units::Volts;

/// Conductance from every node to ground, in siemens: the default of SPICE (GMIN). It gives a node that hangs on
/// nothing a voltage, and draws a picoampere at 1 V.
const LEAST_CONDUCTANCE: f64 = 1e-12;

/// A solution stands when nothing moved by more, in volts, or of itself above a volt. Newton's method squares the
/// error, so the last step leaves far less than this.
const SETTLED: f64 = 1e-9;

/// Steps before giving up. Boards take 10 to 20.
const STEP_LIMIT: usize = 200;

/// Why a circuit has no solution that can be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum SolveError {
    /// Newton's method did not come to rest.
    #[error("the circuit did not settle: expected a solution within {limit} steps, found none")]
    NotConverged {
        /// Steps that were tried.
        limit: usize,
    },
    /// A part has no usable value.
    #[error(
        "the circuit cannot be solved: expected every part to have a positive, finite value, found one that has not"
    )]
    BadPart,
}

/// The equations of a circuit, ready to be solved for any drive.
#[derive(Debug, Clone)]
pub struct Solver {
    nodes: usize,
    junctions: Vec<Diode>,
    pub(super) capacitors: Vec<Capacitor>,
    switches: Vec<super::Conductor>,
    conductors: Vec<super::Conductor>,
    supplies: Vec<super::Supply>,
    /// Interior mutability so that solutions can be shared by reference; only scratch is inside.
    scratch: RefCell<Scratch>,
}

/// Voltages at every node.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    pub(super) voltages: Vec<f64>,
    /// Voltage across the junction part of each diode.
    pub(super) inner: Vec<f64>,
    /// Newton steps that it took.
    pub steps: usize,
}

#[derive(Debug, Clone)]
struct Scratch {
    matrix: Matrix,
    voltages: Vec<f64>,
    /// Currents left over at each node, then the step that takes them away.
    side: Vec<f64>,
    work: Vec<f64>,
    inner: Vec<f64>,
    touches: Vec<Touch>,
}

/// Capacitors during one implicit Euler step: voltages at its start, length in seconds.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step<'a> {
    pub(super) charge: &'a [f64],
    pub(super) seconds: f64,
}

impl Solver {
    /// Sets up the equations.
    ///
    /// # Errors
    /// [`SolveError::BadPart`] if a junction has no positive saturation current or ideality.
    pub fn new(circuit: &Circuit) -> Result<Self, SolveError> {
        let junctions = circuit
            .junctions
            .iter()
            .map(|wired| Diode::new(wired.ends, &wired.junction, circuit.temperature))
            .collect::<Result<Vec<_>, _>>()?;
        let ends = circuit
            .conductors
            .iter()
            .chain(&circuit.switches)
            .map(|part| part.ends)
            .chain(circuit.junctions.iter().map(|part| part.ends))
            .chain(circuit.capacitors.iter().map(|part| part.ends));
        let edges = ends.filter_map(|[a, b]| Some((a?, b?)));
        let mut matrix = Matrix::new(circuit.nodes, edges);
        for node in 0..circuit.nodes {
            matrix.stamp([Some(node), None], LEAST_CONDUCTANCE);
        }
        for part in &circuit.conductors {
            matrix.stamp(part.ends, part.conductance);
        }
        for supply in &circuit.supplies {
            matrix.stamp([Some(supply.node), None], supply.conductance);
        }
        matrix.keep_as_base();
        Ok(Self {
            nodes: circuit.nodes,
            capacitors: circuit.capacitors.clone(),
            switches: circuit.switches.clone(),
            conductors: circuit.conductors.clone(),
            supplies: circuit.supplies.clone(),
            scratch: RefCell::new(Scratch {
                matrix,
                voltages: vec![0.0; circuit.nodes],
                side: vec![0.0; circuit.nodes],
                work: vec![0.0; circuit.nodes],
                inner: vec![0.0; junctions.len()],
                touches: vec![Touch::default(); junctions.len()],
            }),
            junctions,
        })
    }

    /// The solution after all capacitors have settled.
    ///
    /// # Errors
    /// [`SolveError`] if Newton's method does not come to rest.
    pub fn operating_point(&self, drive: &Drive) -> Result<Solution, SolveError> {
        self.iterate(drive, None, None)
    }

    /// Newton's method from a known solution, or from nothing.
    pub(super) fn iterate(
        &self,
        drive: &Drive,
        step: Option<Step<'_>>,
        start: Option<&Solution>,
    ) -> Result<Solution, SolveError> {
        let mut scratch = self.scratch.borrow_mut();
        scratch.start_from(start);
        let mut meter = TestSource::new(drive, &scratch.voltages);
        for steps in 1..=STEP_LIMIT {
            self.draw_lines(drive, step, &mut scratch);
            if let Some(meter) = &meter {
                let Scratch { matrix, voltages, side, .. } = &mut *scratch;
                meter.draw_line(voltages, matrix, side);
            }
            scratch.matrix.factor().map_err(|_| SolveError::BadPart)?;
            let mut moved = scratch.take_step()?;
            moved = moved.max(self.follow_junctions(&mut scratch));
            if let Some(meter) = &mut meter {
                moved = moved.max(meter.follow(&scratch.voltages));
            }
            if moved < SETTLED {
                return Ok(Solution {
                    voltages: scratch.voltages.clone(),
                    inner: scratch.inner.clone(),
                    steps,
                });
            }
        }
        Err(SolveError::NotConverged { limit: STEP_LIMIT })
    }

    /// Replaces every part but the meter by the line that touches its curve here: slopes into the matrix, currents that
    /// are left over at each node beside it.
    fn draw_lines(&self, drive: &Drive, step: Option<Step<'_>>, scratch: &mut Scratch) {
        let Scratch { matrix, voltages, side, inner, touches, .. } = scratch;
        matrix.restore();
        for (left, voltage) in side.iter_mut().zip(&*voltages) {
            *left = -LEAST_CONDUCTANCE * voltage;
        }
        for part in &self.conductors {
            draw(side, part.ends, part.conductance * across(voltages, part.ends));
        }
        for supply in &self.supplies {
            side[supply.node] += supply.conductance * (supply.open_circuit - voltages[supply.node]);
        }
        for part in drive.closed.iter().flatten().filter_map(|switch| self.switches.get(switch.0)) {
            matrix.stamp(part.ends, part.conductance);
            draw(side, part.ends, part.conductance * across(voltages, part.ends));
        }
        if let Some(step) = step {
            for (part, &voltage) in self.capacitors.iter().zip(step.charge) {
                let conductance = part.capacitance / step.seconds;
                matrix.stamp(part.ends, conductance);
                draw(side, part.ends, conductance * (across(voltages, part.ends) - voltage));
            }
        }
        for ((diode, &inner), touch) in self.junctions.iter().zip(&*inner).zip(touches.iter_mut()) {
            *touch = diode.touch(inner);
            let conductance = diode.whole(*touch);
            matrix.stamp(diode.ends, conductance);
            let beyond = across(voltages, diode.ends) - inner - touch.current * diode.series;
            draw(side, diode.ends, touch.current + conductance * beyond);
        }
    }

    /// Takes the junctions along to the new voltages; how far they moved.
    fn follow_junctions(&self, scratch: &mut Scratch) -> f64 {
        let Scratch { voltages, inner, touches, .. } = scratch;
        let mut moved: f64 = 0.0;
        for ((diode, inner), touch) in self.junctions.iter().zip(inner.iter_mut()).zip(&*touches) {
            let next = diode.follow(across(voltages, diode.ends), *inner, *touch);
            moved = moved.max(relative(next, *inner));
            *inner = next;
        }
        moved
    }

    /// Nodes of the circuit.
    #[must_use]
    pub const fn nodes(&self) -> usize {
        self.nodes
    }
}

impl Scratch {
    fn start_from(&mut self, start: Option<&Solution>) {
        match start {
            Some(start) => {
                self.inner.copy_from_slice(&start.inner);
                self.voltages.copy_from_slice(&start.voltages);
            }
            None => {
                self.inner.fill(0.0);
                self.voltages.fill(0.0);
            }
        }
    }

    /// Solves for the step and takes it; how far the nodes moved.
    fn take_step(&mut self) -> Result<f64, SolveError> {
        self.matrix.solve(&mut self.side, &mut self.work);
        let mut moved: f64 = 0.0;
        for (voltage, step) in self.voltages.iter_mut().zip(&self.side) {
            *voltage += step;
            if !voltage.is_finite() {
                return Err(SolveError::BadPart);
            }
            moved = moved.max(step.abs() / voltage.abs().max(1.0));
        }
        Ok(moved)
    }
}

impl Solution {
    /// How far a node is below ground.
    #[must_use]
    pub fn at(&self, node: Node) -> Volts {
        node.0.and_then(|node| self.voltages.get(node)).map_or(Volts::ZERO, |&v| Volts::of(v))
    }
}

/// How far a voltage moved, against itself where it is above a volt: rounding grows with it.
pub(super) fn relative(new: f64, old: f64) -> f64 {
    (new - old).abs() / new.abs().max(1.0)
}

/// Takes a current out of the first end and puts it into the second.
fn draw(side: &mut [f64], ends: [Option<usize>; 2], current: f64) {
    if let Some(node) = ends[0] {
        side[node] -= current;
    }
    if let Some(node) = ends[1] {
        side[node] += current;
    }
}

/// Voltage from the first end to the second.
pub(super) fn across(voltages: &[f64], ends: [Option<usize>; 2]) -> f64 {
    let [a, b] = ends.map(|end| end.map_or(0.0, |node| voltages[node]));
    a - b
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        meter::DiodeSource,
        physics::Junction,
        practice::random::Random,
        units::{Amperes, Kelvin, Ohms},
    };

    /// Circuits that no board has: whatever comes of them, it comes after a bounded number of steps and is a number.
    #[test]
    fn hostile_circuits_end() {
        let mut random = Random::new(1, "hostile");
        let (mut solved, mut refused, mut unsettled) = (0, 0, 0);
        for _ in 0..1000 {
            let mut circuit = Circuit::new(Kelvin::of(random.between(200.0, 450.0)));
            let mut nodes = vec![Node::GROUND];
            nodes.extend((0..1 + random.below(8)).map(|_| circuit.node()));
            for _ in 0..random.below(20) {
                let (a, b) = (nodes[random.below(nodes.len())], nodes[random.below(nodes.len())]);
                match random.below(4) {
                    0 => circuit.resistor(a, b, Ohms::of(random.decades(1e-6, 1e15))),
                    1 => circuit.supply(
                        a,
                        Volts::of(random.between(-1e3, 1e3)),
                        Ohms::of(random.decades(1e-3, 1e6)),
                    ),
                    _ => circuit.junction(
                        a,
                        b,
                        Junction {
                            saturation: Amperes::of(random.decades(1e-40, 1.0)),
                            ideality: random.between(0.5, 5.0),
                            series: Ohms::of(random.decades(1e-3, 1e6)),
                        },
                    ),
                }
            }
            let source = if random.chance(0.5) {
                DiodeSource::ConstantCurrent {
                    current: Amperes::of(random.decades(1e-9, 10.0)),
                    compliance: Volts::of(random.between(0.0, 100.0)),
                }
            } else {
                DiodeSource::BehindResistance {
                    open_circuit: Volts::of(random.between(0.0, 100.0)),
                    resistance: Ohms::of(random.decades(1e-3, 1e9)),
                }
            };
            let drive = Drive { reversed: random.chance(0.5), ..Drive::at(nodes[nodes.len() - 1], source) };
            match Solver::new(&circuit).and_then(|solver| solver.operating_point(&drive)) {
                Ok(solution) => {
                    solved += 1;
                    assert!(solution.steps <= STEP_LIMIT && solution.voltages.iter().all(|v| v.is_finite()));
                }
                Err(SolveError::NotConverged { .. }) => unsettled += 1,
                Err(SolveError::BadPart) => refused += 1,
            }
        }
        println!("{solved} solved, {refused} refused, {unsettled} did not settle");
        assert!(solved > 10 * unsettled && refused > 0, "{solved}, {refused}, {unsettled}");
    }

    #[test]
    fn a_joint_beside_a_leak_loses_no_digit() {
        // A floating net behind a milliohm, held by 1 pA/V alone: 1 nA from the source through 1 TΩ less the source's
        // own share. The usual elimination loses the 1e-12 S beside 1000 S.
        let mut circuit = Circuit::new(Kelvin::ROOM);
        let (a, b) = (circuit.node(), circuit.node());
        circuit.resistor(a, b, Ohms::of(1e-3));
        let source =
            DiodeSource::BehindResistance { open_circuit: Volts::of(1.0), resistance: Ohms::of(1e12) };
        let solution = Solver::new(&circuit).unwrap().operating_point(&Drive::at(a, source)).unwrap();
        // Two nodes of 1e-12 S and a source of 1e-12 S: a third of the voltage.
        assert!((solution.at(b).get() - 1.0 / 3.0).abs() < 1e-12, "{:?}", solution.at(b));
    }
}
