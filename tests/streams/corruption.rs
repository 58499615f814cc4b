//! What a single damaged byte can do, format by format; the table stands in `docs/meters.md`.
//!
//! Formats without a checksum let some damaged frames pass as others. Counted here, over every place in the frames
//! of the fixtures and every other value of the byte there: how many pass as another reading when a frame is taken
//! alone, how many when a change of mode must be said twice, and how many change the value of a pin when readings
//! must agree as the profile asks.

use std::fmt::Write as _;

use pintally::{
    meter::{Decoder, Function, Profile, Reading, Talk},
    moment::Moment,
    readings::PinValue,
    sweep::{Settling, Step, Timing},
};

use crate::fixture::{Stream, documented, drain, every_frame};

#[derive(Debug, Default)]
struct Count {
    corruptions: u32,
    alone: u32,
    mode: u32,
    agreement: u32,
}

/// All readings of a stream.
fn decode(mut decoder: Decoder, parts: &[&[u8]]) -> Vec<Reading> {
    for part in parts {
        decoder.push(part, Moment::START);
    }
    drain(&mut decoder).into_iter().flatten().map(|stamped| stamped.item).collect()
}

/// A decoder in the middle of a stream.
fn in_the_middle(profile: &Profile, good: &[u8]) -> Decoder {
    let mut decoder = Decoder::new(profile);
    if profile.talk == Talk::Streaming && profile.format.is_text() {
        decoder.push(b"\r", Moment::START);
    }
    decoder.push(&good.repeat(2), Moment::START);
    let _ = drain(&mut decoder);
    decoder
}

/// What a pin would be given from these readings.
fn settled(readings: &[Reading], timing: &Timing) -> Option<PinValue> {
    let mut settling = Settling::default();
    readings.iter().enumerate().find_map(|(index, reading)| {
        let at = Moment::START.after(timing.period * index as u32);
        match settling.take(reading.value, at, timing) {
            Step::Decided(value) => Some(value),
            Step::More => None,
        }
    })
}

fn is_near(value: PinValue, wanted: PinValue, timing: &Timing) -> bool {
    match (value.volts(), wanted.volts()) {
        (Some(value), Some(wanted)) => {
            (value.get() - wanted.get()).abs() <= timing.tolerance.get() * (1.0 + 1e-9)
        }
        _ => value == wanted,
    }
}

fn count(stream: &Stream) -> Count {
    let profile = stream.profile();
    let timing = Timing::of(&profile);
    let mut count = Count::default();
    let in_diode_test = |function| matches!(function, None | Some(Function::Diode));
    let frames = stream.frames.iter().filter(|frame| {
        frame.refused.is_none() && in_diode_test(frame.function) && frame.flags() == Default::default()
    });
    for frame in frames.take(3) {
        let good = frame.bytes();
        let [wanted] = decode(every_frame(&profile), &[&good])[..] else { panic!("{frame:?}") };
        let undisturbed = settled(&[wanted; 20], &timing);
        for place in 0..good.len() {
            for value in (0..=u8::MAX).filter(|value| *value != good[place]) {
                let mut damaged = good.clone();
                damaged[place] = value;
                let after = good.repeat(6);
                count.corruptions += 1;
                let others = |readings: &[Reading]| u32::from(readings.iter().any(|other| *other != wanted));
                count.alone += others(&decode(every_frame(&profile), &[&damaged, &after]));
                let readings = decode(in_the_middle(&profile, &good), &[&damaged, &after]);
                count.mode += others(&readings);
                // The damaged frame as the first of the pin, and as its second.
                let second = decode(in_the_middle(&profile, &good), &[&good, &damaged, &after]);
                count.agreement += u32::from([readings, second].iter().any(|readings| {
                    match (settled(readings, &timing), undisturbed) {
                        (Some(value), Some(wanted)) => !is_near(value, wanted, &timing),
                        (value, wanted) => value != wanted,
                    }
                }));
            }
        }
    }
    count
}

/// The table, and the pins that a damaged byte changed.
fn table() -> (String, Vec<String>) {
    let mut table = String::from(
        "| profile | damaged bytes tried | another reading, frame alone | after the mode rule | another value of the pin, after agreement |\n\
         |---|--:|--:|--:|--:|\n",
    );
    let mut changed = Vec::new();
    for stream in Stream::all() {
        let count = count(stream);
        assert!(count.corruptions > 0 && count.mode <= count.alone, "{count:?}");
        let name = stream.profile().name;
        let percent = |part: u32| format!("{:.2} %", 100.0 * f64::from(part) / f64::from(count.corruptions));
        let _ = writeln!(
            table,
            "| {name} | {} | {} | {} | {} |",
            count.corruptions,
            percent(count.alone),
            percent(count.mode),
            percent(count.agreement),
        );
        if count.agreement > 0 {
            changed.push(format!("{name}: {count:?}"));
        }
    }
    (table, changed)
}

#[test]
fn no_damaged_byte_changes_a_pin_and_the_documentation_tells_what_it_can_do() {
    let (table, changed) = table();
    assert_eq!(changed, Vec::<String>::new());
    documented("corruption", &table);
}
