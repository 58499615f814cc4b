//! What commands write: never over a session log, over another file only with --overwrite.

use std::fs;

use crate::run::Place;

const CONNECTOR: &str = "name = \"J1\"\n\n[[pin]]\nname = \"1\"\n\n[[pin]]\nname = \"2\"\n";
const GOOD: &str = "board,pin,reading\na,1,0.4\na,2,0.5\n";

/// A place with everything that the commands below read, and two session logs.
fn prepared() -> Place {
    let place = Place::new();
    place.file("c.toml", CONNECTOR);
    place.file("good.csv", GOOD);
    place.file("more.csv", "board,pin,reading\nb,1,0.401\nb,2,0.5\n");
    for (log, seed) in [("one.jsonl", "3"), ("two.jsonl", "4")] {
        let words = ["sweep", "--practice", "--instant", "--quiet", "--seed", seed, "--log", log];
        let outcome = place.run(&words);
        assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    }
    let made = place.run(&words("reference make --connector c.toml --known-good good.csv --output ref.toml"));
    assert_eq!(made.status, Some(0), "{}", made.text());
    place
}

fn words(line: &str) -> Vec<&str> {
    line.split(' ').collect()
}

/// Every command that writes a file, up to the option that names it.
const WRITERS: [&str; 5] = [
    "report one.jsonl --output",
    "reference make --connector c.toml --known-good good.csv --output",
    "reference extend --connector c.toml --reference ref.toml --known-good more.csv --output",
    "jig zero --practice --output",
    "meter lag --practice --instant --profile fs9721 --write",
];

#[test]
fn a_file_that_exists_is_written_over_only_when_told_to() {
    let place = prepared();
    let read = |name: &str| fs::read_to_string(place.path().join(name)).unwrap();
    for writer in WRITERS {
        place.file("notes.txt", "mine");
        let refused = place.run(&words(&format!("{writer} notes.txt")));
        assert_eq!(refused.status, Some(64), "{writer}\n{}", refused.text());
        assert!(
            refused.stderr.contains("error: notes.txt exists: nothing was written"),
            "{}",
            refused.text()
        );
        assert!(refused.stderr.contains("hint: --overwrite writes over it"), "{}", refused.text());
        assert_eq!(read("notes.txt"), "mine", "{writer}");
        let written = place.run(&words(&format!("{writer} notes.txt --overwrite")));
        assert_eq!(written.status, Some(0), "{writer}\n{}", written.text());
        let fresh = place.run(&words(&format!("{writer} new.txt")));
        assert_eq!(fresh.status, Some(0), "{writer}\n{}", fresh.text());
        assert!(read("new.txt").len() > 100 && read("notes.txt").len() > 100, "{writer}");
        fs::remove_file(place.path().join("new.txt")).unwrap();
        assert!(!place.path().join("notes.txt.part").exists());
    }
    let made = place.run(&words(&format!("{} fresh.toml", WRITERS[1])));
    assert_eq!(made.stderr, "wrote fresh.toml from 1 board\n");
    let man = ["manual", "--output", "man"];
    assert_eq!(place.run(&man).status, Some(0));
    place.file("man/pintally-sweep.1", "mine");
    assert_eq!(place.run(&man).status, Some(64));
    assert_eq!(read("man/pintally-sweep.1"), "mine");
    assert_eq!(place.run(&[&man[..], &["--overwrite"]].concat()).status, Some(0));
    assert_ne!(read("man/pintally-sweep.1"), "mine");
}

#[test]
fn a_session_log_is_never_written_over() {
    let place = prepared();
    let path = place.path().join("two.jsonl");
    let whole = fs::read(&path).unwrap();
    // A log whose header was damaged is the record of what is left of it.
    let damaged = [&whole[..200], b"?", &whole[201..]].concat();
    for writer in WRITERS.iter().chain(&["init --yes --no-connector --config"]) {
        for log in [&whole, &damaged] {
            fs::write(&path, log).unwrap();
            for more in ["", " --overwrite"] {
                let refused = place.run(&words(&format!("{writer} two.jsonl{more}")));
                assert_eq!(refused.status, Some(64), "{writer}{more}\n{}", refused.text());
                assert!(refused.stderr.contains("found the session log two.jsonl"), "{}", refused.text());
                assert_eq!(&fs::read(&path).unwrap(), log, "{writer}{more}");
            }
        }
    }
}

#[test]
fn what_is_read_is_not_written_over() {
    let place = prepared();
    for (writer, input, kept) in [(WRITERS[1], "c.toml", CONNECTOR), (WRITERS[1], "good.csv", GOOD)] {
        let refused = place.run(&words(&format!("{writer} ./{input} --overwrite")));
        assert_eq!(refused.status, Some(64), "{}", refused.text());
        assert!(refused.stderr.contains("than those that are read"), "{}", refused.text());
        assert_eq!(fs::read_to_string(place.path().join(input)).unwrap(), kept);
    }
    let refused = place.run(&words(&format!("{} c.toml --overwrite", WRITERS[2])));
    assert_eq!(refused.status, Some(64), "{}", refused.text());
    // The reference that is extended is meant to grow.
    let grown = place.run(&words(&format!("{} ./ref.toml", WRITERS[2])));
    assert_eq!(grown.status, Some(0), "{}", grown.text());
    assert!(grown.stderr.contains("from 2 boards"), "{}", grown.text());
}

#[cfg(unix)]
#[test]
fn a_device_takes_a_report_and_a_link_stays_one() {
    let place = prepared();
    let outcome = place.run(&words("report one.jsonl --output /dev/null"));
    assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    place.file("page.html", "old");
    std::os::unix::fs::symlink("page.html", place.path().join("link.html")).unwrap();
    let outcome = place.run(&words("report one.jsonl --output link.html --overwrite"));
    assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    assert!(fs::symlink_metadata(place.path().join("link.html")).unwrap().is_symlink());
    assert!(fs::read_to_string(place.path().join("page.html")).unwrap().contains("</html>"));
}
