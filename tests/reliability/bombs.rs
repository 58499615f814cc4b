//! Input without end and input that unfolds: refused, or kept in little memory.

use std::{
    ffi::OsStr,
    fs,
    io::{Read, Write},
    net::TcpListener,
    path::Path,
    process::Stdio,
    thread,
    time::Duration,
};

use crate::{
    bench::{has, place, sweep, under},
    hostile::{assert_plain, files},
    run::Place,
};

/// Runs a command that may use a gigabyte of memory, its code included, and a minute.
fn bounded(place: &Place, words: &[&str]) -> (Option<i32>, String) {
    bounded_by(place, words, 1_000)
}

/// Runs a command that may use so many megabytes.
fn bounded_by(place: &Place, words: &[&str], megabytes: u32) -> (Option<i32>, String) {
    let memory = format!("--as={megabytes}000000");
    let limits = ["--core=0", &memory, "--cpu=60"].map(OsStr::new);
    let mut child =
        under(place, "prlimit", &limits, words).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let mut text = String::new();
    child.stderr.take().unwrap().read_to_string(&mut text).unwrap();
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
    let practice = ["sweep", "--practice", "--instant", "--data", "d"];
    for file in ["/dev/zero", "sparse"] {
        for words in [
            &["replay", file][..],
            &["report", file],
            &["report", "--before", file, "--after", file],
            &["history", "add", file, "--data", "d"],
            &["jig", "study", "evaluate", file],
            &["jig", "study", "evaluate", "--readings", file],
            &["probe", "--practice", "--instant", "--data", "d", "--resume", file],
            &["batch", "--practice", "--boards", "1", "--data", "d", "--kind", file],
            &["reference", "show", file],
            &["reference", "make", "--connector", "c.csv", "--known-good", file],
            &["reference", "extend", "--connector", "c.csv", "--reference", file, "--known-good", "good.csv"],
            &[&practice[..], &["--config", file]].concat(),
            &[&practice[..], &["--connector", file]].concat(),
            &[&practice[..], &["--wiring", file]].concat(),
            &[&practice[..], &["--profile", file]].concat(),
            &[&practice[..], &["--reference", file]].concat(),
            &[&practice[..], &["--known-good", file]].concat(),
            &[&practice[..], &["--zero", file]].concat(),
            &[&practice[..], &["--repair", file]].concat(),
            &[&practice[..], &["--checklist", file]].concat(),
            &[&practice[..], &["--fault-list", file]].concat(),
            &["compare", "--connector", "c.csv", "--known-good", file, "--readings", "good.csv"],
            &["compare", "--connector", "c.csv", "--known-good", "good.csv", "--readings", file],
        ] {
            let (status, text) = bounded(&place, words);
            assert!(status.is_some_and(|status| (65..=78).contains(&status)), "{words:?}: {status:?} {text}");
            assert!(text.contains("error: "), "{words:?}: {text}");
            assert!(!text.contains("memory"), "{words:?}: {text}");
        }
    }
}

/// A good beginning is no reason to copy or keep whatever comes behind it.
#[test]
fn a_log_whose_end_is_far_away() {
    if !has("prlimit") {
        return;
    }
    let place = place();
    let made = place.run(&sweep(&["--instant", "--board", "T1"]));
    assert_eq!(made.status, Some(1), "{}", made.text());
    let name = place.path().join("t.jsonl");
    let log = || fs::OpenOptions::new().write(true).open(&name).unwrap();
    // Two gigabytes of nothing behind it: refused before they are copied.
    log().set_len(2 << 30).unwrap();
    let (status, text) = bounded(&place, &["history", "add", "t.jsonl", "--data", "d"]);
    assert_eq!(status, Some(65), "{text}");
    assert!(
        text.contains("error: expected a log, a file of at most 1073741824 bytes, found 2147483648"),
        "{text}"
    );
    // One damaged line to the end: taken in, replayed and forgotten with less memory than it is long.
    log().set_len(128 << 20).unwrap();
    for words in [
        &["history", "add", "t.jsonl", "--data", "d"][..],
        &["replay", "t.jsonl"],
        &["history", "rebuild", "--data", "d"],
        &["history", "forget", "T1", "--data", "d", "--yes"],
    ] {
        let (status, text) = bounded_by(&place, words, 100);
        // A replay says by its status that a line is damaged.
        assert!(matches!(status, Some(0 | 65)), "{words:?}: {status:?} {text:.2000}");
        assert!(!text.contains("memory"), "{words:?}: {text:.2000}");
    }
    let kept = files(&place.path().join("d/logs")).remove(0);
    let kept = fs::read_to_string(kept).unwrap();
    assert!(kept.contains("\"redacted\"") && !kept.contains("lifted trace"), "{kept:.2000}");
}

/// A pipe is read once and a device never ends: neither is waited for.
#[test]
fn a_pipe_is_no_log_file() {
    let place = place();
    fs::create_dir_all(place.path().join("d/logs")).unwrap();
    let made = std::process::Command::new("mkfifo")
        .args(["p.jsonl", "d/logs/q.jsonl"])
        .current_dir(place.path())
        .status();
    if !made.is_ok_and(|status| status.success()) {
        println!("SKIPPED: mkfifo is missing");
        return;
    }
    for (file, status) in [("p.jsonl", 65), ("/dev/zero", 65), (".", 65), ("gone.jsonl", 66)] {
        let added = place.run(&["history", "add", file, "--data", "d"]);
        assert_eq!(added.status, Some(status), "{file}: {}", added.text());
    }
    let listed = place.run(&["history", "--data", "d"]);
    assert_eq!(listed.status, Some(0), "{}", listed.text());
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
    let pins: String = (0..1_000_000).map(|pin| format!("{pin},A,{pin},N,signal,\n")).collect();
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
///
/// Behind a TCP port: a write to a pseudo-terminal can wait for ever once the host is gone.
#[test]
fn a_line_without_end_is_kept_in_little_memory() {
    for profile in ["bench-stream", "fs9721", "es14"] {
        let place = place();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = format!("tcp:{}", listener.local_addr().unwrap());
        listener.set_nonblocking(true).unwrap();
        let mut watch = place
            .command(&["meter", "watch", "--profile", profile, &port])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut far = loop {
            match listener.accept() {
                Ok((far, _)) => break far,
                Err(_) => assert!(watch.try_wait().unwrap().is_none(), "it never opened its port"),
            }
            thread::sleep(Duration::from_millis(5));
        };
        far.set_nonblocking(false).unwrap();
        far.set_write_timeout(Some(Duration::from_millis(50))).unwrap();
        // The system keeps some megabytes itself. Once as many more were read all buffers have the size that they ever get.
        let (mut sent, mut early) = (0, None);
        while sent < 32 << 20 && watch.try_wait().unwrap().is_none() {
            // Refused as long as it takes nothing, and when it has gone.
            sent += far.write(&[b'7'; 4096]).unwrap_or(0);
            if sent > 12 << 20 && early.is_none() {
                early = resident_kib(watch.id());
            }
        }
        let grown = early.zip(resident_kib(watch.id())).map(|(early, late)| late.saturating_sub(early));
        println!("{profile}: {grown:?} KiB more after {sent} bytes");
        // It may have called the stream nonsense and ended long before.
        assert!(grown.is_none_or(|kib| kib < 4096), "{profile}: {grown:?} KiB more after {sent} bytes");
        let _ = watch.kill();
        watch.wait().unwrap();
    }
}

/// A keyboard that is a program, and sends one line without end: what is kept of it is bounded.
#[test]
fn a_typed_line_without_end_is_kept_in_little_memory() {
    for words in [
        &["practice"][..],
        &["probe", "--practice", "--plain", "--sound", "off", "--connector", "c.csv", "--log", "p.jsonl"],
        &["batch", "--practice", "--boards", "1", "--connector", "c.csv", "--data", "d"],
        &["init"],
    ] {
        let place = place();
        let mut command = place.command(words);
        command.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null());
        let mut child = command.spawn().unwrap();
        let mut input = child.stdin.take().unwrap();
        let (mut sent, mut early) = (0, None);
        // Until somebody stops reading.
        while sent < 64 << 20 && input.write_all(&[b'x'; 4096]).is_ok() {
            sent += 4096;
            if sent == 1 << 20 {
                early = resident_kib(child.id());
            }
        }
        let grown = early.zip(resident_kib(child.id())).map(|(early, late)| late.saturating_sub(early));
        assert!(grown.is_none_or(|kib| kib < 8192), "{words:?}: {grown:?} KiB more after {sent} bytes");
        drop(input);
        let _ = child.kill();
        child.wait().unwrap();
    }
}
