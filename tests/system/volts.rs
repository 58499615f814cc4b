//! DC volts before diode test, with a meter whose answers come twice or late.

use std::io;

use pintally::{
    connector, meter,
    moment::Moment,
    practice::{Bench, BenchDevices, Design, JigSetup, Specimen, meter::MeterOptions},
    sweep::{Devices, Heard, Stops, SweepError, measure_volts},
};

/// Keeps what the meter is told, and perhaps has it show an overload.
struct Watched {
    devices: BenchDevices,
    told: Vec<u8>,
    overload: bool,
    /// What has come since the meter was told something.
    is_answered: bool,
}

impl Devices for Watched {
    fn now(&self) -> Moment {
        self.devices.now()
    }

    fn wait(&mut self, until: Moment) -> Heard {
        match self.devices.wait(until) {
            Heard::Meter(at, bytes) if self.overload && self.told.ends_with(b"READ?\n") => {
                let first = !std::mem::replace(&mut self.is_answered, true);
                Heard::Meter(at, if first { b"+9.90000000E+37\n".to_vec() } else { bytes[..0].to_vec() })
            }
            heard => heard,
        }
    }

    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.devices.to_jig(bytes)
    }

    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.told.extend_from_slice(bytes);
        self.is_answered = false;
        self.devices.to_meter(bytes)
    }
}

fn measure(fault: &str, doubled: f64, seed: u64) -> (Result<(), SweepError>, Vec<(String, f64)>, String) {
    measure_with(fault, doubled, seed, false)
}

fn measure_with(
    fault: &str,
    doubled: f64,
    seed: u64,
    overload: bool,
) -> (Result<(), SweepError>, Vec<(String, f64)>, String) {
    let (connector, profile) =
        (connector::from_toml(connector::DEMO).unwrap(), meter::shipped("scpi-bench").unwrap());
    let faults = [fault.parse().unwrap()];
    let specimen = Specimen::new(&Design::new(&connector, 7), "T1", 7, &faults).unwrap();
    let setup = JigSetup::straight(&connector, 1).unwrap();
    let options = MeterOptions { doubled, ..MeterOptions::of(&profile) };
    let bench = Bench::new(&specimen, setup.clone(), profile.clone(), options, seed, Moment::START).unwrap();
    let devices = BenchDevices::new(bench);
    let mut devices = Watched { devices, told: Vec::new(), overload, is_answered: false };
    let named = connector.pins.iter().map(|pin| pin.name.clone());
    let stops = Stops {
        profile: &profile,
        pins: named.zip(setup.wiring.channels().iter().copied()).collect(),
        ports: ["bench".to_owned(), "bench".to_owned()],
    };
    let mut seen = Vec::new();
    let outcome = measure_volts(&stops, &mut devices, &mut |(pin, volts, _)| {
        seen.push((pin.to_string(), volts.get()));
    });
    (outcome, seen, String::from_utf8(devices.told).unwrap())
}

/// An answer that came twice passed for that of the next pin, and so on for ever: the board was called charged at
/// the pin behind, or not at all where it was the last one.
#[test]
fn an_answer_that_comes_twice_belongs_to_no_other_pin() {
    for seed in 1..=5 {
        let (outcome, seen, told) = measure("live:B1=3.3", 0.5, seed);
        let Err(SweepError::BoardCharged { pin, .. }) = &outcome else { panic!("{outcome:?}: {seen:?}") };
        assert_eq!(pin.as_str(), "B1", "{seen:?}");
        let (last, before) = seen.split_last().unwrap();
        assert!(last.1.abs() > 3.0, "{seen:?}");
        assert!(before.iter().all(|(_, volts)| volts.abs() < 0.05), "{seen:?}");
        assert!(told.ends_with("SYST:LOC\n"), "its keys are free again: {told}");
    }
}

#[test]
fn each_reading_follows_a_command_that_was_taken() {
    let (outcome, seen, told) = measure("open:B8", 0.0, 1);
    assert_eq!(outcome, Ok(()), "{seen:?}");
    let lines: Vec<&str> = told.lines().collect();
    let readings = lines.iter().enumerate().filter(|(_, line)| **line == "READ?");
    let mut count = 0;
    for (at, _) in readings {
        count += 1;
        assert_eq!(lines[at - 2..at], ["CONF:VOLT:DC", "SYST:ERR?"], "{lines:?}");
    }
    assert_eq!(count, seen.len());
    assert_eq!(lines.last(), Some(&"SYST:LOC"));
}

/// It was written down as a voltage of 1000 V, which nobody had measured.
#[test]
fn an_overload_is_refused_and_is_no_voltage() {
    let (outcome, seen, told) = measure_with("open:B8", 0.0, 1, true);
    let Err(error @ SweepError::BeyondVolts { .. }) = &outcome else { panic!("{outcome:?}: {seen:?}") };
    assert!(error.to_string().contains("reads OL by DC volts"), "{error}");
    assert_eq!(seen, [], "no number is made up");
    assert!(told.ends_with("SYST:LOC\n"), "{told}");
}
