//! Fifty practice boards with one to three faults each: what was put in, what was found, and the same in a replay.
//!
//! The practice bench shares its circuit model with the engine, so this shows that the whole runs, not that the
//! engine judges well: the boards of an independent simulator do that (`fixtures/boards`).
//!
//! `cargo test -p pintally --test cli seeds -- --nocapture` prints the table.

use std::collections::BTreeSet;

use pintally::connector::{self, Connector, PinName};
use serde_json::Value;

use crate::run::Place;

const J5: &str = include_str!("../../fixtures/connectors/j5-display.toml");

/// A fault that moves its own pins by less is not asked for: the rule of 30 mV of the boards in `fixtures/boards`.
const SEEN: f64 = 0.030;

/// A fault as kind and places. Shorts, leaks and bridges are named by net, since all pins of a net read alike.
type Named = (String, BTreeSet<String>);

/// Whether one reading a pin cannot tell the two apart: a missing sole part and an open joint, a missing part and a
/// raised joint.
fn are_alike(put: &Named, found: &Named) -> bool {
    let is_either = |kind: &str| matches!(kind, "open_joint" | "high_resistance_joint" | "missing_part");
    put == found
        || put.1 == found.1
            && (put.0 == "missing_part" && is_either(&found.0)
                || found.0 == "missing_part" && is_either(&put.0))
}

#[test]
fn fifty_boards_with_random_faults() {
    let place = Place::new();
    let connector = connector::from_toml(J5).unwrap();
    let (mut asked, mut named, mut exact, mut table) = (0, 0, 0, String::new());
    for seed in 1..=50 {
        let (text, log) = (seed.to_string(), format!("{seed}.jsonl"));
        let live = place.run(&[
            "sweep",
            "--practice",
            "--instant",
            "--seed",
            &text,
            "--fault",
            "random",
            "--format",
            "json",
            "--log",
            &log,
        ]);
        assert!(live.status.is_some_and(|status| status <= 2), "seed {seed}: {}", live.text());
        let replayed = place.run(&["replay", &log, "--format", "json"]);
        assert_eq!((&replayed.stdout, replayed.status), (&live.stdout, live.status), "seed {seed}");
        assert_eq!(replayed.stderr, "", "seed {seed}");

        let put_in = put_in(&live.stderr, &connector);
        let found = found(&live.stdout, &connector);
        let wanted: Vec<&Named> =
            put_in.iter().filter(|(_, moves)| *moves >= SEEN).map(|(fault, _)| fault).collect();
        let hit = wanted.iter().filter(|put| found.iter().any(|found| are_alike(put, found))).count();
        let spurious =
            found.iter().filter(|fault| !put_in.iter().any(|(put, _)| are_alike(put, fault))).count();
        asked += wanted.len();
        named += hit;
        exact += usize::from(hit == wanted.len() && spurious == 0);
        let words = |faults: Vec<&Named>| -> String {
            let words: Vec<String> = faults
                .iter()
                .map(|(kind, at)| format!("{kind} {}", Vec::from_iter(at.clone()).join("+")))
                .collect();
            words.join(", ")
        };
        table.push_str(&format!(
            "| {seed} | {} | {} | {} |\n",
            words(put_in.iter().map(|(fault, _)| fault).collect()),
            words(found.iter().collect()),
            if hit == wanted.len() && spurious == 0 { "right" } else { "not right" }
        ));
    }
    println!("| seed | put in | found | |\n| --- | --- | --- | --- |\n{table}");
    println!("{exact} of 50 boards right, {named} of {asked} faults named");
    // What was seen when this was written, to hold and to raise: the seeds make it the same in every run. What is
    // missed hides behind another fault that reads the same (a leak that brings a pin to its neighbour's drop, say).
    assert!(exact >= 43 && named >= 89, "{exact} of 50 boards right, {named} of {asked} faults named");
}

/// What was put in and how far each fault moves its own pins, from what the sweep told.
fn put_in(stderr: &str, connector: &Connector) -> Vec<(Named, f64)> {
    let lines = stderr.lines().filter_map(|line| line.strip_prefix("practice: put in "));
    lines
        .map(|line| {
            let (fault, moves) = line.split_once(" (moves its own pins by ").unwrap();
            let moves: f64 = moves.trim_end_matches(" V)").parse().unwrap();
            let (word, at) = fault.split_once(':').unwrap();
            if word == "placement" {
                let kind = match at.split('=').next().unwrap() {
                    "reversed" => "leads_reversed",
                    other => other,
                };
                return ((kind.to_owned(), BTreeSet::new()), f64::INFINITY);
            }
            let kind = match word {
                "open" => "open_joint",
                "missing" => "missing_part",
                "short" => "short_to_ground",
                "bridge" => "bridge",
                "raised" => "high_resistance_joint",
                "leak" => "leakage",
                "swap" => "swapped",
                other => panic!("{other} is no fault that is drawn"),
            };
            let pins: Vec<&str> = at.split('=').next().unwrap().split('+').collect();
            (place_of(kind, &pins, connector), moves)
        })
        .collect()
}

/// What the engine found.
fn found(stdout: &str, connector: &Connector) -> Vec<Named> {
    let judgement: Value = serde_json::from_str(stdout).unwrap();
    if let Some(placement) = judgement["placement"].as_str() {
        return vec![(placement.to_owned(), BTreeSet::new())];
    }
    let name = |pin: &Value| pin.as_str().unwrap().to_owned();
    judgement["findings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|finding| {
            let pins: Vec<String> = finding["pins"].as_array().unwrap().iter().map(name).collect();
            place_of(
                finding["kind"].as_str().unwrap(),
                &pins.iter().map(String::as_str).collect::<Vec<_>>(),
                connector,
            )
        })
        .collect()
}

fn place_of(kind: &str, pins: &[&str], connector: &Connector) -> Named {
    let by_net = matches!(kind, "short_to_ground" | "leakage" | "bridge");
    let place = |pin: &&str| {
        let index = connector.index_of(&PinName::new(pin)).unwrap();
        match &connector.pins[index].net {
            Some(net) if by_net => net.clone(),
            _ => (*pin).to_owned(),
        }
    };
    (kind.to_owned(), pins.iter().map(place).collect())
}
