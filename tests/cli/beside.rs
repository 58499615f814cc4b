//! A command that runs beside the test: a practice bench on its ports, or a batch that is typed into.

use std::{
    io::{BufRead, BufReader, Write},
    process::{Child, ChildStdout, ExitStatus, Stdio},
    thread,
};

use crate::run::Place;

/// Killed when it is dropped.
pub(crate) struct Beside {
    child: Child,
    out: Option<BufReader<ChildStdout>>,
}

impl Beside {
    pub(crate) fn start(place: &Place, words: &[&str]) -> Self {
        let mut child = place
            .command(words)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let out = child.stdout.take().map(BufReader::new);
        Self { child, out }
    }

    /// A practice bench, and the names of its jig's port and of its meter's.
    pub(crate) fn bench(place: &Place, words: &[&str]) -> (Self, [String; 2]) {
        let mut bench = Self::start(place, words);
        let ports = ["jig", "meter"].map(|device| {
            let line = bench.line();
            line.strip_prefix(device)
                .unwrap_or_else(|| panic!("no port of the {device}: {line}"))
                .trim()
                .to_owned()
        });
        (bench, ports)
    }

    /// What it prints from now on is nobody's concern, but it must be able to print it.
    pub(crate) fn let_talk(&mut self) {
        let out = self.out.take().unwrap();
        thread::spawn(move || out.lines().for_each(drop));
    }

    pub(crate) fn type_line(&mut self, line: &str) {
        writeln!(self.child.stdin.as_mut().unwrap(), "{line}").unwrap();
    }

    pub(crate) fn line(&mut self) -> String {
        let mut line = String::new();
        self.out.as_mut().unwrap().read_line(&mut line).unwrap();
        line.trim_end().to_owned()
    }

    /// Waits for it to end.
    pub(crate) fn wait(&mut self) -> ExitStatus {
        self.child.wait().unwrap()
    }
}

impl Drop for Beside {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
