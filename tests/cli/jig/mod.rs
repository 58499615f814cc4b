//! The commands about the jig, on the practice bench.

mod dwell;
mod power_up;
mod precheck;
mod self_test;
mod wear;
mod zero;

use serde_json::Value;

use crate::run::{Outcome, Place};

/// A practice sweep with these words more.
fn sweep(place: &Place, words: &str) -> Outcome {
    let all = format!("sweep --practice --instant --quiet {words}");
    place.run(&all.split_whitespace().collect::<Vec<_>>())
}

/// Pin by pin what a judgement in JSON says was read: volts, or `None`.
fn readings(outcome: &Outcome) -> Vec<(String, Option<f64>)> {
    let judgement: Value =
        serde_json::from_str(&outcome.stdout).unwrap_or_else(|error| panic!("{error}: {}", outcome.text()));
    let pin = |pin: &Value| (pin["pin"].as_str().unwrap().to_owned(), pin["reading"].as_f64());
    judgement["pins"].as_array().unwrap().iter().map(pin).collect()
}

/// The events of a log, by their kind.
fn events(place: &Place, log: &str, kind: &str) -> Vec<Value> {
    let text = std::fs::read_to_string(place.path().join(log)).unwrap();
    let lines = text.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
    lines.filter_map(|line| line["event"].get(kind).cloned()).collect()
}
