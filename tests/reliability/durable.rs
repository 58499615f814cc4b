//! What survives a power cut: the rule of docs/reliability.md, held against the writer and against the system calls
//! of the real command.

use std::{
    cell::RefCell,
    ffi::OsStr,
    io::{self, Write},
    process::Stdio,
    rc::Rc,
};

use pintally::{
    log::{Durable, LogEvent, LogLine, LogReader, LogWriter, SyncPolicy},
    moment::Moment,
};

use crate::bench::{Bench, has, place, read, under, whole_log};

/// A file whose disk loses power: only what was synced is sure to be there.
#[derive(Clone, Default)]
struct Unpowered(Rc<RefCell<Bytes>>);

#[derive(Default)]
struct Bytes {
    written: Vec<u8>,
    synced: usize,
}

impl Write for Unpowered {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.borrow_mut().written.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Durable for Unpowered {
    fn sync(&mut self) -> io::Result<()> {
        let mut bytes = self.0.borrow_mut();
        bytes.synced = bytes.written.len();
        Ok(())
    }
}

/// Whether a power cut must not take an event once the writer has returned from it.
fn is_promised(event: &LogEvent) -> bool {
    !matches!(
        event,
        LogEvent::MeterBytes { .. }
            | LogEvent::JigMessage { .. }
            | LogEvent::JigNoise { .. }
            | LogEvent::SentToMeter { .. }
            | LogEvent::SentToJig { .. }
    )
}

#[test]
fn a_power_cut_after_any_event_leaves_all_that_was_promised() {
    let log = whole_log();
    let (lines, _) = read(&log);
    let header = LogReader::new(&log[..]).unwrap().header().clone();
    let disk = Unpowered::default();
    let mut writer = LogWriter::start(disk.clone(), header, Moment::START, SyncPolicy::EachResult).unwrap();
    let mut promised: Vec<LogLine> = Vec::new();
    for (at, line) in lines.iter().enumerate() {
        assert!(writer.write(line.at, line.event.clone()).is_none());
        if is_promised(&line.event) {
            promised = lines[..=at].to_vec();
        }
        // The cut may leave any part of what was not synced.
        let bytes = disk.0.borrow();
        for left in [bytes.synced, (bytes.synced + bytes.written.len()) / 2, bytes.written.len()] {
            let (survived, _) = read(&bytes.written[..left]);
            assert!(survived.starts_with(&promised), "after event {}: {left} bytes left", at + 2);
        }
    }
    assert!(promised.len() > 5);
}

/// The order of system calls of the real command: a pin's result is on the disk before the next pin is asked for.
#[test]
fn the_command_syncs_before_it_goes_on() {
    if !has("strace") {
        return;
    }
    let place = place();
    let trace = place.path().join("trace");
    // On ports, as with hardware: `sweep --practice` syncs at the end only, since it can be repeated.
    let bench = Bench::start(&place, &[]);
    let log = place.path().join("t.jsonl");
    let mut arguments =
        ["-f", "-qq", "-s", "80", "-e", "trace=write,fdatasync,fsync"].map(OsStr::new).to_vec();
    arguments.extend(["-P".as_ref(), log.as_os_str(), "-P".as_ref(), place.path().as_os_str()]);
    arguments.extend(["-o".as_ref(), trace.as_os_str()]);
    let status = under(&place, "strace", &arguments, &bench.sweep(&["--quiet"]))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .unwrap();
    assert_eq!(status.code(), Some(0));
    let trace = std::fs::read_to_string(trace).unwrap();
    let calls: Vec<&str> =
        trace.lines().filter(|line| line.contains("write(") || line.contains("sync(")).collect();
    let kind = |call: &str| {
        let (_, event) = call.split_once("event\\\":{\\\"")?;
        event.split_once("\\\"").map(|(kind, _)| kind.to_owned())
    };
    let mut synced = 0;
    for (at, call) in calls.iter().enumerate() {
        let Some(kind) = kind(call) else { continue };
        if matches!(
            kind.as_str(),
            "header" | "confirmed" | "note" | "override" | "pin_result" | "judgement" | "end"
        ) {
            assert!(
                calls.get(at + 1).is_some_and(|next| next.contains("fdatasync(")),
                "{kind}: {:?}",
                calls.get(at + 1)
            );
            synced += 1;
        }
    }
    assert!(synced >= 9, "{synced} events were synced:\n{trace}");
    assert!(
        calls.iter().any(|call| call.contains(" fsync(")),
        "the folder's entry of the new file was not synced"
    );
}
