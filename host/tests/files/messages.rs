//! What a person is told about a file that cannot be used. Each message says what was expected, what was
//! found and where; the hint says what to do.

use std::fmt::Write;

use pintally::{
    connector::{self, BoardKind, Connector, Wiring},
    exit_status::ExitStatus,
    failure::Failure,
    log::LogReader,
    readings::{
        csv::{Boards, Strictness},
        typed,
    },
};

use crate::samples::{bytes, every_event};

fn j5() -> Connector {
    connector::from_toml(connector::DEMO).unwrap()
}

/// The inputs, each followed by what is said about it.
struct Told(String);

impl Told {
    fn of(&mut self, input: &str, failure: &Failure) {
        writeln!(self.0, "{}\n{failure}\n", input.trim_end()).unwrap();
    }
}

fn failure(
    error: impl std::error::Error + Send + Sync + 'static,
    hint: Option<impl Into<String>>,
) -> Failure {
    let failure = Failure::new(ExitStatus::Data, error);
    hint.into_iter().fold(failure, |failure, hint| failure.hint(hint))
}

#[test]
fn connectors() {
    let mut told = Told(String::new());
    for text in [
        "name = \"J1\"\npin = [\n  { name = \"A1\", net = \"GND\" },\n  { name = \"A1\", net = \"VBUS\" },\n]",
        "name = \"J1\"\npin = [\n  { name = \"A1\", pair = \"A2\" },\n  { name = \"A2\" },\n]",
        "name = \"J1\"\npin = [\n  { name = \"A1\", pair = \"A9\" },\n]",
        "name = \"J1\"\npin = [\n  { name = \"A1\", row = \"A\", position = 1 },\n  { name = \"A2\", row = \"A\", position = 1 },\n]",
        "name = \"J1\"\npin = [\n  { name = \"A1\", row = \"A\", position = 0 },\n]",
        "name = \"J1\"\npin = [\n  { name = \"A1\", role = \"gnd\" },\n]",
        "name = \"J1\"\npin = [\n  { name = \"A1\", nett = \"GND\" },\n]",
        "name = \"J1\"\npin = [\n  { name = \"A1\" \n]",
        "name = \"J1\"\n",
    ] {
        let error = connector::from_toml(text).unwrap_err();
        let hint = error.hint();
        told.of(text, &failure(error, hint));
    }
    for text in [
        "pin,net\nA1,GND\nA2,VBUS\nA1,GND",
        "pin,net,color\nA1,GND,red",
        "net,role\nGND,ground",
        "pin,net\nA1",
    ] {
        let error = connector::from_csv("J1", text).unwrap_err();
        let hint = error.hint();
        told.of(text, &failure(error, hint));
    }
    insta::assert_snapshot!(told.0);
}

#[test]
fn wirings() {
    let connector = Connector::new("J1", ["A1", "A2"].map(connector::Pin::named).to_vec()).unwrap();
    let mut told = Told(String::new());
    for text in [
        "name = \"jig 2\"\n[channels]\nA1 = 0\nA2 = 300",
        "name = \"jig 2\"\n[channels]\nA1 = 0\nA2 = 0",
        "name = \"jig 2\"\n[channels]\nA1 = 0\nB2 = 1",
        "name = \"jig 2\"\n[channels]\nA1 = 0",
        "name = \"jig 2\"\nconnector = \"J9\"\n[channels]\nA1 = 0",
        "name = \"jig 2\"\n[check]\nchannel = 2\nohms = 1e6\n[channels]\nA1 = 0\nA2 = 1",
    ] {
        let error = Wiring::from_toml(text, &connector).unwrap_err();
        let hint = error.hint();
        told.of(text, &failure(error, hint));
    }
    let text = "name = \"jig 2\"\n[channels]\nA1 = 0\nA2 = 64";
    let error = Wiring::from_toml(text, &connector).unwrap().fits(&connector, 64).unwrap_err();
    let hint = error.hint();
    told.of(&format!("{text}\n(on a switching board with 64 channels)"), &failure(error, hint));
    insta::assert_snapshot!(told.0);
}

#[test]
fn board_kinds() {
    let mut told = Told(String::new());
    for text in [
        "name = \"Larkspur 12\"",
        "name = \"Larkspur 12\"\n[[connector]]\nname = \"J5\"\nfile = \"../j5.toml\"",
        "name = \"Larkspur 12\"\n[[connector]]\nname = \"J5\"\nfile = \"j5.toml\"\nneighbours = [\"J6\"]",
    ] {
        let error = BoardKind::from_toml(text).unwrap_err();
        let hint = error.hint();
        told.of(text, &failure(error, hint));
    }
    insta::assert_snapshot!(told.0);
}

#[test]
fn readings() {
    let mut told = Told(String::new());
    for text in [
        "board,pin,reading\nT1,A1,0.318\nT1,A2,318",
        "board,pin,reading\nT1,A1,0,318",
        "board,pin,reading\nT1,a1,0.318",
        "board,pin,reading\nT1,A1,0.318\nT1,A1,0.320",
        "board,pin,reading\nT1,A1,0.318\nT2,A1,0.318\nT1,A2,0.318",
        "board,pin,reading\nT1,A1,wobbly",
        "board,pin,reading\nT1,A1,318V",
        "board,pin,reading\nT1,\"A1,0.318",
        "board,pin,value\nT1,A1,0.318",
        "board;pin;reading\nT1;A1;0,318\nT1;A2;318",
        "",
    ] {
        let connector = j5();
        let boards = Boards::new(text.as_bytes(), &connector, Strictness::StopAtBadRow);
        let error = boards.and_then(|boards| boards.collect::<Result<Vec<_>, _>>()).unwrap_err();
        let hint = error.hint();
        told.of(text, &failure(error, hint));
    }
    insta::assert_snapshot!(told.0);
}

#[test]
fn typed_notes() {
    let mut told = String::new();
    for text in ["318", "0,318", "0L", ".318", "318mV", "O.L", "open", "-", "1", "3.18.1", "318.0"] {
        let line = match typed::parse(text) {
            Ok(value) => format!("{text:8} is {value}"),
            Err(error) => format!("{text:8} {error}\n         hint: {}", error.hint()),
        };
        writeln!(told, "{line}").unwrap();
    }
    insta::assert_snapshot!(told);
}

#[test]
fn logs() {
    let lines = every_event();
    let log = bytes(&lines[..6]);
    let mut told = String::new();
    let mut tell = |what: &str, log: &[u8]| {
        writeln!(told, "{what}").unwrap();
        match LogReader::new(log) {
            Err(error) => writeln!(told, "  error: {error}\n  hint: {}", error.hint()).unwrap(),
            Ok(reader) => {
                for item in reader {
                    match item {
                        Ok(line) => writeln!(told, "  event {}: {}", line.number, line.event.kind()).unwrap(),
                        Err(trouble) => writeln!(told, "  warning: {trouble}").unwrap(),
                    }
                }
            }
        }
    };
    let changed = |from: &[u8], to: &[u8]| {
        let at = log.windows(from.len()).position(|window| window == from).unwrap();
        [&log[..at], to, &log[at + from.len()..]].concat()
    };
    tell("whole", &log);
    tell("cut in the last line", &log[..log.len() - 40]);
    tell("a byte flipped in line 3", &changed(b"power_off", b"power_ofg"));
    tell("a checksum flipped in the last line", &{
        let mut log = log.clone();
        let at = log.len() - 4;
        log[at] ^= 1;
        log
    });
    tell("line 4 taken out", &bytes(&[&lines[..3], &lines[4..6]].concat()));
    tell("two logs in one file", &[&log[..], &log[..]].concat());
    tell("line 3 twice", &bytes(&[&lines[..3], &lines[2..6]].concat()));
    tell("without its header", &bytes(&lines[1..6]));
    tell("cut in the header", &log[..200]);
    tell("a byte flipped in the header", &changed(b"T-0042", b"T-0043"));
    tell("empty", b"");
    tell("something else", b"board,pin,reading\n");
    insta::assert_snapshot!(told);
}

/// What a program of version 1 says about a log of version 2, whether or not anything else changed in its header.
#[test]
fn a_newer_log_is_refused_by_naming_both_versions() {
    let line = String::from_utf8(bytes(&every_event()[..1])).unwrap();
    let (content, _) = line.rsplit_once(",\"crc\"").unwrap();
    let told = |content: &str| {
        let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(content.as_bytes());
        let log = format!("{content},\"crc\":\"{crc:08x}\"}}\n");
        LogReader::new(log.as_bytes()).unwrap_err().to_string()
    };
    let other = told(r#"{"n":1,"at_us":0,"event":{"header":{"version":2,"everything":"else"}}"#);
    let alike = told(&content.replace("\"version\":1", "\"version\":2"));
    assert_eq!(alike, other);
    let none = told(&content.replace("\"version\":1", "\"version\":0"));
    assert!(none.contains("expected log version 1 or newer, found 0"), "{none}");
    insta::assert_snapshot!(other, @"expected a session log with its header in the first line: expected a log of version 1 or older, found version 2");
}

#[test]
fn logs_that_cannot_be_begun() {
    use pintally::{
        log::{LogWriter, SyncPolicy},
        moment::Moment,
    };
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("there.jsonl"), "").unwrap();
    let mut told = String::new();
    for name in ["there.jsonl", "gone/T1.jsonl", "T1\u{1b}[2J\u{0}.jsonl"] {
        let path = folder.path().join(name);
        let error = LogWriter::create(&path, crate::samples::header(), Moment::START, SyncPolicy::EachResult)
            .unwrap_err();
        let message = error.to_string().replace(folder.path().to_str().unwrap(), "FOLDER");
        // What the system says differs by system.
        let message = message.split(".jsonl: ").next().unwrap();
        writeln!(told, "error: {message}\n  hint: {}", error.hint()).unwrap();
    }
    insta::assert_snapshot!(told);
}
