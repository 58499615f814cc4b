//! Practice sweeps and their reports, made by the built command.

use std::{
    fs,
    path::{Path, PathBuf},
    process::{Command, Output},
};

use tempfile::TempDir;

/// What was noted before the repair. Invented.
const REPAIR: &str = r#"
checklist = ["current below 0.1 A at power-on", "picture"]

[[pin]]
name = "B16"
pad = "lifted"
jumper = "done"
trace = "via beside C12"

[[pin]]
name = "A5"
jumper = "planned"

[[pin]]
name = "A2"
unconnected = true
note = "unused in this model"
"#;

/// A folder with session logs.
pub(crate) struct Bench {
    folder: TempDir,
}

impl Bench {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn run(&self, words: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_pintally"))
            .args(words)
            .current_dir(self.folder.path())
            .env("HOME", self.folder.path())
            .env("NO_COLOR", "1")
            .output()
            .unwrap()
    }

    /// Sweeps a practice board into a log of this name.
    pub(crate) fn sweep(&self, log: &str, words: &[&str]) {
        let all = [&["sweep", "--practice", "--instant", "--quiet", "--log", log], words].concat();
        let output = self.run(&all);
        let status = output.status.code();
        assert!(
            status.is_some_and(|status| status <= 2),
            "{words:?}: {}",
            String::from_utf8_lossy(&output.stderr)
        );
    }

    /// The report that these words ask for, as text.
    pub(crate) fn report(&self, words: &[&str]) -> String {
        let output = self.run(&[&["report"], words].concat());
        let status = output.status.code();
        assert!(
            status.is_some_and(|status| status <= 2),
            "{words:?}: {}",
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap()
    }

    /// Writes a report as a file of this folder.
    pub(crate) fn page(&self, folder: &Path, name: &str, words: &[&str]) {
        fs::write(folder.join(name), self.report(words)).unwrap();
    }

    /// Logs of a repair, `before.jsonl` and `after.jsonl`, and of a batch; gives the names of the batch's.
    pub(crate) fn swept() -> (Self, Vec<String>) {
        let bench = Self::new();
        let faults = ["open:A5", "bridge:B8+B9", "short:B1"];
        let before: Vec<&str> = faults.iter().flat_map(|fault| ["--fault", fault]).collect();
        let names = ["--board", "T-1042", "--operator", "bench 2", "--note", "two jumpers under the shield"];
        bench.sweep("before.jsonl", &[&names[..], &["--seed", "3"], &before].concat());
        fs::write(bench.path("repair.toml"), REPAIR).unwrap();
        let repaired = ["--seed", "3", "--fault", "raised:B16=80", "--repair", "repair.toml"];
        bench.sweep("after.jsonl", &[&names[..], &repaired].concat());
        let mut logs = Vec::new();
        for number in 1..=26 {
            let (log, board) = (format!("batch{number:02}.jsonl"), format!("T-{}", 1100 + number));
            let seed = number.to_string();
            let mut words = vec!["--seed", &seed, "--board", &board];
            if number % 6 == 0 {
                words.extend(["--fault", "random"]);
            }
            let worn = format!("worn:14={}", 30 * (number - 18));
            if number > 18 {
                words.extend(["--jig-trouble", &worn]);
            }
            bench.sweep(&log, &words);
            logs.push(log);
        }
        (bench, logs)
    }
}
