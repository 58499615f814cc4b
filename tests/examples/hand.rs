//! The long run of probing by a simulated hand: `cargo run --release -p tests --example hand -- --connectors 1000`.
//!
//! Prints what became of the pins, by meter, and ends with 1 if one got another's reading.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a command that prints its table")]

use std::process::ExitCode;

use pintally::{meter::shipped, practice::Habits};
use tests::hand_trial::{Tally, Trial};

/// A fast stream with a lagging filter, handhelds of three and two readings a second, a meter that is asked.
const METERS: [&str; 4] = ["bench-stream", "fs9721", "es14", "scpi-bench"];

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let (mut connectors, mut first, mut with_reference) = (1000_u64, 1_u64, true);
    let (mut only, mut trace) = (None, false);
    while let Some(word) = arguments.next() {
        let number = |text: Option<String>| text.and_then(|text| text.parse().ok());
        match word.as_str() {
            "--connectors" => connectors = number(arguments.next()).unwrap_or(connectors),
            "--seed" => first = number(arguments.next()).unwrap_or(first),
            "--no-reference" => with_reference = false,
            "--meter" => only = arguments.next(),
            "--trace" => trace = true,
            other => {
                eprintln!(
                    "expected --connectors N, --seed N, --meter NAME, --no-reference or --trace, found {other}"
                );
                return ExitCode::from(64);
            }
        }
    }
    let mut by_meter = [Tally::default(); METERS.len()];
    for index in 0..connectors {
        let named = only.as_ref().and_then(|only| METERS.iter().position(|meter| meter == only));
        let meter = named.unwrap_or((index % METERS.len() as u64) as usize);
        let Some(profile) = shipped(METERS[meter]) else { continue };
        let seed = first.wrapping_add(index);
        let trial = Trial { profile, seed, habits: Habits::default(), with_reference };
        let (tally, wrong) = trial.probe_watched(&mut |action, at| {
            if trace {
                eprintln!("{at} {action:?}");
            }
        });
        for wrong in wrong {
            eprintln!("{} seed {seed}: {wrong:?}", METERS[meter]);
        }
        by_meter[meter] += tally;
    }
    println!(
        "{:<14}{:>10}{:>7}{:>6}{:>10}{:>6}{:>7}{:>12}{:>7}{:>6}{:>11}{:>10}{:>10}{:>10}{:>8}",
        "",
        "connectors",
        "pins",
        "wrong",
        "confirmed",
        "alike",
        "missed",
        "open joints",
        "missed",
        "alike",
        "wrong open",
        "extra/50",
        "waits/50",
        "at faults",
        "s a pin"
    );
    let mut total = Tally::default();
    for (name, tally) in METERS.iter().zip(by_meter) {
        row(name, &tally);
        total += tally;
    }
    row("all", &total);
    if total.wrong + total.opens_missed + total.opens_wrong == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn row(name: &str, tally: &Tally) {
    let pins = tally.pins.max(1) as f64;
    println!(
        "{name:<14}{:>10}{:>7}{:>6}{:>10}{:>6}{:>7}{:>12}{:>7}{:>6}{:>11}{:>10.2}{:>10.2}{:>10}{:>8.2}",
        tally.connectors,
        tally.pins,
        tally.wrong,
        tally.confirmed,
        tally.alike,
        tally.missed,
        tally.open_joints,
        tally.opens_missed,
        tally.opens_alike,
        tally.opens_wrong,
        50.0 * tally.extra as f64 / pins,
        50.0 * tally.extra_waits as f64 / pins,
        tally.extra_at_faults,
        tally.seconds / pins,
    );
}
