//! The log is begun before the work, and its failures never end the work.

use std::{
    cell::RefCell,
    fs::{self, File},
    io::{self, Write},
    rc::Rc,
};

use pintally::{
    connector::PinName,
    log::{
        Durable, Ending, LogEvent, LogNotice, LogReader, LogWriter, StartError, SyncPolicy, TroubleKind,
        Written,
    },
    moment::Moment,
    readings::{PinValue, Unread},
    sweep::PinResult,
};
use protocol::Channel;

use crate::samples::header;

fn note(text: &str) -> LogEvent {
    LogEvent::Note { text: text.to_owned() }
}

fn meter_bytes() -> LogEvent {
    LogEvent::MeterBytes { bytes: b"0.318\r\n".to_vec() }
}

/// A disk with limited room, which can be given more, and which counts its syncs.
#[derive(Clone, Default)]
struct Disk(Rc<RefCell<DiskState>>);

#[derive(Default)]
struct DiskState {
    bytes: Vec<u8>,
    room: usize,
    syncs: usize,
    sync_fails: bool,
}

impl Write for Disk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut disk = self.0.borrow_mut();
        let fits = bytes.len().min(disk.room);
        if fits == 0 {
            return Err(io::ErrorKind::StorageFull.into());
        }
        disk.room -= fits;
        disk.bytes.extend_from_slice(&bytes[..fits]);
        Ok(fits)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Durable for Disk {
    fn sync(&mut self) -> io::Result<()> {
        let mut disk = self.0.borrow_mut();
        disk.syncs += 1;
        if disk.sync_fails { Err(io::Error::other("the disk is gone")) } else { Ok(()) }
    }
}

fn disk(room: usize) -> Disk {
    Disk(Rc::new(RefCell::new(DiskState { room, ..DiskState::default() })))
}

#[test]
fn a_log_is_created_written_and_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("T-0042.jsonl");
    let mut writer = LogWriter::create(&path, header(), Moment::START, SyncPolicy::EachResult).unwrap();
    // Everything that was written is in the file at once, long before the end.
    for (count, event) in [note("one"), meter_bytes(), note("three")].into_iter().enumerate() {
        assert!(writer.write(Moment::from_micros(5), event).is_none());
        assert_eq!(LogReader::open(&path).unwrap().count(), count + 1);
    }
    assert!(
        writer.write(Moment::from_micros(9), LogEvent::End { how: Ending::Complete, detail: None }).is_none()
    );
    assert!(writer.is_whole());
    assert_eq!(writer.finish().unwrap(), Written { events: 5, lost: 0, doubtful: false });
    let reader = LogReader::open(&path).unwrap();
    assert_eq!(reader.header(), &header());
    let events: Vec<_> = reader.map(|line| line.unwrap().event).collect();
    assert_eq!(events[..3], [note("one"), meter_bytes(), note("three")]);
}

#[test]
fn a_log_is_never_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("T-0042.jsonl");
    fs::write(&path, "precious").unwrap();
    let error = LogWriter::create(&path, header(), Moment::START, SyncPolicy::EachResult).unwrap_err();
    assert!(matches!(error, StartError::Exists { .. }), "{error}");
    assert_eq!(fs::read_to_string(&path).unwrap(), "precious");
}

#[test]
fn a_folder_that_cannot_be_written_is_known_before_the_work() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("gone/T-0042.jsonl");
    let error = LogWriter::create(&path, header(), Moment::START, SyncPolicy::EachResult).unwrap_err();
    assert!(matches!(error, StartError::Create { .. }), "{error}");
    assert!(matches!(
        LogWriter::start(disk(100), header(), Moment::START, SyncPolicy::EachResult),
        Err(StartError::Write(_))
    ));
}

#[test]
fn two_writers_cannot_share_a_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("T-0042.jsonl");
    let _writer = LogWriter::create(&path, header(), Moment::START, SyncPolicy::EachResult).unwrap();
    assert!(File::options().append(true).open(&path).unwrap().try_lock().is_err());
}

#[test]
fn a_full_disk_is_told_once_and_the_run_goes_on() {
    let disk = disk(100_000);
    let mut writer = LogWriter::start(disk.clone(), header(), Moment::START, SyncPolicy::EachResult).unwrap();
    let mut write = |text: &str| writer.write(Moment::START, note(text));
    assert!(write("one").is_none());
    disk.0.borrow_mut().room = 20;
    let notice = write("two");
    assert!(matches!(notice, Some(LogNotice::Failing { number: 3, .. })), "{notice:?}");
    assert!(write("three").is_none(), "told once");
    assert!(write("four").is_none(), "told once");
    disk.0.borrow_mut().room = 100_000;
    let notice = write("five");
    assert!(matches!(notice, Some(LogNotice::Recovered { number: 6, lost: 3 })), "{notice:?}");
    assert!(write("six").is_none());
    assert!(!writer.is_whole());
    assert_eq!(writer.finish().unwrap(), Written { events: 4, lost: 3, doubtful: false });

    let bytes = disk.0.borrow().bytes.clone();
    let (mut read, mut troubles) = (vec![], vec![]);
    for line in LogReader::new(bytes.as_slice()).unwrap() {
        match line {
            Ok(line) => read.push(line.event),
            Err(trouble) => troubles.push(trouble.kind),
        }
    }
    assert_eq!(read, [note("one"), note("five"), note("six")]);
    // Two is damaged; three and four are known to be missing by their numbers.
    assert!(
        matches!(troubles[..], [TroubleKind::Damaged(_), TroubleKind::Missing { expected: 4, found: 6 }]),
        "{troubles:?}"
    );
}

#[test]
fn results_and_decisions_are_synced_and_streams_are_not() {
    let policies = [(SyncPolicy::EachResult, 3), (SyncPolicy::HeaderAndEnd, 2)];
    for (policy, expected) in policies {
        let disk = disk(100_000);
        let mut writer = LogWriter::start(disk.clone(), header(), Moment::START, policy).unwrap();
        for _ in 0..5 {
            assert!(writer.write(Moment::START, meter_bytes()).is_none());
        }
        assert!(writer.write(Moment::START, note("a decision")).is_none());
        writer.finish().unwrap();
        assert_eq!(disk.0.borrow().syncs, expected, "{policy:?}");
    }
}

#[test]
fn a_failed_sync_is_told_once() {
    let disk = disk(100_000);
    let mut writer = LogWriter::start(disk.clone(), header(), Moment::START, SyncPolicy::EachResult).unwrap();
    disk.0.borrow_mut().sync_fails = true;
    let notice = writer.write(Moment::START, note("one"));
    assert!(matches!(notice, Some(LogNotice::Failing { number: 2, .. })), "{notice:?}");
    assert!(writer.write(Moment::START, note("two")).is_none(), "told once");
    assert!(writer.write(Moment::START, meter_bytes()).is_none(), "bytes that need no sync are no recovery");
    disk.0.borrow_mut().sync_fails = false;
    let notice = writer.write(Moment::START, meter_bytes());
    assert!(matches!(notice, Some(LogNotice::Recovered { number: 5, lost: 0 })), "{notice:?}");
    assert!(!writer.is_whole(), "what a failed sync dropped is gone");
    assert_eq!(writer.finish().unwrap(), Written { events: 5, lost: 0, doubtful: true });
}

#[test]
fn an_event_that_cannot_be_stored_is_left_out_and_told() {
    let mut writer = LogWriter::start(Vec::new(), header(), Moment::START, SyncPolicy::EachResult).unwrap();
    let value = PinValue::Unread(Unread::NotSettled { slope: f64::NAN });
    let result = PinResult {
        pin: 0,
        channel: Channel(0),
        value,
        settled: Moment::START,
        decided: Moment::START,
        spoilt: 0,
        used: vec![],
        retries: 0,
    };
    let notice = writer.write(Moment::START, LogEvent::PinResult { name: PinName::new("1"), result });
    assert!(matches!(notice, Some(LogNotice::Left { number: 2, kind: "pin_result", .. })), "{notice:?}");
    let long = "x".repeat(pintally::log::LONGEST_LINE);
    let notice = writer.write(Moment::START, note(&long));
    assert!(matches!(notice, Some(LogNotice::Left { number: 3, kind: "note", .. })), "{notice:?}");
    assert!(writer.write(Moment::START, note("next")).is_none());
    assert_eq!(writer.finish().unwrap(), Written { events: 2, lost: 2, doubtful: false });
}
