//! What is measured before the meter is connected.

use super::{events, sweep};
use crate::run::Place;

#[test]
fn every_pin_is_measured_and_every_power_pin_bled() {
    let place = Place::new();
    let outcome = sweep(&place, "--log a.jsonl");
    assert!(outcome.status.is_some_and(|status| status <= 2), "{}", outcome.text());
    let measured = events(&place, "a.jsonl", "measured");
    // 40 pins and the common line once, the power pins a second time after their bleed.
    assert!(measured.len() > 41, "{}", measured.len());
    assert!(measured.iter().all(|event| event["safe"] == true));
    assert_eq!(measured[0]["what"], "common line");
    let done: Vec<_> =
        events(&place, "a.jsonl", "operator").into_iter().map(|event| event["action"].clone()).collect();
    assert_eq!(done, ["unplug the meter", "connect the meter"]);
}

#[test]
fn a_charge_is_bled_and_the_sweep_goes_on() {
    let place = Place::new();
    let outcome = sweep(&place, "--fault charged:A19=5 --log a.jsonl");
    assert!(outcome.status.is_some_and(|status| status <= 2), "{}", outcome.text());
    let measured = events(&place, "a.jsonl", "measured");
    let unsafe_ones: Vec<_> = measured.iter().filter(|event| event["safe"] == false).collect();
    assert!(!unsafe_ones.is_empty());
    let pin = unsafe_ones[0]["what"].clone();
    let last = measured.iter().rfind(|event| event["what"] == pin).unwrap();
    assert_eq!(last["safe"], true, "{last}");
    // The replay is not led astray by the channels that were closed before the meter was connected.
    let replayed = place.run(&["replay", "a.jsonl"]);
    assert_eq!(replayed.stdout, outcome.stdout);
    assert!(!replayed.stderr.contains("otherwise"), "{}", replayed.text());
}

#[test]
fn a_live_board_is_refused_before_the_meter_touches_it() {
    let place = Place::new();
    let outcome = sweep(&place, "--fault live:B1=3.3 --log a.jsonl");
    assert_eq!(outcome.status, Some(69), "{}", outcome.text());
    assert!(outcome.stderr.contains("the board is powered"), "{}", outcome.text());
    assert!(events(&place, "a.jsonl", "meter_bytes").is_empty(), "the meter was never connected");
    assert!(events(&place, "a.jsonl", "pin_result").is_empty());
    assert_eq!(events(&place, "a.jsonl", "end")[0]["how"], "failed");
    let twelve = sweep(&place, "--fault live:B1=9 --log b.jsonl");
    assert!(twelve.stderr.contains("discharge the board through a resistor"), "{}", twelve.text());
    let bled =
        events(&place, "b.jsonl", "sent_to_jig").iter().filter(|e| e.to_string().contains("bleed")).count();
    assert_eq!(bled, 0, "so much is not bled through a small resistor");
}
