//! The main job on the practice bench, and its replay.

use crate::run::{Outcome, Place};

fn sweep(place: &Place, seed: u32, more: &[&str]) -> Outcome {
    let (seed, log) = (seed.to_string(), format!("{seed}.jsonl"));
    let words = ["sweep", "--practice", "--instant", "--seed", &seed, "--log", &log];
    place.run(&[&words, more].concat())
}

#[test]
fn a_sound_board_matches() {
    let place = Place::new();
    let mut differing = Vec::new();
    for seed in 1..=20 {
        let outcome = sweep(&place, seed, &[]);
        if outcome.status != Some(0) {
            differing.push((seed, outcome.text()));
        }
    }
    assert!(differing.is_empty(), "{differing:#?}");
}

#[test]
fn a_replay_prints_what_the_sweep_printed() {
    let place = Place::new();
    for seed in 1..=3 {
        for format in ["text", "json", "csv"] {
            let log = format!("{seed}-{format}.jsonl");
            let words = ["--fault", "random", "--format", format];
            let live = place.run(
                &[
                    &["sweep", "--practice", "--instant", "--seed", &seed.to_string(), "--log", &log],
                    &words[..],
                ]
                .concat(),
            );
            assert!(matches!(live.status, Some(0..=2)), "{}", live.text());
            let replayed = place.run(&["replay", &log, "--format", format]);
            assert_eq!(live.stdout, replayed.stdout, "seed {seed}");
            assert_eq!(live.status, replayed.status, "seed {seed}");
            assert_eq!(replayed.stderr, "", "seed {seed}");
        }
    }
}

#[test]
fn through_pseudo_terminals_in_real_time() {
    let place = Place::new();
    let outcome =
        place.run(&["sweep", "--practice", "--seed", "3", "--fault", "open:B8", "--log", "live.jsonl"]);
    assert_eq!(outcome.status, Some(1), "{}", outcome.text());
    assert!(outcome.stdout.contains("open joint at pin B8"), "{}", outcome.text());
    let replayed = place.run(&["replay", "live.jsonl"]);
    assert_eq!(outcome.stdout, replayed.stdout);
}

#[test]
fn what_a_technician_sees() {
    let place = Place::new();
    let outcome = sweep(&place, 3, &["--fault", "open:B8", "--fault", "bridge:A17+A18"]);
    // The time that a sweep takes is simulated, so it is the same everywhere.
    insta::assert_snapshot!(outcome.text());
}

#[test]
fn what_was_repaired_comes_first() {
    let place = Place::new();
    let faults = ["--fault", "open:B8", "--fault", "bridge:A17+A18"];
    let first_finding = |outcome: &Outcome| {
        outcome.stdout.lines().find(|line| line.starts_with("  ! ")).unwrap_or_default().to_owned()
    };
    let first =
        |repaired: &str| first_finding(&sweep(&place, 3, &[&faults[..], &["--repaired", repaired]].concat()));
    assert!(first("B8").contains("B8"));
    std::fs::remove_file(place.path().join("3.jsonl")).unwrap();
    assert!(first("A18").contains("A18"));
}

#[test]
fn a_board_that_is_alive_is_refused_and_an_override_is_written_down() {
    let place = Place::new();
    let refused = sweep(&place, 1, &["--fault", "live:B1=3.3"]);
    let overridden =
        sweep(&place, 2, &["--fault", "live:B1=3.3", "--override-alive", "bench supply at 3.3 V on purpose"]);
    assert_eq!(refused.status, Some(69), "{}", refused.text());
    assert!(overridden.status.is_some_and(|status| status <= 2), "{}", overridden.text());
    let replayed = place.run(&["replay", "2.jsonl"]);
    assert!(replayed.stderr.contains("bench supply at 3.3 V on purpose"), "{}", replayed.text());
}

#[test]
fn hold_is_named_with_the_key_to_press() {
    let place = Place::new();
    let outcome = sweep(&place, 1, &["--profile", "fs9721", "--meter-hold", "5"]);
    assert_eq!(outcome.status, Some(69), "{}", outcome.text());
    assert!(outcome.stderr.contains("HOLD"), "{}", outcome.text());
}

#[test]
fn a_meter_left_on_volts_is_named() {
    let place = Place::new();
    let outcome = sweep(&place, 1, &["--profile", "fs9721", "--meter-on-volts"]);
    assert_eq!(outcome.status, Some(69), "{}", outcome.text());
    assert!(outcome.stderr.contains("turn the meter to diode test"), "{}", outcome.text());
}

#[test]
fn each_trouble_of_the_meter_is_named_with_the_key_to_press() {
    for (number, (troubles, stops, key)) in (1..).zip([
        (&["volts"][..], true, "turn the meter to diode test"),
        (&["relative"], true, "press REL"),
        (&["max-min"], true, "press MAX/MIN"),
        (&["hold=10"], true, "press HOLD"),
        (&["hold=10", "release=30"], false, "press HOLD"),
        (&["asleep=15"], true, "switch auto power-off off"),
        (&["low-battery"], false, "change the meter's battery"),
        (&["auto-power-off"], false, "switch auto power-off off"),
        (&["steps=0.01"], false, "press RANGE"),
        (&["hum=0.5@55"], false, "keep the leads short"),
    ]) {
        let place = Place::new();
        let troubles: Vec<&str> = troubles.iter().flat_map(|&trouble| ["--meter-trouble", trouble]).collect();
        let outcome = sweep(&place, number, &[&["--profile", "fs9922"], &troubles[..]].concat());
        assert_eq!(outcome.status == Some(69), stops, "{}", outcome.text());
        assert!(outcome.stderr.contains(key), "{}", outcome.text());
    }
    let place = Place::new();
    let unknown = sweep(&place, 1, &["--meter-trouble", "tired"]);
    assert_eq!(unknown.status, Some(64), "{}", unknown.text());
    assert!(unknown.stderr.contains("`tired` is not known: expected hold=SECONDS"), "{}", unknown.text());
}

#[test]
fn readings_without_a_reference_can_be_compared_later() {
    let place = Place::new();
    let known_good = place.run(&["practice", "--known-good", "5"]);
    assert_eq!(known_good.status, Some(0), "{}", known_good.text());
    let good = place.file("good.csv", &known_good.stdout);
    let connector = place.file("j5.toml", include_str!("../../fixtures/connectors/j5-display.toml"));
    let made = place.run(&[
        "reference",
        "make",
        "--connector",
        connector.to_str().unwrap(),
        "--known-good",
        good.to_str().unwrap(),
        "--output",
        "j5-reference.toml",
    ]);
    assert_eq!(made.status, Some(0), "{}", made.text());
    let judged = sweep(&place, 3, &["--fault", "open:B8", "--reference", "j5-reference.toml"]);
    assert_eq!(judged.status, Some(1), "{}", judged.text());
}
