//! What a simulated meter sends, its own decoder reads.

use crate::fixture::drain;
use pintally::{
    meter::{Decoder, Function, Profile, Reading, Stamped, Talk},
    moment::Moment,
    practice::meter::{MeterOptions, SimulatedMeter},
    units::Volts,
};

fn ms(value: u64) -> Moment {
    Moment::from_micros(value * 1000)
}

fn streaming() -> impl Iterator<Item = Profile> {
    Profile::all_shipped().filter(|profile| profile.talk == Talk::Streaming)
}

/// All readings until `until`.
fn listen(
    profile: &Profile,
    options: MeterOptions,
    until: Moment,
    mut input: impl FnMut(Moment) -> Volts,
) -> Vec<Stamped<Reading>> {
    let mut meter = SimulatedMeter::new(profile.clone(), options, 7, ms(0));
    let mut decoder = Decoder::new(profile);
    let mut readings = Vec::new();
    while let Some(next) = meter.next_event().filter(|next| *next <= until) {
        for (leaves, bytes) in meter.advance(next, &mut input) {
            decoder.push(&bytes, leaves.after(profile.port.byte_time() * bytes.len() as u32));
            readings.extend(drain(&mut decoder).into_iter().flatten());
        }
    }
    readings
}

#[test]
fn a_steady_input_is_read_back_to_one_count() {
    for profile in streaming() {
        for volts in [0.0, 0.001, 0.319, 0.654, 1.234, 1.9] {
            let readings = listen(&profile, MeterOptions::of(&profile), ms(10_000), |_| Volts::of(volts));
            assert!(readings.len() >= 5, "{}: {}", profile.name, readings.len());
            for reading in readings {
                let number = reading.item.value.unwrap();
                let off = (number.to_f64() - volts).abs();
                assert!(
                    off <= 0.51 * profile.diode.resolution.get(),
                    "{}: {number} for {volts}",
                    profile.name
                );
                assert!([None, Some(Function::Diode)].contains(&reading.item.function));
            }
        }
    }
}

#[test]
fn an_open_input_reads_overload() {
    for profile in streaming().filter(|profile| profile.format.tells_overload()) {
        let readings = listen(&profile, MeterOptions::of(&profile), ms(10_000), |_| Volts::of(5.0));
        assert!(readings.len() >= 5);
        assert!(readings.iter().all(|reading| reading.item.value.is_err()), "{}", profile.name);
    }
}

#[test]
fn an_overload_that_no_document_describes_is_no_reading() {
    for profile in streaming().filter(|profile| !profile.format.tells_overload()) {
        let readings = listen(&profile, MeterOptions::of(&profile), ms(10_000), |_| Volts::of(5.0));
        assert_eq!(readings, [], "{}", profile.name);
    }
}

#[test]
fn a_step_spoils_as_many_readings_as_the_profile_says() {
    for profile in streaming() {
        let step = ms(5_000);
        let input = |at| Volts::of(if at < step { 0.2 } else { 0.6 });
        let readings = listen(&profile, MeterOptions::of(&profile), ms(20_000), input);
        let byte_time = profile.port.byte_time();
        let spoilt = readings
            .iter()
            .filter(|reading| reading.first_byte > step.after(byte_time))
            .filter(|reading| (reading.item.value.unwrap().to_f64() - 0.6).abs() > 0.002)
            .count();
        assert_eq!(spoilt as u32, profile.timing.spoilt, "{}", profile.name);
    }
}

#[test]
fn the_same_seed_sends_the_same_bytes() {
    for profile in streaming() {
        let options = MeterOptions {
            jitter: 0.05,
            noise: Volts::of(0.002),
            lost: 0.1,
            doubled: 0.1,
            flipped: 0.02,
            ..MeterOptions::of(&profile)
        };
        let run = || listen(&profile, options.clone(), ms(20_000), |_| Volts::of(0.5));
        assert_eq!(run(), run());
    }
}

#[test]
fn hold_freezes_the_display() {
    for profile in streaming() {
        let options = MeterOptions { hold_from: Some(ms(5_000)), ..MeterOptions::of(&profile) };
        let input = |at| Volts::of(if at < ms(7_000) { 0.2 } else { 0.6 });
        let readings = listen(&profile, options, ms(15_000), input);
        let last = readings.last().unwrap();
        assert!((last.item.value.unwrap().to_f64() - 0.2).abs() < 0.001);
        assert_eq!(last.item.flags.hold, profile.format.tells_hold(), "{}", profile.name);
    }
}
