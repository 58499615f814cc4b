//! A sweep spends little more than the least that its switching board and its meter allow (docs/facts.md 3.1), in
//! simulated time, so the ratio is the same on every machine.

use pintally::{meter, practice::meter::MeterOptions, units::Volts};
use tests::{
    pairing_trial::{CHECK, PINS, score, sweep},
    rig::Rig,
};

/// Sweeps 60 pins, one in ten open, and gives time ÷ floor over several phases of the meter.
fn ratio(profile: &str) -> f64 {
    let profile = meter::shipped(profile).unwrap();
    let mut worst: f64 = 0.0;
    for seed in 0..5 {
        let inputs = (0..PINS)
            .map(|pin| (pin % 10 != 3).then(|| Volts::of(0.02 * ((pin * 37) % PINS) as f64 % 1.1)))
            .chain([Some(Volts::of(CHECK))])
            .collect();
        let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs, seed);
        let (swept, _) = sweep(&mut rig, score(&profile, PINS, Some(Volts::of(CHECK))));
        assert_eq!(swept.outcome, Ok(()));
        assert!(swept.took.as_micros() > 0 && swept.floor.visits > swept.floor.confirmations);
        let ratio = swept.took.as_secs_f64() / swept.floor.total().as_secs_f64();
        println!(
            "{}: {PINS} pins in {:.2} s, floor {:.2} s (confirming {:.2} s), ratio {ratio:.3}",
            profile.name,
            swept.took.as_secs_f64(),
            swept.floor.total().as_secs_f64(),
            swept.floor.confirmations.as_secs_f64()
        );
        worst = worst.max(ratio);
    }
    assert!(worst >= 0.98, "no sweep is quicker than its floor: {worst:.3}");
    worst
}

#[test]
fn streaming_at_3_a_second_stays_near_its_floor() {
    let ratio = ratio("fs9721");
    assert!(ratio <= 1.10, "{ratio:.3}");
}

#[test]
fn streaming_at_25_a_second_stays_near_its_floor() {
    let ratio = ratio("bench-stream");
    assert!(ratio <= 1.10, "{ratio:.3}");
}

#[test]
fn triggered_at_20_a_second_stays_near_its_floor() {
    let ratio = ratio("scpi-bench");
    assert!(ratio <= 1.15, "{ratio:.3}");
}
