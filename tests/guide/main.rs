//! The guide to the jig: tables, drawing and netlist are made from the description of the parts, and agree with the
//! firmware.
//!
//! `PINTALLY_WRITE_GUIDE=1 cargo test -p tests --test guide` writes them anew.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "tests that read and write the guide")]

mod description;
mod drawing;
mod netlist;
mod tables;

use std::{collections::BTreeMap, fs, path::PathBuf};

use description::{Board, Part};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn board(name: &str) -> Board {
    Board::from_toml(&fs::read_to_string(root().join("docs/jig").join(format!("{name}.toml"))).unwrap())
}

/// The files that are made, with their content.
fn made() -> Vec<(String, String)> {
    let mut files = Vec::new();
    for name in ["multiplexers", "relays"] {
        let board = board(name);
        files.push((format!("{name}.svg"), drawing::svg(&board)));
        files.push((format!("{name}.net"), netlist::netlist(&board)));
        files.push((format!("{name}-parts.md"), tables::parts(&board)));
    }
    for channels in [16, 32, 64, 128] {
        files.push((format!("wiring-{channels}.md"), tables::wiring(channels)));
    }
    files
}

#[test]
fn the_guide_is_what_the_description_says() {
    let write = std::env::var_os("PINTALLY_WRITE_GUIDE").is_some();
    for (name, content) in made() {
        let path = root().join("docs/jig").join(&name);
        if write {
            fs::write(&path, &content).unwrap();
        }
        let there = fs::read_to_string(&path).unwrap_or_default().replace("\r\n", "\n");
        assert!(there == content, "docs/jig/{name} is not what the description makes: write it anew");
    }
}

#[test]
fn every_net_joins_at_least_two_pins_but_for_the_supplies() {
    // Supplies come from outside; a chain ends open; what hangs on a bank's unused end is for the carrier.
    let outside = ["+VS", "-VS", "5V"];
    for name in ["multiplexers", "relays"] {
        let board = board(name);
        for (net, pins) in board.nets() {
            let alone = pins.len() < 2;
            assert!(!alone || outside.contains(&net.as_str()), "{name}: {net} has {pins:?}");
        }
        let mut names: Vec<&String> = board.parts.iter().map(|part| &part.name).collect();
        let all = names.len();
        names.sort();
        names.dedup();
        assert_eq!(names.len(), all, "{name}: a reference comes twice");
    }
}

/// What the tables at the top of the images call the nets of the description.
const WORDS: [(&str, &str); 16] = [
    ("ADDR", "address lines"),
    ("EN", "enable lines"),
    ("LID", "lid contact"),
    ("BUTTON", "start button"),
    ("LED_", "red and green"),
    ("BUZZER", "buzzer"),
    ("BLEED", "bleed resistor"),
    ("SENSE_LEG", "leg of the sense input"),
    ("SENSE", "sense input"),
    ("SRCLK", "shift clock"),
    ("SER0", "data of the first register"),
    ("BACK", "last output of the chain"),
    ("RCLK", "latch clock"),
    ("OE", "output enable"),
    ("GND", ""),
    ("3V3", ""),
];

#[test]
fn the_pins_are_those_of_the_firmware() {
    for name in ["multiplexers", "relays"] {
        let board = board(name);
        let rows: Vec<(Vec<u32>, String)> = board.firmware.iter().flat_map(|file| pin_table(file)).collect();
        let pico = board.parts.iter().find(|part| part.value == "Raspberry Pi Pico").unwrap();
        for (pin, net) in &pico.pins {
            let Some(number) = pin.strip_prefix("GP") else { continue };
            let number: u32 = number.parse().unwrap();
            let word = WORDS.iter().find(|(prefix, _)| net.starts_with(prefix)).unwrap().1;
            let says = |(pins, what): &&(Vec<u32>, String)| pins.contains(&number) && what.contains(word);
            assert!(
                rows.iter().any(|row| says(&row)),
                "{name}: no image says that GP{number} is the {word} ({net})"
            );
        }
    }
}

/// Rows of the table of pins at the top of an image: `| GP2 to GP5 | address lines ... |`.
fn pin_table(file: &str) -> Vec<(Vec<u32>, String)> {
    let text = fs::read_to_string(root().join(file)).unwrap();
    let rows = text.lines().filter_map(|line| line.strip_prefix("//! | GP"));
    rows.map(|row| {
        let (pins, what) = row.split_once('|').unwrap();
        let numbers: Vec<u32> =
            pins.split(|c: char| !c.is_ascii_digit()).filter_map(|digits| digits.parse().ok()).collect();
        let all = match (pins.contains(" to "), numbers.as_slice()) {
            (true, &[first, last]) => (first..=last).collect(),
            _ => numbers,
        };
        (all, what.to_owned())
    })
    .collect()
}

/// In reset and without power every line that connects must have a resistor that holds it off: to ground where high
/// connects, to the supply where low does.
#[test]
fn every_line_that_connects_is_held_off_by_a_resistor() {
    let holds = |board: &Board, line: &str, to: &str| {
        let is_held = |part: &&Part| {
            part.value.contains("kohm") && part.has(line) && part.has(to) && part.pins.len() == 2
        };
        board.parts.iter().any(|part| is_held(&part))
    };
    let multiplexers = board("multiplexers");
    for bank in 0..4 {
        assert!(holds(&multiplexers, &format!("EN{bank}"), "GND"));
    }
    let relays = board("relays");
    assert!(holds(&relays, "OE", "3V3"));
    for channel in 0..64 {
        assert!(holds(&relays, &format!("ON{channel}"), "GND"));
    }
    for board in [&multiplexers, &relays] {
        assert!(holds(board, "BLEED", "GND"));
        // At least 100 kohm stand between the common line and the sense input (docs/facts.md 2.5).
        let sense = board.parts.iter().find(|part| part.has("COMMON") && part.has("SENSE")).unwrap();
        assert!(sense.value.starts_with("220 kohm"));
    }
}

/// A line that closes something at one level must not be driven to it by another image of the Pico: enables, output
/// enable and reset each have a pin that no other image drives.
#[test]
fn the_wrong_image_drives_no_line_that_connects() {
    let images = ["pico.rs", "pico_relays.rs", "pico_expanders.rs"].map(|image| {
        let rows = pin_table(&format!("firmware/src/bin/{image}"));
        assert!(!rows.is_empty(), "{image}");
        rows
    });
    for (own, image) in images.iter().enumerate() {
        let connects = ["enable", "reset"];
        let lines: Vec<u32> = image
            .iter()
            .filter(|(_, what)| connects.iter().any(|word| what.contains(word)))
            .flat_map(|(pins, _)| pins.clone())
            .collect();
        assert!(!lines.is_empty());
        for (other, rows) in images.iter().enumerate().filter(|(other, _)| *other != own) {
            let driven: Vec<u32> = rows.iter().flat_map(|(pins, _)| pins.clone()).collect();
            assert!(lines.iter().all(|line| !driven.contains(line)), "image {other} drives {lines:?}");
        }
    }
}

/// The sense input stays within ground and 3.3 V where the guide says it does, and is off by no more than it says.
#[test]
fn the_sense_input_reaches_as_far_as_the_guide_says() {
    const SUPPLY: f64 = 3.3;
    let input = |common: f64, leg: f64, r1: f64, r2: f64| (common * r2 + leg * r1) / (r1 + r2);
    let tolerance = [0.99, 1.01];
    for (r1, r2) in tolerance.into_iter().flat_map(|a| tolerance.map(|b| (220e3 * a, 100e3 * b))) {
        for common in [-7.0, -5.0, 0.0, 5.0, 10.3] {
            let leg = if common > 0.0 { 0.0 } else { SUPPLY };
            let input = input(common, leg, r1, r2);
            assert!((0.0..=SUPPLY).contains(&input), "{common} V: {input} V with {r1} and {r2}");
            // As the image computes it, with the values on the parts.
            let seen = (input * 320e3 - leg * 220e3) / 100e3;
            let most = if common > 0.0 { 0.02 * common } else { 0.05 + 0.015 * common.abs() };
            assert!((seen - common).abs() <= most, "{common} V: seen {seen} V with {r1} and {r2}");
        }
        // A meter that drives 10 V into it, and whatever a board may have at 60 V DC, go through the diodes.
        assert!(60.0 / r1 < 0.3e-3);
    }
    let guide = fs::read_to_string(root().join("docs/jig/README.md")).unwrap();
    assert!(guide.contains("−7 to +10 V"), "the guide names the range");
}

/// Channel by channel, the description and the tables lead to the same pin of the same part.
#[test]
fn tables_and_description_lead_to_the_same_place() {
    let nets = |name: &str| -> BTreeMap<String, Vec<(String, String)>> { board(name).nets() };
    let (multiplexers, relays) = (nets("multiplexers"), nets("relays"));
    for channel in 0..64 {
        let row = tables::row(channel);
        let has = |nets: &BTreeMap<String, Vec<(String, String)>>, net: &str, part: &str, pin: &str| {
            nets[net].contains(&(part.to_owned(), pin.to_owned()))
        };
        let net = format!("CH{channel}");
        assert!(has(&multiplexers, &net, &row.multiplexer.0, &row.multiplexer.1), "{channel}");
        assert!(has(&multiplexers, &net, &row.header.0, &row.header.1), "{channel}");
        assert!(has(&relays, &format!("ON{channel}"), &row.register.0, &row.register.1), "{channel}");
        assert!(has(&relays, &net, &row.header.0, &row.header.1), "{channel}");
    }
}
