//! A small practice sweep, its log, and what a replay of it says.

use std::{
    ffi::OsStr,
    path::Path,
    process::{Child, Command, Stdio},
    thread,
    time::{Duration, Instant},
};

use pintally::log::{LogEvent, LogLine, LogReader, LogTrouble};

use crate::run::{Outcome, Place};

/// Four pins: every kind of event of a sweep in eighty lines.
pub(crate) const CONNECTOR: &str = "pin,row,position,net,role,pair\n1,A,1,GND,ground,\n2,A,2,DATA,signal,\n\
                                    3,A,3,CLK,signal,\n4,A,4,VDD,power,\n";

/// A sweep of it that asks the meter and ends in findings, so that its log has every kind of event.
pub(crate) const SWEEP: &[&str] = &[
    "sweep",
    "--practice",
    "--seed",
    "3",
    "--fault",
    "open:2",
    "--connector",
    "c.csv",
    "--log",
    "t.jsonl",
    "--note",
    "lifted trace at pin 2",
    "--override-alive",
    "bench supply checked",
];

/// How long something is waited for on a machine that may be busy.
pub(crate) const LIMIT: Duration = Duration::from_secs(120);

/// A folder with the connector file.
pub(crate) fn place() -> Place {
    let place = Place::new();
    place.file("c.csv", CONNECTOR);
    place
}

/// The words of [`SWEEP`] and more.
pub(crate) fn sweep<'a>(more: &[&'a str]) -> Vec<&'a str> {
    [SWEEP, more].concat()
}

/// The bytes of the log of a sweep in simulated time.
pub(crate) fn whole_log() -> Vec<u8> {
    let place = place();
    let outcome = place.run(&sweep(&["--instant"]));
    assert_eq!(outcome.status, Some(1), "{}", outcome.text());
    std::fs::read(place.path().join("t.jsonl")).unwrap()
}

/// The lines of a log that are sound, and the trouble with the others.
pub(crate) fn read(log: &[u8]) -> (Vec<LogLine>, Vec<LogTrouble>) {
    let (mut lines, mut troubles) = (Vec::new(), Vec::new());
    for item in LogReader::new(log).unwrap() {
        match item {
            Ok(line) => lines.push(line),
            Err(trouble) => troubles.push(trouble),
        }
    }
    (lines, troubles)
}

/// The pins whose result stands in the log, as `replay --format csv` would print them.
pub(crate) fn recorded(lines: &[LogLine]) -> Vec<(String, String)> {
    let result = |line: &LogLine| match &line.event {
        LogEvent::PinResult { name, result } => Some((name.to_string(), result.value.to_string())),
        _ => None,
    };
    lines.iter().filter_map(result).collect()
}

/// The readings that `replay --format csv` prints: pin and reading.
pub(crate) fn replayed(outcome: &Outcome) -> Vec<(String, String)> {
    let mut rows = outcome.stdout.lines().map(|row| row.split(',').collect::<Vec<_>>());
    let header = rows.next().unwrap_or_default();
    let column = |name: &str| header.iter().position(|field| *field == name);
    let (Some(pin), Some(reading)) = (column("pin"), column("reading")) else { return Vec::new() };
    rows.map(|row| (row[pin].to_owned(), row[reading].to_owned())).collect()
}

/// The command as another program runs it, which gets these arguments first; in this place, with nothing to read.
pub(crate) fn under(place: &Place, program: &str, arguments: &[&OsStr], words: &[&str]) -> Command {
    let pintally = place.command(words);
    let mut command = Command::new(program);
    command.args(arguments).arg(pintally.get_program()).args(pintally.get_args());
    command.envs(pintally.get_envs().filter_map(|(name, value)| Some((name, value?))));
    command.current_dir(place.path()).stdin(Stdio::null());
    command
}

/// The command under a limit for the size of files, in bytes. The kernel kills a process that writes beyond it, or
/// refuses the write where the process was started with that signal ignored.
pub(crate) fn limited(place: &Place, words: &[&str], bytes: u64, is_killed: bool) -> Command {
    let trap = if is_killed { "" } else { "trap '' XFSZ; " };
    let script = format!("{trap}exec prlimit --core=0 --fsize={bytes} \"$0\" \"$@\"");
    under(place, "sh", &["-c".as_ref(), script.as_ref()], words)
}

/// Whether a tool of the system is there. Where everything must be (`PINTALLY_REQUIRE_EMULATORS`), its absence fails.
pub(crate) fn has(tool: &str) -> bool {
    let found = Command::new(tool).arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status();
    let is_there = found.is_ok_and(|status| status.success());
    if !is_there {
        assert!(std::env::var_os("PINTALLY_REQUIRE_EMULATORS").is_none(), "{tool} is missing");
        println!("SKIPPED: {tool} is missing");
    }
    is_there
}

/// Replays a log file as CSV.
pub(crate) fn replay(place: &Place, log: &Path) -> Outcome {
    place.run(&["replay", &log.display().to_string(), "--format", "csv"])
}

/// A practice bench behind links to pseudo-terminals, that can be switched off and on again.
pub(crate) struct Bench<'a> {
    place: &'a Place,
    words: Vec<String>,
    bench: Child,
}

impl<'a> Bench<'a> {
    /// Starts one with these faults of the board.
    pub(crate) fn start(place: &'a Place, faults: &[&str]) -> Self {
        Self::start_with(place, faults, &[])
    }

    /// Starts one with these faults and these options.
    pub(crate) fn start_with(place: &'a Place, faults: &[&str], more: &[&str]) -> Self {
        let faults = faults.iter().flat_map(|&fault| ["--fault", fault]);
        let words: Vec<String> = faults.chain(more.iter().copied()).map(str::to_owned).collect();
        let bench = switch_on(place, &words);
        Self { place, words, bench }
    }

    /// The words of a sweep through its ports.
    pub(crate) fn sweep<'b>(&self, more: &[&'b str]) -> Vec<&'b str> {
        let words = [
            "sweep",
            "--jig",
            "jig",
            "--meter",
            "meter",
            "--unpowered",
            "--connector",
            "c.csv",
            "--log",
            "t.jsonl",
        ];
        [&words, more].concat()
    }

    /// Switches it off: both ports go away.
    pub(crate) fn switch_off(&mut self) {
        self.bench.kill().unwrap();
        self.bench.wait().unwrap();
    }

    /// Switches it on again: both ports come back under the same names.
    pub(crate) fn switch_on(&mut self) {
        self.bench = switch_on(self.place, &self.words);
    }
}

impl Drop for Bench<'_> {
    fn drop(&mut self) {
        let _ = self.bench.kill();
        let _ = self.bench.wait();
    }
}

fn switch_on(place: &Place, more: &[String]) -> Child {
    for link in ["jig", "meter"] {
        let _ = std::fs::remove_file(place.path().join(link));
    }
    let mut words = vec!["practice", "--connector", "c.csv", "--links", "."];
    words.extend(more.iter().map(String::as_str));
    // Its standard input stays open: it ends when nobody can type any more.
    let bench = place
        .command(&words)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let began = Instant::now();
    while !(place.path().join("jig").exists() && place.path().join("meter").exists()) {
        assert!(began.elapsed() < LIMIT, "the bench does not start");
        thread::sleep(Duration::from_millis(5));
    }
    bench
}
