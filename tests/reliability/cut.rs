//! The log of a real sweep, cut at every byte and damaged in every line.

use pintally::{
    log::{LogEvent, LogReader, OpenError, TroubleKind},
    readings::PinValue,
    record::SweepRecord,
    session::{Replay, Replayed, Session},
};

use crate::bench::{read, whole_log};

/// Replays what is left of a log.
fn replay(log: &[u8]) -> Replayed {
    let reader = LogReader::new(log).unwrap();
    let mut replay = Replay::new(&Session::new(reader.header().clone()).unwrap());
    for item in reader {
        replay.item(&item);
    }
    let replayed = replay.finish();
    // What reports, history and batch say is the same.
    let record = SweepRecord::read(log).unwrap();
    assert_eq!(record.shown, replayed.values);
    assert_eq!(record.from_result_line, replayed.from_result_line);
    assert_eq!(record.paired_otherwise, replayed.changed);
    replayed
}

/// Values of the pins whose result lines are among these.
fn acknowledged(log: &[u8]) -> Vec<(usize, PinValue)> {
    let result = |event: &LogEvent| match event {
        LogEvent::PinResult { result, .. } => Some((result.pin, result.value)),
        _ => None,
    };
    read(log).0.iter().filter_map(|line| result(&line.event)).collect()
}

#[test]
fn cut_at_every_byte() {
    let log = whole_log();
    let ends: Vec<usize> = (0..log.len()).filter(|&at| log[at] == b'\n').collect();
    assert!(ends.len() > 60, "{} lines", ends.len());
    for cut in 0..log.len() {
        let left = &log[..cut];
        let whole = ends.iter().filter(|&&end| end < cut).count();
        if whole == 0 {
            match LogReader::new(left) {
                Err(OpenError::Empty) => assert_eq!(cut, 0),
                Err(OpenError::TornHeader) => {}
                // All of the header but its line end.
                Ok(_) => assert_eq!(cut, ends[0]),
                Err(other) => panic!("cut at {cut}: {other}"),
            }
            continue;
        }
        let (lines, troubles) = read(left);
        let is_between_lines = log[cut - 1] == b'\n';
        let is_all_but_the_line_end = log[cut] == b'\n';
        assert_eq!(lines.len() + 1, whole + usize::from(is_all_but_the_line_end), "cut at {cut}");
        match troubles.as_slice() {
            [] => assert!(is_between_lines || is_all_but_the_line_end, "cut at {cut}: not told"),
            [torn] => {
                assert!(matches!(torn.kind, TroubleKind::Torn), "cut at {cut}: {torn}");
                assert_eq!(torn.line as usize, whole + 1, "cut at {cut}");
            }
            more => panic!("cut at {cut}: {more:?}"),
        }
        // A replay says the same for every cut in a line, so one cut a line is enough.
        if is_between_lines {
            let replayed = replay(left);
            assert_eq!(replayed.changed, [] as [usize; 0], "cut at {cut}");
            for (pin, value) in acknowledged(left) {
                assert_eq!(replayed.values[pin], value, "cut at {cut}");
            }
        }
    }
}

#[test]
fn every_line_damaged() {
    let log = whole_log();
    let lines: Vec<&[u8]> = log.split_inclusive(|&byte| byte == b'\n').collect();
    let sound = replay(&log);
    let mut by_result_line = 0;
    for (hit, line) in lines.iter().enumerate() {
        for at in [0, line.len() / 3, line.len() / 2, line.len() - 3] {
            let mut damaged = lines.iter().map(|line| line.to_vec()).collect::<Vec<_>>();
            damaged[hit][at] ^= 0x01;
            let damaged = damaged.concat();
            if hit == 0 {
                assert!(matches!(LogReader::new(&damaged[..]), Err(OpenError::Header(_))), "byte {at}");
                continue;
            }
            let (kept, troubles) = read(&damaged);
            assert_eq!(kept.len(), lines.len() - 2, "line {}: all others are kept", hit + 1);
            let named: Vec<u64> = troubles.iter().map(|trouble| trouble.line).collect();
            assert_eq!(named, [hit as u64 + 1], "the damaged line is named, and no other");
            // Whatever line is lost, no pin gets another value; the one whose result line is lost may get none.
            let replayed = replay(&damaged);
            by_result_line += replayed.from_result_line.len();
            for (pin, value) in acknowledged(&damaged) {
                assert_eq!(replayed.values[pin], value, "line {}", hit + 1);
            }
            for (pin, (seen, live)) in replayed.values.iter().zip(&sound.values).enumerate() {
                let is_unread = matches!(seen, PinValue::Unread(_));
                assert!(seen == live || is_unread, "line {}: pin {pin} is {seen}, live {live}", hit + 1);
            }
        }
    }
    assert!(by_result_line > 0, "no raw line was ever needed");
}

/// A page of the disk that was never written, or lines that somebody cut out: found where `report` and `history` paired
/// what was left with the pin before the gap.
#[test]
fn every_block_of_lines_missing() {
    let log = whole_log();
    let lines: Vec<&[u8]> = log.split_inclusive(|&byte| byte == b'\n').collect();
    let sound = replay(&log);
    let mut by_result_line = 0;
    for size in [1, 2, 3, 5, 8, 12, 30] {
        for first in 1..lines.len().saturating_sub(size) {
            let left = [&lines[..first], &lines[first + size..]].concat().concat();
            let replayed = replay(&left);
            by_result_line += replayed.from_result_line.len();
            for (pin, (seen, live)) in replayed.values.iter().zip(&sound.values).enumerate() {
                let is_unread = matches!(seen, PinValue::Unread(_));
                assert!(
                    seen == live || is_unread,
                    "{size} lines after line {first} missing: pin {pin} is {seen}, live {live}"
                );
            }
            for (pin, value) in acknowledged(&left) {
                assert_eq!(replayed.values[pin], value, "{size} lines after line {first} missing");
            }
        }
    }
    assert!(by_result_line > 0, "no raw line was ever needed");
}
