//! A walk at a fixed dwell looks after the same things as a sweep that waits for each pin.

use std::{io, time::Duration};

use pintally::{
    connector::{self, Connector},
    meter,
    moment::Moment,
    practice::{Bench, BenchDevices, Design, JigSetup, Specimen, meter::MeterOptions},
    readings::PinValue,
    sweep::{
        Devices, Guard, Heard, Notice, Observer, Plan, Record, Recorder, Score, Setting, SweepError, Swept,
        Timing, run,
    },
};
use protocol::{Pace, Request};

const DWELL: Duration = Duration::from_millis(1500);

/// What happens to a walk besides what the meter shows.
#[derive(Debug, Clone, Copy, Default)]
struct Mishap {
    /// The operator stops it.
    stop: Option<Moment>,
    /// The record has a gap from so many pins on.
    full_after: Option<usize>,
}

struct Watched {
    devices: BenchDevices,
    stop: Option<Moment>,
}

impl Devices for Watched {
    fn now(&self) -> Moment {
        self.devices.now()
    }

    fn wait(&mut self, until: Moment) -> Heard {
        match self.stop.take_if(|stop| self.devices.now() >= *stop) {
            Some(_) => Heard::Stop,
            None => self.devices.wait(until),
        }
    }

    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.devices.to_jig(bytes)
    }

    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.devices.to_meter(bytes)
    }
}

/// Pairs from the record, and keeps what was asked.
struct Book {
    echo: Observer,
    asked: Vec<Request>,
    pins: usize,
    full_after: Option<usize>,
}

impl Recorder for Book {
    fn record(&mut self, at: Moment, record: Record<'_>) {
        match record {
            Record::MeterBytes(bytes) => drop(self.echo.meter_bytes(bytes, at)),
            Record::Jig(message) => drop(self.echo.jig_message(message, at)),
            Record::SentToJig(frame) => {
                self.echo.sent_to_jig(frame, at);
                self.asked.push(frame.request.clone());
            }
            Record::Pin(_) => self.pins += 1,
            _ => {}
        }
    }

    fn trouble(&self) -> Option<String> {
        self.full_after.filter(|&pins| self.pins >= pins).map(|_| "no room left".to_owned())
    }
}

struct Walked {
    swept: Swept,
    notices: Vec<Notice>,
    book: Book,
}

impl Walked {
    fn is_open(&self) -> bool {
        self.book.asked.last() == Some(&Request::OpenAll)
    }
}

fn connector() -> Connector {
    connector::from_toml(connector::DEMO).unwrap()
}

fn walk(faults: &[&str], profile: &str, options: impl Fn(&mut MeterOptions), mishap: Mishap) -> Walked {
    let (connector, profile) = (connector(), meter::shipped(profile).unwrap());
    let faults: Vec<_> = faults.iter().map(|fault| fault.parse().unwrap()).collect();
    let specimen = Specimen::new(&Design::new(&connector, 7), "T1", 7, &faults).unwrap();
    let setup = JigSetup::straight(&connector, 1).unwrap();
    let mut meter = MeterOptions::of(&profile);
    options(&mut meter);
    let bench = Bench::new(&specimen, setup.clone(), profile.clone(), meter, 5, Moment::START).unwrap();
    let channels = setup.wiring.channels().to_vec();
    let check = setup.wiring.check().map(|check| check.channel);
    let setting = Setting {
        plan: Plan::new(&connector, |pin| channels.get(pin).copied(), check, &[]),
        pins: connector.pins.len(),
        grounds: connector.grounds().collect(),
        timing: Timing::of(&profile),
        compliance: None,
        check_expected: None,
    };
    let mut book = Book {
        echo: Observer::new(setting.clone(), &profile),
        asked: Vec::new(),
        pins: 0,
        full_after: mishap.full_after,
    };
    let score = Score {
        setting,
        names: connector.pins.iter().map(|pin| pin.name.clone()).collect(),
        profile,
        jig_port: "bench".to_owned(),
        meter_port: "bench".to_owned(),
        settle: Duration::from_millis(3),
        dwell: Some(DWELL),
        override_alive: false,
    };
    let mut devices = Watched { devices: BenchDevices::new(bench), stop: mishap.stop };
    let mut notices = Vec::new();
    let swept = run(&mut devices, score, &mut book, &mut |notice| notices.push(notice.clone()));
    assert_eq!(book.echo.results(), swept.results, "a replay pairs it otherwise");
    Walked { swept, notices, book }
}

#[test]
fn every_pin_is_read_and_written_down() {
    let walked = walk(&["open:A4"], "bench-stream", |_| {}, Mishap::default());
    assert_eq!(walked.swept.outcome, Ok(()));
    assert!(walked.swept.values.iter().all(|value| !matches!(value, PinValue::Unread(_))));
    assert_eq!(walked.book.pins, walked.swept.values.len(), "one result line a pin");
    let is_start = |request: &&Request| matches!(request, Request::Start { pace: Pace::Dwell { .. }, .. });
    assert_eq!(walked.book.asked.iter().filter(is_start).count(), 1);
    let moves = |request: &&Request| matches!(request, Request::Select { .. } | Request::Advance { .. });
    assert_eq!(walked.book.asked.iter().filter(moves).count(), 0, "the switching board walks alone");
    assert!(walked.is_open());
    let decided = walked.notices.iter().filter(|notice| matches!(notice, Notice::Decided { .. }));
    assert_eq!(decided.count(), walked.swept.values.len(), "a live screen sees each pin");
}

#[test]
fn a_live_board_ends_the_walk() {
    let walked = walk(&["live:B1=3.3"], "bench-stream", |_| {}, Mishap::default());
    // Rails come last, so that a pin behind the rail shows it first.
    assert!(matches!(walked.swept.outcome, Err(SweepError::BoardAlive { .. })), "{:?}", walked.swept.outcome);
    assert!(walked.is_open(), "{:?}", walked.book.asked.last());
}

#[test]
fn a_frozen_display_ends_the_walk_with_the_key_to_press() {
    let hold = |options: &mut MeterOptions| options.hold_from = Some(Moment::from_micros(20_000_000));
    let walked = walk(&[], "fs9721", hold, Mishap::default());
    assert_eq!(walked.swept.outcome, Err(SweepError::MeterBlocked(Guard::Hold)));
    assert!(walked.is_open());
}

#[test]
fn a_record_that_has_a_gap_ends_the_walk() {
    let walked = walk(&[], "bench-stream", |_| {}, Mishap { full_after: Some(5), ..Mishap::default() });
    assert!(matches!(walked.swept.outcome, Err(SweepError::Unrecorded { .. })), "{:?}", walked.swept.outcome);
    assert!(walked.is_open());
}

#[test]
fn the_operator_stops_it() {
    let stop = Some(Moment::from_micros(10_000_000));
    let walked = walk(&[], "bench-stream", |_| {}, Mishap { stop, ..Mishap::default() });
    assert!(matches!(walked.swept.outcome, Err(SweepError::Stopped { .. })), "{:?}", walked.swept.outcome);
    assert!(walked.is_open());
}

#[test]
fn a_meter_that_falls_silent_ends_it() {
    let silent = |options: &mut MeterOptions| options.silent_from = Some(Moment::from_micros(10_000_000));
    let walked = walk(&[], "bench-stream", silent, Mishap::default());
    assert!(
        matches!(walked.swept.outcome, Err(SweepError::MeterStopped { .. })),
        "{:?}",
        walked.swept.outcome
    );
    assert!(walked.is_open());
}

/// How the 16-character stream shows an overload stands in no document at hand.
#[test]
fn a_meter_whose_overload_nobody_knows_does_not_walk() {
    let walked = walk(&[], "t16", |_| {}, Mishap::default());
    assert!(matches!(walked.swept.outcome, Err(SweepError::OverloadUnknown { .. })));
    assert_eq!(walked.book.asked, [], "nothing is closed");
}
