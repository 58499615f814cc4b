//! What `meter lag` measures is what was put into the simulated meter.

use std::time::Duration;

use pintally::{
    meter::{self, Profile, Talk},
    moment::Moment,
    practice::meter::MeterOptions,
    readings::PinValue,
    sweep::{Guard, Lag, LagError, LagNews, LagSetup, Notice, SweepError, measure_lag},
    units::Volts,
};
use protocol::Channel;
use tests::{pairing_trial::sweeping_profiles, rig::Rig};

/// The check channel, an open one, and one that reads like the check channel.
const INPUTS: [Option<Volts>; 3] = [Some(Volts::of(0.47)), None, Some(Volts::of(0.471))];

fn measure(profile: &Profile, options: MeterOptions, channels: [u8; 2], seed: u64) -> Result<Lag, LagError> {
    measure_and_listen(profile, options, channels, seed).0
}

/// What is measured, and what the operator is told on the way.
fn measure_and_listen(
    profile: &Profile,
    options: MeterOptions,
    channels: [u8; 2],
    seed: u64,
) -> (Result<Lag, LagError>, Vec<Notice>) {
    let mut notices = Vec::new();
    let mut rig = Rig::new(profile, options, INPUTS.to_vec(), seed);
    let setup = LagSetup {
        profile: profile.clone(),
        channels: channels.map(Channel),
        toggles: 24,
        settle: Duration::from_millis(3),
        jig_port: "the jig".into(),
        meter_port: "the meter".into(),
    };
    let mut told = 0;
    let outcome = measure_lag(&mut rig, setup, &mut |news| match news {
        LagNews::Changes(done) => told = done,
        LagNews::Notice(notice) => notices.push(notice),
    });
    assert!(told == 24 || outcome.is_err());
    (outcome, notices)
}

/// The readings that a simulated meter spoils: all that it averages, those by which it stays behind, and for one that
/// converts by itself the first of the average is the conversion that was running.
fn put_in(profile: &Profile, options: &MeterOptions) -> u32 {
    match profile.talk {
        Talk::Triggered { .. } => options.averaging - 1 + options.lag,
        Talk::Streaming | Talk::Polled { .. } => options.averaging + options.lag,
    }
}

#[test]
fn the_lag_that_was_put_in_is_measured() {
    for profile in sweeping_profiles() {
        for lag in 0..5 {
            let options = MeterOptions { lag, ..MeterOptions::of(&profile) };
            let expected = put_in(&profile, &options);
            for seed in 0..3 {
                let measured = measure(&profile, options.clone(), [0, 1], seed).unwrap();
                assert_eq!(
                    u32::from(measured.spoilt),
                    expected,
                    "{} lag {lag} seed {seed}: {measured:?}",
                    profile.name
                );
            }
        }
    }
}

/// The profile's own number plays no part, nor do noise, uneven conversions, lost and doubled readings.
#[test]
fn a_rough_line_does_not_change_what_is_measured() {
    for name in ["bench-stream", "fs9721", "scpi-bench"] {
        let mut profile = meter::shipped(name).unwrap();
        profile.timing.spoilt = 9;
        let sound = MeterOptions { averaging: 2, lag: 1, ..MeterOptions::of(&profile) };
        let options = MeterOptions {
            noise: Volts::of(0.3 * profile.diode.resolution.get()),
            jitter: 0.02,
            lost: 0.02,
            doubled: 0.02,
            ..sound
        };
        let measured = measure(&profile, options.clone(), [0, 1], 4).unwrap();
        assert_eq!(u32::from(measured.spoilt), put_in(&profile, &options), "{name}: {measured:?}");
    }
}

#[test]
fn delays_are_told_with_their_spread() {
    let profile = meter::shipped("fs9721").unwrap();
    let measured = measure(&profile, MeterOptions::of(&profile), [0, 1], 1).unwrap();
    let period = profile.period();
    assert!(measured.period.unwrap().abs_diff(period) < Duration::from_millis(2));
    let [to_check, to_open] = &measured.ways;
    assert_eq!((to_check.level, to_open.level), (PinValue::Volts(Volts::of(0.47)), PinValue::Overload));
    // One spoilt conversion: the right one ends one to two periods after the step. A conversion that saw open leads for
    // most of its time is an overload already.
    assert!(to_check.delays[0] >= period, "{to_check:?}");
    for way in &measured.ways {
        assert_eq!(way.delays.len(), 12);
        let (shortest, longest) = (way.delays[0], way.delays[11]);
        assert!(longest <= period * 2 + Duration::from_millis(20), "{way:?}");
        assert!(longest - shortest > period / 2, "the phase of the steps wanders: {way:?}");
        assert!(way.median_delay().is_some_and(|median| (shortest..=longest).contains(&median)));
    }
}

#[test]
fn channels_that_read_alike_are_refused() {
    let profile = meter::shipped("bench-stream").unwrap();
    let error = measure(&profile, MeterOptions::of(&profile), [0, 2], 1).unwrap_err();
    assert!(matches!(error, LagError::Alike { .. }), "{error}");
    assert_eq!(
        error.to_string(),
        "expected two channels that read differently, found 0.470 at channel 0 and 0.471 at channel 2"
    );
    assert!(error.hints()[0].contains("--channels"));
}

#[test]
fn what_ends_a_sweep_ends_the_measurement() {
    let profile = meter::shipped("fs9922").unwrap();
    let sound = || MeterOptions::of(&profile);
    let held = MeterOptions { hold_from: Some(Moment::from_micros(9_000_000)), ..sound() };
    let error = measure(&profile, held, [0, 1], 1).unwrap_err();
    assert_eq!(error, LagError::Sweep(SweepError::MeterBlocked(Guard::Hold)));
    let asleep = MeterOptions { silent_from: Some(Moment::from_micros(9_000_000)), ..sound() };
    let error = measure(&profile, asleep, [0, 1], 1).unwrap_err();
    assert!(matches!(error, LagError::Sweep(SweepError::MeterStopped { .. })), "{error}");
    let error = measure(&profile, sound(), [0, 3], 1).unwrap_err();
    assert_eq!(error, LagError::NoSuchChannel { channel: Channel(3), channels: 3 });
}

/// Whoever presses HOLD is told which key it is, and may take his time to press it again: the change that it fell into
/// is measured anew. Found on the practice bench: nothing was said for a minute, a HOLD of 20 s ended the measurement as
/// restless, and a second one at once.
#[test]
fn a_key_is_named_and_waited_for() {
    let seconds = |seconds: u64| Some(Moment::from_micros(seconds * 1_000_000));
    for name in ["fs9721", "fs9922", "es14"] {
        let profile = meter::shipped(name).unwrap();
        // While a level is learned, between changes, and in the middle of one.
        for from in 3..24 {
            let held = MeterOptions {
                hold_from: seconds(from),
                hold_until: seconds(from + 40),
                ..MeterOptions::of(&profile)
            };
            let (lag, notices) = measure_and_listen(&profile, held.clone(), [0, 1], from);
            assert_eq!(u32::from(lag.unwrap().spoilt), put_in(&profile, &held), "{name} from {from} s");
            assert_eq!(notices, [Notice::Guard(Guard::Hold)], "{name} from {from} s");
            assert!(notices[0].to_string().contains("press HOLD"), "{}", notices[0]);
        }
    }
}
