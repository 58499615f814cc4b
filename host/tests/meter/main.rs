//! `pintally meter` against meters behind `tcp:` ports.
#![allow(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "these tests play a meter on a socket of this machine, in real time"
)]

use std::{
    io::{Read, Write},
    net::{TcpListener, TcpStream},
    process::{Command, Output},
    thread,
    time::{Duration, Instant},
};

use pintally::{
    meter::{self, Profile},
    moment::Moment,
    practice::meter::{MeterOptions, SimulatedMeter},
    units::Volts,
};

/// Serves every connection with `serve`; gives the port's name. The thread ends with the test process.
fn port(serve: impl Fn(TcpStream) + Send + 'static) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let name = format!("tcp:127.0.0.1:{}", listener.local_addr().unwrap().port());
    thread::spawn(move || {
        for stream in listener.incoming() {
            serve(stream.unwrap());
        }
    });
    name
}

/// A simulated meter in real time that sees this voltage.
fn simulated(profile: Profile, volts: f64) -> impl Fn(TcpStream) + Send {
    move |mut stream| {
        stream.set_read_timeout(Some(Duration::from_millis(2))).unwrap();
        let mut meter = SimulatedMeter::new(profile.clone(), MeterOptions::of(&profile), 1, Moment::START);
        let begin = Instant::now();
        let mut chunk = [0; 256];
        loop {
            let now = Moment::START.after(begin.elapsed());
            for (_, frame) in meter.advance(now, &mut |_| Volts::of(volts)) {
                if stream.write_all(&frame).is_err() {
                    return;
                }
            }
            match stream.read(&mut chunk) {
                Ok(0) => return,
                Ok(count) => meter.receive(&chunk[..count], now),
                Err(error)
                    if matches!(
                        error.kind(),
                        std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut
                    ) => {}
                Err(_) => return,
            }
        }
    }
}

fn pintally(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pintally")).args(arguments).output().unwrap()
}

fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

#[test]
fn watches_a_meter_that_streams() {
    let port = port(simulated(meter::shipped("bench-stream").unwrap(), 0.5432));
    let output = pintally(&["meter", "watch", &port, "--profile", "bench-stream", "--count", "3"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let lines = stdout(&output);
    assert_eq!(lines.lines().count(), 3);
    assert!(lines.lines().all(|line| line.contains(" 0.543200000 ")), "{lines}");
}

#[test]
fn watches_a_meter_that_is_asked() {
    for profile in ["scpi-bench", "d14", "hm8012"] {
        let mut fast = meter::shipped(profile).unwrap();
        fast.timing.readings_per_second = 50.0;
        let port = port(simulated(fast, 0.543));
        let output =
            pintally(&["meter", "watch", &port, "--profile", profile, "--count", "3", "--format", "json"]);
        assert_eq!(output.status.code(), Some(0), "{profile}: {}", stderr(&output));
        let lines = stdout(&output);
        assert_eq!(lines.lines().count(), 3);
        for line in lines.lines() {
            let line: serde_json::Value = serde_json::from_str(line).unwrap();
            assert_eq!(line["value"], 0.543, "{profile}");
            assert_eq!(line["overload"], false);
        }
    }
}

#[test]
fn says_which_key_to_press() {
    let profile = meter::shipped("fs9721").unwrap();
    let serve = move |mut stream: TcpStream| {
        let held = [0x11, 0x20, 0x35, 0x4D, 0x5B, 0x61, 0x7F, 0x82, 0x97, 0xA1, 0xB0, 0xC1, 0xD4, 0xE0];
        let _ = stream.write_all(&held.repeat(5));
        let _ = stream.read(&mut [0; 1]);
        let _ = &profile;
    };
    let port = port(serve);
    let output = pintally(&["meter", "watch", &port, "--profile", "fs9721", "--count", "3"]);
    assert!(stdout(&output).contains("1.234 V"));
    assert!(stdout(&output).contains("HOLD"));
    let told = "the display is frozen (HOLD): press HOLD on the meter to release the display\n";
    assert_eq!(stderr(&output), told);
}

#[test]
fn identifies_a_stream() {
    let serve = |mut stream: TcpStream| {
        let _ = stream.write_all(&b"\x0241460300000543\r".repeat(5));
        let _ = stream.read(&mut [0; 1]);
    };
    let port = port(serve);
    let output = pintally(&["meter", "identify", &port, "--listen", "4"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stdout(&output).contains(" fits t16 "), "{}", stdout(&output));
    assert!(stdout(&output).ends_with("5 readings, 0 bytes left over\n"));
    assert!(stderr(&output).contains("next: pintally meter watch "));
}

#[test]
fn identifies_an_instrument_and_sends_nothing_but_idn() {
    let serve = |mut stream: TcpStream| {
        let mut heard = Vec::new();
        let mut byte = [0];
        while stream.read(&mut byte).is_ok_and(|count| count == 1) {
            heard.push(byte[0]);
            if byte[0] == b'\n' {
                // Anything else that was sent goes into the model, where the test sees it.
                let sent = heard.trim_ascii().escape_ascii().to_string();
                let _ = stream.write_all(format!("MAKER,{sent},0,1.0\r\n").as_bytes());
            }
        }
    };
    let port = port(serve);
    let output = pintally(&["meter", "identify", &port, "--listen", "1", "--format", "json"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let line: serde_json::Value = serde_json::from_str(&stdout(&output)).unwrap();
    assert_eq!(line["model"], "*IDN?");
    assert_eq!(line["profile"], "scpi-bench");
}

#[test]
fn a_silent_port_is_named_with_what_to_do() {
    let port = port(|mut stream| {
        let _ = stream.read(&mut [0; 1]);
    });
    let output = pintally(&["meter", "watch", &port, "--profile", "fs9721"]);
    assert_eq!(output.status.code(), Some(69));
    let message = stderr(&output).replace(&port, "PORT");
    assert_eq!(
        message,
        "error: expected a reading from the meter at PORT within 5 s, found silence\n  \
         hint: switch the meter and its output on (a key named RS232, USB or REL on many), check cable and port\n"
    );
}

#[test]
fn the_wrong_profile_is_told_apart_from_silence() {
    let serve = |mut stream: TcpStream| {
        let _ = stream.write_all(&b"0.543 V\r\n".repeat(20));
        let _ = stream.read(&mut [0; 1]);
    };
    let port = port(serve);
    let output = pintally(&["meter", "watch", &port, "--profile", "fs9922"]);
    assert_eq!(output.status.code(), Some(69));
    assert!(stderr(&output).contains("180 bytes that are none"), "{}", stderr(&output));
    assert!(stderr(&output).contains("pintally meter identify"));
}

#[test]
fn profiles_are_listed_and_shown() {
    let list = pintally(&["meter", "profiles"]);
    assert_eq!(list.status.code(), Some(0));
    for profile in Profile::all_shipped() {
        let shown = pintally(&["meter", "profiles", &profile.name]);
        assert_eq!(Profile::from_toml(&stdout(&shown)).unwrap(), profile);
        assert!(stdout(&list).contains(&profile.name));
    }
    let missing = pintally(&["meter", "profiles", "nonsense"]);
    assert_eq!(missing.status.code(), Some(66), "{}", stderr(&missing));
}

#[test]
fn ports_are_listed_also_where_there_are_none() {
    let output = pintally(&["meter", "find", "--format", "json"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    for line in stdout(&output).lines() {
        let line: serde_json::Value = serde_json::from_str(line).unwrap();
        assert!(line["port"].is_string());
    }
}
