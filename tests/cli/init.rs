//! The first connector and the configuration, asked for and scripted, and what a sweep takes from it.

use std::fs;

use crate::{
    beside::Beside,
    run::{Outcome, Place},
};

/// Runs `init` with these words, and types these answers.
fn init(place: &Place, words: &[&str], answers: &str) -> Outcome {
    place.type_into(&[&["init"], words].concat(), answers)
}

/// Ports that are given are not listed, so that the machine's own do not show.
const PORTS: [&str; 4] = ["--jig", "tcp:127.0.0.1:4001", "--meter", "tcp:127.0.0.1:4002"];

#[test]
fn a_person_is_asked() {
    let place = Place::new();
    let outcome = init(&place, &PORTS, "J9\n\n3\nacross\n1,6\nfs9721\nKim\n\n");
    assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    let read = |name: &str| fs::read_to_string(place.path().join(name)).unwrap();
    let (connector, config) = (read("J9.toml"), read("config/pintally/config.toml"));
    insta::assert_snapshot!(format!(
        "{}\n--- J9.toml\n{connector}\n--- config.toml\n{config}",
        outcome.text()
    ));
    assert!(place.path().join("data/pintally").is_dir(), "the data directory is made");
}

#[test]
fn a_script_gives_every_answer() {
    let place = Place::new();
    let words = [
        "--yes",
        "--name",
        "J5",
        "--positions",
        "2",
        "--ground",
        "A1",
        "--operator",
        "Kim",
        "--data",
        "logs",
    ];
    let outcome = init(&place, &[&words[..], &PORTS].concat(), "");
    insta::assert_snapshot!(outcome.text());
    let config = fs::read_to_string(place.path().join("config/pintally/config.toml")).unwrap();
    assert!(config.contains(&format!("data = \"{}\"", place.path().join("logs").display())), "{config}");
}

#[test]
fn nothing_is_overwritten_without_being_asked() {
    let place = Place::new();
    let words = ["--yes", "--name", "J5", "--positions", "2"];
    assert_eq!(init(&place, &[&words[..], &PORTS].concat(), "").status, Some(0));
    place.file("J5.toml", "mine");
    let read = || fs::read_to_string(place.path().join("J5.toml")).unwrap();

    let refused = init(&place, &words, "");
    assert_eq!((refused.status, read().as_str()), (Some(64), "mine"), "{}", refused.text());
    assert!(refused.stderr.contains("J5.toml exists: nothing was written"), "{}", refused.text());

    // Rows, positions, numbering, ground, two ports, profile, operator, data directory.
    let answers = "\n2\n\n\n\n\n\n\n\n";
    let kept = init(&place, &["--name", "J5"], &format!("{answers}no\n"));
    assert_eq!((kept.status, read().as_str()), (Some(0), "mine"), "{}", kept.text());
    assert!(kept.stderr.contains("kept J5.toml"), "{}", kept.text());

    let asked = init(&place, &["--name", "J5"], &format!("{answers}yes\n"));
    assert_eq!(asked.status, Some(0), "{}", asked.text());
    assert!(read().contains("name = \"J5\""), "{}", read());

    place.file("J5.toml", "mine");
    assert_eq!(init(&place, &[&words[..], &["--overwrite"]].concat(), "").status, Some(0));
    assert!(read().contains("name = \"J5\""), "{}", read());
}

#[test]
fn what_is_known_stands_in_brackets() {
    let place = Place::new();
    let first = ["--yes", "--no-connector", "--profile", "fs9721", "--operator", "Kim"];
    assert_eq!(init(&place, &[&first[..], &PORTS].concat(), "").status, Some(0));
    let again = init(&place, &["--no-connector"], "\n\n\n\n\n");
    assert_eq!(again.status, Some(0), "{}", again.text());
    for shown in ["[tcp:127.0.0.1:4001]", "[tcp:127.0.0.1:4002]", "[fs9721]", "[Kim]"] {
        assert!(again.stderr.contains(shown), "{shown}\n{}", again.text());
    }
    assert!(!again.stderr.contains("wrote"), "nothing has changed\n{}", again.text());
}

#[test]
fn answers_that_cannot_be_used() {
    let place = Place::new();
    let mut text = String::new();
    for (words, answers) in [
        (&["--yes", "--name", "J5", "--positions", "2", "--ground", "C1"][..], ""),
        (&["--yes", "--name", "J5", "--rows", "A,B,C", "--positions", "1000"], ""),
        (&["--yes", "--profile", "none"], ""),
        (&["--name", "J5"], "\n0\n"),
        (&["--name", "J5", "--positions", "2"], "\nspiral\n"),
        (&[], "J5\n"),
        (&["--no-connector", "--name", "J5"], ""),
    ] {
        let outcome = init(&place, &[words, &PORTS].concat(), answers);
        assert_eq!(outcome.status, Some(64), "{}", outcome.text());
        text.push_str(&format!("$ pintally init {}\n{}\n", words.join(" "), outcome.text()));
    }
    insta::assert_snapshot!(text);
    assert!(!place.path().join("config").exists());
}

#[test]
fn a_configuration_that_cannot_be_used() {
    let place = Place::new();
    place.file("J5.toml", include_str!("../../fixtures/connectors/j5-display.toml"));
    let mut text = String::new();
    for config in ["jgi = \"COM3\"\n", "meter = \"COM3\"\njig = \"\"\n", "meter = \"COM3\"\n"] {
        place.file("bench.toml", config);
        let outcome =
            place.run(&["sweep", "--connector", "J5.toml", "--config", "bench.toml", "--unpowered"]);
        text.push_str(&format!("{config}{}\n", outcome.text()));
    }
    for words in [
        &["probe", "--connector", "J5.toml", "--unpowered"][..],
        &["meter", "watch"],
        &["meter", "lag", "--channels", "1,2"],
    ] {
        place.file("bench.toml", "operator = \"Kim\"\n");
        let outcome = place.run(&[words, &["--config", "bench.toml"]].concat());
        assert_eq!(outcome.status, Some(64), "{}", outcome.text());
        text.push_str(&format!("$ pintally {}\n{}\n", words.join(" "), outcome.text()));
    }
    let missing = place.run(&["sweep", "--practice", "--instant", "--config", "none.toml"]);
    text.push_str(&missing.text());
    insta::assert_snapshot!(text);
}

/// Both devices on `tcp:`, as on systems without pseudo-terminals, and the ports from the configuration.
#[test]
fn a_sweep_takes_ports_and_operator_from_the_configuration() {
    let place = Place::new();
    place.file("J5.toml", include_str!("../../fixtures/connectors/j5-display.toml"));
    let (mut bench, [jig, meter]) =
        Beside::bench(&place, &["practice", "--tcp", "--seed", "3", "--fault", "open:B8"]);
    assert!(jig.starts_with("tcp:127.0.0.1:") && meter.starts_with("tcp:127.0.0.1:"), "{jig} {meter}");

    let set_up = ["--yes", "--no-connector", "--jig", &jig, "--meter", &meter, "--operator", "Kim"];
    assert_eq!(init(&place, &set_up, "").status, Some(0));
    let known_good = place.run(&["practice", "--known-good", "5"]);
    place.file("good.csv", &known_good.stdout);
    let words = ["sweep", "--connector", "J5.toml", "--known-good", "good.csv", "--unpowered", "--log"];
    let swept = place.run(&[&words[..], &["kim.jsonl"]].concat());
    let other = place.run(&[&words[..], &["robin.jsonl", "--operator", "Robin"]].concat());
    let watched = place.run(&["meter", "watch", "--count", "2"]);
    let board = place.run(&["jig", "identify"]);
    let meter = place.run(&["meter", "identify", "--listen", "1"]);
    bench.type_line("quit");
    assert!(bench.wait().success());

    assert_eq!(swept.status, Some(1), "{}", swept.text());
    assert!(swept.stdout.contains("open joint at pin B8"), "{}", swept.text());
    assert_eq!((watched.status, watched.stdout.lines().count()), (Some(0), 2), "{}", watched.text());
    assert_eq!(other.status, Some(1), "{}", other.text());
    assert!(board.stdout.starts_with("switching board "), "{}", board.text());
    assert!(meter.stdout.contains(" fits bench-stream "), "{}", meter.text());
    let log = |name: &str| fs::read_to_string(place.path().join(name)).unwrap();
    assert!(log("kim.jsonl").contains("\"operator\":\"Kim\""));
    assert!(log("robin.jsonl").contains("\"operator\":\"Robin\""), "the command line goes first");
}

/// Nobody listens at these ports, so that each command says which it took.
#[test]
fn commands_of_the_jig_take_ports_profile_and_data_from_the_configuration() {
    let place = Place::new();
    place.file(
        "bench.toml",
        "jig = \"tcp:127.0.0.1:9\"\nmeter = \"tcp:127.0.0.1:10\"\nprofile = \"gone.toml\"\ndata = \"d\"\n",
    );
    let asked = |words: &[&str]| place.run(&[words, &["--config", "bench.toml"]].concat());
    place.file("two.toml", "name = \"J1\"\npin = [{ name = 1 }, { name = 2 }]\n");
    for words in [&["jig", "self-test"][..], &["jig", "zero", "-o", "z.toml", "--connector", "two.toml"]] {
        let named = asked(words);
        assert!(named.stderr.contains("gone.toml"), "{}", named.text());
        let typed = asked(&[words, &["--profile", "bench-stream"]].concat());
        assert!(typed.stderr.contains("tcp:127.0.0.1:9"), "{}", typed.text());
        let practice = asked(&[words, &["--practice"]].concat());
        assert_eq!(practice.status, Some(0), "practice is the same everywhere\n{}", practice.text());
        place.file("bare.toml", "");
        let _ = fs::remove_file(place.path().join("z.toml"));
        let bare = place.run(&[words, &["--config", "bare.toml"]].concat());
        assert_eq!(bare.status, Some(64), "{}", bare.text());
        assert!(bare.stderr.contains("found neither --jig nor one in bare.toml"), "{}", bare.text());
    }
    let wear = asked(&["jig", "wear"]);
    assert!(wear.stdout.starts_with("0 sessions in d/logs"), "{}", wear.text());
    let bare = place.run(&["jig", "identify", "--config", "bare.toml"]);
    assert!(bare.stderr.contains("found neither PORT nor one in bare.toml"), "{}", bare.text());
}
