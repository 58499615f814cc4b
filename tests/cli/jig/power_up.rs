//! The first power-up as `docs/jig/README.md` has it: its commands, on the practice bench behind ports, by somebody who does
//! what is asked.

use std::{
    io::{BufRead, BufReader, Write},
    process::Stdio,
    thread,
    time::Duration,
};

use crate::{beside::Beside, run::Place};

const CONNECTOR: &str = "name = \"J5\"\npin = [{ name = 1, row = \"A\", position = 1 }, { name = 2, row = \"A\", position = 2 }, \
     { name = 3, row = \"A\", position = 3 }, { name = 4, row = \"A\", position = 4 }]\n";
const WIRING: &str = "name = \"first jig\"\nconnector = \"J5\"\n[check]\nchannel = 4\nohms = 1000\n\
     [channels]\n1 = 0\n2 = 1\n3 = 2\n4 = 3\n";

/// So long after a deed the bench has done it, on a machine that may be busy.
const DONE: Duration = Duration::from_secs(1);

/// The commands of this kind in the steps, word by word.
fn documented(command: &str) -> Vec<Vec<String>> {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let guide = std::fs::read_to_string(root.join("docs/jig/README.md")).unwrap();
    let (_, steps) = guide.split_once("## First power-up").unwrap();
    let start = format!("pintally jig {command} ");
    let commands = steps.split('`').skip(1).step_by(2).filter(|text| text.starts_with(&start));
    commands.map(|text| text.split_whitespace().skip(1).map(str::to_owned).collect()).collect()
}

/// The practice bench on its ports.
struct Bench {
    beside: Beside,
    ports: [String; 2],
}

impl Bench {
    fn start(place: &Place) -> Self {
        let words = ["practice", "--tcp", "--connector", "j5.toml", "--wiring", "wiring.toml", "--quiet"];
        let (mut beside, ports) = Beside::bench(place, &words);
        beside.let_talk();
        Self { beside, ports }
    }

    fn have(&mut self, deed: &str) {
        self.beside.type_line(deed);
        thread::sleep(DONE);
    }
}

/// Runs a documented command and does what it asks for. Everything it said, and how it ended.
fn run(place: &Place, bench: &mut Bench, words: &[String]) -> (String, Option<i32>) {
    let mut words = words.to_vec();
    for (option, port) in ["--jig", "--meter"].iter().zip(&bench.ports) {
        let at = words.iter().position(|word| word == option).unwrap();
        assert_eq!(words[at + 1], "PORT");
        words[at + 1].clone_from(port);
    }
    for word in words.iter_mut().filter(|word| *word == "63=1000") {
        *word = "4=1000".to_owned();
    }
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    let mut child = place
        .command(&words)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = String::new();
    for line in BufReader::new(child.stderr.take().unwrap()).lines() {
        let line = line.unwrap();
        let deed = match &line {
            line if !line.contains(", then press") => None,
            line if line.starts_with("open the lid") || line.starts_with("shut the lid") => {
                Some("lid".to_owned())
            }
            line if line.starts_with("press the jig") => Some("button".to_owned()),
            line if line.starts_with("take the meter") => Some("unplug".to_owned()),
            line if line.starts_with("connect the meter") => Some("plug".to_owned()),
            line if line.contains("a cell of") => Some("plate cell".to_owned()),
            line => line
                .strip_prefix("put the ")
                .and_then(|rest| Some(format!("plate {}", rest.split_once(' ')?.0))),
        };
        if let Some(deed) = deed {
            bench.have(&deed);
            // The button is an answer of its own.
            if deed != "button" {
                writeln!(child.stdin.as_mut().unwrap()).unwrap();
            }
        }
        said.push_str(&line);
        said.push('\n');
    }
    let output = child.wait_with_output().unwrap();
    said.push_str(&String::from_utf8_lossy(&output.stdout));
    (said, output.status.code())
}

#[test]
fn the_first_power_up_succeeds_as_it_is_written() {
    let place = Place::new();
    place.file("j5.toml", CONNECTOR);
    place.file("wiring.toml", WIRING);
    let mut bench = Bench::start(&place);
    let tests = documented("self-test");
    assert_eq!(tests.len(), 2, "in place of the cable, and at the connector");
    for words in tests {
        let (said, status) = run(&place, &mut bench, &words);
        assert_eq!(status, Some(0), "{words:?}\n{said}");
        assert!(said.contains("the jig is sound"), "{said}");
    }
    let [zero] = &documented("zero")[..] else { panic!("one zero") };
    let (said, status) = run(&place, &mut bench, zero);
    assert_eq!(status, Some(0), "{said}");
    let [jig, meter] = &bench.ports;
    let sweep = [
        "sweep",
        "--jig",
        jig,
        "--meter",
        meter,
        "--connector",
        "j5.toml",
        "--wiring",
        "wiring.toml",
        "--jig-name",
        "bench",
        "--zero",
        "zero.toml",
        "--unpowered",
        "--log",
        "s.jsonl",
    ];
    let outcome = place.run(&sweep);
    assert!(outcome.text().contains("jig zero of"), "{}", outcome.text());
}

#[test]
fn a_check_channel_that_is_not_named_is_asked_for_and_a_zero_wants_its_connector() {
    let place = Place::new();
    place.file("j5.toml", CONNECTOR);
    let ports = ["--jig", "tcp:127.0.0.1:9", "--meter", "tcp:127.0.0.1:9"];
    let zero = place.run(&[&["jig", "zero", "-o", "z.toml"], &ports[..]].concat());
    assert_eq!(zero.status, Some(64), "{}", zero.text());
    assert!(zero.stderr.contains("expected --connector"), "{}", zero.text());
    for (wrong, expected) in [
        ("63", "such as 63=1000"),
        ("63=", "such as 63=1000"),
        ("x=1000", "such as 63=1000"),
        ("300=1000", "such as 63=1000"),
        ("63=-1", "expected a check resistor"),
        ("63=1e9", "expected a check resistor"),
    ] {
        let test = place.run(&[&["jig", "self-test", "--check", wrong], &ports[..]].concat());
        assert_eq!(test.status, Some(64), "{wrong}: {}", test.text());
        assert!(test.stderr.contains(expected), "{wrong}: {}", test.text());
    }
}
