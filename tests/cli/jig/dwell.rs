//! A walk at a fixed dwell against a sweep that waits for each pin.

use super::{readings, sweep};
use crate::run::Place;

const BOARD: &str = "--seed 3 --fault open:B8 --fault raised:A15=150 --format json";

#[test]
fn long_enough_it_reads_the_same_and_the_replay_too() {
    let place = Place::new();
    let advance = readings(&sweep(&place, &format!("{BOARD} --log a.jsonl")));
    let walked = sweep(&place, &format!("{BOARD} --dwell-ms 1500 --log d.jsonl"));
    let dwell = readings(&walked);
    assert_eq!(advance.len(), 40);
    for ((pin, one), (other, two)) in advance.iter().zip(&dwell) {
        assert_eq!(pin, other);
        // Two readings of one pin agree within the profile's 2 mV, or both are overloads.
        let alike = match (one, two) {
            (Some(one), Some(two)) => (one - two).abs() <= 0.002,
            (one, two) => one == two,
        };
        assert!(alike, "{pin}: {one:?} when waited for, {two:?} at a fixed dwell");
    }
    let replayed = place.run(&["replay", "d.jsonl", "--format", "json"]);
    assert_eq!(replayed.stdout, walked.stdout);
}

#[test]
fn too_short_it_says_so_and_guesses_nothing() {
    let place = Place::new();
    // Up to five readings of 40 ms are spoilt, and three must agree, four where they differ: 260 ms cannot do.
    let walked = sweep(&place, "--seed 3 --dwell-ms 260 --log d.jsonl");
    assert_eq!(walked.status, Some(2), "{}", walked.text());
    assert!(walked.stderr.contains("not settled: pins A1, A2"), "{}", walked.text());
    let replayed = place.run(&["replay", "d.jsonl"]);
    assert!(replayed.stderr.contains("not settled: pins A1, A2"), "{}", replayed.text());
    // An open pin wants eight overloads: 420 ms do for the others, and no guess is made of these. (At 400 or 440 ms the
    // walk meets the meter's conversions so that B16, whose capacitor still charges, is not settled either.)
    let between = readings(&sweep(&place, "--seed 3 --dwell-ms 420 --format json --log e.jsonl"));
    let open: Vec<&str> =
        between.iter().filter(|(_, volts)| volts.is_none()).map(|(pin, _)| pin.as_str()).collect();
    assert_eq!(open, ["A10", "A11", "A16", "B19"]);
}

#[test]
fn a_meter_that_must_be_asked_is_refused() {
    let place = Place::new();
    let refused = sweep(&place, "--profile scpi-bench --dwell-ms 500 --log d.jsonl");
    assert_eq!(refused.status, Some(78), "{}", refused.text());
    assert!(refused.stderr.contains("a meter that sends by itself"), "{}", refused.text());
}
