//! A record says what happened in the live sweep.

use pintally::{
    compare::Kind,
    connector::PinName,
    fingerprint::Fingerprint,
    log::{LogEvent, LogLine, encode},
    moment::Moment,
    record::{Recording, SweepRecord},
};
use tests::practice_log::{Order, PracticeBench, Practised};

fn practised() -> Practised {
    let order = Order {
        board: "T-0042".to_owned(),
        seed: 7,
        faults: vec!["open:A8"],
        jig_troubles: vec!["worn:3=2"],
        notes: vec!["lid cracked", "<b>\"quoted\"</b>"],
        ..Order::default()
    };
    PracticeBench::new().sweep(&order)
}

#[test]
fn a_record_says_what_the_sweep_said() {
    let Practised { header, log, swept } = practised();
    let record = SweepRecord::read(log.as_slice()).unwrap();
    assert_eq!(record.fingerprint, Fingerprint::of(&log));
    assert_eq!(record.board.as_deref(), Some("T-0042"));
    assert_eq!(record.operator.as_deref(), Some("Ada"));
    assert_eq!(record.connector, header.connector);
    assert_eq!(record.shown, swept.values);
    assert_eq!(record.evidence, swept.results);
    assert_eq!(record.paired_otherwise, Vec::<usize>::new());
    assert_eq!(record.troubles, Vec::<String>::new());
    assert!(record.is_complete());
    // The live figure is taken between the same two events.
    assert_eq!(record.took, swept.took);
    let checks = record.checks.unwrap();
    assert!(checks.good >= 3 && checks.failed == 0, "{checks:?}");
    assert_eq!(
        record.notes.iter().map(|note| note.text.as_str()).collect::<Vec<_>>(),
        ["lid cracked", "<b>\"quoted\"</b>"]
    );
    let practice = record.practice.unwrap();
    assert_eq!((practice.faults, practice.jig_troubles), (vec!["open:A8".into()], vec!["worn:3=2".into()]));
    assert_eq!(record.reference.unwrap().known_good, Some(5));
    let finding = &record.judgement.unwrap().findings[0];
    let a8 = header.connector.index_of(&PinName::new("A8")).unwrap();
    assert_eq!((finding.kind, finding.pins.as_slice()), (Kind::OpenJoint, [a8].as_slice()));
    assert!(record.jig.is_some());
}

#[test]
fn a_log_that_was_cut_short_gives_what_it_holds() {
    let Practised { log, .. } = practised();
    let half = &log[..log.len() / 2];
    let record = SweepRecord::read(half).unwrap();
    assert!(!record.is_complete());
    assert_eq!(record.ended, None);
    assert!(record.evidence.iter().any(Option::is_some) && record.evidence.iter().any(Option::is_none));
    assert_eq!(record.troubles.len(), 1, "{:?}", record.troubles);
    assert!(record.troubles[0].contains("middle of this line"), "{:?}", record.troubles);
}

#[test]
fn what_is_no_log_has_no_record() {
    for (bytes, words) in [
        (b"".as_slice(), "empty file"),
        (b"a,b\n1,2\n", "ends in a checksum"),
        (&practised().log[..40], "only part of that line"),
    ] {
        let error = SweepRecord::read(bytes).unwrap_err();
        assert!(error.to_string().contains(words), "{error}");
        assert!(!error.hint().is_empty());
    }
}

#[test]
fn what_was_removed_later_is_told() {
    let Practised { header, .. } = practised();
    let mut recording = Recording::new(header).unwrap();
    let removed = LogEvent::Redacted { was: "note".into(), removed: "2026-04-01T08:00:00Z".into(), by: None };
    let line = LogLine { number: 2, at: Moment::START, event: removed };
    assert!(encode(&line).is_ok());
    recording.item(&Ok(line));
    let record = recording.finish(Fingerprint::of(b""));
    assert_eq!(record.removed.len(), 1);
    assert_eq!(record.notes, []);
}
