//! Several programs on one history at once.

use std::{sync::Barrier, thread};

use pintally::{
    history::{self, Filter, History, HistoryError, log_of},
    log::{self, LogEvent},
    moment::Moment,
};

use crate::store::swept;

#[test]
fn writers_readers_and_a_rebuild_at_once_lose_nothing() {
    let (data, sessions) = swept();
    let expected = {
        let (other, _) = swept();
        let mut history = History::open(other.path()).unwrap();
        history.catch_up().unwrap();
        history.dump().unwrap()
    };
    // Eight connections to a database that does not exist yet, all at the same time.
    let start = Barrier::new(8);
    thread::scope(|scope| {
        for writer in 0..5 {
            let (data, sessions, start) = (data.path(), &sessions, &start);
            scope.spawn(move || {
                start.wait();
                for round in 0..4 {
                    let mut history = History::open(data).unwrap();
                    history.ingest(&sessions[(writer + round) % 5]).unwrap();
                }
            });
        }
        for _ in 0..2 {
            let (data, start) = (data.path(), &start);
            scope.spawn(move || {
                start.wait();
                let history = History::open(data).unwrap();
                for _ in 0..50 {
                    for found in history.sweeps(&Filter::default()).unwrap().0 {
                        // A sweep is there whole or not at all.
                        if let Some(entry) = history.session(&found.sweep.session).unwrap() {
                            assert_eq!(entry.pins.len(), entry.pin_names.len());
                        }
                    }
                }
            });
        }
        let (data, start) = (data.path(), &start);
        scope.spawn(move || {
            start.wait();
            for _ in 0..3 {
                history::rebuild(data, &mut |_, _| {}).unwrap();
            }
        });
    });
    let mut history = History::open(data.path()).unwrap();
    history.catch_up().unwrap();
    assert_eq!(history.dump().unwrap(), expected);
}

/// A note is on record once it is in the log. A database that is busy for longer than anybody waits learns of it later, and
/// whoever wrote it is not told to write it again.
#[test]
fn a_note_written_while_the_database_is_busy_is_not_lost() {
    let (data, sessions) = swept();
    let mut history = History::open(data.path()).unwrap();
    history.catch_up().unwrap();
    let entry = history.session(&sessions[0]).unwrap().unwrap();
    let board = entry.sweep.board.unwrap();
    let notes = |history: &History| -> Vec<String> {
        let entries = history.board(&board).unwrap();
        entries.into_iter().flat_map(|entry| entry.notes).map(|note| note.text).collect()
    };
    let before = notes(&history).len();
    let busy = rusqlite::Connection::open(data.path().join(history::FILE)).unwrap();
    busy.execute_batch("BEGIN IMMEDIATE").unwrap();
    let noted = history.note(&board, "seen under the microscope", 1_775_000_000_000_000).unwrap();
    assert!(matches!(noted.left, Some(HistoryError::Busy { .. })), "{:?}", noted.left);
    assert_eq!(notes(&history).len(), before);
    drop(busy);
    assert_eq!(history.catch_up().unwrap().taken_in, 1);
    let found = notes(&history);
    assert_eq!(found.iter().filter(|note| *note == "seen under the microscope").count(), 1, "{found:?}");
    assert_eq!(found.len(), before + 1);
    assert_eq!(history.catch_up().unwrap().taken_in, 0, "each log is taken in once");

    // The same for a log of a finished sweep that grew in any other way.
    let event = LogEvent::Note { text: "by another program".to_owned() };
    log::append(&log_of(data.path(), &noted.session), Moment::START, event).unwrap();
    assert_eq!(history.catch_up().unwrap().taken_in, 1);
    assert!(notes(&history).contains(&"by another program".to_owned()));
}
