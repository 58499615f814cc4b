//! A sweep through a simulated meter gives every pin its own reading, and says so when it cannot.

use pintally::{
    meter::{self, Profile},
    moment::Moment,
    practice::meter::MeterOptions,
    readings::PinValue,
    sweep::{Notice, SweepError},
    units::Volts,
};
use protocol::Channel;
use tests::{
    pairing_trial::{score, shown, sweep, sweeping_profiles},
    rig::{Rig, Trouble},
};

fn volts(value: f64) -> Option<Volts> {
    Volts::new(value)
}

fn assert_right(values: &[PinValue], inputs: &[Option<Volts>], profile: &Profile) {
    for (pin, (value, input)) in values.iter().zip(inputs).enumerate() {
        let expected = shown(*input, profile);
        let is_right = match (value.volts(), expected.volts()) {
            (Some(seen), Some(expected)) => {
                (seen.get() - expected.get()).abs() <= 2.1 * profile.diode.resolution.get()
            }
            _ => *value == expected,
        };
        assert!(is_right, "{} pin {pin}: expected {expected:?}, found {value:?}", profile.name);
    }
}

fn inputs() -> Vec<Option<Volts>> {
    vec![
        volts(0.0),
        volts(0.543),
        None,
        volts(0.612),
        volts(0.321),
        None,
        volts(0.0),
        volts(0.701),
        volts(0.47),
    ]
}

#[test]
fn every_shipped_profile_sweeps_rightly() {
    for profile in sweeping_profiles() {
        for seed in 0..5 {
            let inputs = inputs();
            let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs.clone(), seed);
            let (swept, notices) = sweep(&mut rig, score(&profile, 8, volts(0.47)));
            assert_eq!(swept.outcome, Ok(()), "{} seed {seed}: {notices:?}", profile.name);
            assert_right(&swept.values, &inputs[..8], &profile);
        }
    }
}

#[test]
fn a_meter_that_lags_more_than_its_profile_says_is_found_out() {
    for profile in sweeping_profiles() {
        let mut options = MeterOptions::of(&profile);
        // Long enough that readings of the pin before agree with each other.
        options.lag = profile.timing.spoilt + profile.timing.agree + 1;
        let inputs = inputs();
        let mut rig = Rig::new(&profile, options, inputs.clone(), 7);
        let (swept, notices) = sweep(&mut rig, score(&profile, 8, volts(0.47)));
        assert_eq!(swept.outcome, Ok(()), "{}", profile.name);
        assert!(
            notices.iter().any(|notice| matches!(notice, Notice::CheckFailed { .. })),
            "{}: nobody noticed",
            profile.name
        );
        assert_right(&swept.values, &inputs[..8], &profile);
    }
}

#[test]
fn lost_answers_cost_no_pin() {
    let profile = meter::shipped("bench-stream").unwrap();
    for first in 2..16 {
        let inputs = inputs();
        let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs.clone(), 3);
        rig.trouble = Trouble { lost_answers: Some((first, 1)), ..Trouble::default() };
        let (swept, _) = sweep(&mut rig, score(&profile, 8, None));
        assert_eq!(swept.outcome, Ok(()), "answer {first} lost");
        assert_right(&swept.values, &inputs[..8], &profile);
    }
}

#[test]
fn a_meter_that_stops_sending_is_named() {
    let profile = meter::shipped("fs9721").unwrap();
    let options =
        MeterOptions { silent_from: Some(Moment::from_micros(5_000_000)), ..MeterOptions::of(&profile) };
    let mut rig = Rig::new(&profile, options, inputs(), 1);
    let (swept, _) = sweep(&mut rig, score(&profile, 8, None));
    assert!(matches!(swept.outcome, Err(SweepError::MeterStopped { .. })), "{:?}", swept.outcome);
    assert!(swept.values.iter().any(|value| value.volts().is_some()), "what was read before is kept");
}

/// How the 16-character stream shows an overload stands in no document at hand.
#[test]
fn a_format_whose_overload_nobody_knows_does_not_sweep() {
    let profile = meter::shipped("t16").unwrap();
    let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs(), 1);
    let (swept, _) = sweep(&mut rig, score(&profile, 8, None));
    let Err(error @ SweepError::OverloadUnknown { .. }) = swept.outcome else {
        panic!("{:?}", swept.outcome)
    };
    assert_eq!(
        error.to_string(),
        "meter profile t16 cannot sweep: expected frames that tell an open pin, found format t16, of which no document \
         at hand says how it shows OL"
    );
    assert!(rig.heard.is_empty(), "nothing is closed: {:?}", rig.heard);
}

#[test]
fn a_silent_switching_board_is_named() {
    let profile = meter::shipped("bench-stream").unwrap();
    let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs(), 1);
    rig.trouble.is_silent = true;
    let (swept, _) = sweep(&mut rig, score(&profile, 8, None));
    assert!(matches!(swept.outcome, Err(SweepError::JigSilent { .. })), "{:?}", swept.outcome);
}

#[test]
fn another_device_on_the_jigs_port_is_named() {
    let profile = meter::shipped("bench-stream").unwrap();
    let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs(), 1);
    rig.trouble.babbles = Some(b'U');
    let (swept, _) = sweep(&mut rig, score(&profile, 8, None));
    assert!(matches!(swept.outcome, Err(SweepError::NotAJig { .. })), "{:?}", swept.outcome);
}

#[test]
fn another_protocol_version_is_refused_by_both_numbers() {
    let profile = meter::shipped("bench-stream").unwrap();
    let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs(), 1);
    rig.trouble.speaks = Some((7, 9));
    let (swept, _) = sweep(&mut rig, score(&profile, 8, None));
    assert!(
        matches!(swept.outcome, Err(SweepError::JigVersion { min: 7, max: 9, .. })),
        "{:?}",
        swept.outcome
    );
}

#[test]
fn a_channel_that_does_not_exist_is_refused_before_the_first_pin() {
    let profile = meter::shipped("bench-stream").unwrap();
    let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs()[..4].to_vec(), 1);
    let (swept, _) = sweep(&mut rig, score(&profile, 8, None));
    let expected = SweepError::NoSuchChannel { channel: Channel(4), channels: 4 };
    assert_eq!(swept.outcome, Err(expected));
}

#[test]
fn hold_pressed_in_the_middle_stops_the_sweep_with_the_key_to_press() {
    let profile = meter::shipped("fs9721").unwrap();
    let options =
        MeterOptions { hold_from: Some(Moment::from_micros(6_000_000)), ..MeterOptions::of(&profile) };
    let mut rig = Rig::new(&profile, options, inputs(), 1);
    let (swept, notices) = sweep(&mut rig, score(&profile, 8, None));
    let Err(error @ SweepError::MeterBlocked(_)) = &swept.outcome else { panic!("{:?}", swept.outcome) };
    assert!(error.hints().iter().any(|hint| hint.contains("HOLD")), "{:?}", error.hints());
    assert!(notices.iter().any(|notice| matches!(notice, Notice::Guard(_))));
}

#[test]
fn a_board_that_is_alive_ends_the_sweep() {
    let profile = meter::shipped("bench-stream").unwrap();
    let mut inputs = inputs();
    inputs[3] = volts(-0.4);
    let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs.clone(), 1);
    let (swept, _) = sweep(&mut rig, score(&profile, 8, None));
    assert!(matches!(swept.outcome, Err(SweepError::BoardAlive { .. })), "{:?}", swept.outcome);

    let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs, 1);
    let mut score = score(&profile, 8, None);
    score.override_alive = true;
    let (swept, notices) = sweep(&mut rig, score);
    assert_eq!(swept.outcome, Ok(()));
    assert!(notices.iter().any(|notice| matches!(notice, Notice::AliveOverridden { .. })));
}

#[test]
fn a_switching_board_that_closes_another_channel_is_named() {
    let profile = meter::shipped("bench-stream").unwrap();
    let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs(), 1);
    rig.trouble.strays = 1;
    let (swept, _) = sweep(&mut rig, score(&profile, 8, None));
    assert_eq!(swept.outcome, Err(SweepError::OtherChannel { asked: Channel(0), closed: Channel(1) }));
    assert!(swept.values.iter().all(|value| matches!(value, PinValue::Unread(_))), "{:?}", swept.values);
}
