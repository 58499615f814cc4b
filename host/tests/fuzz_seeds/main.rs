//! Replays the seeds of the fuzz targets, and many small changes of them, on a stable compiler.
#![allow(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests of files open files, and one that cannot be opened fails the test"
)]

use std::{fs, path::Path};

use proptest::{collection::vec, prelude::*};

#[path = "../../fuzz/checks/board_kind.rs"]
mod board_kind;
#[path = "../../fuzz/checks/configuration.rs"]
mod configuration;
#[path = "../../fuzz/checks/connector_csv.rs"]
mod connector_csv;
#[path = "../../fuzz/checks/connector_toml.rs"]
mod connector_toml;
#[path = "../../fuzz/checks/fault_list.rs"]
mod fault_list;
#[path = "../../fuzz/checks/history_file.rs"]
mod history_file;
#[path = "../../fuzz/checks/log_content.rs"]
mod log_content;
#[path = "../../fuzz/checks/log_stream.rs"]
mod log_stream;
#[path = "../../fuzz/checks/meter.rs"]
mod meter;
#[path = "../../fuzz/checks/readings_csv.rs"]
mod readings_csv;
#[path = "../../fuzz/checks/reference_toml.rs"]
mod reference_toml;
#[path = "../../fuzz/checks/repair_notes.rs"]
mod repair_notes;
#[path = "../../fuzz/checks/session.rs"]
mod session;
#[path = "../../fuzz/checks/wiring_toml.rs"]
mod wiring_toml;
#[path = "../../fuzz/checks/words.rs"]
mod words;
#[path = "../../fuzz/checks/zero_file.rs"]
mod zero_file;

type Check = fn(&[u8]);

/// Every target in `fuzz_targets/`.
const TARGETS: [(&str, Check); 27] = [
    ("board_kind", board_kind::check),
    ("configuration", configuration::check),
    ("connector_csv", connector_csv::check),
    ("connector_toml", connector_toml::check),
    ("fault_list", fault_list::check),
    ("history_file", history_file::check),
    ("log_content", log_content::check),
    ("log_stream", log_stream::check),
    ("meter_d14", meter::d14),
    ("meter_es11", meter::es11),
    ("meter_es14", meter::es14),
    ("meter_fs9721", meter::fs9721),
    ("meter_fs9922", meter::fs9922),
    ("meter_hm8012", meter::hm8012),
    ("meter_line", meter::line),
    ("meter_profile", meter::profile),
    ("meter_scpi", meter::scpi),
    ("meter_t16", meter::t16),
    ("meter_tpi183", meter::tpi183),
    ("meter_tpi196", meter::tpi196),
    ("readings_csv", readings_csv::check),
    ("reference_toml", reference_toml::check),
    ("repair_notes", repair_notes::check),
    ("session", session::check),
    ("wiring_toml", wiring_toml::check),
    ("words", words::check),
    ("zero_file", zero_file::check),
];

fn fuzz_folder() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/fuzz"))
}

fn seeds(target: &str) -> Vec<Vec<u8>> {
    let mut paths: Vec<_> = fs::read_dir(fuzz_folder().join("seeds").join(target))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    paths.sort();
    assert!(!paths.is_empty(), "{target} has no seeds");
    paths.iter().map(|path| fs::read(path).unwrap()).collect()
}

#[test]
fn every_seed_holds() {
    for (target, check) in TARGETS {
        seeds(target).iter().for_each(|seed| check(seed));
    }
}

#[test]
fn every_target_is_replayed() {
    let mut found: Vec<_> = fs::read_dir(fuzz_folder().join("fuzz_targets"))
        .unwrap()
        .map(|entry| entry.unwrap().path().file_stem().unwrap().to_str().unwrap().to_owned())
        .collect();
    found.sort();
    assert_eq!(found, TARGETS.map(|(name, _)| name));
}

/// A small change of a seed: at a place, some bytes are taken out and others put in.
#[derive(Debug, Clone)]
struct Change {
    at: prop::sample::Index,
    out: usize,
    put: Vec<u8>,
}

fn change() -> impl Strategy<Value = Change> {
    let put = prop_oneof![
        vec(any::<u8>(), 0..4),
        "[ -~]{0,6}".prop_map(String::into_bytes),
        any::<String>().prop_map(String::into_bytes),
    ];
    (any::<prop::sample::Index>(), 0..6_usize, put).prop_map(|(at, out, put)| Change { at, out, put })
}

proptest! {
    #[test]
    fn changed_seeds_hold(target in 0..TARGETS.len(), seed: prop::sample::Index, changes in vec(change(), 1..5)) {
        let (name, check) = TARGETS[target];
        let mut data = seed.get(&seeds(name)).clone();
        for Change { at, out, put } in changes {
            let at = at.index(data.len() + 1);
            let end = (at + out).min(data.len());
            data.splice(at..end, put);
        }
        check(&data);
    }

    #[test]
    fn random_bytes_hold(target in 0..TARGETS.len(), data in vec(any::<u8>(), 0..300)) {
        TARGETS[target].1(&data);
    }

    #[test]
    fn random_texts_hold(target in 0..TARGETS.len(), data: String) {
        TARGETS[target].1(data.as_bytes());
    }
}
