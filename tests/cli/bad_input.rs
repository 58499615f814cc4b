//! Bad input gets a clear message and the documented exit status, and never a panic.

use std::fs;

use crate::{beside::Beside, run::Place};

const J5: &str = include_str!("../../fixtures/connectors/j5-display.toml");
const SMALL: &str =
    "pin,row,position,net,role,pair\n1,A,1,GND,ground,\n2,A,2,DATA,signal,\n3,A,3,CLK,signal,\n";
const GOOD: &str =
    "board,pin,reading\nG1,1,0.001\nG1,2,0.543\nG1,3,0.612\nG2,1,0.000\nG2,2,0.546\nG2,3,0.610\n";

/// Runs `compare` on readings that somebody typed.
fn compare(place: &Place, connector: &str, readings: &str) -> String {
    place.file("c.csv", connector);
    place.file("good.csv", GOOD);
    place.file("readings.csv", readings);
    place
        .run(&["compare", "--connector", "c.csv", "--known-good", "good.csv", "--readings", "readings.csv"])
        .text()
}

#[test]
fn a_connector_with_a_pin_twice() {
    let place = Place::new();
    let twice = SMALL.replace("3,A,3", "2,A,3");
    insta::assert_snapshot!(compare(&place, &twice, "board,pin,reading\nT1,2,0.5\n"));
}

#[test]
fn a_wiring_to_a_channel_that_does_not_exist() {
    let place = Place::new();
    let mut wiring = String::from("name = \"carrier\"\n[channels]\n");
    let pins = (1..=20).flat_map(|n| [format!("A{n}"), format!("B{n}")]);
    for (index, pin) in pins.enumerate() {
        let channel = if pin == "B20" { 300 } else { index };
        wiring.push_str(&format!("{pin} = {channel}\n"));
    }
    place.file("wiring.toml", &wiring);
    let outcome = place.run(&["sweep", "--practice", "--instant", "--wiring", "wiring.toml"]);
    insta::assert_snapshot!(outcome.text());
}

/// The second opening used to find the port held by another program, and sent the operator to look for one.
#[test]
fn one_port_for_two_devices_is_refused() {
    let place = Place::new();
    place.file("j5.toml", J5);
    let port = "tcp:127.0.0.1:1";
    for command in [
        &["sweep", "--connector", "j5.toml"][..],
        &["batch", "--connector", "j5.toml"],
        &["probe", "--connector", "j5.toml"],
        &["meter", "lag", "--channels", "0,1"],
        &["init", "--yes", "--no-connector"],
    ] {
        let outcome = place.run(&[command, &["--jig", port, "--meter", port]].concat());
        assert_eq!(outcome.status, Some(64), "{}", outcome.text());
        let named = outcome.stderr.contains(port) && outcome.stderr.contains("switching board");
        assert!(named, "{}", outcome.text());
    }
}

#[test]
fn readings_with_a_bad_row() {
    let place = Place::new();
    insta::assert_snapshot!(compare(
        &place,
        SMALL,
        "board,pin,reading\nT1,1,0.000\nT1,2,zero five\nT1,3,0.611\n"
    ));
}

#[test]
fn typed_notes() {
    let place = Place::new();
    let mut text = String::new();
    for (note, separator) in
        [("318", ","), ("0,544", ";"), ("0L", ","), ("O.L", ","), ("544mV", ","), (".544", ",")]
    {
        let readings =
            format!("board,pin,reading\nT1,1,0.000\nT1,2,{note}\nT1,3,0.611\n").replace(',', separator);
        // The decimal comma came through the replacement as a separator: put it back.
        let readings = readings.replace("0;544", "0,544");
        text.push_str(&format!("# {note}\n{}\n", compare(&place, SMALL, &readings)));
    }
    insta::assert_snapshot!(text);
}

#[test]
fn assumptions_that_cannot_be() {
    let place = Place::new();
    place.file("j5.toml", J5);
    assert_eq!(place.run(&["sweep", "--practice", "--instant", "--log", "s.jsonl"]).status, Some(0));
    let mut text = String::new();
    for words in [
        &["replay", "s.jsonl", "--assume-spread=-1"][..],
        &["replay", "s.jsonl", "--false-alarms", "0"],
        &["sweep", "--practice", "--instant", "--assume-spread", "NaN"],
        &["probe", "--practice", "--instant", "--false-alarms", "1"],
    ] {
        let outcome = place.run(words);
        assert_eq!(outcome.status, Some(64), "{words:?}: {}", outcome.text());
        text.push_str(&format!("$ pintally {}\n{}\n", words.join(" "), outcome.text()));
    }
    insta::assert_snapshot!(text);
}

#[test]
fn files_that_are_not_there() {
    let place = Place::new();
    let mut text = String::new();
    for words in [
        &["replay", "none.jsonl"][..],
        &["sweep", "--practice", "--instant", "--connector", "none.toml"],
        &["sweep", "--practice", "--instant", "--profile", "none"],
        &["sweep", "--jig", "none", "--meter", "nowhere", "--connector", "j5.toml", "--unpowered"],
        &["sweep", "--jig", "tcp:", "--meter", "x", "--connector", "j5.toml"],
        &["sweep", "--practice", "--instant", "--fault", "melted:A4"],
        &["sweep", "--practice", "--instant", "--fault", "open:Z9"],
        &["sweep", "--practice", "--instant", "--repaired", "Z9"],
    ] {
        place.file("j5.toml", J5);
        let outcome = place.run(words);
        assert!(
            outcome.status.is_some_and(|status| (64..=78).contains(&status)),
            "{words:?}: {}",
            outcome.text()
        );
        text.push_str(&format!("$ pintally {}\n{}\n", words.join(" "), outcome.text()));
    }
    insta::assert_snapshot!(text);
}

#[test]
fn a_sweep_without_a_confirmation_closes_nothing() {
    let place = Place::new();
    place.file("j5.toml", J5);
    let outcome = place.run(&["sweep", "--jig", "none", "--meter", "nowhere", "--connector", "j5.toml"]);
    insta::assert_snapshot!(outcome.text());
}

#[test]
fn a_log_that_is_cut_or_damaged() {
    let place = Place::new();
    let swept = place.run(&["sweep", "--practice", "--instant", "--seed", "5", "--log", "whole.jsonl"]);
    assert_eq!(swept.status, Some(0), "{}", swept.text());
    let whole = fs::read(place.path().join("whole.jsonl")).unwrap();

    // Cut in the middle of a line near the end of the sweep.
    fs::write(place.path().join("cut.jsonl"), &whole[..whole.len() * 9 / 10]).unwrap();
    let cut = place.run(&["replay", "cut.jsonl"]);
    assert_eq!(cut.status, Some(2), "{}", cut.text());
    assert!(cut.stderr.contains("the log ends in the middle of this line"), "{}", cut.text());

    // One bit flipped in the middle.
    let mut flipped = whole.clone();
    flipped[whole.len() / 2] ^= 1;
    fs::write(place.path().join("flipped.jsonl"), &flipped).unwrap();
    let damaged = place.run(&["replay", "flipped.jsonl"]);
    assert_eq!(damaged.status, Some(65), "{}", damaged.text());
    assert!(damaged.stderr.contains("damaged"), "{}", damaged.text());

    // No log at all.
    place.file("no.jsonl", "hello\n");
    let none = place.run(&["replay", "no.jsonl"]);
    assert_eq!(none.status, Some(65), "{}", none.text());
    insta::assert_snapshot!(none.text());
}

#[test]
fn a_log_is_never_overwritten() {
    let place = Place::new();
    place.file("there.jsonl", "precious\n");
    let outcome = place.run(&["sweep", "--practice", "--instant", "--log", "there.jsonl"]);
    assert_eq!(fs::read_to_string(place.path().join("there.jsonl")).unwrap(), "precious\n");
    insta::assert_snapshot!(outcome.text());
}

#[test]
fn jig_and_meter_exchanged() {
    let place = Place::new();
    place.file("j5.toml", J5);
    let (_bench, ports) = Beside::bench(&place, &["practice", "--tcp", "0,0"]);
    let exchanged = place.run(&[
        "sweep",
        "--jig",
        &ports[1],
        "--meter",
        &ports[0],
        "--connector",
        "j5.toml",
        "--unpowered",
        "--log",
        "x.jsonl",
    ]);
    assert_eq!(exchanged.status, Some(69), "{}", exchanged.text());
    assert!(exchanged.stderr.contains("exchange --jig and --meter"), "{}", exchanged.text());
}

#[test]
fn a_switching_board_of_another_protocol_version() {
    use std::{
        io::{Read, Write},
        net::TcpListener,
    };

    use protocol::{Accumulator, Answer, BoardMessage, Fault, RequestFrame, frame};

    let place = Place::new();
    place.file("j5.toml", J5);
    let jig = TcpListener::bind("127.0.0.1:0").unwrap();
    let meter = TcpListener::bind("127.0.0.1:0").unwrap();
    let ports = [&jig, &meter].map(|listener| format!("tcp:{}", listener.local_addr().unwrap()));
    // A board from the future: it understands the greeting, which never changes, and refuses it.
    let board = std::thread::spawn(move || {
        let (mut stream, _) = jig.accept().unwrap();
        let mut requests = Accumulator::<RequestFrame>::new();
        let mut byte = [0];
        while stream.read_exact(&mut byte).is_ok() {
            if let Some(Ok(request)) = requests.push(byte[0]) {
                let answer = Answer::Refused(Fault::Version { min: 7, max: 9 });
                let message = BoardMessage::Answer { seq: request.seq, at_us: 1, answer };
                // The host hangs up when it has read the first refusal.
                let _ = stream.write_all(&frame::encode(&message));
            }
        }
    });
    let outcome = place.run(&[
        "sweep",
        "--jig",
        &ports[0],
        "--meter",
        &ports[1],
        "--connector",
        "j5.toml",
        "--unpowered",
        "--quiet",
        "--log",
        "x.jsonl",
    ]);
    board.join().unwrap();
    let text = outcome.text().replace(&ports[0], "JIG").replace(&ports[1], "METER");
    assert_eq!(outcome.status, Some(76), "{text}");
    insta::assert_snapshot!(text);
}

/// A comparison in which no board was judged is no match.
#[test]
fn readings_without_a_board() {
    let place = Place::new();
    let mut text = compare(&place, SMALL, "board,pin,reading\n");
    place.file("c.csv", SMALL);
    let words = ["compare", "--connector", "c.csv", "--known-good", "good.csv", "--readings", "readings.csv"];
    for more in [&["--format", "csv"][..], &["--format", "json", "--together"]] {
        let outcome = place.run(&[&words[..], more].concat());
        assert_eq!((outcome.status, outcome.stdout.as_str()), (Some(65), ""), "{}", outcome.text());
    }
    // What a spreadsheet writes for empty rows is no reading either.
    text.push_str(&compare(&place, SMALL, "board;pin;reading\n;;\n;;\n"));
    insta::assert_snapshot!(text);
}

/// The hint names an option that the command has, and of two rows of one pin neither is believed.
#[test]
fn bad_rows_of_known_good_boards() {
    let place = Place::new();
    place.file("c.csv", SMALL);
    place.file("good.csv", &format!("{GOOD}G3,1,zero\nG3,2,0.544\nG3,3,0.611\nG3,3,0.300\n"));
    let make = ["reference", "make", "--connector", "c.csv", "--known-good", "good.csv"];
    let refused = place.run(&make);
    assert_eq!(refused.status, Some(65), "{}", refused.text());
    assert!(refused.stderr.contains("--keep-good-rows leaves bad rows out"), "{}", refused.text());
    let made = place.run(&[&make[..], &["--keep-good-rows", "--output", "ref.toml"]].concat());
    assert_eq!(made.status, Some(0), "{}", made.text());
    let shown = place.run(&["reference", "show", "ref.toml"]);
    let mut text = format!("{}\n{}", made.stderr, shown.stdout);
    // A sweep takes known-good boards whole, and says nothing of an option that it does not have.
    place.file("j5.toml", J5);
    place.file("j5.csv", "board,pin,reading\nG1,A1,zero\n");
    let sweep = ["sweep", "--practice", "--instant", "--connector", "j5.toml", "--known-good", "j5.csv"];
    let sweep = place.run(&sweep);
    assert_eq!(sweep.status, Some(65), "{}", sweep.text());
    assert!(!sweep.stderr.contains("--keep-good-rows"), "{}", sweep.text());
    // Few pins of many.
    place.file("few.csv", "board,pin,reading\nG1,A1,0.000\nG1,A2,0.614\nG1,A3,0.598\n");
    let few =
        ["reference", "make", "--connector", "j5.toml", "--known-good", "few.csv", "--output", "few.toml"];
    text.push_str(&format!("\n{}", place.run(&few).stderr));
    insta::assert_snapshot!(text);
}

/// Connectors of one board often have pins of the same names: the name of the connector tells them apart.
#[test]
fn a_reference_of_another_connector() {
    let place = Place::new();
    place.file("J5.toml", J5);
    place.file("J7.toml", &J5.replace("name = \"J5\"", "name = \"J7\""));
    let words =
        ["sweep", "--practice", "--instant", "--quiet", "--connector", "J5.toml", "--log", "good.jsonl"];
    assert_eq!(place.run(&words).status, Some(0));
    let table = "board,pin,reading\nG1,A1,0.000\nG1,A2,0.600\n";
    place.file("good.csv", table);
    let make = ["reference", "make", "--known-good", "good.csv"];
    let made = place.run(&[&make[..], &["--connector", "J5.toml", "--output", "ref.toml"]].concat());
    assert_eq!(made.status, Some(0), "{}", made.text());
    let mut text = String::new();
    for words in [
        "compare --connector J7.toml --reference ref.toml --readings good.csv",
        "sweep --practice --instant --connector J7.toml --reference ref.toml --log a.jsonl",
        "reference extend --connector J7.toml --reference ref.toml --known-good good.csv",
    ] {
        let outcome = place.run(&words.split(' ').collect::<Vec<_>>());
        assert_eq!(outcome.status, Some(78), "{}", outcome.text());
        text.push_str(&format!("$ pintally {words}\n{}\n", outcome.text()));
    }
    assert!(!place.path().join("a.jsonl").exists(), "it is refused before the sweep");
    // One that names none may be used for any.
    let nameless = fs::read_to_string(place.path().join("ref.toml"))
        .unwrap()
        .replace("connector = \"J5\"", "connector = \"\"");
    place.file("ref.toml", &nameless);
    let words = "compare --connector J7.toml --reference ref.toml --readings good.csv";
    let outcome = place.run(&words.split(' ').collect::<Vec<_>>());
    assert!(matches!(outcome.status, Some(0 | 2)), "{}", outcome.text());
    insta::assert_snapshot!(text);
}

/// With the leads exchanged the current takes other junctions: such a reference says nothing about a sweep.
#[test]
fn a_reference_taken_with_black_on_ground() {
    let place = Place::new();
    place.file("J5.toml", J5);
    place.file("good.csv", "board,pin,reading\nG1,A1,0.000\nG1,A2,0.600\n");
    let make = "reference make --connector J5.toml --known-good good.csv --black-on-ground --output ref.toml";
    assert_eq!(place.run(&make.split(' ').collect::<Vec<_>>()).status, Some(0));
    let sweep = "sweep --practice --instant --connector J5.toml --reference ref.toml --log a.jsonl";
    let batch = "batch --practice --boards 1 --connector J5.toml --reference ref.toml --data d";
    let mut text = String::new();
    for words in [sweep, batch] {
        let outcome = place.run(&words.split(' ').collect::<Vec<_>>());
        assert_eq!(outcome.status, Some(78), "{}", outcome.text());
        text.push_str(&outcome.text());
    }
    insta::assert_snapshot!(text);
    let compare = "compare --connector J5.toml --reference ref.toml --readings good.csv";
    let outcome = place.run(&compare.split(' ').collect::<Vec<_>>());
    assert!(outcome.stderr.contains("black on ground: so must the readings be"), "{}", outcome.text());
}

/// Amperes typed where milliamperes are asked for.
#[test]
fn a_test_current_in_amperes() {
    let place = Place::new();
    place.file("c.csv", SMALL);
    place.file("good.csv", GOOD);
    let make = ["reference", "make", "--connector", "c.csv", "--known-good", "good.csv"];
    let compare = ["compare", "--connector", "c.csv", "--known-good", "good.csv", "--readings", "good.csv"];
    let mut text = String::new();
    for (words, current) in
        [(&make[..], "0.001"), (&compare[..], "0.0005"), (&make[..], "0"), (&make[..], "1000")]
    {
        let outcome = place.run(&[words, &["--test-current", current]].concat());
        assert_eq!(outcome.status, Some(64), "{}", outcome.text());
        text.push_str(&outcome.stderr);
    }
    for current in ["0.01", "0.5", "1.5"] {
        assert_eq!(
            place.run(&[&make[..], &["--test-current", current]].concat()).status,
            Some(0),
            "{current}"
        );
    }
    insta::assert_snapshot!(text);
}

/// Nothing would wear, and nothing noticed would look like a sound jig.
#[test]
fn a_worn_channel_that_leads_nowhere() {
    let place = Place::new();
    let outcome = place.run(&["batch", "--practice", "--boards", "1", "--data", "d", "--wear-channel", "99"]);
    assert_eq!(outcome.status, Some(64), "{}", outcome.text());
    assert!(outcome.stderr.contains("expected --wear-channel to be a channel that leads to a pin, found 99"));
}

/// A log that begins before the ports are open would be left without an end.
#[test]
fn a_port_that_is_not_there_leaves_no_log() {
    let place = Place::new();
    place.file("j5.toml", include_str!("../../fixtures/connectors/j5-display.toml"));
    let words = "sweep --jig none --meter none --connector j5.toml --unpowered --log t.jsonl";
    let outcome = place.run(&words.split(' ').collect::<Vec<_>>());
    assert!(outcome.status.is_some_and(|status| status > 2), "{}", outcome.text());
    assert!(!place.path().join("t.jsonl").exists(), "{}", outcome.text());
}
