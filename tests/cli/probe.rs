//! Probing by hand, with the practice hand: what is seen, what is judged, its replay, interruption and resumption.

use std::{
    fs,
    io::Read,
    process::{Command, Stdio},
    time::{Duration, Instant},
};

use serde_json::Value;

use crate::run::{Outcome, Place};

/// How long a program that runs beside the test is waited for, on a machine that may be busy.
const LIMIT: Duration = Duration::from_secs(120);

fn probe(place: &Place, seed: u32, log: &str, more: &[&str]) -> Outcome {
    let seed = seed.to_string();
    place.run(&[&["probe", "--practice", "--instant", "--seed", &seed, "--log", log], more].concat())
}

/// The readings that a log holds, by pin: the latest of each.
fn readings(place: &Place, log: &str) -> Vec<(String, Value)> {
    let text = fs::read_to_string(place.path().join(log)).unwrap();
    let mut readings: Vec<(String, Value)> = Vec::new();
    for line in text.lines() {
        let Ok(line) = serde_json::from_str::<Value>(line) else { continue };
        if let Some(result) = line["event"].get("pin_result") {
            let pin = result["pin"].as_str().unwrap().to_owned();
            readings.retain(|(other, _)| *other != pin);
            readings.push((pin, result.clone()));
        }
    }
    readings
}

#[test]
fn a_hand_finds_an_open_joint_and_a_replay_prints_the_same() {
    let place = Place::new();
    for profile in ["bench-stream", "fs9721", "scpi-bench"] {
        for seed in [3, 4] {
            let log = format!("{profile}-{seed}.jsonl");
            let live = probe(&place, seed, &log, &["--profile", profile, "--fault", "open:B8"]);
            assert_eq!(live.status, Some(1), "{}", live.text());
            assert!(live.stdout.contains("open joint at pin B8"), "{}", live.text());
            let replayed = place.run(&["replay", &log]);
            assert_eq!(live.stdout, replayed.stdout, "{log}");
            assert_eq!(replayed.stderr, "", "{log}");
        }
    }
}

#[test]
fn a_replay_by_another_reference_takes_the_same_touches() {
    let place = Place::new();
    let probed = probe(&place, 3, "a.jsonl", &["--fault", "raised:A15=150"]);
    assert_eq!(probed.status, Some(1), "{}", probed.text());
    let known_good = place.run(&["practice", "--known-good", "1"]);
    let good = place.file("good.csv", &known_good.stdout);
    let connector = place.file("j5.toml", include_str!("../../fixtures/connectors/j5-display.toml"));
    let (good, connector) = (good.to_str().unwrap(), connector.to_str().unwrap());
    let words =
        ["reference", "make", "--connector", connector, "--known-good", good, "--output", "other.toml"];
    assert_eq!(place.run(&words).status, Some(0));
    let columns = |outcome: Outcome| -> Vec<String> {
        let rows = outcome.stdout.lines().map(|row| row.split(',').take(3).collect::<Vec<_>>().join(","));
        rows.collect()
    };
    let own = columns(place.run(&["replay", "a.jsonl", "--format", "csv"]));
    let other = columns(place.run(&["replay", "a.jsonl", "--format", "csv", "--reference", "other.toml"]));
    assert_eq!(own.len(), 41);
    assert_eq!(own, other);
}

#[test]
fn a_sound_board_matches() {
    let place = Place::new();
    for seed in 1..=8 {
        let outcome = probe(&place, seed, &format!("{seed}.jsonl"), &[]);
        assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    }
}

#[test]
fn what_an_operator_reads() {
    let place = Place::new();
    let outcome = probe(&place, 3, "a.jsonl", &["--fault", "open:B8", "--repaired", "B8,B7"]);
    // The time that probing takes is simulated, so it is the same everywhere.
    insta::assert_snapshot!(outcome.text());
}

#[test]
fn without_a_reference_the_readings_are_the_result() {
    let place = Place::new();
    let learned = probe(&place, 5, "learned.jsonl", &["--learn"]);
    assert_eq!(learned.status, Some(0), "{}", learned.text());
    assert_eq!(learned.stdout.lines().next(), Some("board,pin,reading"));
    assert_eq!(learned.stdout.lines().count(), 41, "{}", learned.text());
}

#[test]
fn an_interrupted_session_is_carried_on() {
    let place = Place::new();
    let words =
        ["probe", "--practice", "--plain", "--seed", "3", "--fault", "open:B8", "--log", "first.jsonl"];
    let mut child = place.command(&words).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    // Killed without a chance to end, once a few pins are read.
    let began = Instant::now();
    while !place.path().join("first.jsonl").exists() || readings(&place, "first.jsonl").len() < 3 {
        assert!(began.elapsed() < LIMIT, "no three pins in {LIMIT:?}");
        std::thread::sleep(Duration::from_millis(100));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let before = readings(&place, "first.jsonl");
    assert!((3..40).contains(&before.len()), "{}", before.len());

    let carried_on = probe(&place, 3, "second.jsonl", &["--fault", "open:B8", "--resume", "first.jsonl"]);
    assert_eq!(carried_on.status, Some(1), "{}", carried_on.text());
    assert!(carried_on.stdout.contains("open joint at pin B8"), "{}", carried_on.text());
    // What was read stays as it was read, and only the rest was asked for.
    let after = readings(&place, "second.jsonl");
    assert_eq!(after[..before.len()], before[..]);
    assert_eq!(after.len(), 40);
    let told = format!("({} of 40)", before.len() + 1);
    assert!(
        carried_on.stderr.contains(&told) && !carried_on.stderr.contains("(1 of 40)"),
        "{}",
        carried_on.text()
    );
    // The meter's silence is counted from the resumption on.
    assert!(!carried_on.stderr.contains("has said nothing"), "{}", carried_on.text());
    let replayed = place.run(&["replay", "second.jsonl"]);
    assert_eq!((carried_on.stdout, ""), (replayed.stdout, replayed.stderr.as_str()));
}

#[test]
fn who_ends_for_now_is_told_how_to_go_on() {
    let place = Place::new();
    let words = ["probe", "--practice", "--plain", "--seed", "3", "--log", "a.jsonl"];
    let mut child = place
        .command(&words)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    use std::io::Write;
    child.stdin.take().unwrap().write_all(b"j Q7\nB3\nq\n").unwrap();
    let mut told = String::new();
    child.stderr.take().unwrap().read_to_string(&mut told).unwrap();
    let status = child.wait().unwrap();
    // Not all pins could be judged.
    assert_eq!(status.code(), Some(2), "{told}");
    assert!(told.contains("stopped by the operator after 0 of 40 pins"), "{told}");
    assert!(told.contains("expected a key or a pin, found"), "{told}");
    assert!(told.contains("touch B3"), "{told}");
    assert!(told.contains("pintally probe --resume a.jsonl"), "{told}");
}

const NOTES: &str = r#"
connector = "J5"
checklist = ["current below 0.1 A at power-on"]

[[pin]]
name = "B8"
pad = "lifted"
jumper = "done"
trace = "R14"

[[pin]]
name = "A3"
pad = "missing"
jumper = "planned"
"#;

#[test]
fn pins_of_the_repair_notes_come_first_and_are_told_of() {
    let place = Place::new();
    place.file("repair.toml", NOTES);
    let by_hand = probe(&place, 3, "hand.jsonl", &["--fault", "open:B8", "--repair", "repair.toml"]);
    let asked: Vec<&str> = by_hand.stderr.lines().filter(|line| line.starts_with("touch ")).take(1).collect();
    assert!(asked[0].starts_with("touch B8"), "{}", by_hand.text());
    let swept = place.run(&[
        "sweep",
        "--practice",
        "--instant",
        "--seed",
        "3",
        "--fault",
        "open:B8",
        "--repair",
        "repair.toml",
        "--log",
        "jig.jsonl",
    ]);
    for (outcome, log) in [(&by_hand, "hand.jsonl"), (&swept, "jig.jsonl")] {
        let told: Vec<&str> =
            outcome.stdout.lines().skip_while(|line| *line != "Repaired pins:").take(4).collect();
        // By hand the contact adds a little, so the readings of the two differ in their last digit.
        let told: Vec<&str> = told.iter().map(|line| line.trim_end_matches(", matches")).collect();
        assert_eq!(
            told[..2],
            [
                "Repaired pins:",
                "    B8  lifted pad, jumper done, trace to R14: reads OL  ! open joint at pin B8 (100 %)"
            ]
        );
        assert!(told[2].starts_with("    A3  missing pad, jumper planned: reads 0.6"), "{told:?}");
        assert_eq!(told[3], "  jumpers planned and not noted as done: A3");
        assert!(outcome.stderr.contains("  [ ] current below 0.1 A at power-on"), "{}", outcome.text());
        assert_eq!(place.run(&["replay", log]).stdout, outcome.stdout);
    }
}

/// Known-good boards read a drop at B8 and A3; this repair left both without connection.
#[test]
fn a_pin_without_connection_on_purpose_should_read_ol() {
    let place = Place::new();
    place.file(
        "repair.toml",
        "[[pin]]\nname = \"B8\"\nunconnected = true\n[[pin]]\nname = \"A3\"\nunconnected = true\n",
    );
    // A3 is connected all the same.
    let more = ["--fault", "open:B8", "--repair", "repair.toml"];
    let by_hand = probe(&place, 3, "hand.jsonl", &more);
    assert!(
        by_hand.stderr.contains("hold B8 and press the key or foot switch: expected OL"),
        "{}",
        by_hand.text()
    );
    let sweep = ["sweep", "--practice", "--instant", "--seed", "3", "--log", "jig.jsonl"];
    let swept = place.run(&[&sweep[..], &more].concat());
    let again = place.run(&["replay", "jig.jsonl"]);
    for outcome in [&by_hand, &swept, &again] {
        assert_eq!(outcome.status, Some(1), "{}", outcome.text());
        let told = |text: &str| assert!(outcome.stdout.contains(text), "{text}\n{}", outcome.text());
        told("B8  not connected on purpose: reads OL, matches");
        told(", though it is to have no connection  ! ");
        assert!(!outcome.stdout.contains("open joint at pin B8"), "{}", outcome.text());
    }
}

#[test]
fn what_cannot_be_used_is_named() {
    let place = Place::new();
    place.file("other.toml", &NOTES.replace("A3", "Z3"));
    assert_eq!(place.run(&["sweep", "--practice", "--instant", "--log", "jig.jsonl"]).status, Some(0));
    let mut text = String::new();
    for more in [
        &["--repair", "other.toml"][..],
        &["--repair", "nowhere.toml"],
        &["--resume", "jig.jsonl"],
        &["--resume", "nowhere.jsonl"],
        &["--resume", "jig.jsonl", "--repaired", "A3"],
    ] {
        let outcome = probe(&place, 1, "new.jsonl", more);
        text.push_str(&format!("$ pintally probe {}\n{}\n", more.join(" "), outcome.text()));
    }
    insta::assert_snapshot!(text);
}

#[test]
fn speaking_needs_a_speech_program() {
    let place = Place::new();
    let outcome = place
        .command(&["probe", "--practice", "--speak", "--log", "a.jsonl"])
        .env("PATH", place.path())
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&outcome.stderr);
    assert_eq!(outcome.status.code(), Some(69), "{told}");
    assert!(told.contains("found none"), "{told}");
}

/// Runs a shell line in a pseudo-terminal of its own and gives what the terminal got, `stty` at its end. `look` sees all
/// that was shown, each time that more was.
#[cfg(unix)]
fn in_a_terminal(place: &Place, line: &str, mut look: impl FnMut(&str)) -> Option<String> {
    let line = format!("stty rows 24 cols 80; {line}; stty -a");
    let command = Command::new("script")
        .args(["-qec", &line, "/dev/null"])
        .current_dir(place.path())
        .env("TERM", "xterm")
        .env("XDG_DATA_HOME", place.path().join("data"))
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn();
    let Ok(mut script) = command else {
        println!("SKIPPED: there is no `script` to make a terminal with");
        return None;
    };
    let mut terminal = script.stdout.take().unwrap();
    let (mut shown, mut chunk) = (Vec::new(), [0; 4096]);
    loop {
        match terminal.read(&mut chunk).unwrap() {
            0 => break,
            count => shown.extend_from_slice(&chunk[..count]),
        }
        look(&String::from_utf8_lossy(&shown));
    }
    script.wait().unwrap();
    Some(String::from_utf8_lossy(&shown).into_owned())
}

/// Whether a terminal was taken over, and is as it was before.
#[cfg(unix)]
fn assert_given_back(shown: &str) {
    let (taken, given) = ("\u{1b}[?1049h", "\u{1b}[?1049l");
    let at = shown.find(taken).unwrap_or_else(|| panic!("the screen was never taken over: {shown}"));
    assert!(shown[at..].contains(given), "{shown}");
    assert!(shown[at..].contains("\u{1b}[?25h"), "the cursor stays hidden: {shown}");
    let after = &shown[shown.rfind(given).unwrap()..];
    assert!(after.contains(" icanon") && after.contains(" echo "), "{after}");
}

#[cfg(unix)]
#[test]
fn a_signal_gives_the_terminal_back() {
    let place = Place::new();
    let pintally = env!("CARGO_BIN_EXE_pintally");
    // The shell's number is that of the program that takes its place.
    let line = format!("sh -c 'echo $$ > number; exec {pintally} probe --practice --log a.jsonl'");
    let mut is_sent = false;
    let shown = in_a_terminal(&place, &line, |shown| {
        // Drawn once at least, with the screen taken over and the log begun.
        if !is_sent && shown.split("\u{1b}[?1049h").nth(1).is_some_and(|drawn| drawn.len() > 1000) {
            let number = fs::read_to_string(place.path().join("number")).unwrap();
            let told = Command::new("sh").arg("-c").arg(format!("kill -s TERM {}", number.trim())).status();
            assert!(told.unwrap().success());
            is_sent = true;
        }
    });
    let Some(shown) = shown else { return };
    assert!(is_sent, "{shown}");
    assert_given_back(&shown);
    assert!(shown.contains("pintally probe --resume a.jsonl"), "{shown}");
}

#[cfg(unix)]
#[test]
fn a_live_batch_gives_the_terminal_back_and_prints_what_it_told() {
    let place = Place::new();
    let pintally = env!("CARGO_BIN_EXE_pintally");
    let line = format!("{pintally} batch --practice --live --boards 2 --fault open:B8 --data d");
    let Some(shown) = in_a_terminal(&place, &line, |_| ()) else { return };
    assert_given_back(&shown);
    let after = &shown[shown.rfind("\u{1b}[?1049l").unwrap()..];
    for words in ["P001  J5  differs: open joint B8", "board 2, P002: differs"] {
        assert!(after.contains(words), "{shown}");
    }
}

#[cfg(unix)]
#[test]
fn a_panic_gives_the_terminal_back() {
    let place = Place::new();
    let own = std::env::current_exe().unwrap();
    let line = format!("PANIC_ON_SCREEN=1 {} --exact probe::panics_when_told --nocapture", own.display());
    let Some(shown) = in_a_terminal(&place, &line, |_| ()) else { return };
    assert_given_back(&shown);
    let after = &shown[shown.find("\u{1b}[?1049l").unwrap()..];
    assert!(after.contains("told to panic"), "the message is lost: {shown}");
}

/// The other half of the test above, in a process of its own: by itself it does nothing.
#[cfg(unix)]
#[test]
fn panics_when_told() {
    if std::env::var_os("PANIC_ON_SCREEN").is_some() {
        let mut terminal = pintally::live::Terminal::take(true).unwrap().unwrap();
        terminal.show(&pintally::live::State::default()).unwrap();
        panic!("told to panic");
    }
}

#[cfg(not(feature = "tones"))]
#[test]
fn tones_that_were_not_built_in_are_refused_before_a_log_is_begun() {
    let place = Place::new();
    let refused = probe(&place, 3, "a.jsonl", &["--sound", "tones"]);
    assert_eq!(refused.status, Some(69), "{}", refused.text());
    assert!(
        refused.stderr.contains("cargo install --path host --locked --features tones"),
        "{}",
        refused.text()
    );
    assert!(!place.path().join("a.jsonl").exists());
}

/// With an audio device or without one: the same board is judged the same.
#[cfg(feature = "tones")]
#[test]
fn tones_change_nothing_but_the_sound() {
    let place = Place::new();
    let silent = probe(&place, 3, "a.jsonl", &["--fault", "open:B8", "--sound", "off"]);
    let sounding = probe(&place, 3, "b.jsonl", &["--fault", "open:B8", "--sound", "tones"]);
    assert_eq!(sounding.status, Some(1), "{}", sounding.text());
    assert_eq!(sounding.stdout, silent.stdout);
    assert!(!sounding.stderr.contains("ALSA lib"), "{}", sounding.text());
}

/// Found where lines of a log were cut out: the touches after the gap went to the pins before it.
#[test]
fn a_gap_in_the_log_moves_no_touch_to_another_pin() {
    use pintally::{readings::PinValue, record::SweepRecord};
    let place = Place::new();
    let probed = probe(&place, 3, "a.jsonl", &["--profile", "fs9721", "--fault", "open:B8"]);
    assert_eq!(probed.status, Some(1), "{}", probed.text());
    let log = fs::read(place.path().join("a.jsonl")).unwrap();
    let lines: Vec<&[u8]> = log.split_inclusive(|&byte| byte == b'\n').collect();
    let sound = SweepRecord::read(&log[..]).unwrap().shown;
    let mut read = 0;
    for first in (1..lines.len() - 40).step_by(lines.len() / 25) {
        for size in [1, 8, 40] {
            let left = [&lines[..first], &lines[first + size..]].concat().concat();
            let shown = SweepRecord::read(&left[..]).unwrap().shown;
            for (pin, (seen, live)) in shown.iter().zip(&sound).enumerate() {
                let is_unread = matches!(seen, PinValue::Unread(_));
                assert!(
                    seen == live || is_unread,
                    "{size} lines after line {first} missing: pin {pin} is {seen}, live {live}"
                );
                read += usize::from(!is_unread);
            }
        }
    }
    assert!(read > 60 * sound.len(), "what has a result line is kept: {read}");
}
