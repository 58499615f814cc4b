//! Words that are removed on request are gone from every file, and the logs say so.

use std::{fs, path::Path};

use pintally::{
    history::{self, History, NoteKind, log_of},
    log::{AmendError, LogEvent, LogReader, append},
    moment::Moment,
    record::SweepRecord,
};
use tests::practice_log::{Order, PracticeBench};

const WORDS: &str = "Mrs Quill spilt elderflower cordial";

/// Whether any file below a folder holds these words.
fn holds(folder: &Path, words: &str) -> bool {
    fs::read_dir(folder).unwrap().any(|entry| {
        let path = entry.unwrap().path();
        if path.is_dir() {
            return holds(&path, words);
        }
        let bytes = fs::read(&path).unwrap();
        bytes.windows(words.len()).any(|window| window == words.as_bytes())
    })
}

#[test]
fn forgotten_words_are_gone_from_every_file() {
    let bench = PracticeBench::new();
    let data = tempfile::tempdir().unwrap();
    let order = |board: &str, notes, seed| Order { board: board.to_owned(), notes, seed, ..Order::default() };
    let session = bench.sweep(&order("T-1", vec![WORDS, "pad lifted"], 1)).file_in(data.path());
    let other = bench.sweep(&order("T-2", vec!["screws missing"], 2)).file_in(data.path());
    let mut history = History::open(data.path()).unwrap();
    history.catch_up().unwrap();
    let noted = history.note("T-1", "asked again, still sticky", 1_775_000_000_000_000).unwrap();
    assert!(noted.session == session && noted.left.is_none());
    assert!(holds(data.path(), WORDS) && holds(data.path(), "still sticky"));
    let before = SweepRecord::read(fs::File::open(log_of(data.path(), &session)).unwrap()).unwrap();
    let untouched = fs::read(log_of(data.path(), &other)).unwrap();

    let forgotten = history.forget("T-1", "2026-04-01T08:00:00Z", Some("Ada")).unwrap();
    assert_eq!((forgotten.sweeps, forgotten.logs, forgotten.notes, forgotten.damaged), (1, 1, 3, 0));
    for words in [WORDS, "pad lifted", "still sticky"] {
        assert!(!holds(data.path(), words), "{words}");
    }
    assert_eq!(fs::read(log_of(data.path(), &other)).unwrap(), untouched);

    // The log is whole, says what was removed, and judges as before.
    let reader = LogReader::open(&log_of(data.path(), &session)).unwrap();
    let lines: Vec<_> = reader.map(Result::unwrap).collect();
    let removed = lines.iter().filter(|line| {
        matches!(&line.event, LogEvent::Redacted { was, removed, by }
            if was == "note" && removed == "2026-04-01T08:00:00Z" && by.as_deref() == Some("Ada"))
    });
    assert_eq!(removed.count(), 3);
    let after = SweepRecord::read(fs::File::open(log_of(data.path(), &session)).unwrap()).unwrap();
    assert_eq!(after.troubles, Vec::<String>::new());
    assert_ne!(after.fingerprint, before.fingerprint);
    assert_eq!((after.shown, after.judgement), (before.shown, before.judgement));
    let entry = history.session(&session).unwrap().unwrap();
    assert_eq!(entry.sweep.log, after.fingerprint);
    assert!(entry.notes.iter().all(|note| note.kind == NoteKind::Removed) && entry.notes.len() == 3);

    // Again: there is nothing left to remove, and nothing is rewritten.
    let bytes = fs::read(log_of(data.path(), &session)).unwrap();
    let again = history.forget("T-1", "2026-04-02T08:00:00Z", None).unwrap();
    assert_eq!((again.sweeps, again.logs, again.notes), (1, 0, 0));
    assert_eq!(fs::read(log_of(data.path(), &session)).unwrap(), bytes);
    let names = fs::read_dir(data.path().join(history::LOGS)).unwrap().count();
    assert_eq!(names, 2);
}

#[test]
fn damaged_lines_that_may_hold_words_go_too_and_all_others_stay_byte_by_byte() {
    let bench = PracticeBench::new();
    let data = tempfile::tempdir().unwrap();
    let notes = vec![WORDS, "two words", "third"];
    let order = Order { board: "T-1".to_owned(), notes, seed: 1, ..Order::default() };
    let practised = bench.sweep(&order);
    let session = practised.file_in(data.path());
    let path = log_of(data.path(), &session);
    // One note with a wrong letter, one whose name is damaged too, and a reading that is damaged.
    let text = String::from_utf8(practised.log).unwrap();
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    lines[1] = lines[1].replace("spilt", "split");
    lines[2] = lines[2].replace("\"note\"", "\"n?te\"");
    let reading = lines.iter().position(|line| line.contains("meter_bytes")).unwrap();
    lines[reading] = lines[reading].replace("\"hex\":\"", "\"hex\":\"ff");
    // And the log was cut in the middle of its last line.
    let last = lines.len() - 1;
    lines[last].truncate(20);
    fs::write(&path, lines.join("\n")).unwrap();

    let mut history = History::open(data.path()).unwrap();
    history.catch_up().unwrap();
    let forgotten = history.forget("T-1", "2026-04-01T08:00:00Z", None).unwrap();
    // The torn line may have been a note as well.
    assert_eq!((forgotten.notes, forgotten.damaged), (1, 3));
    assert!(!holds(data.path(), "Mrs Quill") && !holds(data.path(), "two words"));
    let after = fs::read_to_string(&path).unwrap();
    let after: Vec<&str> = after.lines().collect();
    assert_eq!(after.len(), lines.len());
    for (number, (before, after)) in lines.iter().zip(&after).enumerate() {
        if ![1, 2, 3, last].contains(&number) {
            assert_eq!(before, after, "line {}", number + 1);
        }
    }
    // The lines that were removed have their numbers, so that nothing is missing.
    let troubles: Vec<String> =
        LogReader::open(&path).unwrap().filter_map(Result::err).map(|trouble| trouble.to_string()).collect();
    assert_eq!(troubles.len(), 1, "{troubles:?}");
    assert!(troubles[0].starts_with(&format!("line {}: damaged", reading + 1)), "{troubles:?}");
}

#[test]
fn a_note_that_comes_later_has_its_time_and_ends_what_a_cut_has_left() {
    let bench = PracticeBench::new();
    let data = tempfile::tempdir().unwrap();
    let practised = bench.sweep(&Order { board: "T-1".to_owned(), seed: 1, ..Order::default() });
    let session = practised.file_in(data.path());
    let path = log_of(data.path(), &session);
    let mut history = History::open(data.path()).unwrap();
    history.catch_up().unwrap();
    // A day after 2 March 2026, 9:15.
    history.note("T-1", "came back", 1_772_529_300_000_000).unwrap();
    let record = SweepRecord::read(fs::File::open(&path).unwrap()).unwrap();
    assert_eq!(record.notes[0].at, Moment::from_micros(86_400_000_000));
    assert!(record.is_complete() && record.troubles.is_empty());

    let whole = fs::read(&path).unwrap();
    fs::write(&path, &whole[..whole.len() - 30]).unwrap();
    append(&path, Moment::START, LogEvent::Note { text: "after the cut".to_owned() }).unwrap();
    let record = SweepRecord::read(fs::File::open(&path).unwrap()).unwrap();
    assert_eq!(record.notes.len(), 1);
    assert_eq!(record.notes[0].text, "after the cut");
    // The line that was cut gave way: such a log is no damaged one, and replays without an error.
    assert_eq!(record.troubles, Vec::<String>::new());
    assert!(record.is_complete(), "the end stands before the note that was cut");

    // A last line without its line end is whole.
    fs::write(&path, &whole[..whole.len() - 1]).unwrap();
    append(&path, Moment::START, LogEvent::Note { text: "after the end".to_owned() }).unwrap();
    let record = SweepRecord::read(fs::File::open(&path).unwrap()).unwrap();
    assert!(record.troubles.is_empty() && record.is_complete(), "{:?}", record.troubles);
    assert_eq!(record.notes.len(), 2);

    // Two boards in one file: nobody would find the note behind the other log.
    fs::write(&path, [&whole[..], &whole[..]].concat()).unwrap();
    let two = append(&path, Moment::START, LogEvent::Note { text: "lost".to_owned() });
    assert!(matches!(two, Err(AmendError::TwoLogs)), "{two:?}");
}

/// The words stayed in the file behind the link, and were called gone.
#[test]
#[cfg(unix)]
fn words_are_gone_behind_a_symbolic_link_too() {
    let bench = PracticeBench::new();
    let (data, archive) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let order = Order { board: "T-1".to_owned(), seed: 1, notes: vec![WORDS], ..Order::default() };
    let session = bench.sweep(&order).file_in(data.path());
    let (path, moved) = (log_of(data.path(), &session), archive.path().join("moved.jsonl"));
    fs::rename(&path, &moved).unwrap();
    std::os::unix::fs::symlink(&moved, &path).unwrap();
    // A name that stands in the way of the new log leads elsewhere as well.
    let theirs = archive.path().join("theirs");
    fs::write(&theirs, "kept").unwrap();
    std::os::unix::fs::symlink(&theirs, archive.path().join("moved.jsonl.new")).unwrap();
    let mut history = History::open(data.path()).unwrap();
    history.catch_up().unwrap();
    assert_eq!(history.forget("T-1", "2026-04-01T08:00:00Z", None).unwrap().notes, 1);
    assert!(!holds(data.path(), WORDS) && !holds(archive.path(), WORDS));
    assert!(path.is_symlink() && SweepRecord::read(fs::File::open(&path).unwrap()).unwrap().is_complete());
    assert_eq!(fs::read_to_string(&theirs).unwrap(), "kept");
}

#[test]
fn a_log_that_is_being_written_is_left_alone() {
    let bench = PracticeBench::new();
    let data = tempfile::tempdir().unwrap();
    let practised =
        bench.sweep(&Order { board: "T-1".to_owned(), seed: 1, notes: vec![WORDS], ..Order::default() });
    let session = practised.file_in(data.path());
    let mut history = History::open(data.path()).unwrap();
    let writing = fs::OpenOptions::new().append(true).open(log_of(data.path(), &session)).unwrap();
    writing.lock().unwrap();
    assert_eq!(history.catch_up().unwrap().taken_in, 0);
    writing.unlock().unwrap();
    assert_eq!(history.catch_up().unwrap().taken_in, 1);
    writing.lock().unwrap();
    let error = history.forget("T-1", "2026-04-01T08:00:00Z", None).unwrap_err();
    assert!(error.to_string().contains("a sweep is writing"), "{error}");
    let error = history.note("T-1", "x", 0).unwrap_err();
    assert!(error.to_string().contains("a sweep is writing"), "{error}");
    assert!(holds(data.path(), WORDS));
}
