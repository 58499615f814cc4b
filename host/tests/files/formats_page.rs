//! The page on file formats: its examples are read as what they are, and its messages are those of the program.

use std::{fs, path::Path};

use pintally::{
    configuration::Configuration,
    connector::{self, BoardKind, Connector, Pin, Wiring},
    log::LogReader,
    readings::csv::{Boards, Strictness},
    reference::Reference,
    repair::RepairNotes,
};

use crate::fixtures::fixtures;

fn page() -> String {
    fs::read_to_string(fixtures().join("../docs/formats.md")).unwrap()
}

/// The fenced blocks with this mark.
fn blocks(mark: &str) -> Vec<String> {
    let page = page();
    let fence = format!("\n```{mark}\n");
    let blocks: Vec<_> =
        page.split(&fence).skip(1).map(|rest| rest.split("```").next().unwrap().to_owned()).collect();
    assert!(!blocks.is_empty(), "{mark}");
    blocks
}

#[test]
fn every_example_is_read() {
    for text in blocks("toml connector") {
        connector::from_toml(&text).unwrap();
    }
    for text in blocks("csv connector") {
        connector::from_csv("J9", &text).unwrap();
    }
    let four = Connector::new("J5", ["A1", "A2", "A3", "A4"].map(Pin::named).to_vec()).unwrap();
    for text in blocks("toml wiring") {
        Wiring::from_toml(&text, &four).unwrap();
    }
    for text in blocks("toml board-kind") {
        BoardKind::from_toml(&text).unwrap();
    }
    for text in blocks("toml configuration") {
        let found = Configuration::from_toml(&text, Path::new("bench")).unwrap();
        assert_eq!(found.wiring.as_deref(), Some(Path::new("bench/jigs/j5.toml")));
    }
    for text in blocks("toml repair") {
        let notes = RepairNotes::from_toml(&text, &four).unwrap();
        assert_eq!((notes.pins.len(), notes.checklist.len()), (2, 2));
    }
    for text in blocks("csv readings") {
        let boards = Boards::new(text.as_bytes(), &four, Strictness::StopAtBadRow).unwrap();
        assert_eq!(boards.map(Result::unwrap).count(), 2);
    }
    for text in blocks("toml reference") {
        let reference = Reference::from_toml(&text).unwrap();
        let pins = ["1", "2"].map(Pin::named).to_vec();
        reference.fits(&Connector::new("J9", pins).unwrap()).unwrap();
    }
    for text in blocks("jsonl log") {
        let events = LogReader::new(text.as_bytes()).unwrap();
        assert_eq!(events.map(Result::unwrap).count(), text.lines().count() - 1);
    }
    let marked = page().matches("\n```").count() / 2;
    let kinds = [
        "toml connector",
        "csv connector",
        "toml wiring",
        "toml board-kind",
        "toml configuration",
        "toml repair",
        "csv readings",
        "toml reference",
        "jsonl log",
        "text",
    ];
    assert_eq!(
        kinds.iter().map(|kind| blocks(kind).len()).sum::<usize>(),
        marked,
        "a block has another mark"
    );
}

/// The snapshots are what the program says.
#[test]
fn every_message_is_said() {
    let folders = ["/tests/files/snapshots", "/../tests/cli/snapshots"];
    let snapshots: String = folders
        .iter()
        .flat_map(|folder| fs::read_dir(format!("{}{folder}", env!("CARGO_MANIFEST_DIR"))).unwrap())
        .map(|entry| fs::read_to_string(entry.unwrap().path()).unwrap())
        .collect();
    for line in blocks("text").iter().flat_map(|block| block.lines()) {
        assert!(snapshots.contains(line.trim()), "{line}");
    }
}
