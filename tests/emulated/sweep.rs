//! The ordinary `pintally sweep` against the very images that a user flashes, in their emulators: the same readings and
//! findings as on the practice bench, where the firmware is linked into the program.
//!
//! The meter is simulated and looks at the emulated pins. Without images or emulators these tests say what they skip.

#![allow(
    clippy::unwrap_used,
    clippy::disallowed_methods,
    clippy::print_stderr,
    reason = "a test that prepares files, runs programs and says what they print"
)]

use std::{net::SocketAddr, path::PathBuf, process::Command};

use pintally::{
    connector, meter,
    practice::{Design, Specimen},
    units::Volts,
};
use serde_json::Value;
use tempfile::TempDir;
use tests::{
    emulated::{Microbit, Pico},
    lookout,
};

const J7: &str = include_str!("../../fixtures/connectors/j7-battery.toml");
const PROFILE: &str = "bench-stream";

/// The practice board that is swept, and the seed of its design (`cli/emulation.rs`).
const SEED: u64 = 3;
const DESIGN_SEED: u64 = 1;
const FAULTS: [&str; 2] = ["open:5", "raised:9=220"];

/// Connector and reference in a folder.
struct Place(TempDir);

impl Place {
    fn new() -> Self {
        let place = Self(tempfile::tempdir().unwrap());
        std::fs::write(place.path("j7.toml"), J7).unwrap();
        let known_good = place.run(&["practice", "--connector", "j7.toml", "--known-good", "5"]).0;
        std::fs::write(place.path("good.csv"), known_good).unwrap();
        let words =
            ["reference", "make", "--connector", "j7.toml", "--known-good", "good.csv", "--output", "j7.ref"];
        assert_eq!(place.run(&words).1, Some(0));
        place
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// What the command prints, and how it ends.
    fn run(&self, words: &[&str]) -> (String, Option<i32>) {
        let output = Command::new(env!("CARGO_BIN_EXE_pintally"))
            .args(words)
            .current_dir(self.0.path())
            .env("HOME", self.0.path())
            .env_remove("XDG_CONFIG_HOME")
            .output()
            .unwrap();
        if !matches!(output.status.code(), Some(0..=2)) {
            eprintln!("{}", String::from_utf8_lossy(&output.stderr));
        }
        (String::from_utf8_lossy(&output.stdout).into_owned(), output.status.code())
    }

    fn practice(&self) -> Value {
        let seed = SEED.to_string();
        let mut words = vec!["sweep", "--practice", "--instant", "--seed", &seed, "--connector", "j7.toml"];
        words.extend(["--reference", "j7.ref", "--format", "json"]);
        words.extend(FAULTS.iter().flat_map(|fault| ["--fault", fault]));
        let (printed, status) = self.run(&words);
        assert_eq!(status, Some(1));
        serde_json::from_str(&printed).unwrap()
    }

    /// Sweeps through an image's port, with a meter that looks at its pins.
    fn image(&self, jig: SocketAddr, closed: impl FnMut() -> Vec<u8> + Send + 'static) -> Value {
        let meter = lookout::meter(&meter::shipped(PROFILE).unwrap(), volts(), closed);
        let (jig, meter) = (format!("tcp:{jig}"), format!("tcp:{meter}"));
        let (printed, status) = self.run(&[
            "sweep",
            "--jig",
            &jig,
            "--meter",
            &meter,
            "--profile",
            PROFILE,
            "--connector",
            "j7.toml",
            "--reference",
            "j7.ref",
            "--format",
            "json",
            "--unpowered",
        ]);
        assert_eq!(status, Some(1), "{printed}");
        serde_json::from_str(&printed).unwrap()
    }
}

/// The drop behind each channel of the same board, pin by pin from channel 0 on.
fn volts() -> Vec<Option<Volts>> {
    let connector = connector::from_toml(J7).unwrap();
    let faults = FAULTS.map(|fault| fault.parse().unwrap());
    let specimen = Specimen::new(&Design::new(&connector, DESIGN_SEED), "P003", SEED, &faults).unwrap();
    let source = meter::shipped(PROFILE).unwrap().diode.source;
    specimen.drops(source).unwrap().into_iter().map(Some).collect()
}

/// Kinds and pins of the findings, in one order.
fn findings(judgement: &Value) -> Vec<String> {
    let findings = judgement["findings"].as_array().unwrap();
    let mut named: Vec<String> = findings.iter().map(|f| format!("{} {}", f["kind"], f["pins"])).collect();
    named.sort();
    named
}

fn assert_same(image: &Value, practice: &Value) {
    assert_eq!(findings(image), findings(practice));
    let pins = |judgement: &Value| judgement["pins"].as_array().unwrap().clone();
    let (image, practice) = (pins(image), pins(practice));
    assert_eq!(image.len(), practice.len());
    for (image, practice) in image.iter().zip(&practice) {
        let (seen, expected) = (&image["reading"], &practice["reading"]);
        let is_same = match (seen.as_f64(), expected.as_f64()) {
            // The bench has noise and the resistance of its channels, taken out by its zero, and a meter with 0.1 mV.
            (Some(seen), Some(expected)) => (seen - expected).abs() <= 0.002,
            _ => seen == expected,
        };
        assert!(is_same, "pin {}: through the image {seen}, on the practice bench {expected}", image["pin"]);
    }
}

#[test]
fn pico_through_its_serial_line() {
    let Some(pico) = Pico::start(Pico::MULTIPLEXERS) else { return };
    let place = Place::new();
    let mut pins = pico.watch();
    assert_same(&place.image(pico.uart(), move || pins.closed()), &place.practice());
}

#[test]
fn pico_through_usb() {
    let Some(pico) = Pico::start(Pico::MULTIPLEXERS) else { return };
    let place = Place::new();
    let mut pins = pico.watch();
    assert_same(&place.image(pico.usb(), move || pins.closed()), &place.practice());
}

#[test]
fn pico_with_relays() {
    let Some(pico) = Pico::start(Pico::RELAYS) else { return };
    let place = Place::new();
    let mut pins = pico.watch();
    assert_same(&place.image(pico.uart(), move || pins.closed()), &place.practice());
}

#[test]
fn microbit() {
    let Some(microbit) = Microbit::start() else { return };
    let place = Place::new();
    let pins = microbit.watch();
    assert_same(&place.image(microbit.uart(), move || pins.closed()), &place.practice());
}
