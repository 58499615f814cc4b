//! How fast each format is decoded, beside a Python script on the same bytes in the same run.
//!
//! `cargo bench -p pintally --bench decode` prints a table; `-- scpi-bench es11` of these profiles only. The streams are the frames of `fixtures/streams/` that
//! give readings, over and over. Both sides must find the same readings: their number and the sum of their counts
//! are compared. Without `python3` only our side is measured.
#![allow(
    clippy::disallowed_methods,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a benchmark reads files and the clock, prints, and ends by panicking"
)]

use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
    time::Instant,
};

use pintally::{
    meter::{Decoder, Format, Profile, Talk},
    moment::Moment,
};
use serde::Deserialize;

/// Bytes of each stream: so few that a run fits between two looks of the system's scheduler, on a busy machine too.
const LENGTH: usize = 1 << 17;
/// What a port hands over at once, at most.
const CHUNK: usize = 4096;
/// Runs of our side, of which the fastest counts. The other side counts processor time, which is never more.
const RUNS: usize = 300;

#[derive(Deserialize)]
struct Fixture {
    profile: String,
    frame: Vec<Frame>,
}

#[derive(Deserialize)]
struct Frame {
    hex: Option<String>,
    text: Option<String>,
    refused: Option<String>,
    note: Option<String>,
}

#[derive(Debug, Clone, Copy)]
struct Measured {
    readings: u64,
    total: i64,
    seconds: f64,
}

fn main() {
    let host = Path::new(env!("CARGO_MANIFEST_DIR"));
    let wanted: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    let mut paths: Vec<PathBuf> = fs::read_dir(host.join("../fixtures/streams"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "toml"))
        .collect();
    paths.sort();
    println!("| profile | MB/s | ns a reading | Python MB/s | times faster |");
    println!("|---|--:|--:|--:|--:|");
    for path in paths {
        let fixture: Fixture = toml::from_str(&fs::read_to_string(&path).unwrap()).unwrap();
        if !wanted.is_empty() && !wanted.contains(&fixture.profile) {
            continue;
        }
        let profile = pintally::meter::shipped(&fixture.profile).unwrap();
        let stream = stream(&fixture, &profile);
        let ours =
            (0..RUNS).map(|_| decode(&profile, &stream)).min_by(|a, b| a.seconds.total_cmp(&b.seconds));
        let ours = ours.unwrap();
        let megabytes = stream.len() as f64 / 1e6;
        let per_reading = ours.seconds / ours.readings as f64 * 1e9;
        let theirs = baseline(host, &profile, &stream);
        let (speed, ratio) = match theirs {
            Some(theirs) => {
                assert_eq!((ours.readings, ours.total), (theirs.readings, theirs.total), "{}", profile.name);
                let ratio = theirs.seconds / ours.seconds;
                (format!("{:.1}", megabytes / theirs.seconds), format!("{ratio:.0}"))
            }
            None => ("-".to_owned(), "-".to_owned()),
        };
        let name = &profile.name;
        println!("| {name} | {:.0} | {per_reading:.0} | {speed} | {ratio} |", megabytes / ours.seconds);
    }
}

fn stream(fixture: &Fixture, profile: &Profile) -> Vec<u8> {
    // A key pressed on a TPI 196 changes the readings behind it: both sides would need to remember it.
    let readings = fixture.frame.iter().filter(|frame| frame.refused.is_none());
    let readings = readings.filter(|frame| {
        profile.format != Format::Tpi196 || !frame.note.as_ref().is_some_and(|note| note.contains("key"))
    });
    let once: Vec<u8> = readings
        .flat_map(|frame| match (&frame.hex, &frame.text) {
            (Some(hex), _) => hex.split(' ').map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect(),
            (None, text) => text.clone().unwrap().into_bytes(),
        })
        .collect();
    let mut stream = Vec::new();
    if profile.talk == Talk::Streaming && profile.format.is_text() {
        stream.push(b'\r');
    }
    while stream.len() < LENGTH {
        stream.extend(&once);
    }
    stream
}

fn decode(profile: &Profile, stream: &[u8]) -> Measured {
    let mut decoder = Decoder::every_frame(profile);
    let (mut readings, mut total) = (0, 0i64);
    let begin = Instant::now();
    for (index, chunk) in stream.chunks(CHUNK).enumerate() {
        decoder.push(chunk, Moment::from_micros(index as u64 * 1000));
        while let Some(pulled) = decoder.pull() {
            if let Ok(reading) = &pulled {
                readings += 1;
                total += reading.item.value.map_or(0, |number| number.count);
            }
        }
    }
    Measured { readings, total, seconds: begin.elapsed().as_secs_f64() }
}

fn baseline(host: &Path, profile: &Profile, stream: &[u8]) -> Option<Measured> {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("stream.bin");
    fs::write(&file, stream).unwrap();
    let name = if profile.name == "es14-8n1" { "es14-8n1" } else { profile.format.name() };
    let output =
        Command::new("python3").arg(host.join("benches/decode_baseline.py")).arg(name).arg(&file).output();
    let output = output.ok()?;
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let mut words = text.split_whitespace();
    Some(Measured {
        readings: words.next()?.parse().unwrap(),
        total: words.next()?.parse().unwrap(),
        seconds: words.next()?.parse().unwrap(),
    })
}
