//! The cautions are shown where they matter, and nobody is nagged.

use std::fs;

use crate::{
    bench::{Bench, place},
    run::Place,
};

const SHOWN: &str = "Before the first real board";

#[test]
fn the_first_real_board_shows_them_once() {
    let place = place();
    let practice =
        place.run(&["sweep", "--practice", "--instant", "--connector", "c.csv", "--log", "p.jsonl"]);
    assert!(!practice.stderr.contains(SHOWN), "practice hurts nobody: {}", practice.text());

    let bench = Bench::start(&place, &[]);
    let sweep = |place: &Place, more: &[&str]| {
        let _ = fs::remove_file(place.path().join("t.jsonl"));
        let outcome = place.run(&bench.sweep(more));
        assert_eq!(outcome.status, Some(0), "{}", outcome.text());
        outcome.stderr
    };
    let first = sweep(&place, &["--quiet"]);
    for word in [SHOWN, "lithium", "S20.20", "61340-5-1", "IEC 61010", "Licensed practice and local codes"] {
        assert!(first.contains(word), "{word}: {first}");
    }
    assert!(!sweep(&place, &[]).contains(SHOWN), "shown once");
    assert!(sweep(&place, &["--data", "other"]).contains(SHOWN), "another bench, perhaps another person");
    assert!(!sweep(&place, &["--data", "other"]).contains(SHOWN));
    // By hand and in batches as well, which end here since nobody is there.
    for command in [&["probe", "--meter", "none"][..], &["batch", "--meter", "meter", "--jig", "jig"]] {
        let words = [command, &["--unpowered", "--connector", "c.csv", "--data", command[0]]].concat();
        for is_first in [true, false] {
            let outcome = place.type_into(&words, "/stop\n");
            assert_eq!(outcome.stderr.contains(SHOWN), is_first, "{words:?}: {}", outcome.text());
        }
    }
    // A text that has changed since is shown to everybody again.
    fs::write(place.path().join("other/cautions-shown"), "0\n").unwrap();
    assert!(sweep(&place, &["--data", "other"]).contains(SHOWN));
}

#[test]
fn the_command_prints_them() {
    let place = place();
    let outcome = place.run(&["cautions"]);
    assert_eq!((outcome.status, outcome.stderr.as_str()), (Some(0), ""));
    for caution in pintally::cautions::CAUTIONS {
        assert!(outcome.stdout.contains(caution.title));
    }
    assert!(outcome.stdout.lines().all(|line| line.len() <= 100), "{}", outcome.stdout);
}

/// The page that people see first says the same.
#[test]
fn the_readme_names_the_same_dangers() {
    let readme = include_str!("../../README.md");
    let (_, cautions) = readme.split_once("## Cautions").unwrap();
    let (cautions, _) = cautions.split_once("\n## ").unwrap();
    for word in [
        "Battery out",
        "lithium",
        "capacitors",
        "DC volts",
        "mains",
        "IEC 61010",
        "ANSI/ESD S20.20",
        "IEC 61340-5-1",
        "hot",
        "sharp",
        "Local codes and licensed practice",
    ] {
        assert!(cautions.contains(word), "{word}");
    }
}
