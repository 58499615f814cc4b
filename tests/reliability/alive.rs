//! A board that is powered or charged: nothing is measured in diode test, and it is said why.

use std::fs;

use pintally::{
    log::{Ending, LogEvent, LogLine},
    session::CONNECT,
};

use crate::{
    bench::{Bench, place, read, recorded},
    run::{Outcome, Place},
};

/// A sweep on ports, with a meter that can be told to measure DC volts and nobody there to pull its plugs.
fn sweep(place: &Place, faults: &[&str], more: &[&str]) -> Outcome {
    let bench = Bench::start_with(place, faults, &["--profile", "scpi-bench"]);
    place.run(&bench.sweep(&[&["--profile", "scpi-bench"], more].concat()))
}

/// What was measured in DC volts, as the log has it: where, volts, whether it was safe.
fn measured(place: &Place) -> Vec<(String, f64, bool)> {
    let (lines, troubles) = read(&fs::read(place.path().join("t.jsonl")).unwrap());
    assert!(troubles.is_empty(), "{troubles:?}");
    let measured = |event: &LogEvent| match event {
        LogEvent::Measured { what, volts, safe } => Some((what.clone(), volts.get(), *safe)),
        _ => None,
    };
    lines.iter().filter_map(|line| measured(&line.event)).collect()
}

fn diode_test_was_begun(place: &Place) -> bool {
    let (lines, _) = read(&fs::read(place.path().join("t.jsonl")).unwrap());
    lines.iter().any(|line| matches!(line.event, LogEvent::SentToMeter { .. }))
}

#[test]
fn dc_volts_come_before_diode_test() {
    let place = place();
    let dead = sweep(&place, &[], &[]);
    assert_eq!(dead.status, Some(0), "{}", dead.text());
    assert!(dead.stderr.contains("DC volts before diode test, 1 pin: 0.0"), "{}", dead.text());
    let [(what, volts, true)] = &measured(&place)[..] else { panic!("{:?}", measured(&place)) };
    assert!(what == "pin 4" && volts.abs() < 0.05, "{what} {volts}");
    assert!(diode_test_was_begun(&place));
    let replayed = place.run(&["replay", "t.jsonl"]);
    assert_eq!((replayed.stdout, replayed.stderr.as_str()), (dead.stdout, ""));
}

#[test]
fn a_live_board_is_refused_before_diode_test() {
    let place = place();
    let live = sweep(&place, &["live:4=3.7"], &[]);
    assert_eq!(live.status, Some(69), "{}", live.text());
    assert_eq!(live.stdout, "");
    assert!(
        live.stderr.contains("error: pin 4 has 3.") && live.stderr.contains("V by DC volts"),
        "{}",
        live.text()
    );
    assert!(live.stderr.contains("disconnect battery and supply"), "{}", live.text());
    assert!(!diode_test_was_begun(&place), "{}", live.text());
    let [(what, volts, false)] = &measured(&place)[..] else { panic!("{:?}", measured(&place)) };
    assert!(what == "pin 4" && (volts - 3.7).abs() < 0.1, "{what} {volts}");
    let (lines, _) = read(&fs::read(place.path().join("t.jsonl")).unwrap());
    assert!(matches!(lines.last().unwrap().event, LogEvent::End { .. }));
}

#[test]
fn an_override_is_said_logged_and_shown() {
    let place = place();
    let live = sweep(&place, &["live:4=0.2"], &["--override-alive", "coin cell for the clock"]);
    assert!(matches!(live.status, Some(0..=2)), "{}", live.text());
    assert!(
        live.stderr.contains("warning: going on by the operator's decision although pin 4"),
        "{}",
        live.text()
    );
    assert!(matches!(measured(&place)[..], [(_, _, false)]));
    let replayed = place.run(&["replay", "t.jsonl"]);
    assert!(replayed.stderr.contains("the operator overrode a check"), "{}", replayed.text());
    for format in ["html", "markdown", "json"] {
        let page = place.run(&["report", "t.jsonl", "--format", format]);
        assert!(page.stdout.contains("coin cell for the clock"), "{format}: {}", page.text());
    }
}

/// An override without a reason tells nobody why.
#[test]
fn an_override_wants_a_reason() {
    let place = place();
    for command in ["sweep", "probe"] {
        for reason in ["", " \t"] {
            let words = [command, "--practice", "--instant", "--connector", "c.csv", "--log", "t.jsonl"];
            let outcome = place.run(&[&words[..], &["--override-alive", reason]].concat());
            assert_eq!(outcome.status, Some(64), "{command}: {}", outcome.text());
            assert!(outcome.stderr.contains("expected some text, found none"), "{}", outcome.text());
            assert!(!place.path().join("t.jsonl").exists());
        }
    }
}

/// An override is for the pin that is named: the others are measured all the same.
#[test]
fn an_override_skips_no_other_pin() {
    let place = place();
    // Without roles every pin is measured.
    place.file("c.csv", "pin\n1\n2\n3\n4\n");
    let words = ["--override-alive", "coin cell for the clock"];
    let live = sweep(&place, &["live:2=0.3", "live:4=0.2"], &words);
    assert!(matches!(live.status, Some(0..=2)), "{}", live.text());
    let pins: Vec<(String, bool)> =
        measured(&place).into_iter().map(|(what, _, safe)| (what, safe)).collect();
    let expected = [("pin 1", true), ("pin 2", false), ("pin 3", true), ("pin 4", false)];
    assert_eq!(pins, expected.map(|(what, safe)| (what.to_owned(), safe)), "{}", live.text());
    let said = live.stderr.matches("warning: going on by the operator's decision although pin").count();
    assert_eq!(said, 2, "{}", live.text());
}

/// With a switching board that senses, no meter is needed to see it.
#[test]
fn a_live_board_is_refused_with_any_meter() {
    let place = place();
    for profile in ["bench-stream", "fs9721", "fs9922"] {
        let words = [
            "sweep",
            "--practice",
            "--instant",
            "--connector",
            "c.csv",
            "--profile",
            profile,
            "--fault",
            "live:4=3.7",
            "--log",
            "t.jsonl",
        ];
        let _ = fs::remove_file(place.path().join("t.jsonl"));
        let live = place.run(&words);
        assert!(live.status == Some(69) && live.stderr.contains("pin 4"), "{profile}: {}", live.text());
        // Before the meter is plugged in, not by what it would show.
        let (lines, _) = read(&fs::read(place.path().join("t.jsonl")).unwrap());
        let is_early = |line: &LogLine| match &line.event {
            LogEvent::MeterBytes { .. } => false,
            LogEvent::Operator { action, .. } => action != CONNECT,
            _ => true,
        };
        assert!(lines.iter().all(is_early), "{profile}: {}", live.text());
    }
}

/// Nothing is skipped in silence: without a terminal and without a word the sweep does not begin.
#[test]
fn nobody_is_asked_and_nothing_is_said() {
    let place = place();
    let bench = Bench::start(&place, &[]);
    let words: Vec<&str> = bench.sweep(&[]).into_iter().filter(|word| *word != "--unpowered").collect();
    let outcome = place.run(&words);
    assert_eq!(outcome.status, Some(64), "{}", outcome.text());
    assert!(outcome.stderr.contains("expected a confirmation that the board is dead"), "{}", outcome.text());
    assert!(!place.path().join("t.jsonl").exists());
}

/// By hand nothing measures before diode test: the readings are the last net. 3.7 V are -OL on most displays.
#[test]
fn a_live_board_stops_the_probe() {
    for profile in ["bench-stream", "scpi-bench", "fs9721", "fs9922", "es14"] {
        for volts in ["3.7", "1", "0.2"] {
            let place = place();
            let fault = format!("live:2={volts}");
            let words = ["probe", "--practice", "--instant", "--connector", "c.csv", "--profile", profile];
            let words = [&words[..], &["--fault", &fault, "--log", "t.jsonl"]].concat();
            let live = place.run(&words);
            assert_eq!(live.status, Some(69), "{profile} {volts} V: {}", live.text());
            let said = "error: the board is alive at pin 2: expected a drop of 0 V or more, found -";
            assert!(live.stderr.contains(said), "{profile} {volts} V: {}", live.text());
            assert!(
                live.stderr.contains("hint: lift the probe and take the red clip off"),
                "{}",
                live.text()
            );
            assert_eq!(live.stdout, "", "{profile} {volts} V");

            // The log has the sign and the end, and no reading of that pin.
            let (lines, troubles) = read(&fs::read(place.path().join("t.jsonl")).unwrap());
            assert!(troubles.is_empty(), "{troubles:?}");
            let said = |line: &LogLine| matches!(&line.event, LogEvent::Told { text } if text.starts_with("the board is alive at 2"));
            assert!(lines.iter().any(said), "{profile} {volts} V");
            assert!(matches!(lines.last().unwrap().event, LogEvent::End { how: Ending::Failed, .. }));
            assert!(recorded(&lines).iter().all(|(pin, _)| pin != "2"), "{:?}", recorded(&lines));
        }
    }
}

#[test]
fn an_override_of_the_probe_is_logged_and_shown() {
    let place = place();
    let words = ["probe", "--practice", "--instant", "--connector", "c.csv", "--fault", "live:2=0.2"];
    let words = [&words[..], &["--log", "t.jsonl", "--override-alive", "coin cell for the clock"]].concat();
    let live = place.run(&words);
    assert!(matches!(live.status, Some(0..=2)), "{}", live.text());
    assert!(live.stderr.contains("the board is alive at 2"), "{}", live.text());
    let page = place.run(&["report", "t.jsonl", "--format", "html"]);
    assert!(page.stdout.contains("coin cell for the clock"), "{}", page.text());
    // The rows of a table have no place for it.
    let table = place.run(&["report", "t.jsonl", "--format", "csv"]);
    assert!(table.stderr.contains("coin cell for the clock"), "{}", table.text());
}
