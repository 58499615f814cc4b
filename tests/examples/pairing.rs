//! The long run of the pairing simulation: `cargo run --release -p tests --example pairing -- --pins 1000000`.
//!
//! Prints what became of the pins, by condition and by meter, and ends with 1 if one got another's reading.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a command that prints its table")]

use std::{collections::BTreeMap, process::ExitCode};

use tests::pairing_trial::{Condition, PINS, Tally, Trial, sweeping_profiles};

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let mut number = |wanted: &str, default: u64| match (arguments.next(), arguments.next()) {
        (Some(name), Some(value)) if name == wanted => value.parse().unwrap_or(default),
        _ => default,
    };
    let pins = number("--pins", 100_000);
    let first = number("--seed", 1);

    let profiles: Vec<_> = sweeping_profiles().collect();
    let mut by_condition: BTreeMap<usize, Tally> = BTreeMap::new();
    let mut by_meter: BTreeMap<String, Tally> = BTreeMap::new();
    let mut total = Tally::default();
    let mut shown = 0;
    let mut seed = first;
    'all: loop {
        for profile in &profiles {
            for (number, condition) in Condition::ALL.into_iter().enumerate() {
                for lag in 0..5 {
                    if total.pins + PINS as u64 > pins {
                        break 'all;
                    }
                    let trial = Trial { profile: profile.clone(), lag, condition, seed };
                    let (tally, wrong) = trial.sweep();
                    for wrong in wrong {
                        shown += 1;
                        if shown <= 40 {
                            eprintln!("{} {condition:?} lag {lag} seed {seed}: {wrong:?}", profile.name);
                        }
                    }
                    *by_condition.entry(number).or_default() += tally;
                    *by_meter.entry(profile.name.clone()).or_default() += tally;
                    total += tally;
                    seed = seed.wrapping_add(1);
                }
            }
        }
    }
    println!(
        "{:<14}{:>9}{:>9}{:>7}{:>7}{:>8}{:>9}{:>8}{:>9}{:>7}",
        "", "pins", "right", "alike", "wrong", "unread", "retries", "checks", "suspects", "early"
    );
    for (number, tally) in &by_condition {
        row(&format!("{:?}", Condition::ALL[*number]), tally);
    }
    println!();
    for (name, tally) in &by_meter {
        row(name, tally);
    }
    println!();
    row("all", &total);
    if total.wrong == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn row(name: &str, tally: &Tally) {
    println!(
        "{name:<14}{:>9}{:>9}{:>7}{:>7}{:>8}{:>9}{:>8}{:>9}{:>7}",
        tally.pins,
        tally.right,
        tally.alike,
        tally.wrong,
        tally.unread,
        tally.retries,
        tally.checks_failed,
        tally.suspected,
        tally.ended_early
    );
}
