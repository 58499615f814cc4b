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

/// Somebody who goes on all the same has every pin measured, each override by itself, and no channel left closed when the
/// meter is plugged in.
#[test]
fn an_override_is_for_one_pin_and_the_rest_is_measured() {
    let place = Place::new();
    let outcome = sweep(
        &place,
        "--fault live:B1=3.3 --override-alive bench-supply --log a.jsonl --jig-trouble lid-open",
    );
    assert_eq!(outcome.status, Some(69), "an open lid is no property of the board\n{}", outcome.text());
    assert!(outcome.stderr.contains("the lid is open"), "{}", outcome.text());
    let outcome = sweep(&place, "--fault live:B1=3.3 --override-alive bench-supply --log b.jsonl");
    let measured = events(&place, "b.jsonl", "measured");
    let pins: std::collections::BTreeSet<String> =
        measured.iter().map(|event| event["what"].to_string()).collect();
    assert_eq!(pins.len(), 41, "40 pins and the common line: {pins:?}");
    let unsafe_pins: std::collections::BTreeSet<String> = measured
        .iter()
        .filter(|event| event["safe"] == false)
        .map(|event| event["what"].to_string())
        .collect();
    let told: Vec<_> = events(&place, "b.jsonl", "told")
        .iter()
        .map(|event| event["text"].as_str().unwrap_or_default().to_owned())
        .filter(|text| text.contains("going on although"))
        .collect();
    assert_eq!(told.len(), unsafe_pins.len(), "{told:?} {}", outcome.text());
    assert!(told.iter().all(|text| text.ends_with(": bench-supply")), "{told:?}");
    let log = std::fs::read_to_string(place.path().join("b.jsonl")).unwrap();
    let connect = log.lines().position(|line| line.contains("connect the meter")).unwrap();
    let before = log.lines().take(connect).filter(|line| line.contains("sent_to_jig")).last().unwrap();
    assert!(before.contains("open_all"), "{before}");
}
