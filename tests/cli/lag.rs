//! `meter lag` on the practice bench: what is measured, and where it is written.

use crate::run::Place;

const LAG: [&str; 4] = ["meter", "lag", "--practice", "--instant"];

#[test]
fn what_is_measured_is_shown_beside_the_profile() {
    let place = Place::new();
    let outcome = place.run(&[&LAG[..], &["--profile", "fs9721", "--meter-lag", "2"]].concat());
    assert_eq!(outcome.status, Some(0));
    insta::assert_snapshot!(outcome.text());
}

#[test]
fn a_shipped_profile_is_copied_and_a_file_is_changed_in_its_place() {
    let place = Place::new();
    let lag = |profile, lag, file| {
        place.run(&[&LAG[..], &["--profile", profile, "--meter-lag", lag, "--write", file]].concat())
    };
    let outcome = lag("scpi-bench", "1", "mine.toml");
    assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    let text = std::fs::read_to_string(place.path().join("mine.toml")).unwrap();
    assert!(text.contains("name = \"mine\"") && text.contains("spoilt = 1\n"), "{text}");

    // A comment of the owner's stays.
    let text = text.replace("spoilt = 1\n", "spoilt = 1   # new leads\n");
    place.file("mine.toml", &text);
    let outcome = lag("mine.toml", "2", "mine.toml");
    assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    let changed = std::fs::read_to_string(place.path().join("mine.toml")).unwrap();
    // The practice meter averages what its profile calls spoilt; for one that measures when asked the first is whole.
    assert_eq!(changed, text.replace("spoilt = 1   #", "spoilt = 2   #"));

    // Whatever else stands there is not overwritten.
    for profile in ["fs9721", "mine.toml"] {
        place.file("other.toml", "kept");
        let outcome = lag(profile, "0", "other.toml");
        assert_eq!(outcome.status, Some(64), "{}", outcome.text());
        assert!(outcome.stderr.contains("other.toml exists"), "{}", outcome.text());
        assert_eq!(std::fs::read_to_string(place.path().join("other.toml")).unwrap(), "kept");
    }
    let outcome = lag("fs9721", "0", "no/such/folder.toml");
    assert_eq!(outcome.status, Some(66), "{}", outcome.text());
}

#[test]
fn channels_that_will_not_do_are_named() {
    let place = Place::new();
    let mut text = String::new();
    // Pins 0 and 32 of the demonstration connector are both ground.
    for channels in ["0,0", "0", "0,32", "0,55"] {
        let outcome = place.run(&[&LAG[..], &["--profile", "fs9721", "--channels", channels]].concat());
        text.push_str(&format!("--channels {channels}\n{}\n", outcome.text()));
    }
    insta::assert_snapshot!(text);
}
