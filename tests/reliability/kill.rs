//! The process dies in the middle of a sweep: what is on the disk then is kept, and the rest is named.

use std::{
    collections::BTreeSet,
    ffi::OsStr,
    fs,
    os::unix::process::ExitStatusExt,
    path::Path,
    process::{ExitStatus, Stdio},
    thread,
    time::{Duration, Instant},
};

use pintally::log::{LogReader, TroubleKind};

use crate::{
    bench::{LIMIT, has, limited, place, read, recorded, replay, replayed, sweep, under, whole_log},
    run::Place,
};

pub(crate) const SIGKILL: i32 = 9;
const SIGXFSZ: i32 = 25;

/// What a killed sweep has left behind is all that was written, and a replay works with it.
fn check_what_is_left(place: &Place, context: &str) -> usize {
    let path = place.path().join("t.jsonl");
    let log = fs::read(&path).unwrap_or_default();
    let outcome = replay(place, Path::new("t.jsonl"));
    let context = format!("{context}\n{}", outcome.text());
    // A header may be whole but for its line end.
    if LogReader::new(&log[..]).is_err() {
        // Nothing has been acknowledged yet, and that is said.
        let expected = match (path.exists(), log.is_empty()) {
            (false, _) => "No such file",
            (true, true) => "found an empty file",
            (true, false) => "found only part of that line",
        };
        assert!(outcome.stderr.contains(expected), "{context}");
        assert!(matches!(outcome.status, Some(65 | 66)), "{context}");
        return 0;
    }
    let (lines, troubles) = read(&log);
    assert!(troubles.len() <= 1, "{context}");
    for trouble in &troubles {
        assert!(matches!(trouble.kind, TroubleKind::Torn), "{context}");
        assert!(outcome.stderr.contains("the log ends in the middle of this line"), "{context}");
    }
    assert!(matches!(outcome.status, Some(0..=2)), "{context}");
    assert!(!outcome.stderr.contains("otherwise than live"), "{context}");
    let seen = replayed(&outcome);
    assert_eq!(seen.len(), 4, "{context}");
    for (pin, value) in recorded(&lines) {
        let shown = seen.iter().find(|(name, _)| *name == pin).map(|(_, shown)| shown.as_str());
        let is_same = shown.is_some_and(|shown| value.starts_with(shown) || shown == value);
        assert!(is_same, "pin {pin}: recorded {value}, replayed {shown:?}\n{context}");
    }
    lines.len() + 1
}

/// The kernel kills the process while it writes: in the middle of each event, and at each line's end.
#[test]
fn killed_by_the_system_in_the_middle_of_every_event() {
    if !has("prlimit") {
        return;
    }
    let log = whole_log();
    let ends: Vec<usize> = (0..log.len()).filter(|&at| log[at] == b'\n').collect();
    let mut kept = BTreeSet::new();
    for (event, end) in ends.iter().enumerate() {
        let begin = if event == 0 { 0 } else { ends[event - 1] + 1 };
        for room in [begin, begin + (end - begin) / 2] {
            let place = place();
            let status = limited(&place, &sweep(&["--instant", "--quiet"]), room as u64, true)
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .status()
                .unwrap();
            assert_eq!(status.signal(), Some(SIGXFSZ), "event {}: {status}", event + 1);
            kept.insert(check_what_is_left(&place, &format!("killed in event {}", event + 1)));
        }
    }
    // Times in a log are of the sweep, but its name and beginning are of the clock: lines differ by some bytes.
    assert!(kept.len() + 2 >= ends.len(), "only {} different remains of {} events", kept.len(), ends.len());
}

/// Waits until the log has a line with such an event, then kills the sweep at once. On a busy machine the sweep may be
/// over before the signal: then another one is killed.
fn kill_after(kind: &str) -> usize {
    // The last events come when the sweep is over anyway.
    let is_last = matches!(kind, "judgement" | "end");
    for _ in 0..20 {
        let (kept, is_killed) = kill_once_after(kind);
        if is_killed || is_last {
            return kept;
        }
    }
    panic!("{kind}: every sweep was quicker than the signal");
}

/// How many events of a sweep were kept, and whether it was killed before its end.
fn kill_once_after(kind: &str) -> (usize, bool) {
    let place = place();
    let mut sweep =
        place.command(&sweep(&["--quiet"])).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let path = place.path().join("t.jsonl");
    let needle = format!("\"event\":{{\"{kind}\"");
    let began = Instant::now();
    loop {
        let log = fs::read(&path).unwrap_or_default();
        if String::from_utf8_lossy(&log).contains(&needle) {
            break;
        }
        assert!(began.elapsed() < LIMIT, "no {kind} in {LIMIT:?}");
        thread::sleep(Duration::from_millis(1));
    }
    sweep.kill().unwrap();
    let status = sweep.wait().unwrap();
    assert!(status.signal() == Some(SIGKILL) || status.code() == Some(1), "{kind}: {status}");
    (check_what_is_left(&place, &format!("SIGKILL after {kind}")), status.signal() == Some(SIGKILL))
}

/// A real sweep in real time through pseudo-terminals, killed as soon as an event of each kind is in its log.
#[test]
fn sigkill_after_each_kind_of_event() {
    let log = whole_log();
    let (lines, _) = read(&log);
    let mut kinds: Vec<&str> = vec!["header"];
    for line in &lines {
        if !kinds.contains(&line.event.kind()) {
            kinds.push(line.event.kind());
        }
    }
    for kind in
        ["confirmed", "note", "override", "meter_bytes", "jig_message", "pin_result", "judgement", "end"]
    {
        assert!(kinds.contains(&kind), "{kinds:?}");
    }
    for chunk in kinds.chunks(4) {
        thread::scope(|scope| {
            for kind in chunk {
                scope.spawn(move || assert!(kill_after(kind) > 0, "{kind}: nothing was kept"));
            }
        });
    }
}

/// SIGKILL at the write of every event, by way of `strace`.
#[test]
fn sigkill_at_the_write_of_an_event() {
    if !has("strace") {
        return;
    }
    let events = whole_log().iter().filter(|&&byte| byte == b'\n').count();
    for event in 1..=events {
        let place = place();
        let log = place.path().join("t.jsonl");
        let inject = format!("inject=write:signal=SIGKILL:when={event}");
        let watched = ["-f", "-qq", "-o", "/dev/null", "-e", "trace=write", "-e", &inject, "-P"];
        let mut arguments = watched.map(OsStr::new).to_vec();
        arguments.push(log.as_os_str());
        let status = under(&place, "strace", &arguments, &sweep(&["--instant", "--quiet"]))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .unwrap();
        assert_eq!(status.signal(), Some(SIGKILL), "event {event}: {status}");
        let kept = check_what_is_left(&place, &format!("SIGKILL at write {event}"));
        assert!(kept == event || kept + 1 == event, "SIGKILL at write {event}: {kept} events are kept");
    }
    println!("{events} sweeps killed at the write of an event");
}

/// Calls of the system that change what is on the disk.
const CHANGES: [&str; 9] =
    ["write", "pwrite64", "ftruncate", "unlink", "fdatasync", "fsync", "mkdir", "rename", "link"];

/// Runs the command, and kills it at such a call of the system, counted from 1: `strace` counts each kind by itself.
pub(crate) fn killed_at(place: &Place, kind: &str, call: usize, words: &[&str]) -> ExitStatus {
    let (trace, inject) = (format!("trace={kind}"), format!("inject={kind}:signal=SIGKILL:when={call}"));
    let arguments = ["-f", "-qq", "-o", "/dev/null", "-e", &trace, "-e", &inject].map(OsStr::new);
    under(place, "strace", &arguments, words).stdout(Stdio::null()).stderr(Stdio::null()).status().unwrap()
}

/// Tries each call of each kind until the command was not killed any more; gives how often it was.
pub(crate) fn at_every_change(mut try_one: impl FnMut(&str, usize) -> bool) -> usize {
    let calls = |kind| (1..).take_while(|&call| try_one(kind, call)).count();
    CHANGES.map(calls).iter().sum()
}

/// Copies a folder with all that is in it.
pub(crate) fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let to = to.join(entry.file_name());
        match entry.path().is_dir() {
            true => copy(&entry.path(), &to),
            false => {
                fs::copy(entry.path(), to).unwrap();
            }
        }
    }
}

/// Boards in the history of a data directory, as `history --format csv` lists them.
fn boards(place: &Place, data: &str) -> Vec<String> {
    let outcome = place.run(&["history", "--data", data, "--format", "csv"]);
    assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    let mut table = csv::Reader::from_reader(outcome.stdout.as_bytes());
    let column = table.headers().unwrap().iter().position(|name| name == "board").unwrap();
    table.records().map(|row| row.unwrap()[column].to_owned()).collect()
}

/// SIGKILL at each change of a file, from the log's header to the last page of the history: the sweep before is in the
/// history afterwards, and this one if its log is whole.
#[test]
fn the_history_survives_sigkill_at_every_change_of_a_file() {
    if !has("strace") {
        return;
    }
    let place = place();
    let words = |data: &'static str, board: &'static str| {
        [
            "sweep",
            "--practice",
            "--instant",
            "--quiet",
            "--connector",
            "c.csv",
            "--data",
            data,
            "--board",
            board,
        ]
    };
    let first = place.run(&words("before", "first"));
    assert_eq!(first.status, Some(0), "{}", first.text());
    assert_eq!(boards(&place, "before"), ["first"]);
    let mut listed = 0;
    let killed = at_every_change(|kind, call| {
        let data = place.path().join("data");
        let _ = fs::remove_dir_all(&data);
        copy(&place.path().join("before"), &data);
        let status = killed_at(&place, kind, call, &words("data", "second"));
        if status.signal() != Some(SIGKILL) {
            assert_eq!(status.code(), Some(0), "{kind} {call}: {status}");
            return false;
        }
        let found = boards(&place, "data");
        assert!(found.contains(&"first".to_owned()), "killed at {kind} {call}: {found:?}");
        let is_whole =
            |path: &Path| fs::read_to_string(path).is_ok_and(|log| log.contains("\"event\":{\"end\""));
        let whole = fs::read_dir(data.join("logs"))
            .unwrap()
            .filter(|entry| is_whole(&entry.as_ref().unwrap().path()))
            .count();
        assert_eq!(
            found.iter().collect::<BTreeSet<_>>().len().max(whole),
            found.len(),
            "{kind} {call}: {found:?}"
        );
        assert!(found.len() >= whole, "killed at {kind} {call}: {whole} whole logs, {found:?}");
        listed = listed.max(found.len());
        // What the database says is what the logs say.
        let rebuilt = place.run(&["history", "rebuild", "--data", "data"]);
        assert_eq!(rebuilt.status, Some(0), "killed at {kind} {call}: {}", rebuilt.text());
        assert_eq!(boards(&place, "data"), found, "killed at {kind} {call}");
        true
    });
    assert_eq!(listed, 2);
    assert!(killed > 150, "only {killed} changes of files");
    println!("{killed} sweeps killed at a change of a file");
}
