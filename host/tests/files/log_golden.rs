//! Logs of every version stay readable.

use std::{collections::BTreeSet, fs};

use pintally::log::{LogEvent, LogReader, decode, encode};

use crate::{fixtures::fixtures, samples::every_event};

/// The file was written once and its checksums were confirmed with another program's CRC-32 (zlib).
#[test]
fn every_event_of_version_1_reads_as_it_was_written() {
    let path = fixtures().join("logs/v1/every-event.jsonl");
    let text = fs::read_to_string(&path).unwrap();
    let expected = every_event();
    let read: Vec<_> = text.lines().map(|line| decode(line.as_bytes()).unwrap()).collect();
    assert_eq!(read, expected);

    let reader = LogReader::open(&path).unwrap();
    let LogEvent::Header(header) = &expected[0].event else { panic!("the first event is the header") };
    assert_eq!(reader.header(), &**header);
    assert_eq!(reader.map(Result::unwrap).collect::<Vec<_>>(), expected[1..]);
}

/// As long as version 1 is the one that is written, it is written so.
#[test]
fn every_event_is_written_as_in_version_1() {
    let text = fs::read_to_string(fixtures().join("logs/v1/every-event.jsonl")).unwrap();
    let written: String = every_event().iter().map(|line| encode(line).unwrap()).collect();
    for (written, expected) in written.lines().zip(text.lines()) {
        assert_eq!(written, expected);
    }
    assert_eq!(written.len(), text.len());
}

#[test]
fn the_samples_hold_every_kind_of_event() {
    let kinds: BTreeSet<_> = every_event().iter().map(|line| line.event.kind()).collect();
    let all = [
        "confirmed",
        "conditions",
        "end",
        "header",
        "jig_message",
        "jig_noise",
        "judgement",
        "link_lost",
        "link_restored",
        "measured",
        "meter_bytes",
        "note",
        "operator",
        "override",
        "pin_result",
        "redacted",
        "sent_to_jig",
        "sent_to_meter",
        "told",
        "zero",
    ];
    assert_eq!(kinds, BTreeSet::from(all));
    for line in every_event() {
        assert!(encode(&line).unwrap().contains(&format!("\"event\":{{\"{}\":", line.event.kind())));
    }
}
