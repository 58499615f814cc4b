//! Closings and matings, counted from session logs.

use serde_json::Value;

use super::sweep;
use crate::run::Place;

fn wear(place: &Place, words: &str) -> (Value, Option<i32>) {
    let all = format!("jig wear --practice --format json --data data {words}");
    let outcome = place.run(&all.split_whitespace().collect::<Vec<_>>());
    (
        serde_json::from_str(&outcome.stdout).unwrap_or_else(|e| panic!("{e}: {}", outcome.text())),
        outcome.status,
    )
}

#[test]
fn sweeps_are_counted_and_a_fine_pitch_connector_is_warned_of() {
    let place = Place::new();
    let (none, status) = wear(&place, "");
    assert_eq!((none["sessions"].as_u64(), status), (Some(0), Some(0)));
    for _ in 0..3 {
        let outcome = sweep(&place, "--seed 7 --board T-7 --data data");
        assert!(outcome.status.is_some_and(|status| status <= 2), "{}", outcome.text());
    }
    let (counted, status) = wear(&place, "");
    assert_eq!((counted["sessions"].as_u64(), status), (Some(3), Some(0)));
    let closings = counted["boards"][0]["closings"].as_object().unwrap();
    // Every channel of every sweep: once to measure its voltage, once to read it.
    assert_eq!(closings.len(), 41);
    assert!(closings.iter().all(|(channel, closings)| closings.as_u64() >= Some(3) || channel == "40"));
    assert_eq!(closings["3"].as_u64(), Some(6));
    let (worn, status) = wear(&place, "--connector-limit 3");
    assert_eq!(status, Some(1));
    let warnings = worn["warnings"].to_string();
    assert!(
        warnings.contains("of board T-7 is worn") && warnings.contains("only when nothing else"),
        "{warnings}"
    );
    let text = place.run(&["jig", "wear", "--data", "data"]);
    assert!(text.stdout.contains("0 sessions"), "practice does not wear a real jig: {}", text.text());
}
