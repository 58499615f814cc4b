//! Reports in a real browser: accessible, light, dark, on paper, on a phone, readable without colour.
//!
//! Needs node, what `npm ci` puts into this folder, and Chromium; without them the test says so and passes, unless
//! `PINTALLY_REQUIRE_BROWSER` is set. `PINTALLY_SHOTS=FOLDER` keeps screenshots to look at.

use std::{
    env, fs,
    path::{Path, PathBuf},
    process::Command,
};

use serde_json::Value;

use crate::{made::Bench, outside::hostile};

const HERE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/pages");

/// Chromium, if it and all that drives it are there.
fn chromium() -> Result<PathBuf, String> {
    if !Path::new(HERE).join("node_modules/playwright-core").exists() {
        return Err("expected node_modules in tests/pages, found none: npm ci".to_owned());
    }
    let path = env::var_os("PATH").unwrap_or_default();
    let names = ["chromium", "chromium-browser", "google-chrome"];
    env::split_paths(&path)
        .flat_map(|folder| names.map(|name| folder.join(name)))
        .find(|program| program.is_file())
        .ok_or_else(|| "expected chromium on the PATH, found none".to_owned())
}

#[test]
fn reports_are_readable_in_a_browser() {
    let chromium = match chromium() {
        Ok(chromium) => chromium,
        Err(missing) => {
            assert!(
                env::var_os("PINTALLY_REQUIRE_BROWSER").is_none(),
                "PINTALLY_REQUIRE_BROWSER is set, but {missing}"
            );
            eprintln!("SKIPPED reports_are_readable_in_a_browser: {missing}");
            return;
        }
    };
    let (bench, logs) = Bench::swept();
    let pages = bench.path("pages");
    fs::create_dir(&pages).unwrap();
    let logs: Vec<&str> = logs.iter().map(String::as_str).collect();
    bench.page(&pages, "sweep.html", &["before.jsonl"]);
    bench.page(&pages, "customer.html", &["before.jsonl", "--customer"]);
    bench.page(&pages, "repair.html", &["--before", "before.jsonl", "--after", "after.jsonl"]);
    bench.page(&pages, "batch.html", &logs);
    hostile().page(&pages, "hostile.html", &["hostile.jsonl"]);

    let mut command = Command::new("node");
    command.arg("check.mjs").arg(chromium).arg(&pages).current_dir(HERE);
    if let Some(shots) = env::var_os("PINTALLY_SHOTS") {
        command.arg("--shots").arg(shots);
    }
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();

    let faults: Vec<&str> = found["faults"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    assert_eq!(found["looks"], 20, "five pages, four ways");
    assert_eq!(found["papers"]["customer.html"], 1, "the page for a customer is one page");
    // Without colour each sign still differs from each other one, by shape or pattern.
    let pairs = found["icons"].as_array().unwrap();
    assert!(pairs.len() >= 3, "{pairs:?}");
    for pair in pairs {
        assert!(pair["share"].as_f64().unwrap() > 0.04, "alike without colour: {pair}");
    }
}
