//! Cables that are pulled and plugged in again, and other things at the end of a cable.

use std::{
    fs,
    io::{BufRead, BufReader, ErrorKind, Read, Write},
    net::{TcpListener, TcpStream},
    path::Path,
    process::{ChildStderr, Stdio},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread,
    time::{Duration, Instant},
};

use pintally::log::{Link, LogEvent};
use serialport::TTYPort;

use crate::{
    bench::{Bench, LIMIT, place, read, recorded, replay, replayed},
    run::{Outcome, Place},
};

/// Reads what a sweep tells until it says this; whether it did before its end.
fn hears(errors: &mut BufReader<ChildStderr>, words: &str, heard: &mut String) -> bool {
    while !heard.contains(words) {
        if errors.read_line(heard).unwrap() == 0 {
            return false;
        }
    }
    true
}

/// Reads what a sweep tells until it says this.
fn hear_until(errors: &mut BufReader<ChildStderr>, words: &str, heard: &mut String) {
    assert!(hears(errors, words, heard), "never said `{words}`:\n{heard}");
}

fn log_of(place: &Place) -> Vec<pintally::log::LogLine> {
    let (lines, troubles) = read(&fs::read(place.path().join("t.jsonl")).unwrap());
    assert!(troubles.is_empty(), "{troubles:?}");
    lines
}

/// Pins that are in the log of a running sweep.
fn pins_in_log(place: &Place) -> usize {
    let log = fs::read(place.path().join("t.jsonl")).unwrap_or_default();
    String::from_utf8_lossy(&log).matches("\"pin_result\"").count()
}

/// Waits until so many pins are in the log of a running sweep.
fn wait_for_pins(place: &Place, pins: usize) {
    let began = Instant::now();
    while pins_in_log(place) < pins {
        assert!(began.elapsed() < LIMIT, "no {pins} pins in {LIMIT:?}");
        thread::sleep(Duration::from_millis(2));
    }
}

/// Pulls both cables of a running sweep after so many pins, plugs them in again, and holds the result against a sweep
/// that nobody disturbed.
fn unplug_after(pins: usize) {
    let place = place();
    let mut bench = Bench::start(&place, &["open:3"]);
    let calm = place.run(&bench.sweep(&["--quiet", "--format", "csv"]));
    assert_eq!(calm.status, Some(0), "{}", calm.text());

    // On a busy machine the sweep may be at another pin before the cables are pulled: then they are pulled from another.
    let is_in_time = (0..20).any(|_| {
        fs::remove_file(place.path().join("t.jsonl")).unwrap();
        unplug_once_after(&place, &mut bench, &calm, pins)
    });
    assert!(is_in_time, "every sweep was quicker than the cables");
}

/// Whether the cables were pulled before another pin was read; what follows holds then.
fn unplug_once_after(place: &Place, bench: &mut Bench<'_>, calm: &Outcome, pins: usize) -> bool {
    let mut sweep = place
        .command(&bench.sweep(&["--format", "csv"]))
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut errors = BufReader::new(sweep.stderr.take().unwrap());
    let mut heard = String::new();
    wait_for_pins(place, pins);
    bench.switch_off();
    // What had come before may have been enough for one more pin.
    let is_in_time = hears(&mut errors, "plug it in again", &mut heard) && pins_in_log(place) == pins;
    bench.switch_on();
    if !is_in_time {
        println!("too late after {pins} pins: {heard}");
        sweep.kill().unwrap();
        sweep.wait().unwrap();
        return false;
    }
    hear_until(&mut errors, "swept 4 pins", &mut heard);
    let output = sweep.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{heard}");
    for device in ["switching board at jig", "meter at meter"] {
        assert!(heard.contains(&format!("the {device} went away")), "{heard}");
        assert!(heard.contains(&format!("the {device} is back")), "{heard}");
    }

    // The log shows it, in order, and no pin was decided in between.
    let lines = log_of(place);
    let at = |wanted: fn(&LogEvent) -> bool| lines.iter().position(|line| wanted(&line.event)).unwrap();
    let lost = at(|event| matches!(event, LogEvent::LinkLost { .. }));
    let last_back =
        lines.iter().rposition(|line| matches!(line.event, LogEvent::LinkRestored { .. })).unwrap();
    for link in [Link::Jig, Link::Meter] {
        let is_back =
            |event: &LogEvent| matches!(event, LogEvent::LinkRestored { link: back } if *back == link);
        assert!(lines[lost..].iter().any(|line| is_back(&line.event)), "{link:?}");
    }
    assert!(recorded(&lines[lost..last_back]).is_empty());
    assert_eq!(recorded(&lines[..lost]).len(), pins, "it stopped at once");
    // It went on at the same pin: each pin was decided once, but for the last one before the cable was pulled. Nobody knows
    // whether its channel was still closed, so it is read again unless the switching board has been heard of since.
    let mut pins_read: Vec<String> = recorded(&lines).into_iter().map(|(pin, _)| pin).collect();
    let last = pins_read[pins - 1].clone();
    if let Some(again) = pins_read.iter().rposition(|pin| *pin == last).filter(|again| *again >= pins) {
        pins_read.remove(again);
    }
    pins_read.sort_unstable();
    assert_eq!(pins_read, ["1", "2", "3", "4"]);

    let outcome = replay(place, Path::new("t.jsonl"));
    assert_eq!(outcome.stderr, "", "a replay reads the same");
    assert_eq!(replayed(&outcome), {
        let live = String::from_utf8(output.stdout).unwrap();
        replayed(&Outcome { stdout: live, stderr: String::new(), status: Some(0) })
    });
    let volts = |text: &str| text.parse::<f64>().ok();
    for ((pin, calm), (_, disturbed)) in replayed(calm).into_iter().zip(replayed(&outcome)) {
        match (volts(&calm), volts(&disturbed)) {
            (Some(calm), Some(disturbed)) => {
                assert!((calm - disturbed).abs() < 0.003, "pin {pin}: {calm} {disturbed}");
            }
            _ => assert_eq!(calm, disturbed, "pin {pin}"),
        }
    }
    true
}

#[test]
fn both_cables_pulled_and_plugged_in_again() {
    thread::scope(|scope| {
        for pins in 1..=3 {
            scope.spawn(move || unplug_after(pins));
        }
    });
}

/// A TCP link in the middle, which can be cut by itself.
struct Relay {
    port: u16,
    cut: std::sync::mpsc::Sender<()>,
}

impl Relay {
    /// Passes bytes to a port of the bench, and cuts the connection when it is told.
    fn start(to: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let (cut, cuts) = std::sync::mpsc::channel();
        thread::spawn(move || {
            for near in listener.incoming() {
                let near = near.unwrap();
                let far = TcpStream::connect(("127.0.0.1", to)).unwrap();
                let pump = |mut from: TcpStream, mut to: TcpStream| {
                    thread::spawn(move || {
                        let _ = std::io::copy(&mut from, &mut to);
                        let _ = to.shutdown(std::net::Shutdown::Both);
                    });
                };
                pump(near.try_clone().unwrap(), far.try_clone().unwrap());
                pump(far.try_clone().unwrap(), near.try_clone().unwrap());
                if cuts.recv().is_err() {
                    return;
                }
                let _ = near.shutdown(std::net::Shutdown::Both);
                let _ = far.shutdown(std::net::Shutdown::Both);
            }
        });
        Self { port, cut }
    }
}

/// One cable alone: the other device goes on talking meanwhile.
#[test]
fn one_cable_pulled_and_plugged_in_again() {
    for which in ["switching board", "meter"] {
        // On a busy machine the sweep may be over before the cable is pulled.
        assert!((0..20).any(|_| pull_one(which)), "every sweep was quicker than the cable of the {which}");
    }
}

/// Whether the cable was pulled before the sweep was over; what follows holds then.
fn pull_one(which: &str) -> bool {
    let place = place();
    let mut bench = place
        .command(&["practice", "--connector", "c.csv", "--tcp"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = String::new();
    let mut out = BufReader::new(bench.stdout.take().unwrap());
    while said.matches("tcp:").count() < 2 {
        assert!(out.read_line(&mut said).unwrap() > 0, "{said}");
    }
    let mut ports = said.split("tcp:127.0.0.1:").skip(1).map(|rest| {
        let digits: String = rest.chars().take_while(char::is_ascii_digit).collect();
        digits.parse::<u16>().unwrap()
    });
    let (jig, meter) = (Relay::start(ports.next().unwrap()), Relay::start(ports.next().unwrap()));
    let address = |relay: &Relay| format!("tcp:127.0.0.1:{}", relay.port);
    let (jig_port, meter_port) = (address(&jig), address(&meter));
    let words = [
        "sweep",
        "--jig",
        &jig_port,
        "--meter",
        &meter_port,
        "--unpowered",
        "--connector",
        "c.csv",
        "--log",
        "t.jsonl",
    ];
    let mut sweep = place.command(&words).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let mut errors = BufReader::new(sweep.stderr.take().unwrap());
    let mut heard = String::new();
    wait_for_pins(&place, 2);
    if which == "meter" {
        meter.cut.send(()).unwrap();
    } else {
        jig.cut.send(()).unwrap();
    }
    hear_until(&mut errors, "swept 4 pins", &mut heard);
    assert_eq!(sweep.wait().unwrap().code(), Some(0), "{heard}");
    bench.kill().unwrap();
    bench.wait().unwrap();
    if !heard.contains("went away") {
        println!("too late: {heard}");
        return false;
    }
    assert!(heard.contains(&format!("the {which} at tcp:")) && heard.contains("is back"), "{heard}");
    let lines = log_of(&place);
    let mut pins_read: Vec<String> = recorded(&lines).into_iter().map(|(pin, _)| pin).collect();
    // Without the switching board the leads were open: the last pin before that may be read again.
    assert!(pins_read.len() <= 4 + usize::from(which != "meter"), "{pins_read:?}");
    pins_read.sort_unstable();
    pins_read.dedup();
    assert_eq!(pins_read, ["1", "2", "3", "4"]);
    assert_eq!(replay(&place, Path::new("t.jsonl")).stderr, "");
    true
}

/// What a sweep says when something else hangs on the port of one device; it speaks until the flag is set.
///
/// Behind a TCP port: a write to a pseudo-terminal can wait for ever once the sweep is over.
fn sweep_with(device: &str, speak: impl Fn(TcpStream, &AtomicBool) + Send + 'static) -> String {
    let place = place();
    let _bench = Bench::start(&place, &[]);
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = format!("tcp:{}", listener.local_addr().unwrap());
    listener.set_nonblocking(true).unwrap();
    let is_over = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&is_over);
    let speaker = thread::spawn(move || {
        while !seen.load(Ordering::Relaxed) {
            let Ok((host, _)) = listener.accept() else {
                thread::sleep(Duration::from_millis(5));
                continue;
            };
            host.set_nonblocking(false).unwrap();
            host.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
            host.set_write_timeout(Some(Duration::from_millis(50))).unwrap();
            speak(host, &seen);
        }
    });
    let (jig, meter) = if device == "jig" { (port.as_str(), "meter") } else { ("jig", port.as_str()) };
    let outcome = place.run(&[
        "sweep",
        "--jig",
        jig,
        "--meter",
        meter,
        "--unpowered",
        "--connector",
        "c.csv",
        "--log",
        "t.jsonl",
    ]);
    is_over.store(true, Ordering::Relaxed);
    speaker.join().unwrap();
    // Whatever it was, the log tells how it ended.
    assert!(matches!(log_of(&place).last().unwrap().event, LogEvent::End { .. }));
    outcome.text().replace(&port, "PORT")
}

/// Sends these bytes over and over, as long as the host is there.
fn babble(bytes: &'static [u8], pause: Duration) -> impl Fn(TcpStream, &AtomicBool) + Send + 'static {
    move |mut host, is_over| {
        while !is_over.load(Ordering::Relaxed) {
            match host.write(bytes) {
                Ok(_) => thread::sleep(pause),
                Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {}
                Err(_) => return,
            }
        }
    }
}

#[test]
fn a_meter_on_the_jigs_port() {
    let text = sweep_with("jig", babble(b"+5.43210000E-01\r\n", Duration::from_millis(40)));
    assert!(text.contains("exit 69"), "{text}");
    assert!(text.contains("what answers at PORT is no switching board"), "{text}");
    assert!(text.contains(r"`+5.43210000E-01\r\n"), "it says what it heard: {text}");
    assert!(text.contains("exchange --jig and --meter"), "{text}");
}

#[test]
fn half_a_frame_and_silence() {
    let text = sweep_with("jig", |mut host, is_over| {
        let mut request = [0; 4];
        while !is_over.load(Ordering::Relaxed) && !host.read(&mut request).is_ok_and(|count| count > 0) {}
        // A host that has gone meanwhile shows in what it says.
        let _ = host.write_all(&[0x07, 0x01, 0x02]);
        while !is_over.load(Ordering::Relaxed) {
            thread::sleep(Duration::from_millis(20));
        }
    });
    assert!(text.contains("exit 69"), "{text}");
    assert!(text.contains(r"`\x07\x01\x02`"), "{text}");
}

#[test]
fn floods() {
    const NUMBERS: &[u8] = b"+5.43210000E-01\r\n+5.43210000E-01\r\n+5.43210000E-01\r\n+5.43210000E-01\r\n";
    for (device, bytes, expected) in [
        ("jig", &[0x55; 4096][..], "the switching board at PORT floods the line"),
        ("meter", NUMBERS, "the meter at PORT floods the line"),
        ("meter", &[0xFF; 4096], "the meter at PORT"),
    ] {
        let text = sweep_with(device, babble(bytes, Duration::ZERO));
        assert!(text.contains("exit 69"), "{text}");
        assert!(text.contains(expected), "{text}");
    }
}

#[test]
fn a_port_that_another_program_holds() {
    let place = place();
    let bench = Bench::start(&place, &[]);
    let held = TTYPort::open(&serialport::new(place.path().join("meter").display().to_string(), 9600));
    let held = held.unwrap_or_else(|_| {
        // A pseudo-terminal has no modem lines to raise.
        let builder =
            serialport::new(place.path().join("meter").display().to_string(), 9600).preserve_dtr_on_open();
        TTYPort::open(&builder).unwrap()
    });
    let outcome = place.run(&bench.sweep(&[]));
    assert_eq!(outcome.status, Some(69), "{}", outcome.text());
    assert!(outcome.stderr.contains("port meter is held by another program"), "{}", outcome.text());
    assert!(outcome.stderr.contains("close the program that uses the port"), "{}", outcome.text());
    drop(held);
}
