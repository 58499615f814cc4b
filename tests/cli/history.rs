//! The history as a person uses it, and several programs at once.

use std::fs;

use crate::run::{Outcome, Place};

fn sweep(place: &Place, board: &str, more: &[&str]) -> Outcome {
    let words = ["sweep", "--practice", "--instant", "--quiet", "--data", "d", "--board", board];
    place.run(&[&words, more].concat())
}

fn history(place: &Place, words: &[&str]) -> Outcome {
    place.run(&[&["history", "--data", "d"], words].concat())
}

/// Commands and what they printed, with what is another on every run replaced.
fn assert_told(told: &str, name: &str) {
    let mut settings = insta::Settings::clone_current();
    settings.add_filter(r"\d{4}-\d\d-\d\d([ T])\d\d:\d\d:\d\d(\.\d+Z)?", "2026-03-02${1}09:15:00");
    settings.add_filter(r"\d{8}-\d{6}-\d{6}", "20260302-091500-000000");
    settings.add_filter(r"SHA-256 [0-9a-f]{12}", "SHA-256 0123456789ab");
    settings.add_filter(r"reference [0-9a-f]{12}", "reference 0123456789ab");
    settings.add_filter(r"[0-9a-f]{64}", "0123456789abcdef...");
    settings.bind(|| insta::assert_snapshot!(name, told));
}

#[test]
fn what_a_technician_asks_of_the_history() {
    let place = Place::new();
    for (board, more) in [
        ("T-1", &["--fault", "open:A8", "--note", "came in wet", "--operator", "Ada"][..]),
        ("T-2", &["--seed", "2", "--fault", "bridge:A17+A18"]),
        ("T-1", &["--note", "reworked A8"]),
    ] {
        let outcome = sweep(&place, board, more);
        assert!(matches!(outcome.status, Some(0 | 1)), "{}", outcome.text());
        assert_eq!(outcome.stderr, "");
    }
    let mut told = String::new();
    for words in [
        &[][..],
        &["--finding", "open_joint"],
        &["--board", "T-9"],
        &["--from", "2999-01-01"],
        &["--verdict", "matches", "--format", "csv"],
        &["show", "T-1"],
        &["note", "T-1", "customer says: \"flickers\" <b>again</b>"],
        &["forget", "T-1"],
        &["forget", "T-1", "--yes", "--by", "Ada"],
        &["show", "T-1"],
        &["rebuild"],
    ] {
        let outcome = history(&place, words);
        told.push_str(&format!("$ pintally history {}\n{}\n", words.join(" "), outcome.text()));
    }
    assert_told(&told, "what_a_technician_asks_of_the_history");
    let json = history(&place, &["show", "T-1", "--format", "json"]).stdout;
    let lines: Vec<serde_json::Value> =
        json.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(
        (&lines[0]["ending"], &lines[0]["findings"][0]["pins"][0]),
        (&"complete".into(), &"A8".into())
    );
    assert_eq!(lines[1]["changed_pins"], serde_json::json!(["A8"]));
    assert_eq!(lines[1]["pins"].as_array().unwrap().len(), 40);
    let csv = history(&place, &["show", "T-1", "--format", "csv"]).stdout;
    assert_eq!(csv.lines().count(), 81);
}

#[test]
fn the_notes_of_a_repair_stay_with_the_board() {
    let place = Place::new();
    place.file(
        "repair.toml",
        "[[pin]]\nname = \"B8\"\npad = \"lifted\"\njumper = \"planned\"\ntrace = \"C12\"\n\n[[pin]]\nname = \
         \"A15\"\npad = \"missing\"\n",
    );
    let swept = sweep(&place, "T-3", &["--repair", "repair.toml", "--repaired", "B1"]);
    assert_eq!(swept.status, Some(0), "{}", swept.text());
    let told = history(&place, &["show", "T-3"]).stdout;
    assert!(
        told.contains(
            "  repaired: B1\n  repair B8: lifted pad, jumper planned, trace to C12\n  repair A15: missing pad\n"
        ),
        "{told}"
    );
    let json = history(&place, &["show", "T-3", "--format", "json"]).stdout;
    let entry: serde_json::Value = serde_json::from_str(json.trim()).unwrap();
    assert_eq!(entry["repaired"], serde_json::json!(["B1"]));
    assert_eq!(entry["repair"]["pins"][1], serde_json::json!({ "name": "A15", "pad": "missing" }));
}

#[test]
fn what_cannot_be_asked_of_the_history() {
    let place = Place::new();
    assert_eq!(sweep(&place, "T-1", &[]).status, Some(0));
    let mut told = String::new();
    for words in [
        &["show", "../../T\u{1b}[2J'; DROP TABLE sweep; --"][..],
        &["--from", "yesterday"],
        &["--finding", "rust"],
        &["--board", "T-1", "rebuild"],
        &["note", "T-1", " "],
        &["note", "T-1", "a\u{1b}[31mb"],
        &["add", "no-such.jsonl"],
    ] {
        let outcome = history(&place, words);
        told.push_str(&format!("$ pintally history {}\n{}\n", words.join(" "), outcome.text()));
    }
    let told = told.replace('\u{1b}', "ESC");
    fs::write(place.path().join("d/history.db"), "a letter to the editor, ".repeat(100)).unwrap();
    let damaged = history(&place, &[]);
    // A sweep goes on all the same: its log is the record.
    let swept = sweep(&place, "T-2", &[]);
    assert_eq!(swept.status, Some(0), "{}", swept.text());
    let rebuilt = history(&place, &["rebuild"]);
    let told = format!(
        "{told}$ pintally history, damaged\n{}\n$ pintally sweep\n{}\n$ pintally history rebuild\n{}",
        damaged.text(),
        swept.stderr,
        rebuilt.text()
    );
    assert_told(&told, "what_cannot_be_asked_of_the_history");
    assert_eq!(history(&place, &["--format", "json"]).stdout.lines().count(), 2);
}

#[test]
fn logs_from_elsewhere_are_taken_in_once() {
    let place = Place::new();
    assert_eq!(sweep(&place, "T-1", &[]).status, Some(0));
    let words = ["sweep", "--practice", "--instant", "--quiet", "--board", "T-2", "--log", "elsewhere.jsonl"];
    assert_eq!(place.run(&words).status, Some(0));
    assert_eq!(history(&place, &["--format", "json"]).stdout.lines().count(), 1);
    for (expected, lines) in [("added", 2), ("there already", 2)] {
        let added = history(&place, &["add", "elsewhere.jsonl"]);
        assert!(added.status == Some(0) && added.stderr.contains(expected), "{}", added.text());
        assert_eq!(history(&place, &["--format", "json"]).stdout.lines().count(), lines);
    }
}

#[test]
fn programs_at_the_same_time_lose_no_sweep() {
    let place = Place::new();
    let start = |words: &[&str]| place.command(words).spawn().unwrap();
    let boards: Vec<String> = (1..=4).map(|number| format!("T-{number}")).collect();
    let mut running: Vec<_> = boards
        .iter()
        .map(|board| start(&["sweep", "--practice", "--instant", "--quiet", "--data", "d", "--board", board]))
        .collect();
    running.push(start(&["history", "--data", "d", "rebuild"]));
    running.push(start(&["history", "--data", "d"]));
    for child in &mut running {
        assert_eq!(child.wait().unwrap().code(), Some(0));
    }
    let list = || history(&place, &["--format", "json"]).stdout;
    let grown = list();
    assert_eq!(grown.lines().count(), 4, "{grown}");
    assert_eq!(history(&place, &["rebuild"]).status, Some(0));
    assert_eq!(list(), grown);
}
