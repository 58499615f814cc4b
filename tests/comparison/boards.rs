//! Loads the boards of `fixtures/boards` and `fixtures/boards-other-meter`: solved by ngspice 39 from invented designs.

use std::{collections::BTreeMap, fs, path::PathBuf};

use pintally::{
    connector::{self, Connector},
    readings::{
        BoardReadings,
        csv::{Boards, Strictness},
    },
};
use serde::Deserialize;

/// One connector with its boards and what is wrong with them.
pub(crate) struct Case {
    pub(crate) name: String,
    pub(crate) drawn: Connector,
    pub(crate) bare: Connector,
    pub(crate) good: Vec<BoardReadings>,
    pub(crate) test: Vec<BoardReadings>,
    pub(crate) truth: Truth,
}

#[derive(Deserialize)]
pub(crate) struct Truth {
    pub(crate) boards: BTreeMap<String, Wrong>,
    /// Standard deviation of every pin over good boards, in volts.
    pub(crate) spread: BTreeMap<String, f64>,
}

#[derive(Deserialize)]
pub(crate) struct Wrong {
    pub(crate) faults: Vec<Fault>,
    pub(crate) placement: Option<String>,
    /// By how much each pin moved, in volts.
    pub(crate) delta: BTreeMap<String, f64>,
}

#[derive(Deserialize)]
pub(crate) struct Fault {
    pub(crate) kind: String,
    pub(crate) pins: Vec<u32>,
    /// By how much the fault moved a pin of its own at most, in volts.
    pub(crate) own: f64,
}

pub(crate) fn load(set: &str) -> Vec<Case> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../fixtures").join(set);
    let mut names: Vec<PathBuf> = fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.join("truth.json").is_file())
        .collect();
    names.sort();
    names
        .iter()
        .map(|path| {
            let text = |name: &str| fs::read_to_string(path.join(name)).unwrap();
            let drawn = connector::from_file("connector.csv", &text("connector.csv")).unwrap();
            let bare = connector::from_file("bare.csv", &text("bare.csv")).unwrap();
            let boards = |name: &str| -> Vec<BoardReadings> {
                let text = text(name);
                let table = Boards::new(text.as_bytes(), &drawn, Strictness::StopAtBadRow).unwrap();
                table.map(|board| board.unwrap()).collect()
            };
            Case {
                name: path.file_name().unwrap().to_string_lossy().into_owned(),
                good: boards("good.csv"),
                test: boards("test.csv"),
                truth: serde_json::from_str(&text("truth.json")).unwrap(),
                drawn: drawn.clone(),
                bare,
            }
        })
        .collect()
}
