//! The practice bench's circuit solver against an independent circuit simulator.
//!
//! Values: `fixtures/published/spice`, solved by ngspice 39.3 (netlists beside the tables). The models of
//! the two named diodes are published: the 1N4148 in the ngspice User's Manual, the 1N914 in widely copied model
//! libraries.
#![allow(missing_docs, reason = "a test binary")]

use pintally::{
    meter::DiodeSource,
    physics::Junction,
    practice::circuit::{Circuit, Drive, Node, Solver},
    units::{Amperes, Kelvin, Ohms, Volts},
};

/// ngspice 39 uses the constants of CODATA 2014 and we those of 2019, which is up to 0.25 µV a junction.
const TOLERANCE: f64 = 1e-6;

const DEFAULT: Junction = junction(1e-14, 1.0, 0.0);
const D1N4148: Junction = junction(2.495e-9, 1.679, 0.4755);
const D1N914: Junction = junction(2.52e-9, 1.752, 0.568);

const fn junction(saturation: f64, ideality: f64, series: f64) -> Junction {
    Junction { saturation: Amperes::of(saturation), ideality, series: Ohms::of(series) }
}

/// Draws the circuit of a case and returns the node that the current is driven into.
fn draw(case: &str, circuit: &mut Circuit) -> Node {
    let a = circuit.node();
    let through = |circuit: &mut Circuit, parts: &[Junction]| {
        for &part in parts {
            circuit.junction(a, Node::GROUND, part);
        }
    };
    match case {
        "default_diode" => through(circuit, &[DEFAULT]),
        "d1n4148_ngspice_manual" => through(circuit, &[D1N4148]),
        "d1n914_published" => through(circuit, &[D1N914]),
        "parallel_two_is_same_n" => through(circuit, &[DEFAULT, junction(4e-13, 1.0, 0.0)]),
        "parallel_two_is_two_n" => through(circuit, &[DEFAULT, junction(2.495e-9, 1.679, 0.0)]),
        "default_parallel_100k" => {
            through(circuit, &[DEFAULT]);
            circuit.resistor(a, Node::GROUND, Ohms::of(100e3));
        }
        "default_series_10ohm" | "d1n4148_series_10ohm" => {
            let b = circuit.node();
            circuit.resistor(a, b, Ohms::of(10.0));
            let diode = if case.starts_with("default") { DEFAULT } else { D1N4148 };
            circuit.junction(b, Node::GROUND, diode);
        }
        "two_default_in_series" => {
            let b = circuit.node();
            circuit.junction(a, b, DEFAULT);
            circuit.junction(b, Node::GROUND, DEFAULT);
        }
        other => panic!("unknown case {other}"),
    }
    a
}

#[test]
fn forward_drops_agree_with_ngspice() {
    let table = include_str!("../../fixtures/published/spice/forward_drop.csv");
    let mut seen = 0;
    let mut worst: f64 = 0.0;
    for row in table.lines().skip(1) {
        let fields: Vec<&str> = row.split(',').collect();
        let value = |i: usize| fields[i].parse::<f64>().unwrap();
        let mut circuit = Circuit::new(Kelvin::from_celsius(value(1)).unwrap());
        let a = draw(fields[0], &mut circuit);
        let source =
            DiodeSource::ConstantCurrent { current: Amperes::of(value(2)), compliance: Volts::of(9.0) };
        let solver = Solver::new(&circuit).unwrap();
        let solution = solver.operating_point(&Drive::at(a, source)).unwrap();
        let difference = (solution.at(a).get() - value(3)).abs();
        assert!(difference < TOLERANCE, "{row}: {:?}", solution.at(a));
        worst = worst.max(difference);
        seen += 1;
    }
    assert_eq!(seen, 216);
    println!("216 points, largest difference {worst:.2e} V");
}

#[test]
fn a_capacitor_charges_as_in_ngspice() {
    let table = include_str!("../../fixtures/published/spice/cc_charge_10u_default_diode.csv");
    let mut circuit = Circuit::new(Kelvin::ROOM);
    let a = circuit.node();
    circuit.junction(a, Node::GROUND, DEFAULT);
    circuit.capacitor(a, Node::GROUND, 10e-6, Volts::ZERO);
    let source = DiodeSource::ConstantCurrent { current: Amperes::of(1e-3), compliance: Volts::of(9.0) };
    let solver = Solver::new(&circuit).unwrap();
    let drive = Drive::at(a, source);
    let mut seen = 0;
    let mut worst: f64 = 0.0;
    for row in table.lines().skip(1) {
        let fields: Vec<f64> = row.split(',').map(|field| field.parse().unwrap()).collect();
        let (now, _) =
            solver.after(&drive, &solver.initial_charge(), fields[0] * 1e-3, Volts::of(1e-7)).unwrap();
        let difference = (now.at(a).get() - fields[2]).abs();
        assert!(difference < TOLERANCE, "{row}: {:?}", now.at(a));
        worst = worst.max(difference);
        seen += 1;
    }
    assert_eq!(seen, 11);
    println!("11 points, largest difference {worst:.2e} V");
}
