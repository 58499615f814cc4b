//! Input that was made to do harm: names that are markup, queries, paths or terminal commands, and files without end.

use std::{
    ffi::OsStr,
    fs,
    io::Write,
    path::{Path, PathBuf},
    process::Stdio,
    time::Duration,
};

use serialport::{SerialPort, TTYPort};

use crate::{
    bench::{has, place, under},
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
fn assert_plain(text: &str, context: &str) {
    let odd = text.chars().find(|&c| c != '\n' && pintally::label::is_unprintable(c));
    assert_eq!(odd, None, "{context}\n{text:?}");
}

/// Every file below a folder.
fn files(folder: &Path) -> Vec<PathBuf> {
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
        assert!(rows[0].iter().any(|field| field == *payload), "{payload}: {rows:?}");
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
        for option in ["--board", "--operator"] {
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

/// Runs a command that may use so much memory and so much time.
fn bounded(place: &Place, words: &[&str]) -> (Option<i32>, String) {
    const MEMORY: &str = "--as=1000000000";
    let limits = ["--core=0", MEMORY, "--cpu=60"].map(OsStr::new);
    let mut child =
        under(place, "prlimit", &limits, words).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let mut text = String::new();
    std::io::Read::read_to_string(&mut child.stderr.take().unwrap(), &mut text).unwrap();
    (child.wait().unwrap().code(), text)
}

#[test]
fn files_without_end_are_refused_in_little_memory() {
    if !has("prlimit") || !Path::new("/dev/zero").exists() {
        return;
    }
    let place = place();
    place.file("good.csv", "board,pin,reading\nG1,1,0.001\nG1,2,0.543\nG1,3,0.612\nG1,4,0.6\n");
    // A gigabyte that takes no room on the disk.
    fs::File::create(place.path().join("sparse")).unwrap().set_len(1 << 30).unwrap();
    for file in ["/dev/zero", "sparse"] {
        for words in [
            vec!["replay", file],
            vec!["sweep", "--practice", "--instant", "--data", "d", "--connector", file],
            vec!["sweep", "--practice", "--instant", "--data", "d", "--wiring", file],
            vec!["sweep", "--practice", "--instant", "--data", "d", "--profile", file],
            vec!["sweep", "--practice", "--instant", "--data", "d", "--reference", file],
            vec!["sweep", "--practice", "--instant", "--data", "d", "--fault-list", file],
            vec!["compare", "--connector", "c.csv", "--known-good", file, "--readings", "good.csv"],
            vec!["compare", "--connector", "c.csv", "--known-good", "good.csv", "--readings", file],
        ] {
            let (status, text) = bounded(&place, &words);
            assert!(status.is_some_and(|status| (64..=78).contains(&status)), "{words:?}: {status:?} {text}");
            assert!(text.contains("error: "), "{words:?}: {text}");
        }
    }
}

#[test]
fn bombs() {
    if !has("prlimit") {
        return;
    }
    let place = place();
    let good = "board,pin,reading\nG1,1,0.001\nG1,2,0.543\nG1,3,0.612\nG1,4,0.6\n";
    place.file("good.csv", good);
    let deep = |open: &str, count: usize| open.repeat(count);
    place.file("deep.toml", &format!("name = {}", deep("[", 1_000_000)));
    place.file("inline.toml", &format!("name = {}", deep("{a=", 500_000)));
    place.file("dotted.toml", &format!("{}b = 1", deep("a.", 500_000)));
    place.file("deep.json", &deep("{\"faults\":[", 500_000));
    let pins: String = (0..300_000).map(|pin| format!("{pin},A,{pin},N,signal,\n")).collect();
    place.file("pins.csv", &format!("pin,row,position,net,role,pair\n{pins}"));
    let pins: String = (0..40_000).map(|pin| format!("[[pin]]\nname = \"{pin}\"\n")).collect();
    place.file("pins.toml", &format!("name = \"J\"\n{pins}"));
    place.file("line.csv", &format!("board,pin,reading\nG1,1,{}\n", "0".repeat(60_000_000)));
    place.file("columns.csv", &format!("board,pin,reading{}\n", ",x".repeat(2_000_000)));
    place.file("quote.csv", &format!("board,pin,reading\nG1,\"{}", "x,\n".repeat(10_000_000)));
    let header = r#"{"n":1,"at_us":0,"event":{"header":{"version":1,"x":"#;
    let content = format!("{header}{}", deep("[", 2_000_000));
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(content.as_bytes());
    place.file("deep.jsonl", &format!("{content},\"crc\":\"{crc:08x}\"}}\n"));
    for words in [
        vec!["sweep", "--practice", "--instant", "--data", "d", "--connector", "deep.toml"],
        vec!["sweep", "--practice", "--instant", "--data", "d", "--connector", "inline.toml"],
        vec!["sweep", "--practice", "--instant", "--data", "d", "--connector", "dotted.toml"],
        vec!["sweep", "--practice", "--instant", "--data", "d", "--profile", "deep.toml"],
        vec!["sweep", "--practice", "--instant", "--data", "d", "--reference", "dotted.toml"],
        vec!["sweep", "--practice", "--instant", "--data", "d", "--fault-list", "deep.json"],
        vec!["sweep", "--practice", "--instant", "--data", "d", "--connector", "pins.csv"],
        vec!["sweep", "--practice", "--instant", "--data", "d", "--connector", "pins.toml"],
        vec!["compare", "--connector", "c.csv", "--known-good", "good.csv", "--readings", "line.csv"],
        vec!["compare", "--connector", "c.csv", "--known-good", "good.csv", "--readings", "columns.csv"],
        vec!["compare", "--connector", "c.csv", "--known-good", "good.csv", "--readings", "quote.csv"],
        vec!["replay", "deep.jsonl"],
    ] {
        let (status, text) = bounded(&place, &words);
        assert!(
            status.is_some_and(|status| (64..=78).contains(&status)),
            "{words:?}: {status:?} {text:.2000}"
        );
        assert!(text.len() < 10_000, "{words:?}: {} bytes of message", text.len());
        assert_plain(&text, &format!("{words:?}"));
    }
}

/// Memory of a process, in KiB.
fn resident_kib(process: u32) -> Option<u64> {
    let status = fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    line.trim().trim_end_matches("kB").trim().parse().ok()
}

/// A meter that sends one line without end, at full speed: what is kept of it is bounded.
#[test]
fn a_line_without_end_is_kept_in_little_memory() {
    for profile in ["bench-stream", "fs9721", "es14"] {
        let place = place();
        let (mut far, near) = TTYPort::pair().unwrap();
        let port = near.name().unwrap();
        drop(near);
        far.set_timeout(Duration::from_millis(50)).unwrap();
        let mut watch = place
            .command(&["meter", "watch", "--profile", profile, &port])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // After the first two megabytes all buffers have the size that they ever get.
        let (mut sent, mut early) = (0, None);
        while sent < 16 << 20 && watch.try_wait().unwrap().is_none() {
            // Refused while nobody holds the other side, or as long as it takes nothing.
            sent += far.write(&[b'7'; 4096]).unwrap_or(0);
            if sent > 3 << 20 && early.is_none() {
                early = resident_kib(watch.id());
            }
        }
        let grown = early.zip(resident_kib(watch.id())).map(|(early, late)| late.saturating_sub(early));
        // It may have called the stream nonsense and ended long before.
        assert!(grown.is_none_or(|kib| kib < 4096), "{profile}: {grown:?} KiB more after {sent} bytes");
        let _ = watch.kill();
        watch.wait().unwrap();
    }
}
