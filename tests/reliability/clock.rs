//! A wall clock that is set back changes the dates that are printed, and nothing else.
//!
//! The command runs with the system's clock put before it by the dynamic linker, so it is the real command, and the
//! clock goes back at every look at it.

use std::{collections::BTreeMap, fs, process::Command};

use serde_json::Value;

use crate::{
    bench::{Bench, has, place},
    run::Place,
};

/// Every look at the wall clock finds it so many seconds earlier than the look before, from a day in the past on; or
/// always the very same. Other clocks run on.
const CLOCK: &str = r#"
#define _GNU_SOURCE
#include <stdlib.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>
int clock_gettime(clockid_t clock, struct timespec *now) {
    static long looks;
    const char *back = getenv("CLOCK_BACK");
    int result = syscall(SYS_clock_gettime, clock, now);
    if (clock != CLOCK_REALTIME || !back) return result;
    if (*back == '=') { now->tv_sec = 1700000000; now->tv_nsec = 0; }
    else now->tv_sec -= 86400 + atol(back) * __sync_add_and_fetch(&looks, 1);
    return result;
}
"#;

/// An hour at every look.
const AN_HOUR: &str = "3600";

/// The very same time at every look.
const STOPPED: &str = "=";

/// A folder with such a clock in it, where it can be built.
fn place_with_clock() -> Option<Place> {
    if !cfg!(target_os = "linux") || !has("cc") {
        return None;
    }
    let place = place();
    place.file("clock.c", CLOCK);
    let built = Command::new("cc")
        .args(["-shared", "-fPIC", "-o", "clock.so", "clock.c"])
        .current_dir(place.path())
        .status()
        .unwrap();
    assert!(built.success());
    Some(place)
}

/// Runs the command by this clock: its exit status and what it printed.
fn run_by(place: &Place, clock: &str, words: &[&str]) -> (Option<i32>, String, String) {
    let mut command = place.command(words);
    let output =
        command.env("LD_PRELOAD", place.path().join("clock.so")).env("CLOCK_BACK", clock).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

/// The sweeps in the history, the latest first.
fn listed(place: &Place, more: &[&str]) -> Vec<Value> {
    let outcome = place.run(&[&["history", "--data", "d", "--all", "--format", "json"], more].concat());
    assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    outcome.stdout.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn text<'a>(sweep: &'a Value, field: &str) -> &'a str {
    sweep[field].as_str().unwrap()
}

const SWEEP: &[&str] = &[
    "sweep",
    "--practice",
    "--instant",
    "--seed",
    "3",
    "--fault",
    "open:2",
    "--connector",
    "c.csv",
    "--board",
    "T-1",
    "--data",
    "d",
];

#[test]
fn a_clock_set_back_changes_only_the_dates() {
    let Some(place) = place_with_clock() else { return };
    let right = place.run(SWEEP);
    assert_eq!(right.status, Some(1), "{}", right.text());
    let first = text(&listed(&place, &[])[0], "session").to_owned();
    let (status, stdout, _) = run_by(&place, AN_HOUR, SWEEP);
    assert_eq!((status, &stdout), (right.status, &right.stdout));

    let sweeps = listed(&place, &[]);
    let sessions: Vec<&str> = sweeps.iter().map(|sweep| text(sweep, "session")).collect();
    // By their dates, the only order that there is: the later sweep says that it is the earlier.
    let [latest, set_back] = sessions[..] else { panic!("{sessions:?}") };
    assert!(latest == first && set_back < latest, "{sessions:?}");
    assert!(text(&sweeps[1], "started") < text(&sweeps[0], "started"));

    // After the header, the logs are the same to the byte: no time in them is the wall clock's.
    let events = |session: &str| {
        let log = fs::read_to_string(place.path().join(format!("d/logs/{session}.jsonl"))).unwrap();
        log.lines().skip(1).map(str::to_owned).collect::<Vec<_>>()
    };
    let (before, after) = (events(latest), events(set_back));
    assert!(before.len() > 50);
    assert_eq!(before, after);
}

#[test]
fn a_clock_set_back_on_real_ports_changes_nothing() {
    let Some(place) = place_with_clock() else { return };
    let bench = Bench::start(&place, &[]);
    let (status, stdout, stderr) = run_by(&place, AN_HOUR, &bench.sweep(&["--quiet"]));
    assert_eq!(status, Some(0), "{stderr}");
    let replayed = place.run(&["replay", "t.jsonl"]);
    assert_eq!((replayed.stdout, replayed.stderr.as_str()), (stdout, ""));
}

/// Two sessions of one board at one moment would have one name: the second is refused, the first is whole.
#[test]
fn a_clock_that_stands_still_overwrites_nothing() {
    let Some(place) = place_with_clock() else { return };
    let (status, ..) = run_by(&place, STOPPED, SWEEP);
    assert_eq!(status, Some(1));
    let sweeps = listed(&place, &[]);
    let path = place.path().join(format!("d/logs/{}.jsonl", text(&sweeps[0], "session")));
    let log = fs::read(&path).unwrap();
    let (status, stdout, stderr) = run_by(&place, STOPPED, SWEEP);
    assert_eq!((status, stdout.as_str()), (Some(74), ""), "{stderr}");
    assert!(stderr.contains("expected a new file for the session log"), "{stderr}");
    assert_eq!(fs::read(&path).unwrap(), log);
    assert_eq!(listed(&place, &[]), sweeps);
}

/// A batch on a jig of which one channel wears: what is noticed of that depends on the order of the boards.
#[test]
fn a_batch_goes_on_after_the_clock_was_set_back() {
    let Some(place) = place_with_clock() else { return };
    let batch = |name: [&'static str; 2], boards: &'static str| {
        let words = ["batch", "--practice", "--data", "d", "--connector", "c.csv", "--seed", "1"];
        let wear = ["--wear-channel", "1", "--wear-from", "25", "--wear-ohms", "1"];
        [&words[..], &wear, &["--count-from", "T1", "--boards", boards], &name].concat()
    };
    let verdicts = |name: &str| -> BTreeMap<u64, (String, String)> {
        let sweeps = listed(&place, &["--batch", name]);
        // The latest attempt at a place, whatever its date.
        let attempt = |sweep: &&Value| sweep["batch"]["attempt"].as_u64();
        let places: Vec<u64> = sweeps.iter().map(|sweep| sweep["batch"]["place"].as_u64().unwrap()).collect();
        let latest = |place: u64| {
            let of_it = sweeps.iter().filter(move |sweep| sweep["batch"]["place"] == place);
            let sweep = of_it.max_by_key(attempt).unwrap();
            (place, (text(sweep, "board").to_owned(), text(sweep, "verdict").to_owned()))
        };
        places.into_iter().map(latest).collect()
    };
    let noticed = |text: &str| -> Vec<String> {
        text.lines().filter(|line| line.starts_with("noticed after board")).map(str::to_owned).collect()
    };
    let whole = place.run(&batch(["--name", "whole"], "70"));
    assert!(matches!(whole.status, Some(0..=2)), "{}", whole.text());
    let expected = noticed(&whole.text());
    assert!(expected.len() > 1, "{}", whole.text());

    let begun = place.run(&batch(["--name", "cut"], "20"));
    assert!(matches!(begun.status, Some(0..=2)), "{}", begun.text());
    for boards in ["40", "70"] {
        let (status, stdout, stderr) = run_by(&place, AN_HOUR, &batch(["--resume", "cut"], boards));
        assert!(matches!(status, Some(0..=2)), "{stderr}");
        if boards == "70" {
            assert_eq!(noticed(&format!("{stdout}\n{stderr}")), expected);
        }
    }
    assert_eq!(verdicts("cut").len(), 70);
    assert_eq!(verdicts("cut"), verdicts("whole"));
}
