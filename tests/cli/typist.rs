//! What somebody types at a terminal, and when: a question is answered by what is typed after it.

use std::{
    fs,
    io::{BufRead, BufReader, Write},
    process::{Child, Command, Stdio},
};

use serialport::{SerialPort, TTYPort};

use crate::run::Place;

/// Six pins, so that a sweep takes little time. Invented.
const SIX: &str = "name = \"J6\"\npin = [{ name = 1, role = \"ground\" }, { name = 2 }, { name = 3 }, { name = 4 }, { name = 5 }, { name = 6 }]\n";

/// A practice bench behind TCP ports.
struct Bench {
    child: Child,
    /// What it says from now on is nobody's concern, but it must be able to say it.
    _out: BufReader<std::process::ChildStdout>,
    ports: [String; 2],
}

impl Bench {
    fn start(place: &Place, more: &[&str]) -> Self {
        let words = [&["practice", "--tcp"], more].concat();
        let mut command = place.command(&words);
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        let mut port = || {
            let mut line = String::new();
            out.read_line(&mut line).unwrap();
            line.split_whitespace().find(|word| word.starts_with("tcp:")).unwrap().to_owned()
        };
        let ports = [port(), port()];
        Self { child, _out: out, ports }
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A command whose standard input is a terminal.
struct Desk {
    child: Child,
    typist: TTYPort,
    /// The terminal's other end is kept open: without it the line would be dead before the command has opened it.
    _terminal: TTYPort,
    said: BufReader<std::process::ChildStderr>,
}

impl Desk {
    fn sit_down(mut command: Command) -> Self {
        let (typist, mut terminal) = TTYPort::pair().unwrap();
        terminal.set_exclusive(false).unwrap();
        let keyboard = fs::File::open(terminal.name().unwrap()).unwrap();
        let mut child =
            command.stdin(keyboard).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let said = BufReader::new(child.stderr.take().unwrap());
        Self { child, typist, _terminal: terminal, said }
    }

    fn type_line(&mut self, line: &str) {
        writeln!(self.typist, "{line}").unwrap();
    }

    /// Everything that is said up to the line with this text in it.
    fn hear(&mut self, text: &str) -> String {
        let mut all = String::new();
        while !all.contains(text) {
            assert_ne!(self.said.read_line(&mut all).unwrap(), 0, "expected {text}, heard\n{all}");
        }
        all
    }

    /// How it ended, and what it said until then.
    fn end(mut self) -> (Option<i32>, String) {
        let mut said = String::new();
        while self.said.read_line(&mut said).unwrap() > 0 {}
        (self.child.wait().unwrap().code(), said)
    }
}

/// Enter that was pressed while a board was swept started the sweep of the next one at once: the same board stood on record
/// under two names, and nobody had said that the next one is dead.
#[test]
fn enter_once_too_often_starts_no_sweep() {
    let place = Place::new();
    place.file("six.toml", SIX);
    // A slow meter, so that what is typed while it reads has been read long before the last pin.
    let bench = Bench::start(&place, &["--connector", "six.toml", "--profile", "fs9721"]);
    let [jig, meter] = &bench.ports;
    let ports = ["batch", "--jig", jig, "--meter", meter, "--profile", "fs9721", "--unpowered"];
    let words = ["--connector", "six.toml", "--count-from", "T1", "--data", "d", "--name", "May"];
    let mut desk = Desk::sit_down(place.command(&[&ports[..], &words].concat()));
    desk.hear("board T1: battery out");
    desk.type_line("");
    desk.hear("sweeping 6 pins");
    desk.type_line("");
    let heard = desk.hear("board T2: battery out");
    assert!(heard.contains("what was typed before this question starts and decides nothing"), "{heard}");
    desk.type_line("/stop");
    let (status, said) = desk.end();
    assert_eq!(status, Some(0), "{said}");
    let listed = place.run(&["history", "--data", "d", "--format", "csv"]);
    assert_eq!(listed.stdout.lines().count(), 2, "{}", listed.text());
    assert!(listed.stdout.contains(",T1,"), "{}", listed.text());
}

/// The meter is connected to nothing before somebody has said that there is no board.
#[test]
fn the_lag_is_measured_once_the_board_is_off() {
    let place = Place::new();
    let bench = Bench::start(&place, &[]);
    let [jig, meter] = &bench.ports;
    let words = ["meter", "lag", "--jig", jig, "--meter", meter, "--channels", "40,0", "--toggles", "4"];
    let mut desk = Desk::sit_down(place.command(&words));
    let said = desk.hear("take the board off the jig");
    assert!(said.contains(", then press Enter"), "{said}");
    desk.type_line("");
    let (status, said) = desk.end();
    assert_eq!(status, Some(0), "{said}");
}

/// A program that has typed all names ends the batch; it waited for another name for ever.
#[test]
fn a_batch_ends_when_nobody_can_type_a_name_any_more() {
    let place = Place::new();
    place.file("six.toml", SIX);
    let bench = Bench::start(&place, &["--connector", "six.toml"]);
    let [jig, meter] = &bench.ports;
    let words = ["batch", "--jig", jig, "--meter", meter, "--unpowered", "--connector", "six.toml"];
    let outcome = place.type_into(&[&words[..], &["--data", "d", "--name", "May"]].concat(), "T1\n\n");
    assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    assert!(
        outcome.stderr.contains("stopped; go on with: pintally batch --resume May"),
        "{}",
        outcome.text()
    );
    assert_eq!(outcome.stdout, "T1  J6  not judged\n");
}
