//! JSON reports against the published schema.

use std::fs;

use serde_json::Value;

use crate::{made::Bench, outside::hostile};

fn schema() -> Value {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/schema/report.json");
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

fn problems(document: &Value) -> Vec<String> {
    let validator = jsonschema::draft202012::new(&schema()).unwrap();
    validator.iter_errors(document).map(|error| format!("{}: {error}", error.instance_path())).collect()
}

#[test]
fn the_schema_is_a_schema() {
    assert!(jsonschema::draft202012::meta::is_valid(&schema()));
}

#[test]
fn real_reports_are_as_the_schema_says() {
    let (bench, logs) = Bench::swept();
    let logs: Vec<&str> = logs.iter().map(String::as_str).collect();
    let mut documents = Vec::new();
    for words in [
        vec!["before.jsonl"],
        vec!["after.jsonl"],
        vec!["--before", "before.jsonl", "--after", "after.jsonl"],
        logs,
    ] {
        let text = bench.report(&[&words[..], &["--format", "json"]].concat());
        documents.push((words.len(), serde_json::from_str::<Value>(&text).unwrap()));
    }
    let text = hostile().report(&["hostile.jsonl", "--format", "json"]);
    documents.push((1, serde_json::from_str(&text).unwrap()));
    for (words, document) in &documents {
        assert_eq!(problems(document), [""; 0], "report of {words} words");
    }
    let batch = &documents[3].1["batches"][0];
    assert!(batch["notices"].as_array().unwrap().iter().any(|n| n["kind"] == "keeps_failing"));
    assert_eq!(documents[2].1["change"]["new"][0]["kind"], "high_resistance_joint");

    // A schema that lets everything pass is none: each of these changes must be found.
    let sweep = &documents[0].1;
    for (at, value) in [
        ("/sweep/verdict", Value::from("perhaps")),
        ("/sweep/judgement/pins/0/reading", Value::from("infinite")),
        ("/sweep/log_sha256", Value::from("none")),
        ("/version", Value::from(2)),
        ("/sweep/unheard", Value::from(1)),
    ] {
        let mut changed = sweep.clone();
        match changed.pointer_mut(at) {
            Some(slot) => *slot = value,
            None => changed["sweep"]["unheard"] = value,
        }
        assert_ne!(problems(&changed), [""; 0], "{at} was changed");
    }
    let mut less = sweep.clone();
    less["sweep"].as_object_mut().unwrap().remove("cautions");
    assert_ne!(problems(&less), [""; 0], "cautions were left out");
}
