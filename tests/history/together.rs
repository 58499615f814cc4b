//! Several programs on one history at once.

use std::{sync::Barrier, thread};

use pintally::history::{self, Filter, History};

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
