//! The history and the batch with their files cut and their process killed: the logs are the record, and what they say
//! is in the history afterwards.

use std::{collections::BTreeMap, fs, os::unix::process::ExitStatusExt, path::Path};

use pintally::{
    exit_status,
    history::{self, FILE, History, HistoryError},
};
use serde_json::Value;

use crate::{
    bench::{has, place},
    kill::{SIGKILL, at_every_change, copy, killed_at},
    run::Place,
};

/// What SQLite keeps beside the database while it is open.
const WAL: &str = "history.db-wal";

/// A page of SQLite.
const PAGE: usize = 4096;

/// Where a file is cut: at every byte of its first kilobyte, around every page, and at every 97th byte besides; or,
/// where `PINTALLY_EVERY_BYTE` is set, at every byte (ten minutes).
fn cuts(length: usize) -> impl Iterator<Item = usize> {
    let every_byte = std::env::var_os("PINTALLY_EVERY_BYTE").is_some();
    let is_near_page = |at: usize| (at + 2) % PAGE < 4;
    (0..length).filter(move |&at| every_byte || at < 1024 || at % 97 == 0 || is_near_page(at))
}

/// Sweeps two boards into a data directory: what the whole history says, to the last row.
fn two_sweeps(place: &Place, data: &Path) -> String {
    for board in ["first", "second"] {
        let words = ["sweep", "--practice", "--instant", "--quiet", "--connector", "c.csv", "--data", "d"];
        let swept = place.run(&[&words[..], &["--fault", "open:2", "--board", board]].concat());
        assert_eq!(swept.status, Some(1), "{}", swept.text());
    }
    History::open(data).unwrap().dump().unwrap()
}

/// Opens the history as a command does, and gives all that it says.
fn said(data: &Path) -> Result<String, HistoryError> {
    let mut history = History::open(data)?;
    history.catch_up()?;
    history.dump()
}

/// With one of its files cut, the history says all that it said, or that it is damaged and what to do; and doing that
/// brings all of it back.
fn check(data: &Path, expected: &str, context: &str, is_repaired: bool) -> bool {
    let error = match said(data) {
        Ok(found) => {
            assert_eq!(found, expected, "{context}");
            return false;
        }
        Err(error) => error,
    };
    assert!(matches!(error, HistoryError::Damaged { .. }), "{context}: {error:?}");
    assert!(error.to_string().contains("expected the history in"), "{context}: {error}");
    assert!(error.hint().contains("history rebuild"), "{context}: {}", error.hint());
    assert_eq!(error.exit_status(), exit_status::ExitStatus::Data);
    if is_repaired {
        let rebuilt = history::rebuild(data, &mut |_, _| {}).unwrap();
        assert!(rebuilt.set_aside.is_some(), "{context}");
        assert_eq!(said(data).unwrap(), expected, "{context}");
        fs::remove_file(rebuilt.set_aside.unwrap()).unwrap();
    }
    true
}

#[test]
fn the_history_cut_at_every_byte() {
    let place = place();
    let data = place.path().join("d");
    let expected = two_sweeps(&place, &data);
    let whole = fs::read(data.join(FILE)).unwrap();
    assert!(!data.join(WAL).exists(), "the database was closed");
    let (mut tried, mut damaged) = (0, 0);
    for cut in cuts(whole.len()) {
        for beside in [WAL, "history.db-shm"] {
            let _ = fs::remove_file(data.join(beside));
        }
        fs::write(data.join(FILE), &whole[..cut]).unwrap();
        tried += 1;
        damaged += usize::from(check(&data, &expected, &format!("database cut at {cut}"), tried % 20 == 0));
    }
    assert!(tried > 1500 && damaged > tried / 2, "{tried} {damaged}");
    println!("{tried} cuts, {damaged} of them told as damage");
}

/// What a power cut leaves: the write-ahead log ends anywhere.
#[test]
fn the_write_ahead_log_cut_at_every_byte() {
    let place = place();
    let data = place.path().join("d");
    let expected = two_sweeps(&place, &data);
    // Made anew and copied while it is open: all of it is in the write-ahead log still.
    fs::remove_file(data.join(FILE)).unwrap();
    let mut history = History::open(&data).unwrap();
    history.catch_up().unwrap();
    let [database, wal] = [FILE, WAL].map(|file| fs::read(data.join(file)).unwrap());
    drop(history);
    assert!(wal.len() > PAGE, "{}", wal.len());
    let mut tried = 0;
    for cut in cuts(wal.len()) {
        let _ = fs::remove_file(data.join("history.db-shm"));
        fs::write(data.join(FILE), &database).unwrap();
        fs::write(data.join(WAL), &wal[..cut]).unwrap();
        // A torn end of it is no damage: what it held is read from the logs again.
        let context = format!("write-ahead log cut at {cut}");
        assert!(!check(&data, &expected, &context, true), "{context}");
        tried += 1;
    }
    println!("{tried} cuts");
}

/// A batch of the practice bench.
fn batch(more: &[&'static str]) -> Vec<&'static str> {
    let words = ["batch", "--practice", "--data", "d", "--connector", "c.csv", "--seed", "9", "--quiet"];
    [&words[..], &["--faulty", "0.5", "--count-from", "T1"], more].concat()
}

/// Place on the list to board and verdict: of the latest attempt, and only if it came to its end.
fn verdicts(place: &Place) -> BTreeMap<u64, (String, String)> {
    let words = ["history", "--data", "d", "--all", "--format", "json", "--batch", "B"];
    let outcome = place.run(&words);
    assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    let sweeps: Vec<Value> = outcome.stdout.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let mut found: BTreeMap<u64, (u64, (String, String))> = BTreeMap::new();
    for sweep in sweeps.iter().filter(|sweep| sweep["ending"] == "complete") {
        let number = |field: &str| sweep["batch"][field].as_u64().unwrap();
        let text = |field: &str| sweep[field].as_str().unwrap_or_default().to_owned();
        let (attempt, latest) = (number("attempt"), (text("board"), text("verdict")));
        let known = found.get(&number("place")).map_or(0, |(attempt, _)| *attempt);
        if attempt >= known {
            found.insert(number("place"), (attempt, latest));
        }
    }
    found.into_iter().map(|(place, (_, verdict))| (place, verdict)).collect()
}

/// SIGKILL at each change of a file while the second board of a batch is swept, judged and taken in: the first is done,
/// the second is done or named and swept again, and the batch goes on to what it would have come to.
#[test]
fn a_batch_survives_sigkill_at_every_change_of_a_file() {
    if !has("strace") {
        return;
    }
    let place = place();
    let data = place.path().join("d");
    let begun = place.run(&batch(&["--name", "B", "--boards", "1"]));
    assert!(matches!(begun.status, Some(0..=2)), "{}", begun.text());
    copy(&data, &place.path().join("before"));
    let whole = place.run(&batch(&["--resume", "B", "--boards", "2"]));
    assert!(matches!(whole.status, Some(0..=2)), "{}", whole.text());
    let expected = verdicts(&place);
    assert_eq!(expected.len(), 2, "{expected:?}");
    let mut done_early = 0;
    let killed = at_every_change(|kind, call| {
        fs::remove_dir_all(&data).unwrap();
        copy(&place.path().join("before"), &data);
        let status = killed_at(&place, kind, call, &batch(&["--resume", "B", "--boards", "2"]));
        if status.signal() != Some(SIGKILL) {
            assert!(matches!(status.code(), Some(0..=2)), "{kind} {call}: {status}");
            return false;
        }
        let left = verdicts(&place);
        assert_eq!(left.get(&1), expected.get(&1), "killed at {kind} {call}");
        done_early += usize::from(left.len() == 2);
        let resumed = place.run(&batch(&["--resume", "B", "--boards", "2"]));
        assert!(matches!(resumed.status, Some(0..=2)), "killed at {kind} {call}: {}", resumed.text());
        assert_eq!(verdicts(&place), expected, "killed at {kind} {call}: {}", resumed.text());
        true
    });
    assert!(killed > 100 && (1..killed).contains(&done_early), "{killed} {done_early}");
    println!("{killed} batches killed at a change of a file");
}

/// A log that is copied into the folder is there whole or not at all, whenever the copying is killed; and again works.
#[test]
fn a_log_is_added_whole_or_not_at_all() {
    if !has("strace") {
        return;
    }
    let place = place();
    let words = ["sweep", "--practice", "--instant", "--quiet", "--connector", "c.csv", "--board", "mailed"];
    let made = place.run(&[&words[..], &["--log", "m.jsonl"]].concat());
    assert_eq!(made.status, Some(0), "{}", made.text());
    let log = fs::read(place.path().join("m.jsonl")).unwrap();
    let add = ["history", "add", "m.jsonl", "--data", "d"];
    let killed = at_every_change(|kind, call| {
        let _ = fs::remove_dir_all(place.path().join("d"));
        let status = killed_at(&place, kind, call, &add);
        if status.signal() != Some(SIGKILL) {
            assert_eq!(status.code(), Some(0), "{kind} {call}");
            return false;
        }
        let folder = place.path().join("d/logs");
        let copies = fs::read_dir(&folder).into_iter().flatten().map(|entry| entry.unwrap().path());
        for copy in copies.filter(|path| path.extension().is_some_and(|end| end == "jsonl")) {
            assert!(
                fs::read(&copy).unwrap() == log,
                "killed at {kind} {call}: {} is not whole",
                copy.display()
            );
        }
        let again = place.run(&add);
        assert_eq!(again.status, Some(0), "killed at {kind} {call}: {}", again.text());
        let listed = place.run(&["history", "--data", "d", "--format", "json"]);
        assert_eq!(listed.stdout.lines().count(), 1, "killed at {kind} {call}: {}", listed.text());
        true
    });
    assert!(killed > 50, "only {killed} changes of files");
    println!("{killed} copies killed at a change of a file");
}

/// `history.db` is a name that other programs take as well.
#[test]
fn a_database_of_another_program_is_left_alone() {
    let place = place();
    fs::create_dir(place.path().join("d")).unwrap();
    let path = place.path().join("d/history.db");
    let other = rusqlite::Connection::open(&path).unwrap();
    other.execute_batch("CREATE TABLE note (text TEXT); INSERT INTO note VALUES ('theirs');").unwrap();
    drop(other);
    let before = fs::read(&path).unwrap();
    let sweep = place.run(&["sweep", "--practice", "--instant", "--connector", "c.csv", "--data", "d"]);
    assert_eq!(sweep.status, Some(0), "{}", sweep.text());
    assert!(
        sweep.stderr.contains("warning: this sweep is in its log, but not in the history"),
        "{}",
        sweep.text()
    );
    for words in [&["history", "--data", "d"][..], &["history", "rebuild", "--data", "d"]] {
        let outcome = place.run(words);
        assert_eq!(outcome.status, Some(65), "{words:?}: {}", outcome.text());
        assert!(outcome.stderr.contains("found a database of another program"), "{}", outcome.text());
        assert!(outcome.stderr.contains("name another data directory"), "{}", outcome.text());
    }
    assert!(fs::read(&path).unwrap() == before, "not a byte of it has changed");
}
