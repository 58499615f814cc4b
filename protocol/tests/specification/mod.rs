//! PROTOCOL.md is the specification: its tables must be the message types, and its examples must be true.

mod shape;

use protocol::*;

use crate::golden::v1;
use shape::{Shapes, names};

const SPECIFICATION: &str = include_str!("../../PROTOCOL.md");

/// The rows that the tables of PROTOCOL.md must have, from the types themselves.
fn shapes() -> Shapes {
    let mut shapes = Shapes::default();
    v1::requests().iter().for_each(|golden| shapes.show(&golden.message));
    v1::board_messages().iter().for_each(|golden| shapes.show(&golden.message));
    shapes
}

/// Rows of the table under `### Name`, cut to their first `cells` cells.
fn rows_under(heading: &str, cells: usize) -> Vec<String> {
    let section = SPECIFICATION.split("\n### ").find(|section| section.lines().next() == Some(heading));
    let section = section.unwrap_or_else(|| panic!("PROTOCOL.md has no section {heading}"));
    section
        .lines()
        .filter(|line| line.starts_with("| "))
        // The header row and the line under it.
        .skip(1)
        .filter(|line| !line.starts_with("| ---"))
        .map(|line| {
            let cut: Vec<_> = line.split('|').skip(1).take(cells).map(str::trim).collect();
            format!("| {} |", cut.join(" | ")).replace("|  |", "| |")
        })
        .collect()
}

/// Compares one type with its table; its golden messages must show every variant or field that it has.
fn check<T: for<'de> serde::Deserialize<'de>>(cells: usize) {
    let (name, all) = names::<T>();
    let shapes = shapes();
    let expected: Vec<_> = shapes.0[name].values().cloned().collect();
    for (wanted, row) in all.iter().zip(&expected) {
        assert!(
            row.contains(&format!("`{wanted}`")),
            "{name}: golden bytes do not show {wanted} at its place"
        );
    }
    assert_eq!(all.len(), expected.len(), "{name}: golden bytes show {expected:?}, the type has {all:?}");
    assert_eq!(rows_under(name, cells), expected, "table of {name} in PROTOCOL.md");
}

#[test]
fn tables_of_enums_are_the_types() {
    check::<Request>(3);
    check::<Pace>(3);
    check::<Light>(3);
    check::<Sound>(3);
    check::<BoardMessage>(3);
    check::<Answer>(3);
    check::<Event>(3);
    check::<Fault>(3);
    check::<OpenReason>(3);
    check::<FrameTrouble>(3);
    check::<BoardKind>(3);
    check::<ResetCause>(3);
}

#[test]
fn tables_of_structs_are_the_types() {
    check::<RequestFrame>(2);
    check::<Greeting>(2);
    check::<Parts>(2);
    check::<Timing>(2);
    check::<Status>(2);
}

#[test]
fn no_type_is_left_out() {
    let listed = "Answer BoardKind BoardMessage Channel Event Fault FrameTrouble Greeting Light OpenReason \
                  Pace Parts Request RequestFrame ResetCause Sound Status Timing";
    let shapes = shapes();
    let on_the_wire: Vec<_> = shapes.0.keys().copied().collect();
    assert_eq!(on_the_wire, listed.split_whitespace().collect::<Vec<_>>());
    assert_eq!(shapes.0["Channel"][&0], "| u8 |");
}

#[test]
fn sizes_are_those_of_the_crate() {
    for (what, size) in
        [("content", size::MAX_CONTENT), ("frame", MAX_FRAME), ("channels in one `LoadPlan`", PLAN_CHUNK)]
    {
        let row = format!("| longest {what} | {size} |");
        assert!(SPECIFICATION.contains(&row), "PROTOCOL.md lacks the row {row:?}");
    }
}

/// Each line `> hex` or `< hex` of the example exchange is a frame that decodes; `>` goes to the board.
#[test]
fn example_exchange_decodes() {
    let block = SPECIFICATION.split("```text exchange\n").nth(1).unwrap().split("```").next().unwrap();
    let mut shown = Vec::new();
    for line in block.lines() {
        let (direction, rest) = line.split_once(' ').unwrap();
        let (hex, said) = rest.split_once("  ").unwrap();
        let bytes: Vec<u8> =
            hex.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect();
        let read = match direction {
            ">" => {
                let message = Accumulator::<RequestFrame>::new().items(&bytes).next().unwrap().unwrap();
                assert_eq!(&*encode(&message), bytes);
                format!("{message:?}")
            }
            "<" => {
                let message = Accumulator::<BoardMessage>::new().items(&bytes).next().unwrap().unwrap();
                assert_eq!(&*encode(&message), bytes);
                format!("{message:?}")
            }
            other => panic!("direction {other}"),
        };
        // The words beside the bytes name what is inside.
        for word in said.split(|c: char| !c.is_alphanumeric() && c != '_').filter(|word| !word.is_empty()) {
            assert!(read.contains(word), "{word:?} is not in {read}");
        }
        shown.push(read);
    }
    assert!(shown.len() >= 8, "{} frames", shown.len());
}
