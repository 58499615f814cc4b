//! The laws behind a reading against an independent circuit simulator.
//!
//! Values: `fixtures/published/spice/forward_drop.csv`, solved by ngspice 39.3, netlists beside it.
#![allow(missing_docs, reason = "a test binary")]
#![allow(
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "a test reads its fixtures and fails where they are missing"
)]

use std::{fs, path::PathBuf};

use pintally::{
    physics::{Junction, Network, Path, Source, thermal_voltage},
    units::{Amperes, Kelvin, Ohms},
};

/// ngspice 39 uses the constants of CODATA 2014 and we those of 2019: up to 0.25 µV a junction.
const TOLERANCE: f64 = 1e-6;

const fn junction(saturation: f64, ideality: f64, series: f64) -> Junction {
    Junction { saturation: Amperes::of(saturation), ideality, series: Ohms::of(series) }
}

/// Default diode; the 1N4148 of the ngspice User's Manual; the published 1N914.
const DEFAULT: Junction = junction(1e-14, 1.0, 0.0);
const D1N4148: Junction = junction(2.495e-9, 1.679, 0.4755);
const D1N914: Junction = junction(2.52e-9, 1.752, 0.568);

struct Row {
    case: String,
    temperature: Kelvin,
    current: f64,
    volts: f64,
}

fn table() -> Vec<Row> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../fixtures/published/spice/forward_drop.csv");
    let text = fs::read_to_string(path).unwrap();
    text.lines()
        .skip(1)
        .map(|line| {
            let fields: Vec<&str> = line.split(',').collect();
            let number = |index: usize| fields[index].parse::<f64>().unwrap();
            Row {
                case: fields[0].to_owned(),
                temperature: Kelvin::from_celsius(number(1)).unwrap(),
                current: number(2),
                volts: number(3),
            }
        })
        .collect()
}

fn check(found: f64, row: &Row) {
    let Row { case, current, volts, .. } = row;
    assert!((found - volts).abs() < TOLERANCE, "{case} at {current} A: {found}, ngspice {volts}");
}

#[test]
fn single_junctions() {
    let mut count = 0;
    for row in table() {
        let at = |junction: &Junction| junction.drop_at(Amperes::of(row.current), row.temperature).get();
        let found = match row.case.as_str() {
            "default_diode" => at(&DEFAULT),
            "d1n4148_ngspice_manual" => at(&D1N4148),
            "d1n914_published" => at(&D1N914),
            "default_series_10ohm" => at(&Junction { series: Ohms::of(10.0), ..DEFAULT }),
            "d1n4148_series_10ohm" => at(&Junction { series: Ohms::of(10.4755), ..D1N4148 }),
            "two_default_in_series" => 2.0 * at(&DEFAULT),
            _ => continue,
        };
        check(found, &row);
        count += 1;
    }
    assert!(count >= 100, "{count} rows were compared");
}

/// The engine knows a path from one reading. From the reading of each part alone at 1 mA it must find what both read in
/// parallel, at the currents of a diode test.
#[test]
fn parallel_paths_from_single_readings() {
    let mut count = 0;
    for row in table() {
        let known = 1e-3;
        let path = |junction: &Junction| Path::Junction {
            drop: junction.drop_at(Amperes::of(known), row.temperature).get(),
            current: known,
            slope: junction.ideality * thermal_voltage(row.temperature).get(),
            series: 0.0,
        };
        let second = match row.case.as_str() {
            "parallel_two_is_same_n" => path(&junction(4e-13, 1.0, 0.0)),
            "parallel_two_is_two_n" => path(&junction(2.495e-9, 1.679, 0.0)),
            "default_parallel_100k" => Path::Resistor { ohms: 100e3 },
            _ => continue,
        };
        // Where the −1 of the diode equation, which the engine leaves out, makes a microvolt: below the currents of a
        // diode test, and for the large 1N4148 when it is hot.
        let hot = row.temperature.get() > 300.0 && row.case == "parallel_two_is_two_n";
        if row.current < 1.5e-4 || hot {
            continue;
        }
        let source = Source { short_current: row.current, inner: None, compliance: 3.0 };
        // Read where nearly all of the current flows, so that hardly any passes the milliohm of the tie.
        let net = usize::from(!matches!(second, Path::Resistor { .. }));
        let found = Network::new(&[path(&DEFAULT), second]).tie(0, 1, 0.001).reading(&source, net).unwrap();
        check(found, &row);
        count += 1;
    }
    assert!(count >= 20, "{count} rows were compared");
}

/// 0.5 to 1 mA moves a junction by n·Vt·ln 2 plus its series resistance (+17.809, +30.139, +31.485 mV at 25 °C).
#[test]
fn another_test_current() {
    let at = |junction: &Junction, amperes: f64| {
        junction.drop_at(Amperes::of(amperes), Kelvin::from_celsius(25.0).unwrap()).get()
    };
    for (junction, millivolts) in [(DEFAULT, 17.809), (D1N4148, 30.139), (D1N914, 31.485)] {
        let moved = (at(&junction, 1e-3) - at(&junction, 0.5e-3)) * 1e3;
        assert!((moved - millivolts).abs() < 1e-3, "{moved}");
    }
}
