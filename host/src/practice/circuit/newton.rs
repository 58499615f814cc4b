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

use super::{Capacitor, Circuit, Drive, Node, matrix::Matrix, source};
use crate::{physics::thermal_voltage, units::Volts};

/// Conductance from every node to ground, in siemens: the default of SPICE (GMIN). It gives a node that hangs on
/// nothing a voltage, and draws a picoampere at 1 V.
const LEAST_CONDUCTANCE: f64 = 1e-12;

/// A solution stands when nothing moved by more, in volts, or of itself above a volt. Newton's method squares the
/// error, so the last step leaves far less than this.
const SETTLED: f64 = 1e-9;

/// Steps before giving up. Boards take 10 to 20.
const STEP_LIMIT: usize = 200;

/// The exponential is not followed further than this many thermal voltages; 80 is 10^34 saturation currents.
const LARGEST_EXPONENT: f64 = 80.0;

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
    junctions: Vec<Device>,
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

/// A junction with what the temperature makes of it.
#[derive(Debug, Clone, Copy)]
struct Device {
    ends: [Option<usize>; 2],
    saturation: f64,
    /// n·Vt.
    slope: f64,
    series: f64,
    /// Voltage above which steps are shortened.
    critical: f64,
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

/// The junction part of a diode at one voltage.
#[derive(Debug, Clone, Copy, Default)]
struct Touch {
    current: f64,
    conductance: f64,
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
            .map(|wired| {
                let slope = wired.junction.ideality * thermal_voltage(circuit.temperature).get();
                let saturation = wired.junction.saturation_at(circuit.temperature).get();
                let good = saturation > 0.0 && slope > 0.0 && wired.junction.series.get() >= 0.0;
                good.then(|| Device {
                    ends: wired.ends,
                    saturation,
                    slope,
                    series: wired.junction.series.get(),
                    critical: slope * (slope / (std::f64::consts::SQRT_2 * saturation)).ln(),
                })
                .ok_or(SolveError::BadPart)
            })
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
        let Scratch { matrix, voltages, side, work, inner, touches } = &mut *scratch;
        match start {
            Some(start) => {
                inner.copy_from_slice(&start.inner);
                voltages.copy_from_slice(&start.voltages);
            }
            None => {
                inner.fill(0.0);
                voltages.fill(0.0);
            }
        }
        let source = drive.source.and_then(|(node, source)| Some((node.0?, source)));
        // The source works in its own sense: turned leads mirror the voltage it sees.
        let sense = if drive.reversed { -1.0 } else { 1.0 };
        let mut seen = source.map_or(0.0, |(node, _)| sense * voltages[node]);
        for steps in 1..=STEP_LIMIT {
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
            for ((device, &inner), touch) in self.junctions.iter().zip(&*inner).zip(touches.iter_mut()) {
                *touch = device.touch(inner);
                let conductance = device.whole(*touch);
                matrix.stamp(device.ends, conductance);
                let beyond = across(voltages, device.ends) - inner - touch.current * device.series;
                draw(side, device.ends, touch.current + conductance * beyond);
            }
            if let Some((node, source)) = source {
                let touch = source::touch(&source, seen);
                matrix.stamp([Some(node), None], touch.slope);
                side[node] += sense * (touch.current + touch.slope * (seen - sense * voltages[node]));
            }
            matrix.factor().map_err(|_| SolveError::BadPart)?;
            matrix.solve(side, work);

            let mut moved: f64 = 0.0;
            for (voltage, step) in voltages.iter_mut().zip(&*side) {
                *voltage += step;
                if !voltage.is_finite() {
                    return Err(SolveError::BadPart);
                }
                moved = moved.max(step.abs() / voltage.abs().max(1.0));
            }
            for ((device, inner), touch) in self.junctions.iter().zip(inner.iter_mut()).zip(&*touches) {
                let next = device.follow(across(voltages, device.ends), *inner, *touch);
                moved = moved.max(relative(next, *inner));
                *inner = next;
            }
            if let Some((node, source)) = source {
                let next = source::limit(&source, sense * voltages[node], seen);
                moved = moved.max(relative(next, seen));
                seen = next;
            }
            if moved < SETTLED {
                return Ok(Solution { voltages: voltages.clone(), inner: inner.clone(), steps });
            }
        }
        Err(SolveError::NotConverged { limit: STEP_LIMIT })
    }

    /// Nodes of the circuit.
    #[must_use]
    pub const fn nodes(&self) -> usize {
        self.nodes
    }
}

impl Solution {
    /// How far a node is below ground.
    #[must_use]
    pub fn at(&self, node: Node) -> Volts {
        node.0.and_then(|node| self.voltages.get(node)).map_or(Volts::ZERO, |&v| Volts::of(v))
    }
}

impl Device {
    /// Current and slope of the junction itself at a voltage across it.
    fn touch(&self, inner: f64) -> Touch {
        let exponential = (inner / self.slope).min(LARGEST_EXPONENT).exp();
        Touch {
            current: self.saturation * (exponential - 1.0),
            conductance: self.saturation * exponential / self.slope,
        }
    }

    /// Slope of the whole part. The series resistance is folded in, so that it needs no node of its own.
    fn whole(&self, touch: Touch) -> f64 {
        touch.conductance / (1.0 + touch.conductance * self.series)
    }

    /// Voltage of the junction itself after a step that put `outer` across the whole part, shortened where the
    /// exponential could not be followed.
    fn follow(&self, outer: f64, inner: f64, touch: Touch) -> f64 {
        let step = (outer - inner - touch.current * self.series) / (1.0 + touch.conductance * self.series);
        limit_junction(inner + step, inner, self.slope, self.critical)
    }
}

/// Shortens the step of a junction (SPICE2's rule): above the critical voltage a step changes the current by
/// what the straight line promised, not by its exponential.
pub(super) fn limit_junction(new: f64, old: f64, slope: f64, critical: f64) -> f64 {
    if new <= critical || (new - old).abs() <= 2.0 * slope {
        return new;
    }
    if old > 0.0 {
        let ratio = 1.0 + (new - old) / slope;
        if ratio > 0.0 { old + slope * ratio.ln() } else { critical }
    } else {
        slope * (new / slope).ln()
    }
}

/// How far a voltage moved, against itself where it is above a volt: rounding grows with it.
fn relative(new: f64, old: f64) -> f64 {
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
    fn a_part_without_a_value_is_refused() {
        for (saturation, ideality) in
            [(0.0, 1.0), (-1e-14, 1.0), (1e-14, 0.0), (1e-14, -1.0), (1e-14, f64::NAN)]
        {
            let mut circuit = Circuit::new(Kelvin::ROOM);
            let a = circuit.node();
            let junction = Junction { saturation: Amperes::of(saturation), ideality, series: Ohms::ZERO };
            circuit.junction(a, Node::GROUND, junction);
            assert_eq!(Solver::new(&circuit).err(), Some(SolveError::BadPart));
        }
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
