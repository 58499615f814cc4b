//! How the history grows: size, and times of everything that is done with it, at 1,000, 10,000 and 100,000 sweeps.
//!
//! The first 1,000 come from real session logs of the practice bench, 60 pins each, by a rebuild; the others are put in
//! as rows, with other boards and times. Times of queries stand beside those of a plain table in the same run, since a
//! machine's own speed says nothing.
//!
//! `cargo run --release -p tests --example history_growth -- 100000`
#![allow(
    clippy::disallowed_methods,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a measurement: it writes files, reads the clock, prints, and ends where it fails"
)]

use std::{
    fs,
    path::Path,
    time::{Duration, Instant},
};

use pintally::{
    compare::Kind,
    connector::{Connector, Pin, PinName, Role},
    history::{self, Entry, FILE, Filter, History, pins},
    record::SweepRecord,
};
use rusqlite::{Connection, params};
use tests::practice_log::{Order, PracticeBench};

/// Sweeps from real logs.
const REAL: usize = 1000;

/// Boards that come back: each has so many sweeps.
const SWEEPS_A_BOARD: usize = 4;

fn main() {
    let most: usize =
        std::env::args().nth(1).map_or(100_000, |text| text.parse().expect("a number of sweeps"));
    let data = tempfile::tempdir().unwrap();
    let bytes = write_logs(data.path());
    println!(
        "{REAL} session logs of 60 pins: {:.1} MB, {:.1} kB each\n",
        bytes / 1e6,
        bytes / 1e3 / REAL as f64
    );

    let (_, rebuilding) = timed(|| history::rebuild(data.path(), &mut |_, _| {}).unwrap());
    println!("rebuild: {:.2} ms a log\n", millis(rebuilding) / REAL as f64);
    layouts(data.path());

    println!(
        "| sweeps | size | a sweep | insert alone | insert of 64 | latest 20 | a board | by finding | open a board | rebuild's copy |"
    );
    println!("| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |");
    let mut history = History::open(data.path()).unwrap();
    let models = models(&history);
    let mut size = REAL;
    let mut alone = insert_alone(&mut history, &models, size);
    size += alone.1;
    let mut together = Duration::ZERO;
    for goal in [1000, 10_000, 100_000] {
        if goal > most {
            break;
        }
        if goal > size {
            let from = size;
            let (_, took) = timed(|| fill(&mut history, &models, size, goal));
            together = took / u32::try_from(goal - from).unwrap();
            size = goal;
            alone = insert_alone(&mut history, &models, size);
            size += alone.1;
        }
        row(&history, data.path(), size, alone.0, together);
    }
    println!(
        "\nRatios are to a plain table of the same SQLite in the same run: one row inserted in a transaction of its own, one row read by its key."
    );
}

/// One line of the table.
fn row(history: &History, data: &Path, size: usize, alone: Duration, together: Duration) {
    let base = Baseline::new(data);
    let board = "B00007";
    let latest = base.reads(|| {
        history.sweeps(&Filter { limit: Some(20), ..Filter::default() }).unwrap();
    });
    let of_board = base.reads(|| {
        history.sweeps(&Filter { board: Some(board.into()), ..Filter::default() }).unwrap();
    });
    let by_finding = base.reads(|| {
        let filter = Filter { finding: Some(Kind::Bridge), limit: Some(20), ..Filter::default() };
        history.sweeps(&filter).unwrap();
    });
    let open = base.reads(|| {
        history.board(board).unwrap();
    });
    // What a rebuild does under its lock, and what any full look costs: all rows once.
    let (_, copy) = timed(|| history.dump().unwrap());
    let file = fs::metadata(data.join(FILE)).unwrap().len() as f64;
    let wal = fs::metadata(data.join(format!("{FILE}-wal"))).map_or(0.0, |metadata| metadata.len() as f64);
    let together = match together {
        Duration::ZERO => "".to_owned(),
        time => format!("{:.2} ms", millis(time)),
    };
    println!(
        "| {size} | {:.1} MB | {:.2} kB | {:.2} ms ({:.1}×) | {together} | {latest} | {of_board} | {by_finding} | {open} | {:.1} s |",
        (file + wal) / 1e6,
        file / 1e3 / size as f64,
        millis(alone),
        alone.as_secs_f64() / base.insert.as_secs_f64(),
        copy.as_secs_f64()
    );
}

/// Sixty pins in two rows of thirty: a quarter ground and rails, pairs, lines, and some that lead nowhere. Invented.
fn connector() -> Connector {
    let name = |at: usize| format!("{}{}", if at < 30 { "A" } else { "B" }, at % 30 + 1);
    let pins = (0..60).map(|at| {
        let (net, role) = match at % 10 {
            0 | 5 => ("GND".to_owned(), Role::Ground),
            1 => (format!("VDD{}", at / 20), Role::Power),
            9 if at > 30 => (format!("NC{at}"), Role::Unconnected),
            2 => (format!("LANE{at}_P"), Role::Signal),
            3 => (format!("LANE{}_N", at - 1), Role::Signal),
            _ => (format!("SIG{at}"), Role::Signal),
        };
        let pair = match at % 10 {
            2 => Some(PinName::new(&name(at + 1))),
            3 => Some(PinName::new(&name(at - 1))),
            _ => None,
        };
        Pin {
            row: Some(name(at)[..1].to_owned()),
            position: u16::try_from(at % 30 + 1).ok(),
            net: Some(net),
            role: Some(role),
            pair,
            ..Pin::named(&name(at))
        }
    });
    Connector::new("J60", pins.collect()).unwrap()
}

/// Real sweeps, a tenth of them with faults. Gives the bytes of their logs.
fn write_logs(data: &Path) -> f64 {
    let bench = PracticeBench::with(connector());
    let faults: [&[&'static str]; 4] =
        [&["open:A3"], &["bridge:A5+A7"], &["short:B5=1"], &["open:A9", "raised:B8=200"]];
    let mut bytes = 0.0;
    for at in 0..REAL {
        let order = Order {
            board: board(at),
            seed: (at / SWEEPS_A_BOARD) as u64,
            started: Some(started(at)),
            faults: if at % 10 == 3 { faults[at / 10 % 4].to_vec() } else { Vec::new() },
            notes: if at % 7 == 0 { vec!["came in wet, hinge loose"] } else { Vec::new() },
            ..Order::default()
        };
        let practised = bench.sweep(&order);
        bytes += practised.log.len() as f64;
        practised.file_in(data);
    }
    bytes
}

fn board(at: usize) -> String {
    format!("B{:05}", at / SWEEPS_A_BOARD)
}

/// Ten minutes from one sweep to the next.
fn started(at: usize) -> String {
    let start: jiff::Timestamp = "2026-03-02T08:00:00Z".parse().unwrap();
    (start + jiff::SignedDuration::from_mins(10 * at as i64)).to_string()
}

/// Entries to make others of.
fn models(history: &History) -> Vec<Entry> {
    let (found, _) = history.sweeps(&Filter::default()).unwrap();
    found.iter().take(200).map(|found| history.session(&found.sweep.session).unwrap().unwrap()).collect()
}

fn entry(models: &[Entry], at: usize) -> Entry {
    let mut entry = models[at % models.len()].clone();
    entry.sweep.started = started(at);
    entry.sweep.started_us = Some(entry.sweep.started.parse::<jiff::Timestamp>().unwrap().as_microsecond());
    entry.sweep.board = Some(board(at));
    let digits: String = entry.sweep.started.chars().filter(char::is_ascii_digit).collect();
    entry.sweep.session = format!("{}-{}-000000-{}-{at}", &digits[..8], &digits[8..], board(at));
    entry
}

fn fill(history: &mut History, models: &[Entry], from: usize, to: usize) {
    let mut at = from;
    while at < to {
        let next = (at + 64).min(to);
        let entries: Vec<Entry> = (at..next).map(|at| entry(models, at)).collect();
        history.insert(&entries).unwrap();
        at = next;
    }
}

/// Some inserts, each in a transaction of its own, as after a live sweep: the median, and how many there were.
fn insert_alone(history: &mut History, models: &[Entry], from: usize) -> (Duration, usize) {
    let mut times: Vec<Duration> = (from..from + 100)
        .map(|at| {
            let one = [entry(models, at)];
            timed(|| history.insert(&one).unwrap()).1
        })
        .collect();
    times.sort();
    (times[times.len() / 2], times.len())
}

/// One row of bytes a sweep against a row a pin, at the sweeps that there are.
fn layouts(data: &Path) {
    let mut rows = Vec::new();
    for entry in fs::read_dir(data.join(history::LOGS)).unwrap().take(200) {
        let record = SweepRecord::read(fs::File::open(entry.unwrap().path()).unwrap()).unwrap();
        rows.push((record.session.clone(), Entry::of(&record, 0).pins));
    }
    let place = tempfile::tempdir().unwrap();
    println!("| pins as | a sweep | insert | read one sweep |\n| --- | ---: | ---: | ---: |");
    for in_bytes in [true, false] {
        let path = place.path().join(format!("{in_bytes}.db"));
        let mut connection = Connection::open(&path).unwrap();
        connection.execute_batch("PRAGMA journal_mode = wal; PRAGMA synchronous = normal;").unwrap();
        let sql = match in_bytes {
            true => "CREATE TABLE t (session TEXT NOT NULL PRIMARY KEY, pins BLOB NOT NULL) STRICT",
            false => {
                "CREATE TABLE t (session TEXT NOT NULL, pin INTEGER NOT NULL, kind INTEGER NOT NULL, reading REAL, \
                 difference REAL, verdict INTEGER, PRIMARY KEY (session, pin)) STRICT, WITHOUT ROWID"
            }
        };
        connection.execute(sql, []).unwrap();
        let (_, took) = timed(|| {
            for (session, pins) in &rows {
                let transaction = connection.transaction().unwrap();
                if in_bytes {
                    let sql = "INSERT INTO t VALUES (?, ?)";
                    transaction
                        .prepare_cached(sql)
                        .unwrap()
                        .execute(params![session, pins::encode(pins)])
                        .unwrap();
                } else {
                    let mut statement =
                        transaction.prepare_cached("INSERT INTO t VALUES (?, ?, ?, ?, ?, ?)").unwrap();
                    for (at, pin) in pins.iter().enumerate() {
                        let (reading, difference) =
                            (pin.reading.volts().map(|v| v.get()), pin.difference.map(|v| v.get()));
                        statement.execute(params![session, at as i64, 0, reading, difference, 1]).unwrap();
                    }
                }
                transaction.commit().unwrap();
            }
        });
        let (_, read) = timed(|| {
            for (session, pins) in &rows {
                if in_bytes {
                    let sql = "SELECT pins FROM t WHERE session = ?";
                    let bytes: Vec<u8> = connection
                        .prepare_cached(sql)
                        .unwrap()
                        .query_row([session], |row| row.get(0))
                        .unwrap();
                    assert_eq!(pins::decode(&bytes, pins.len()).unwrap().len(), pins.len());
                } else {
                    let sql =
                        "SELECT kind, reading, difference, verdict FROM t WHERE session = ? ORDER BY pin";
                    let mut statement = connection.prepare_cached(sql).unwrap();
                    let all: Vec<Option<f64>> = statement
                        .query_map([session], |row| row.get(1))
                        .unwrap()
                        .map(Result::unwrap)
                        .collect();
                    assert_eq!(all.len(), pins.len());
                }
            }
        });
        connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
        let size = fs::metadata(&path).unwrap().len() as f64 / rows.len() as f64;
        let each = |time: Duration| millis(time) / rows.len() as f64;
        let name = if in_bytes { "one row of bytes" } else { "a row a pin" };
        println!("| {name} | {size:.0} bytes | {:.3} ms | {:.3} ms |", each(took), each(read));
    }
    println!();
}

/// A plain table of the same SQLite.
struct Baseline {
    read: Duration,
    insert: Duration,
}

impl Baseline {
    fn new(data: &Path) -> Self {
        let place = tempfile::tempdir_in(data).unwrap();
        let connection = Connection::open(place.path().join("plain.db")).unwrap();
        connection
            .execute_batch(
                "PRAGMA journal_mode = wal; PRAGMA synchronous = normal; \
                 CREATE TABLE t (key TEXT NOT NULL PRIMARY KEY, value BLOB NOT NULL) STRICT;",
            )
            .unwrap();
        let mut inserts: Vec<Duration> = (0..200)
            .map(|at| {
                timed(|| {
                    let mut statement = connection.prepare_cached("INSERT INTO t VALUES (?, ?)").unwrap();
                    statement.execute(params![format!("key {at}"), vec![7_u8; 400]]).unwrap();
                })
                .1
            })
            .collect();
        inserts.sort();
        let read = median(|| {
            let mut statement = connection.prepare_cached("SELECT value FROM t WHERE key = ?").unwrap();
            let _: Vec<u8> = statement.query_row(["key 77"], |row| row.get(0)).unwrap();
        });
        Self { read, insert: inserts[100] }
    }

    /// The time of a query, and how many plain reads that is.
    fn reads(&self, mut query: impl FnMut()) -> String {
        let time = median(&mut query);
        format!("{:.2} ms ({:.0}×)", millis(time), time.as_secs_f64() / self.read.as_secs_f64())
    }
}

fn median(mut what: impl FnMut()) -> Duration {
    let mut times: Vec<Duration> = (0..51).map(|_| timed(&mut what).1).collect();
    times.sort();
    times[25]
}

fn timed<T>(what: impl FnOnce() -> T) -> (T, Duration) {
    let start = Instant::now();
    let result = what();
    (result, start.elapsed())
}

fn millis(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}
