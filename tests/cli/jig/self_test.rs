//! Jigs with one fault each: every one is found, by its right name and on its right channels, and none on sound ones.

use serde_json::Value;

use crate::run::Place;

/// Channels of the practice jig that lead to pins; the check channel comes after them.
const PINS: u64 = 40;

/// A fast meter, a slow one with a voltage behind a resistance, and one that is asked.
const METERS: [&str; 3] = ["bench-stream", "fs9721", "scpi-bench"];

/// What is put in, and what must be found: its name for programs, and the channels.
fn faults(seed: u64) -> Vec<(String, &'static str, Vec<u64>)> {
    // Numbers that walk over the channels as the seed grows; 7 and 11 have no factor in common with 40.
    let a = (seed * 7 + 3) % PINS;
    let b = (a + 1 + (seed * 11) % (PINS - 1)) % PINS;
    let pair = |a: u64, b: u64| vec![a.min(b), a.max(b)];
    let next = if a + 1 < PINS { a + 1 } else { a - 1 };
    let ohms = 300 + 40 * (seed % 16);
    vec![
        (format!("worn:{a}={}", 12 + seed), "path-high", vec![a]),
        (format!("dead:{a}"), "dead", vec![a]),
        (format!("crossed:{a}+{b}"), "crossed", pair(a, b)),
        (format!("crossed:{a}+{next}"), "crossed", pair(a, next)),
        (format!("leaky:{a}={ohms}"), "leaky", vec![a]),
        (format!("leaky:{a}=0"), "shorted", vec![a]),
        (format!("bridged:{a}+{b}"), "bridged", pair(a, b)),
        (format!("bridged:{a}+{next}={}", seed % 5), "bridged", pair(a, next)),
        (format!("stuck:{a}"), "stuck-closed", vec![a]),
        (format!("bank-dead:{}", seed % 2), "bank-dead", (16 * (seed % 2)..16 * (seed % 2) + 16).collect()),
        ("banks:0+1".to_owned(), "banks-exchanged", (0..32).collect()),
        ("shifted".to_owned(), "shifted", vec![]),
        ("clamps".to_owned(), "clamp-diode", vec![]),
        (format!("supply-clamp=0.{}", 45 + seed % 10), "supply-clamp", vec![]),
        (format!("common-leak={ohms}"), "common-loaded", vec![]),
        ("bleed-stuck".to_owned(), "common-loaded", vec![]),
        ("common-short".to_owned(), "common-shorted", vec![]),
        ("bleed-missing".to_owned(), "bleed-missing", vec![]),
        (format!("check={}", 400 + 20 * seed), "check-resistor", vec![PINS]),
        ("check-open".to_owned(), "check-open", vec![PINS]),
        (format!("clip={}", 15 + seed), "paths-high", vec![]),
        ("clip-off".to_owned(), "nothing-conducts", vec![]),
        ("ground-off".to_owned(), "ground-off", vec![]),
        ("sense-dead".to_owned(), "sense-dead", vec![]),
        ("sense-off=0.4".to_owned(), "sense-misreads", vec![]),
        ("lid-open".to_owned(), "lid-stuck-open", vec![]),
        ("lid-closed".to_owned(), "lid-stuck-closed", vec![]),
        ("button-pressed".to_owned(), "button-stuck", vec![]),
        ("button-dead".to_owned(), "button-dead", vec![]),
    ]
}

fn test(place: &Place, seed: u64, meter: &str, trouble: Option<&str>) -> (Value, Option<i32>) {
    let seed = seed.to_string();
    let mut words = vec!["jig", "self-test", "--practice", "--format", "json", "--seed", &seed];
    words.extend(["--profile", meter]);
    words.extend(trouble.iter().flat_map(|trouble| ["--jig-trouble", trouble]));
    let outcome = place.run(&words);
    let value = serde_json::from_str(&outcome.stdout);
    (value.unwrap_or_else(|error| panic!("{error}: {}", outcome.text())), outcome.status)
}

#[test]
fn every_fault_is_found_and_nothing_else() {
    let place = Place::new();
    let (mut kinds, mut runs) = (std::collections::BTreeSet::new(), 0);
    for seed in 1..=8 {
        for (trouble, fault, channels) in faults(seed) {
            let meter = METERS[(seed % 3) as usize];
            let (report, status) = test(&place, seed, meter, Some(&trouble));
            let found = report["findings"].as_array().unwrap();
            let about = format!("seed {seed}, {meter}, {trouble}: {found:?}");
            assert_eq!(status, Some(1), "{about}");
            assert_eq!(found.len(), 1, "{about}");
            assert_eq!(found[0]["fault"], fault, "{about}");
            let mut on: Vec<u64> =
                found[0]["channels"].as_array().unwrap().iter().filter_map(Value::as_u64).collect();
            on.sort_unstable();
            assert_eq!(on, channels, "{about}");
            kinds.insert(trouble.split([':', '=']).next().unwrap().to_owned());
            runs += 1;
        }
    }
    println!("{runs} jigs with a fault, {} kinds of fault, each found by name and channel", kinds.len());
    assert!(kinds.len() >= 20);
}

#[test]
fn a_sound_jig_is_called_sound() {
    let place = Place::new();
    let meters = [
        "scpi-bench",
        "bench-stream",
        "fs9721",
        "fs9922",
        "es14",
        "es11",
        "d14",
        "tpi183",
        "tpi196",
        "hm8012",
    ];
    for meter in meters {
        for seed in 100..108 {
            let (report, status) = test(&place, seed, meter, None);
            assert_eq!(
                (status, &report["findings"]),
                (Some(0), &serde_json::json!([])),
                "{meter} {seed}: {report}"
            );
        }
    }
}

#[test]
fn two_faults_of_channels_are_both_found() {
    let place = Place::new();
    let words = "jig self-test --practice --format json --jig-trouble dead:3 --jig-trouble crossed:20+30";
    let outcome = place.run(&words.split(' ').collect::<Vec<_>>());
    let report: Value = serde_json::from_str(&outcome.stdout).unwrap();
    let names: Vec<&str> = report["findings"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|finding| finding["fault"].as_str())
        .collect();
    assert_eq!(names, ["dead", "crossed"]);
}

#[test]
fn what_a_technician_sees() {
    let place = Place::new();
    insta::assert_snapshot!(place.run(&["jig", "self-test", "--practice", "--jig-trouble", "clamps"]).text());
}

#[test]
fn a_wrong_trouble_lists_them_all() {
    let place = Place::new();
    insta::assert_snapshot!(
        place.run(&["jig", "self-test", "--practice", "--jig-trouble", "gremlins"]).text()
    );
}
