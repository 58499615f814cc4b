//! What goes into the history comes out of it, and a rebuilt history says the same as one that grew.

use std::{fs, path::Path};

use pintally::{
    compare::Kind,
    history::{self, FILE, FORM, Filter, History, HistoryError, changes},
    readings::PinValue,
};
use tempfile::TempDir;
use tests::practice_log::{Order, PracticeBench};

/// A data directory with sweeps of three boards; their sessions, oldest first.
pub(crate) fn swept() -> (TempDir, Vec<String>) {
    let bench = PracticeBench::new();
    let data = tempfile::tempdir().unwrap();
    let order = |board: &str, seed, day| Order {
        board: board.to_owned(),
        seed,
        started: Some(format!("2026-03-{day:02}T09:15:00.25Z")),
        ..Order::default()
    };
    let orders = [
        Order { faults: vec!["open:A8"], notes: vec!["hinge was wet"], ..order("T-1", 1, 2) },
        order("T-2", 2, 3),
        Order { faults: vec!["short:A9=1", "open:B2"], ..order("T-3", 3, 4) },
        order("T-1", 1, 5),
        Order { unjudged: true, jig_troubles: vec!["dead:5"], ..order("T-2", 2, 6) },
    ];
    let sessions = orders.iter().map(|order| bench.sweep(order).file_in(data.path())).collect();
    (data, sessions)
}

fn cut_short(data: &Path, session: &str) {
    let path = history::log_of(data, session);
    let bytes = fs::read(&path).unwrap();
    fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
}

#[test]
fn a_rebuilt_history_has_the_same_rows() {
    let (data, sessions) = swept();
    cut_short(data.path(), &sessions[2]);
    fs::write(data.path().join("logs/empty.jsonl"), "").unwrap();
    fs::copy(history::log_of(data.path(), &sessions[0]), data.path().join("logs/other-name.jsonl")).unwrap();

    // It grows in another order than that of time, some of it twice, some of it only later.
    let mut grown = History::open(data.path()).unwrap();
    for at in [3, 1, 3, 0] {
        grown.ingest(&sessions[at]).unwrap();
    }
    let caught_up = grown.catch_up().unwrap();
    assert_eq!(caught_up.taken_in, 2);
    let mut words: Vec<String> = caught_up.unusable.iter().map(ToString::to_string).collect();
    words.sort();
    assert!(words[0].contains("empty.jsonl: expected a session log, found an empty file"), "{words:?}");
    assert!(words[1].contains("found it in other-name.jsonl"), "{words:?}");
    grown.note("T-2", "came back: \"flickers\" <again>", 1_775_000_000_000_000).unwrap();
    grown.forget("T-1", "2026-04-01T08:00:00Z", Some("Ada")).unwrap();
    assert_eq!(grown.catch_up().unwrap().taken_in, 0);
    let expected = grown.dump().unwrap();
    assert!(expected.lines().count() > 25, "{expected}");

    let mut told = Vec::new();
    let rebuilt = history::rebuild(data.path(), &mut |done, all| told.push((done, all))).unwrap();
    assert_eq!((rebuilt.sessions, rebuilt.unusable.len(), rebuilt.set_aside), (5, 2, None));
    assert_eq!((told.first(), told.last()), (Some(&(0, 7)), Some(&(7, 7))));
    // The same connection sees the new rows, and so does a new one.
    assert_eq!(grown.dump().unwrap(), expected);
    assert_eq!(History::open(data.path()).unwrap().dump().unwrap(), expected);

    // And in a place where there never was a database.
    let elsewhere = tempfile::tempdir().unwrap();
    fs::create_dir(elsewhere.path().join("logs")).unwrap();
    for entry in fs::read_dir(data.path().join("logs")).unwrap() {
        let path = entry.unwrap().path();
        fs::copy(&path, elsewhere.path().join("logs").join(path.file_name().unwrap())).unwrap();
    }
    history::rebuild(elsewhere.path(), &mut |_, _| {}).unwrap();
    assert_eq!(History::open(elsewhere.path()).unwrap().dump().unwrap(), expected);
    // Nothing else is left lying about.
    let mut left: Vec<String> = fs::read_dir(elsewhere.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|name| !name.ends_with("-wal") && !name.ends_with("-shm"))
        .collect();
    left.sort();
    assert_eq!(left, [FILE, "logs"]);
}

#[test]
fn sweeps_are_listed_and_filtered() {
    let (data, sessions) = swept();
    let mut history = History::open(data.path()).unwrap();
    history.catch_up().unwrap();
    let check = |filter: Filter, expected: &[usize], all: u64| {
        let (found, count) = history.sweeps(&filter).unwrap();
        let found: Vec<&str> = found.iter().map(|found| found.sweep.session.as_str()).collect();
        let expected: Vec<&str> = expected.iter().map(|&at| sessions[at].as_str()).collect();
        assert_eq!((found, count), (expected, all), "{filter:?}");
    };
    let none = Filter::default;
    check(none(), &[4, 3, 2, 1, 0], 5);
    check(Filter { limit: Some(2), ..none() }, &[4, 3], 5);
    check(Filter { board: Some("T-1".into()), ..none() }, &[3, 0], 2);
    check(Filter { board: Some("' OR 1=1 --".into()), ..none() }, &[], 0);
    check(Filter { connector: Some("J5".into()), limit: Some(1), ..none() }, &[4], 5);
    check(Filter { connector: Some("J6".into()), ..none() }, &[], 0);
    // 4 March 2026, 0:00 UTC, in microseconds.
    let march_4 = 1_772_582_400_000_000;
    check(Filter { from_us: Some(march_4), ..none() }, &[4, 3, 2], 3);
    check(Filter { until_us: Some(march_4), ..none() }, &[1, 0], 2);
    check(Filter { finding: Some(Kind::OpenJoint), ..none() }, &[2, 0], 2);
    check(Filter { finding: Some(Kind::ShortToGround), board: Some("T-3".into()), ..none() }, &[2], 1);
    check(Filter { finding: Some(Kind::Bridge), ..none() }, &[], 0);
    check(Filter { verdict: Some("matches".into()), ..none() }, &[3, 1], 2);
    check(Filter { batch: Some("May".into()), ..none() }, &[], 0);
}

#[test]
fn one_board_over_time() {
    let (data, _) = swept();
    let mut history = History::open(data.path()).unwrap();
    history.catch_up().unwrap();
    let entries = history.board("T-1").unwrap();
    let [before, after] = entries.as_slice() else { panic!("{entries:?}") };
    assert_eq!(before.sweep.verdict.as_deref(), Some("differs"));
    assert_eq!(before.findings[0].pins, ["A8"]);
    assert_eq!(before.notes[0].text, "hinge was wet");
    assert_eq!(before.conditions.meter, "bench-stream");
    assert_eq!(before.reference.unwrap().1, Some(5));
    assert!(after.sweep.matches());
    // A8 and A9 share a net, and only the joint of A8 was open.
    let changed = changes(before, after).unwrap();
    let [change] = changed.as_slice() else { panic!("{changed:?}") };
    assert_eq!((change.pin.as_str(), change.before.reading), ("A8", PinValue::Overload));
    assert!(change.after.reading.volts().is_some());
    assert_eq!(changes(after, after), Some(Vec::new()));
    assert!(matches!(history.board("T-9"), Err(HistoryError::NoSuchBoard { .. })));
    let session = &entries[0].sweep.session;
    assert_eq!(history.session(session).unwrap().as_ref(), Some(before));
    assert_eq!(history.session("no such").unwrap(), None);
}

#[test]
fn a_damaged_database_is_told_and_made_again() {
    let (data, _) = swept();
    let path = data.path().join(FILE);
    let expected = {
        let mut history = History::open(data.path()).unwrap();
        history.catch_up().unwrap();
        history.dump().unwrap()
    };
    let sound = fs::read(&path).unwrap();
    let damages: [(&str, Vec<u8>); 3] = [
        ("no database at all", b"this is a letter to the editor ".repeat(40)),
        ("the first page lost", [vec![0xFF; 4096], sound[4096..].to_vec()].concat()),
        ("pages in the middle lost", {
            let mut bytes = sound.clone();
            bytes[4096..9 * 4096].fill(0xA5);
            bytes
        }),
    ];
    for (number, (what, bytes)) in damages.iter().enumerate() {
        fs::write(&path, bytes).unwrap();
        let error = History::open(data.path()).and_then(|history| history.dump()).unwrap_err();
        assert!(matches!(error, HistoryError::Damaged { .. }), "{what}: {error}");
        assert!(error.to_string().contains("damaged") && error.hint().contains("history rebuild"), "{error}");
        let rebuilt = history::rebuild(data.path(), &mut |_, _| {}).unwrap();
        let aside = rebuilt.set_aside.unwrap();
        assert!(aside.ends_with(format!("{FILE}.unusable-{}", number + 1)), "{what}: {}", aside.display());
        assert_eq!(&fs::read(aside).unwrap(), bytes, "{what}");
        assert_eq!(History::open(data.path()).unwrap().dump().unwrap(), expected, "{what}");
    }
}

#[test]
fn a_newer_form_is_refused_with_words() {
    let (data, _) = swept();
    drop(History::open(data.path()).unwrap());
    let connection = rusqlite::Connection::open(data.path().join(FILE)).unwrap();
    connection.pragma_update(None, "user_version", FORM + 1).unwrap();
    drop(connection);
    let error = History::open(data.path()).unwrap_err();
    let words = format!("form {FORM} or older");
    assert!(error.to_string().contains(&words) && error.to_string().contains("found form"), "{error}");
    assert!(error.hint().contains("newer program"), "{}", error.hint());
    let rebuilt = history::rebuild(data.path(), &mut |_, _| {}).unwrap();
    assert!(rebuilt.set_aside.is_some());
    assert_eq!(History::open(data.path()).unwrap().sweeps(&Filter::default()).unwrap().1, 5);
}

#[test]
fn names_from_a_log_never_reach_sql_or_paths() {
    let names = [
        "'; DROP TABLE sweep; --",
        "../../etc/T",
        "<img src=x>",
        "\u{1b}[2J\u{202e}",
        "\"quoted\"",
        "%",
        "ü\0",
    ];
    let bench = PracticeBench::new();
    let data = tempfile::tempdir().unwrap();
    for (seed, name) in (1..).zip(names) {
        let order = Order {
            board: name.to_owned(),
            seed,
            notes: vec!["'); DELETE FROM note; --"],
            ..Order::default()
        };
        bench.sweep(&order).file_in(data.path());
    }
    let mut history = History::open(data.path()).unwrap();
    assert_eq!(history.catch_up().unwrap().taken_in, 7);
    for name in names {
        let entries = history.board(name).unwrap();
        assert_eq!((entries.len(), entries[0].sweep.board.as_deref()), (1, Some(name)));
        assert_eq!(entries[0].notes[0].text, "'); DELETE FROM note; --");
        history.note(name, "more ' words", 0).unwrap();
        assert_eq!(history.board(name).unwrap()[0].notes.len(), 2);
    }
    // A log whose session is a path is not where it says it is.
    let mut practised = bench.sweep(&Order { board: "T".to_owned(), ..Order::default() });
    practised.header.session = "../../outside".to_owned();
    let line = pintally::log::encode(&pintally::log::LogLine {
        number: 1,
        at: pintally::moment::Moment::START,
        event: pintally::log::LogEvent::Header(Box::new(practised.header.clone())),
    });
    fs::write(data.path().join("logs/inside.jsonl"), line.unwrap()).unwrap();
    let unusable = history.catch_up().unwrap().unusable;
    assert!(unusable[0].to_string().contains("session ../../outside"), "{}", unusable[0]);
}
