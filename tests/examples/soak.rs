//! The long run of the soak: `cargo run --release -p tests --example soak -- --sweeps 10000`.
#![allow(clippy::print_stdout, reason = "a command that prints its table")]

use std::process::ExitCode;

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let sweeps = match (arguments.next().as_deref(), arguments.next()) {
        (Some("--sweeps"), Some(count)) => count.parse().unwrap_or(10_000),
        _ => 10_000,
    };
    let folder = std::env::temp_dir().join(format!("pintally-soak-{}", std::process::id()));
    if let Err(error) = std::fs::create_dir(&folder) {
        println!("cannot make {}: {error}", folder.display());
        return ExitCode::FAILURE;
    }
    println!(
        "{:>7}  {:>11}  {:>11}  {:>12}  {:>10}  {:>15}  {:>14}",
        "sweeps",
        "memory KiB",
        "descriptors",
        "bench time h",
        "sweep s",
        "settled late us",
        "clock within us"
    );
    let pins = tests::soak::soak(
        sweeps,
        (sweeps / 10).next_multiple_of(tests::soak::BOARDS),
        &folder,
        &mut |sample| {
            let shown = |number: Option<u64>| number.map_or("?".to_owned(), |number| number.to_string());
            println!(
                "{:>7}  {:>11}  {:>11}  {:>12.1}  {:>10.3}  {:>15}  {:>14}",
                sample.sweeps,
                shown(sample.resident_kib),
                shown(sample.descriptors.map(|count| count as u64)),
                sample.bench_time.as_secs_f64() / 3600.0,
                sample.sweep_time.as_secs_f64(),
                sample.settled_late.as_micros(),
                sample.clock_known_within.as_micros()
            );
        },
    );
    println!("{pins} pins");
    // Empty by now.
    let _ = std::fs::remove_dir(&folder);
    ExitCode::SUCCESS
}
