//! What a damaged log still tells, and that it never tells anything else.

use std::io::Read;

use pintally::{
    log::{LogEvent, LogLine, LogReader, OpenError, TroubleKind, decode},
    moment::Moment,
};

use crate::samples::{bytes, every_event, header};

fn read(log: &[u8]) -> (Vec<LogLine>, Vec<TroubleKind>) {
    let (mut lines, mut troubles) = (vec![], vec![]);
    for item in LogReader::new(log).unwrap() {
        match item {
            Ok(line) => lines.push(line),
            Err(trouble) => troubles.push(trouble.kind),
        }
    }
    (lines, troubles)
}

/// A log of a few lines: short, so that every byte of it can be tried.
fn short() -> Vec<LogLine> {
    let note = |text: &str| LogEvent::Note { text: text.to_owned() };
    let bytes = LogEvent::MeterBytes { bytes: b"0.318\r\n".to_vec() };
    let events = [LogEvent::Header(Box::new(header())), note("one"), bytes, note("three"), note("four")];
    let line = |(number, event)| LogLine { number, at: Moment::from_micros(number), event };
    (1..).zip(events).map(line).collect()
}

#[test]
fn a_log_cut_at_any_byte_gives_every_whole_line_before_the_cut() {
    let lines = short();
    let log = bytes(&lines);
    let ends: Vec<_> = log.iter().enumerate().filter(|(_, byte)| **byte == b'\n').map(|(at, _)| at).collect();
    for cut in 0..log.len() {
        // A line is whole when all of it but its line end is there.
        let whole = ends.iter().filter(|&&end| end <= cut).count();
        let on_a_line_end = cut == 0 || log[cut - 1] == b'\n' || log[cut] == b'\n';
        match LogReader::new(&log[..cut]) {
            Err(OpenError::Empty) => assert_eq!(cut, 0),
            Err(OpenError::TornHeader) => assert!(whole == 0 && cut > 0, "cut at {cut}"),
            Err(other) => panic!("cut at {cut}: {other}"),
            Ok(_) => {
                let (read, troubles) = read(&log[..cut]);
                assert_eq!(read, lines[1..whole], "cut at {cut}");
                assert_eq!(troubles.is_empty(), on_a_line_end, "cut at {cut}: {troubles:?}");
                assert!(troubles.iter().all(|trouble| matches!(trouble, TroubleKind::Torn)), "cut at {cut}");
            }
        }
    }
}

#[test]
fn every_changed_byte_is_noticed() {
    let lines = short();
    let log = bytes(&lines);
    let header_end = log.iter().position(|&byte| byte == b'\n').unwrap();
    let mut changed = log.clone();
    for at in 0..log.len() {
        let bits = (0..8).map(|bit| log[at] ^ 1 << bit);
        let bytes = [!log[at], b'\n', b'\r', b'"', 0];
        for to in bits.chain(bytes).filter(|&to| to != log[at]) {
            changed[at] = to;
            if at <= header_end {
                assert!(LogReader::new(changed.as_slice()).is_err(), "byte {at} as {to:#04x}");
            } else {
                let (read, troubles) = read(&changed);
                assert!(!troubles.is_empty(), "byte {at} as {to:#04x}");
                assert!(read.iter().all(|line| lines.contains(line)), "byte {at} as {to:#04x}: {read:?}");
                assert!(read.len() >= lines.len() - 3, "byte {at} as {to:#04x}: more than its line is lost");
            }
        }
        changed[at] = log[at];
    }
}

#[test]
fn a_line_that_is_gone_or_repeated_is_noticed() {
    let lines = short();
    let without = |gone: &[usize]| {
        let kept: Vec<_> = (0..lines.len()).filter(|i| !gone.contains(i)).map(|i| lines[i].clone()).collect();
        read(&bytes(&kept))
    };
    let (read_lines, troubles) = without(&[2, 3]);
    assert_eq!(read_lines, [lines[1].clone(), lines[4].clone()]);
    assert!(matches!(troubles[..], [TroubleKind::Missing { expected: 3, found: 5 }]), "{troubles:?}");

    let twice = [&lines[..3], &lines[2..]].concat();
    let (read_lines, troubles) = read(&bytes(&twice));
    assert_eq!(read_lines, lines[1..]);
    assert!(matches!(troubles[..], [TroubleKind::Misplaced { expected: 4, found: 3 }]), "{troubles:?}");

    let two_logs = [lines.clone(), lines.clone()].concat();
    let (read_lines, troubles) = read(&bytes(&two_logs));
    assert_eq!(read_lines, lines[1..]);
    assert!(matches!(troubles[..], [TroubleKind::OtherLog]), "{troubles:?}");
}

/// The numbers of the second log go on where the first one ends: its readings would fill the pins of the first board.
#[test]
fn a_log_behind_a_cut_one_is_another_log() {
    let lines = short();
    let whole = bytes(&lines);
    let cut = bytes(&lines[..3]);
    for torn in [cut.clone(), cut[..cut.len() - 20].to_vec()] {
        let kept = if torn.len() == cut.len() { 3 } else { 2 };
        let (read_lines, troubles) = read(&[torn, whole.clone()].concat());
        assert_eq!(read_lines, lines[1..kept]);
        assert!(matches!(troubles[..], [TroubleKind::OtherLog]), "{troubles:?}");
    }
}

#[test]
fn after_a_damaged_line_reading_goes_on() {
    let lines = short();
    let mut log = bytes(&lines);
    let at = log.windows(3).position(|window| window == b"one").unwrap();
    log[at] = b'O';
    let (read, troubles) = read(&log);
    assert_eq!(read, lines[2..]);
    assert!(matches!(troubles[..], [TroubleKind::Damaged(_)]), "{troubles:?}");
}

#[test]
fn lines_that_are_gone_beside_a_damaged_one_are_noticed() {
    let lines = short();
    let mut log = bytes(&[&lines[..2], &lines[4..]].concat());
    let at = log.windows(3).position(|window| window == b"one").unwrap();
    log[at] = b'O';
    let (read, troubles) = read(&log);
    assert_eq!(read, lines[4..]);
    assert!(
        matches!(troubles[..], [TroubleKind::Damaged(_), TroubleKind::Missing { expected: 3, found: 5 }]),
        "{troubles:?}"
    );
}

#[test]
fn changed_line_ends_are_no_damage() {
    let lines = every_event();
    let log = String::from_utf8(bytes(&lines)).unwrap().replace('\n', "\r\n");
    let (read, troubles) = read(log.as_bytes());
    assert_eq!(read, lines[1..]);
    assert!(troubles.is_empty(), "{troubles:?}");
}

#[test]
fn an_endless_line_is_passed_over() {
    let lines = short();
    let log = bytes(&lines);
    let header_end = log.iter().position(|&byte| byte == b'\n').unwrap() + 1;
    let (head, tail) = log.split_at(header_end);
    let endless = std::io::repeat(b'x').take(3 * pintally::log::LONGEST_LINE as u64 + 5);
    let mut reader = LogReader::new(head.chain(endless).chain(&b"\n"[..]).chain(tail)).unwrap();
    let trouble = reader.next().unwrap().unwrap_err();
    assert!(matches!(trouble.kind, TroubleKind::TooLong), "{trouble}");
    assert_eq!(trouble.line, 2);
    assert_eq!(reader.map(Result::unwrap).collect::<Vec<_>>(), lines[1..]);
    assert!(matches!(
        LogReader::new(std::io::repeat(b'x').take(2 * pintally::log::LONGEST_LINE as u64)),
        Err(OpenError::Header(_))
    ));
}

/// A good checksum only says that the line is what was written, not that it makes sense.
#[test]
fn nonsense_behind_a_good_checksum_is_refused() {
    let log = String::from_utf8(bytes(&every_event())).unwrap();
    let check = |from: &str, to: &str, expected: &str| {
        let line = log.lines().find(|line| line.contains(from)).unwrap();
        let (content, _) = line.rsplit_once(",\"crc\"").unwrap();
        let content = content.replacen(from, to, 1);
        let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(content.as_bytes());
        let message =
            decode(format!("{content},\"crc\":\"{crc:08x}\"}}").as_bytes()).unwrap_err().to_string();
        assert!(message.contains(expected), "{from} as {to}: {message}");
    };
    check(
        "the reference, whole",
        "another reference",
        "reference: expected a text with the fingerprint beside it",
    );
    check("\"name\":\"3\"", "\"name\":\"4\"", "connector: pin 4: expected each pin once");
    check("\"pair\":\"2\"", "\"pair\":\"3\"", "connector: pin 1: expected its pair 3 to name it in return");
    check("\"role\":\"power\"", "\"role\":\"pow\\u001b\"", "connector: unknown role pow\\u{1b}");
    check("[4,3,2,1,0]", "[4,3,2,1,1]", "wiring: pin 5: expected each channel once");
    check("\"ohms\":470.0", "\"ohms\":0.0", "wiring: expected a check resistor");
    check("007f80ff", "007F80FF", "hexadecimal digits in lower case");
    check("654e-3", "654", "expected a reading such as");
    check("\"overload\"", "\"overloaded\"", "unknown variant `overloaded`");
    check("\"volts\":-0.0021", "\"volts\":1e400", "number out of range");
    check("\"retries\":0", "\"retries\":0,\"more\":1", "unknown field `more`");
    check("{\"note\":", "{\"remark\":", "unknown variant `remark`");
}
