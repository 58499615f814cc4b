//! The disk is full, read-only or gone, and the clock is wrong.

use std::{
    fs,
    io::{BufRead, BufReader, Write},
    path::Path,
    process::{Command, Output, Stdio},
};

use pintally::log::{LogEvent, TroubleKind};

use crate::{
    bench::{Bench, has, limited, place, read, recorded, replay, replayed, sweep, whole_log},
    run::Place,
};

fn words(output: &Output) -> String {
    format!(
        "exit {:?}\n{}\n{}",
        output.status.code(),
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    )
}

/// What a sweep that could not be recorded has said and left behind.
fn check_unrecorded(place: &Place, output: &Output) {
    let text = words(output);
    assert_eq!(output.status.code(), Some(74), "{text}");
    assert!(text.contains("error: "), "{text}");
    assert!(text.contains("hint: "), "{text}");
    let log = fs::read(place.path().join("t.jsonl")).unwrap_or_default();
    if log.is_empty() {
        // Nothing was begun.
        assert!(text.contains("cannot write the session log"), "{text}");
        return;
    }
    let (lines, troubles) = read(&log);
    assert!(troubles.iter().all(|trouble| matches!(trouble.kind, TroubleKind::Torn)), "{troubles:?}\n{text}");
    let replayed = replayed(&replay(place, Path::new("t.jsonl")));
    for (pin, value) in recorded(&lines) {
        assert!(
            replayed.iter().any(|(name, shown)| *name == pin && value.starts_with(shown.as_str())),
            "{text}"
        );
    }
    let is_judged = lines.iter().any(|line| matches!(line.event, LogEvent::Judgement { .. }));
    let pins = recorded(&lines).len();
    if pins < 4 {
        assert!(output.stdout.is_empty(), "judged with {pins} pins on record: {text}");
        assert!(text.contains("it is not recorded any more"), "{text}");
    } else if !is_judged && !output.stdout.is_empty() {
        assert!(text.contains("the end of the session log t.jsonl could not be written"), "{text}");
    }
}

/// The disk has room for so many bytes of the log and no more, at the beginning and end of every event.
#[test]
fn full_in_the_middle_of_every_event() {
    if !has("prlimit") {
        return;
    }
    let log = whole_log();
    let mut room = vec![0];
    room.extend((0..log.len()).filter(|&at| log[at] == b'\n').flat_map(|end| [end - 20, end + 1]));
    for room in room {
        let place = place();
        let output = limited(&place, &sweep(&["--instant"]), room as u64, false).output().unwrap();
        // Times of the clock may make this log a few bytes shorter than that one.
        if room + 20 < log.len() {
            check_unrecorded(&place, &output);
        }
    }
}

/// The same by hand: the walk ends before anything is shown that is not on record, and goes on once there is room.
#[test]
fn full_in_the_middle_of_a_probe() {
    if !has("prlimit") {
        return;
    }
    let words_of_probe = ["probe", "--practice", "--instant", "--seed", "3", "--connector", "c.csv"];
    let words_of_probe = [&words_of_probe[..], &["--fault", "open:2", "--log", "t.jsonl"]].concat();
    let place = place();
    let whole = place.run(&words_of_probe);
    assert_eq!(whole.status, Some(1), "{}", whole.text());
    let log = fs::read(place.path().join("t.jsonl")).unwrap();
    // Every tenth line of the meter's hundreds, and every other line.
    let ends = (0..log.len()).filter(|&at| log[at] == b'\n');
    let (lines, _) = read(&log);
    let is_looked_at = |&(at, _): &(usize, usize)| {
        at % 10 == 0 || at == 0 || !matches!(lines[at - 1].event, LogEvent::MeterBytes { .. })
    };
    let mut cases = 0;
    for (at, end) in ends.enumerate().filter(is_looked_at) {
        for room in [end - 20, end + 1] {
            let place = crate::bench::place();
            let output = limited(&place, &words_of_probe, room as u64, false).output().unwrap();
            if room + 20 >= log.len() {
                continue;
            }
            cases += 1;
            check_unrecorded(&place, &output);
            let text = words(&output);
            let Ok(cut) = fs::read(place.path().join("t.jsonl")).map(|log| read(&log).0) else {
                assert_eq!(at, 0, "{text}");
                continue;
            };
            // What was said to be taken is on record.
            for (pin, _) in recorded(&lines) {
                let said = String::from_utf8_lossy(&output.stderr);
                let mut said = said.lines();
                let is_said = said.any(|line| line.starts_with(&format!("{pin} ")) && line.contains("taken"));
                assert!(!is_said || recorded(&cut).iter().any(|(other, _)| *other == pin), "{pin}: {text}");
            }
            if recorded(&cut).len() == 2 && room == end + 1 {
                let words = ["probe", "--practice", "--instant", "--seed", "3", "--fault", "open:2"];
                let resumed = place.run(&[&words[..], &["--resume", "t.jsonl", "--log", "u.jsonl"]].concat());
                assert_eq!(resumed.status, Some(1), "{}", resumed.text());
                let again = replayed(&replay(&place, Path::new("u.jsonl")));
                assert_eq!(again.len(), 4, "{again:?}");
            }
        }
    }
    assert!(cases > 60, "{cases}");
}

/// A real file system that is full: as on the bench, with a sweep on ports.
#[test]
fn a_full_file_system_opens_the_channels_and_ends_the_sweep() {
    let place = place();
    let small = place.path().join("small");
    fs::create_dir(&small).unwrap();
    let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", "size=8k", "tmpfs"]).arg(&small).output();
    if !mounted.is_ok_and(|output| output.status.success()) {
        assert!(std::env::var_os("PINTALLY_REQUIRE_EMULATORS").is_none(), "may not mount a file system");
        println!("SKIPPED: may not mount a file system");
        return;
    }
    let bench = Bench::start(&place, &[]);
    let mut words_of_sweep = bench.sweep(&[]);
    let log = words_of_sweep.iter().position(|word| *word == "t.jsonl").unwrap();
    words_of_sweep[log] = "small/t.jsonl";
    let output = place.command(&words_of_sweep).output().unwrap();
    let log = fs::read(small.join("t.jsonl"));
    let unmounted = Command::new("umount").arg(&small).status().unwrap();
    assert!(unmounted.success());
    let text = words(&output);
    assert_eq!(output.status.code(), Some(74), "{text}");
    assert!(text.contains("No space left on device"), "{text}");
    let (lines, _) = read(&log.unwrap());
    assert!(lines.len() > 10, "{} lines", lines.len());
    // The switching board is free again, and open, at once: another sweep on it is whole.
    let output = place.command(&bench.sweep(&[])).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", words(&output));
}

#[test]
fn a_folder_that_cannot_be_written() {
    let place = place();
    place.file("taken", "a file, not a folder");
    let mut cases = vec![("taken/t.jsonl", "cannot make the folder"), ("c.csv", "found c.csv there already")];
    // What nobody can write, not even the superuser.
    if Path::new("/proc/self").exists() {
        cases.push(("/proc/t.jsonl", "cannot create the session log"));
    }
    for (log, expected) in cases {
        let outcome = place.run(&["sweep", "--practice", "--instant", "--connector", "c.csv", "--log", log]);
        assert_eq!(outcome.status, Some(74), "{log}: {}", outcome.text());
        assert!(outcome.stderr.contains(expected), "{log}: {}", outcome.text());
        assert!(outcome.stderr.contains("hint: name "), "{log}: {}", outcome.text());
        assert_eq!(outcome.stdout, "", "{log}");
    }
    assert_eq!(fs::read_to_string(place.path().join("c.csv")).unwrap(), crate::bench::CONNECTOR);
}

/// A read-only file system: bound over a folder, where the user may.
#[test]
fn a_read_only_file_system() {
    let place = place();
    let folder = place.path().join("read-only");
    fs::create_dir(&folder).unwrap();
    let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", "ro", "tmpfs"]).arg(&folder).output();
    if !mounted.is_ok_and(|output| output.status.success()) {
        assert!(std::env::var_os("PINTALLY_REQUIRE_EMULATORS").is_none(), "may not mount a file system");
        println!("SKIPPED: may not mount a file system");
        return;
    }
    let output = place
        .command(&["sweep", "--practice", "--instant", "--connector", "c.csv", "--data", "read-only"])
        .output()
        .unwrap();
    assert!(Command::new("umount").arg(&folder).status().unwrap().success());
    let text = words(&output);
    assert_eq!(output.status.code(), Some(74), "{text}");
    assert!(text.contains("Read-only file system") && text.contains("hint: "), "{text}");
}

/// The folder is removed while a sweep writes into it. On Unix the file lives on without a name until the sweep ends,
/// so the sweep is whole; but nothing would be left of it, and that must be said.
#[test]
fn a_folder_that_goes_away_in_the_middle_of_a_sweep() {
    // On a busy machine the sweep may be over before the folder is removed.
    assert!(
        (0..20).any(|_| remove_in_the_middle()),
        "every sweep was quicker than the removal, or said nothing"
    );
}

/// Whether the folder was removed before the sweep was over, and that was said.
fn remove_in_the_middle() -> bool {
    let place = place();
    let bench = Bench::start(&place, &[]);
    let mut words_of_sweep = bench.sweep(&[]);
    let log = words_of_sweep.iter().position(|word| *word == "t.jsonl").unwrap();
    words_of_sweep[log] = "gone/t.jsonl";
    let mut sweep =
        place.command(&words_of_sweep).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut errors = BufReader::new(sweep.stderr.take().unwrap());
    let mut heard = String::new();
    while !heard.contains("sweeping 4 pins") {
        assert!(errors.read_line(&mut heard).unwrap() > 0, "{heard}");
    }
    fs::remove_dir_all(place.path().join("gone")).unwrap();
    for line in errors.lines() {
        heard.push_str(&line.unwrap());
        heard.push('\n');
    }
    let status = sweep.wait().unwrap();
    println!("{status}: {heard}");
    if status.code() == Some(0) {
        return false;
    }
    assert_eq!(status.code(), Some(74), "{heard}");
    assert!(heard.contains("the session log gone/t.jsonl is no longer there"), "{heard}");
    true
}

/// Two sweeps that are told to write one log: the second one ends before it asks anything, and the first is whole.
#[test]
fn two_writers_of_one_log() {
    let place = place();
    let bench = Bench::start(&place, &[]);
    let mut first = place
        .command(&bench.sweep(&["--quiet"]))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let path = place.path().join("t.jsonl");
    loop {
        let is_over = first.try_wait().unwrap().is_some();
        if fs::read(&path).map_or(0, |log| log.len()) >= 2000 {
            break;
        }
        assert!(!is_over, "the first sweep is over already");
    }
    let second = place.run(&sweep(&["--instant"]));
    assert_eq!(second.status, Some(74), "{}", second.text());
    assert!(second.stderr.contains("a log is never overwritten"), "{}", second.text());
    assert_eq!(first.wait().unwrap().code(), Some(0));
    let (lines, troubles) = read(&fs::read(&path).unwrap());
    assert!(troubles.is_empty(), "{troubles:?}");
    assert!(matches!(lines.last().unwrap().event, LogEvent::End { .. }));
}

/// Two programs that lead one batch gave its places to two boards each.
#[test]
fn two_leaders_of_one_batch() {
    let place = place();
    let _bench = Bench::start(&place, &[]);
    let words = ["batch", "--jig", "jig", "--meter", "meter", "--unpowered", "--connector", "c.csv"];
    let named = ["--data", "d", "--name", "May"];
    let mut first = place
        .command(&[&words[..], &named].concat())
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(first.stderr.take().unwrap());
    let mut heard = String::new();
    while !heard.contains("batch May;") {
        assert_ne!(said.read_line(&mut heard).unwrap(), 0, "{heard}");
    }
    let practice = ["batch", "--practice", "--boards", "1", "--connector", "c.csv"];
    let second = place.run(&[&practice[..], &named].concat());
    assert_eq!(second.status, Some(74), "{}", second.text());
    assert!(second.stderr.contains("found another program at it"), "{}", second.text());
    let other = place.run(&[&practice[..], &["--data", "d", "--name", "June"]].concat());
    assert_eq!(other.status, Some(0), "{}", other.text());
    writeln!(first.stdin.take().unwrap(), "/stop").unwrap();
    assert_eq!(first.wait().unwrap().code(), Some(0));
    let later = place.run(&[&practice[..], &named].concat());
    assert_eq!(later.status, Some(0), "{}", later.text());
}
