//! Input that was made to do harm: names that are markup, queries, paths or terminal commands.

use std::{
    fs,
    io::{BufRead, BufReader, Write},
    net::TcpListener,
    path::{Path, PathBuf},
    thread,
};

use crate::{
    bench::{Bench, place},
    run::Place,
};

/// Names that somebody could give a board, an operator, a net, a connector.
const PAYLOADS: &[&str] = &[
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "&lt;b&gt;&#x41;",
    "'; DROP TABLE sweep; --",
    "\" OR 1=1 --",
    "../../../../etc/passwd",
    "..\\..\\windows",
    "/absolute/path",
    "a/../../b",
    "$(touch pwned)`touch pwned`",
    "%s%n%1000d",
    "=1+1",
    "{\"event\":1}",
    "CON",
];

/// Names that must not reach a terminal as they are.
const CONTROLS: &[&str] = &[
    "\u{1b}[2J\u{1b}]0;owned\u{7}",
    "a\u{202e}gnp.exe",
    "line\nbreak",
    "back\u{8}\u{8}space",
    "\u{9b}31m",
    "nul\u{0}",
];

/// Nothing in it moves the cursor, changes colours or the direction of writing.
pub(crate) fn assert_plain(text: &str, context: &str) {
    let odd = text.chars().find(|&c| c != '\n' && pintally::label::is_unprintable(c));
    assert_eq!(odd, None, "{context}\n{text:?}");
}

/// Every file below a folder.
pub(crate) fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        match path.is_dir() {
            true => found.extend(files(&path)),
            false => found.push(path),
        }
    }
    found.sort();
    found
}

#[test]
fn names_that_are_markup_queries_and_paths() {
    let place = place();
    for (at, payload) in PAYLOADS.iter().enumerate() {
        let data = format!("data-{at}");
        let words = [
            "sweep",
            "--practice",
            "--instant",
            "--connector",
            "c.csv",
            "--data",
            &data,
            "--board",
            payload,
            "--operator",
            payload,
            "--note",
            payload,
            "--fault",
            "open:2",
            "--format",
            "json",
        ];
        let outcome = place.run(&words);
        assert_eq!(outcome.status, Some(1), "{payload}: {}", outcome.text());
        assert_plain(&outcome.stderr, payload);
        let json: serde_json::Value = serde_json::from_str(&outcome.stdout).unwrap();
        assert_eq!(json["board"].as_str(), Some(*payload), "JSON has it as it is");
        let log = files(&place.path().join(&data).join("logs")).remove(0);
        let log = log.display().to_string();
        for format in ["html", "markdown"] {
            for more in [&[][..], &["--customer"]] {
                let page = place.run(&[&["report", &log, "--format", format], more].concat());
                if format == "markdown" && !more.is_empty() && page.status == Some(64) {
                    continue;
                }
                assert!(matches!(page.status, Some(0..=2)), "{payload}: {}", page.text());
                // Neither a tag nor an attribute of it gets into the page, which has no scripts of its own.
                for tag in ["<script", "<img", "<b>", "onerror=alert(1)>"] {
                    assert!(!page.stdout.contains(tag), "{payload}: {tag} in {format}");
                }
                assert_plain(&page.stdout, payload);
            }
        }
        let shown = place.run(&["history", "--data", &data]);
        assert_eq!(shown.status, Some(0), "{payload}: {}", shown.text());
        assert_plain(&shown.stdout, payload);
        let shown = place.run(&["history", "show", payload, "--data", &data]);
        assert!(matches!(shown.status, Some(0..=2)), "{payload}: {}", shown.text());
        assert!(shown.stdout.contains(payload), "{payload}: {}", shown.text());
        let again = place.run(&["history", "rebuild", "--data", &data]);
        assert_eq!(again.status, Some(0), "{payload}: {}", again.text());
        let csv = place.run(&["history", "--data", &data, "--format", "csv"]);
        let mut table = csv::Reader::from_reader(csv.stdout.as_bytes());
        let rows: Vec<_> = table.records().map(Result::unwrap).collect();
        assert_eq!(rows.len(), 1, "{payload}: {}", csv.text());
        // No field is a formula to a spreadsheet.
        let written = if payload.starts_with('=') { format!("'{payload}") } else { (*payload).to_owned() };
        assert!(rows[0].iter().any(|field| *field == written), "{payload}: {rows:?}");
        let table = place.run(&["report", &log, "--format", "csv"]);
        for row in csv::Reader::from_reader(table.stdout.as_bytes()).records().map(Result::unwrap) {
            let (board, pin) = (&row[0], &row[1]);
            assert!(board == written && !pin.starts_with(['=', '+', '-', '@']), "{payload}: {row:?}");
        }
    }
    // Every file lies where it should: nothing climbed out, and nothing was run.
    for file in files(place.path()) {
        let name = file.strip_prefix(place.path()).unwrap();
        let is_expected = name == Path::new("c.csv")
            || name.starts_with("data")
            || (0..PAYLOADS.len()).any(|at| name.starts_with(format!("data-{at}")));
        assert!(is_expected, "{}", name.display());
        let name = name.file_name().unwrap().to_str().unwrap();
        assert!(name.chars().all(|c| c.is_ascii_alphanumeric() || "-_.".contains(c)), "{name}");
    }
}

#[test]
fn names_that_command_a_terminal_are_refused() {
    let place = place();
    for payload in CONTROLS.iter().filter(|payload| !payload.contains('\0')) {
        for option in ["--board", "--operator", "--note", "--override-alive"] {
            let outcome = place.run(&[
                "sweep",
                "--practice",
                "--instant",
                "--connector",
                "c.csv",
                "--data",
                "d",
                option,
                payload,
            ]);
            assert_eq!(outcome.status, Some(64), "{payload:?}: {}", outcome.text());
            assert_plain(&outcome.text(), payload);
        }
        // Names of files and ports that are not there are told as well.
        for words in [
            vec!["replay", payload],
            vec!["compare", "--connector", payload, "--known-good", payload, "--readings", payload],
            vec![
                "sweep",
                "--jig",
                payload,
                "--meter",
                payload,
                "--connector",
                "c.csv",
                "--unpowered",
                "--data",
                "d",
            ],
            vec!["sweep", "--practice", "--instant", "--profile", payload, "--data", "d"],
            vec!["sweep", "--practice", "--instant", "--fault", payload, "--data", "d"],
            vec!["history", "show", payload, "--data", "d"],
            vec!["batch", "--practice", "--boards", "1", "--count-from", payload, "--data", "d"],
            vec!["sweep", payload],
            vec![payload],
        ] {
            let outcome = place.run(&words);
            assert!(outcome.status.is_some_and(|status| status >= 2), "{words:?}: {}", outcome.text());
            assert_plain(&outcome.text(), &format!("{words:?}"));
        }
    }
}

/// A log that comes by mail, with payloads behind good checksums.
fn mailed_log(place: &Place, member: &str, payload: &str) -> PathBuf {
    let log = fs::read_to_string(place.path().join("good.jsonl")).unwrap();
    let (header, rest) = log.split_once('\n').unwrap();
    let (content, _) = header.rsplit_once(",\"crc\"").unwrap();
    let mut line: serde_json::Value = serde_json::from_str(&format!("{content}}}")).unwrap();
    line["event"]["header"][member] = payload.into();
    // The order of members does not matter to a reader, the checksum does.
    let content = line.to_string();
    let content = content.trim_end_matches('}');
    let closing = line.to_string().len() - content.len() - 1;
    let content = format!("{content}{}", "}".repeat(closing));
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(content.as_bytes());
    place.file("mailed.jsonl", &format!("{content},\"crc\":\"{crc:08x}\"}}\n{rest}"))
}

#[test]
fn a_log_from_elsewhere_cannot_write_elsewhere_or_command_the_terminal() {
    let place = place();
    let made = place.run(&[
        "sweep",
        "--practice",
        "--instant",
        "--connector",
        "c.csv",
        "--log",
        "good.jsonl",
        "--board",
        "T1",
        "--operator",
        "Ada",
    ]);
    assert_eq!(made.status, Some(0), "{}", made.text());
    for (member, payload) in [
        ("session", "../../../../tmp/out"),
        ("session", "/tmp/out"),
        ("session", "..\\out"),
        ("session", ".hidden"),
        ("session", ""),
        ("session", "a\u{1b}[2Jb"),
        ("board", "\u{1b}[2Jred"),
        ("operator", "\u{202e}nimda"),
        ("program", "\u{1b}]0;owned\u{7}"),
        ("started", "\u{1b}[31m2026"),
        ("board", "<script>alert(1)</script>"),
    ] {
        mailed_log(&place, member, payload);
        for words in [
            &["replay", "mailed.jsonl"][..],
            &["replay", "mailed.jsonl", "--format", "csv"],
            &["history", "add", "mailed.jsonl", "--data", "d"],
            &["report", "mailed.jsonl"],
            &["report", "mailed.jsonl", "--format", "markdown"],
            &["history", "--data", "d"],
            &["history", "rebuild", "--data", "d"],
        ] {
            let outcome = place.run(words);
            assert!(outcome.status.is_some(), "{member} {payload:?} {words:?}: {}", outcome.text());
            assert_plain(&outcome.text(), &format!("{member} {payload:?} {words:?}"));
        }
        let log_names: Vec<_> = files(place.path());
        for file in &log_names {
            assert!(file.starts_with(place.path()), "{}", file.display());
        }
        assert!(!Path::new("/tmp/out.jsonl").exists());
    }
}

/// A meter that calls itself what commands a terminal, and reads every pin alike. Returns its port.
fn meter_of_a_strange_name() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        let mut is_volts = false;
        for line in BufReader::new(stream.try_clone().unwrap()).lines().map_while(Result::ok) {
            let answer = match line.trim() {
                "*IDN?" => "ACME\u{1b}]0;owned\u{7},M\u{202e}1\u{9b}31m,0,1",
                "SYST:ERR?" => "+0,\"No error\"",
                "READ?" if is_volts => "+1.0E-03",
                "READ?" => "+5.0E-01",
                command => {
                    is_volts = command.contains("VOLT") || is_volts && !command.contains("DIOD");
                    continue;
                }
            };
            if writeln!(stream, "{answer}").is_err() {
                return;
            }
        }
    });
    format!("tcp:127.0.0.1:{port}")
}

#[test]
fn a_meter_whose_name_commands_the_terminal() {
    let place = place();
    let bench = Bench::start(&place, &[]);
    let words = ["sweep", "--jig", "jig", "--meter", &meter_of_a_strange_name(), "--profile", "scpi-bench"];
    let outcome =
        place.run(&[&words[..], &["--unpowered", "--connector", "c.csv", "--log", "t.jsonl"]].concat());
    drop(bench);
    assert_eq!(outcome.status, Some(0), "{}", outcome.text());
    assert!(outcome.stderr.contains("meter: ACME"), "{}", outcome.text());
    assert_plain(&outcome.text(), "the name of the meter");
}
