//! How long a replay takes and how much memory it needs: `cargo run --release -p tests --example replay`.
//!
//! Writes session logs of 10 thousand, 100 thousand and a million readings: sweeps of 60 pins through a simulated bench
//! meter, one after another into one log. Each is replayed by a process of its own, which tells its time and the most
//! memory that it ever held.
#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a command that writes files, looks at the clock and prints its table"
)]

use std::{
    error::Error,
    fs,
    path::Path,
    process::{Command, ExitCode},
    time::Instant,
};

use pintally::{
    connector::{CheckChannel, Connector, Pin, PinName, Wiring},
    log::{Ending, Header, LogEvent, LogReader, LogWriter, SyncPolicy},
    meter,
    moment::Moment,
    practice::meter::MeterOptions,
    session::{Replay, Session, Settings},
    sweep::{Record, Recorder, Score, run},
    units::{Ohms, Volts},
};
use protocol::Channel;
use tests::{pairing_trial, rig::Rig};

/// Pins of the connector: three groups between check channels and one cut short.
const PINS: usize = 60;

type Outcome<T> = Result<T, Box<dyn Error>>;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let outcome = match &arguments[..] {
        [flag, log] if flag == "--replay" => replay(Path::new(log)),
        _ => table(),
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            println!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn table() -> Outcome<()> {
    let folder = tempfile::tempdir()?;
    println!("| readings | log | replay | most memory |");
    println!("|--:|--:|--:|--:|");
    for readings in [10_000, 100_000, 1_000_000] {
        let path = folder.path().join(format!("{readings}.jsonl"));
        let written = write(&path, readings)?;
        let megabytes = fs::metadata(&path)?.len() as f64 / 1e6;
        let output = Command::new(std::env::current_exe()?).arg("--replay").arg(&path).output()?;
        let told = String::from_utf8(output.stdout)?;
        if !output.status.success() {
            return Err(told.into());
        }
        println!("| {written} | {megabytes:.1} MB | {} |", told.trim());
        fs::remove_file(&path)?;
    }
    Ok(())
}

/// Replays as `pintally replay` does, but for the printing.
fn replay(path: &Path) -> Outcome<()> {
    let begin = Instant::now();
    let mut reader = LogReader::open(path)?;
    let session = Session::new(reader.header().clone())?;
    let mut replay = Replay::new(&session);
    for item in &mut reader {
        replay.item(&item);
        item?;
    }
    let replayed = replay.finish();
    let read = replayed.values.iter().filter(|value| value.volts().is_some()).count();
    if read != PINS || !replayed.changed.is_empty() {
        let changed = replayed.changed.len();
        return Err(
            format!("expected {PINS} pins as they were read live, found {read}, {changed} changed").into()
        );
    }
    let seconds = begin.elapsed().as_secs_f64();
    println!("{seconds:.2} s | {}", most_memory().unwrap_or_else(|| "not told here".to_owned()));
    Ok(())
}

/// The most memory that this process ever held, where the system tells (Linux, proc(5): VmHWM).
fn most_memory() -> Option<String> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    let kilobytes: f64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(format!("{:.1} MB", kilobytes * 1024.0 / 1e6))
}

/// Writes a log of at least so many readings; tells how many there are.
fn write(path: &Path, readings: u64) -> Outcome<u64> {
    let profile = meter::shipped("bench-stream").ok_or("shipped with the program")?;
    let pins = (1..=PINS).map(|n| Pin::named(&n.to_string())).collect();
    let connector = Connector::new("J1", pins)?;
    let channels: Vec<Channel> = (0..PINS as u8).map(Channel).collect();
    let check = CheckChannel { channel: Channel(PINS as u8), resistor: Ohms::of(470.0) };
    let header = Header {
        program: "replay benchmark".to_owned(),
        session: "benchmark".to_owned(),
        started: "2026-01-01T00:00:00Z".to_owned(),
        board: None,
        operator: None,
        wiring: Wiring::new("straight", &connector, channels, Some(check))?,
        connector,
        profile: profile.to_toml(),
        reference: None,
        zero: None,
        settings: Settings::default().to_value(),
        practice: None,
    };
    let session = Session::new(header.clone())?;
    let names: Vec<PinName> = session.header.connector.pins.iter().map(|pin| pin.name.clone()).collect();
    let score = Score { setting: session.setting(), names, ..pairing_trial::score(&profile, PINS, None) };

    let inputs =
        (0..PINS).map(|pin| Some(Volts::of(0.1 + 0.011 * pin as f64))).chain([Some(Volts::of(0.47))]);
    let options = MeterOptions { noise: Volts::of(0.0001), ..MeterOptions::of(&profile) };
    let mut rig = Rig::new(&profile, options, inputs.collect(), 1);
    let writer = LogWriter::create(path, header, Moment::START, SyncPolicy::HeaderAndEnd)?;
    let mut book = Book { writer, names: score.names.clone(), readings: 0, pins: 0, last: Moment::START };
    while book.readings < readings {
        run(&mut rig, score.clone(), &mut book, &mut |_| {}).outcome?;
    }
    let (readings, last) = (book.readings, book.last);
    book.write(last, LogEvent::End { how: Ending::Complete, detail: None });
    book.writer.finish()?;
    Ok(readings)
}

struct Book {
    writer: LogWriter,
    names: Vec<PinName>,
    readings: u64,
    /// Pins whose result is written: those of the first sweep, since what is read first stands.
    pins: usize,
    last: Moment,
}

impl Book {
    fn write(&mut self, at: Moment, event: LogEvent) {
        self.last = at;
        // A full disk shows when the log is finished.
        let _ = self.writer.write(at, event);
    }
}

impl Recorder for Book {
    fn record(&mut self, at: Moment, record: Record<'_>) {
        let event = match record {
            Record::MeterBytes(bytes) => {
                // The rig hands each frame over whole.
                self.readings += 1;
                LogEvent::MeterBytes { bytes: bytes.to_vec() }
            }
            Record::Jig(message) => LogEvent::JigMessage { message: message.clone() },
            Record::SentToJig(frame) => LogEvent::SentToJig { frame: frame.clone() },
            Record::SentToMeter { bytes, asks_for_reading } => {
                LogEvent::SentToMeter { bytes: bytes.to_vec(), asks_for_reading }
            }
            Record::Pin(result) if self.pins < PINS => {
                self.pins += 1;
                LogEvent::PinResult { name: self.names[result.pin].clone(), result: result.clone() }
            }
            _ => return,
        };
        self.write(at, event);
    }
}
