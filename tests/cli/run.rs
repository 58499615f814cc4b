//! Runs the built command in a folder of its own.

use std::{
    fs,
    io::Write,
    path::{Path, PathBuf},
    process::{Command, Output, Stdio},
};

use tempfile::TempDir;

/// A folder in which commands are run.
pub(crate) struct Place {
    folder: TempDir,
    is_home: bool,
}

/// What a command printed and how it ended.
#[must_use = "look at how the command ended"]
pub(crate) struct Outcome {
    pub(crate) stdout: String,
    pub(crate) stderr: String,
    pub(crate) status: Option<i32>,
}

impl Place {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap(), is_home: false }
    }

    /// A folder that is somebody's home, with settings and data where the system puts them.
    pub(crate) fn at_home() -> Self {
        Self { is_home: true, ..Self::new() }
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Puts a file there and gives its path.
    pub(crate) fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path().join(name);
        fs::write(&path, text).unwrap();
        path
    }

    /// Runs the command with these words.
    pub(crate) fn run(&self, words: &[&str]) -> Outcome {
        self.outcome(self.command(words).output().unwrap())
    }

    /// Runs the command with these words, and types this text.
    pub(crate) fn type_into(&self, words: &[&str], typed: &str) -> Outcome {
        let (stdout, stderr) = (Stdio::piped(), Stdio::piped());
        let mut command = self.command(words);
        let mut child = command.stdin(Stdio::piped()).stdout(stdout).stderr(stderr).spawn().unwrap();
        // A command that has ended already takes no more.
        let _ = child.stdin.take().unwrap().write_all(typed.as_bytes());
        self.outcome(child.wait_with_output().unwrap())
    }

    fn outcome(&self, output: Output) -> Outcome {
        Outcome {
            stdout: self.redacted(&output.stdout),
            stderr: self.redacted(&output.stderr),
            status: output.status.code(),
        }
    }

    /// The command, ready to be started, with nothing of the machine around it.
    pub(crate) fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_pintally"));
        command
            .args(words)
            .current_dir(self.path())
            .env("HOME", self.path())
            .env("XDG_CONFIG_HOME", self.xdg("config", ".config"))
            .env("XDG_DATA_HOME", self.xdg("data", ".local/share"))
            .env("NO_COLOR", "1")
            // Help is wrapped to the terminal; a fixed width makes it the same everywhere.
            .env("COLUMNS", "100")
            .stdin(Stdio::null());
        command
    }

    fn xdg(&self, plain: &str, at_home: &str) -> PathBuf {
        self.path().join(if self.is_home { at_home } else { plain })
    }

    /// The folder's own name is another on every run.
    fn redacted(&self, bytes: &[u8]) -> String {
        let text = String::from_utf8_lossy(bytes).into_owned();
        text.replace(&self.path().display().to_string(), "FOLDER")
    }
}

impl Outcome {
    /// Everything, as a snapshot shows it.
    pub(crate) fn text(&self) -> String {
        let status = self.status.map_or("killed".to_owned(), |status| status.to_string());
        format!("exit {status}\n--- stdout\n{}--- stderr\n{}", self.stdout, self.stderr)
    }
}
