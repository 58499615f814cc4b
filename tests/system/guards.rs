//! A meter that should not be trusted is found out, and the operator is told which key to press.
//!
//! Each sweep is paired once more from its record, as a replay does it: both must come to the same values.

use pintally::{
    meter::{self, Function, Profile},
    moment::Moment,
    practice::meter::{Hum, MeterOptions},
    readings::{PinValue, Unread},
    sweep::{AliveSign, Guard, Notice, Observer, Record, Recorder, Score, SweepError, Swept, Timing, run},
    units::Volts,
};
use tests::{
    pairing_trial::{score, shown},
    rig::Rig,
};

const CHECK: Volts = Volts::of(0.47);

/// Pins between two visits to the check channel, and eight more.
const PINS: usize = 24;

/// Pairs from the record, while it is written.
struct Echo(Observer);

impl Recorder for Echo {
    fn record(&mut self, at: Moment, record: Record<'_>) {
        match record {
            Record::MeterBytes(bytes) => drop(self.0.meter_bytes(bytes, at)),
            Record::Jig(message) => drop(self.0.jig_message(message, at)),
            Record::SentToJig(frame) => self.0.sent_to_jig(frame, at),
            Record::SentToMeter { asks_for_reading: true, .. } => self.0.asked_meter(at),
            _ => {}
        }
    }
}

/// Sweeps 24 pins, most of them unlike, two open, and the check channel.
fn sweep_inputs(
    profile: &Profile,
    options: MeterOptions,
    check: Option<Volts>,
    mut inputs: Vec<Option<Volts>>,
) -> (Swept, Vec<Guard>) {
    inputs.push(check);
    let rig = Rig::new(profile, options, inputs, 5);
    sweep_rig(profile, rig, score(profile, PINS, check.map(|_| CHECK)))
}

fn sweep_rig(profile: &Profile, mut rig: Rig, score: Score) -> (Swept, Vec<Guard>) {
    let mut echo = Echo(Observer::new(score.setting.clone(), profile));
    let mut guards = Vec::new();
    let swept = run(&mut rig, score, &mut echo, &mut |notice| {
        if let Notice::Guard(guard) = notice {
            guards.push(*guard);
        }
    });
    assert_eq!(echo.0.values(), swept.values, "{}: the replay differs", profile.name);
    (swept, guards)
}

fn inputs() -> Vec<Option<Volts>> {
    let millivolts = |pin: usize| 0.1 + 0.001 * ((pin * 271) % 701) as f64;
    (0..PINS).map(|pin| (pin % 9 != 4).then(|| Volts::of(millivolts(pin)))).collect()
}

fn sweep(profile: &Profile, options: MeterOptions) -> (Swept, Vec<Guard>) {
    sweep_inputs(profile, options, Some(CHECK), inputs())
}

fn profile(name: &str) -> Profile {
    meter::shipped(name).unwrap()
}

/// So many readings after the start.
fn after(profile: &Profile, readings: u32) -> Option<Moment> {
    Some(Moment::START.after(profile.period() * readings))
}

fn hints(swept: &Swept) -> String {
    swept.outcome.clone().unwrap_err().hints().join("; ")
}

/// The sweep ends because of this guard, and its hint names the key.
fn assert_blocked(profile: &Profile, options: MeterOptions, guard: Guard, key: &str) -> Swept {
    let (swept, _) = sweep(profile, options);
    assert_eq!(swept.outcome, Err(SweepError::MeterBlocked(guard)), "{}", profile.name);
    assert!(hints(&swept).contains(key), "{}", hints(&swept));
    swept
}

/// The sweep goes on, and the operator is warned once.
fn assert_warned(profile: &Profile, options: MeterOptions, guard: Guard, key: &str) {
    let (swept, guards) = sweep(profile, options);
    assert_eq!(swept.outcome, Ok(()), "{}", profile.name);
    assert_eq!(guards, [guard], "{}", profile.name);
    let said = Notice::Guard(guard).to_string();
    assert!(said.contains(key), "{said}");
}

#[test]
fn a_sound_meter_raises_no_suspicion() {
    for profile in tests::pairing_trial::sweeping_profiles() {
        for noise in [0.0, 0.5] {
            let noise = Volts::of(noise * profile.diode.resolution.get());
            let (swept, guards) = sweep(&profile, MeterOptions { noise, ..MeterOptions::of(&profile) });
            assert_eq!((swept.outcome, guards), (Ok(()), vec![]), "{}", profile.name);
        }
    }
}

#[test]
fn signs_on_the_display_stop_the_sweep() {
    for name in ["fs9922", "es14"] {
        let profile = profile(name);
        let sound = || MeterOptions::of(&profile);
        let wrong = MeterOptions { function: Function::DcVoltage, ..sound() };
        assert_blocked(&profile, wrong, Guard::WrongFunction(Function::DcVoltage), "to diode test");
        let held = MeterOptions { hold_from: after(&profile, 30), ..sound() };
        assert_blocked(&profile, held, Guard::Hold, "press HOLD");
        assert_blocked(&profile, MeterOptions { relative: true, ..sound() }, Guard::Relative, "press REL");
        assert_blocked(&profile, MeterOptions { extreme: true, ..sound() }, Guard::Extreme, "press MAX/MIN");
    }
}

#[test]
fn low_battery_and_automatic_power_off_are_warned_of_once() {
    let fs9922 = profile("fs9922");
    let low = MeterOptions { low_battery: true, ..MeterOptions::of(&fs9922) };
    assert_warned(&fs9922, low, Guard::LowBattery, "change the meter's battery");
    for profile in [fs9922, profile("es11")] {
        let sleepy = MeterOptions { auto_power_off: true, ..MeterOptions::of(&profile) };
        assert_warned(&profile, sleepy, Guard::AutoPowerOff, "switch auto power-off off");
    }
}

/// HOLD pressed on meters that do not say so, before the sweep, at a pin, and on an open pin.
#[test]
fn a_display_that_does_not_move_stops_the_sweep() {
    for name in ["es11", "tpi183", "d14", "hm8012", "text-lines", "bench-stream"] {
        let profile = profile(name);
        for readings in [30, 47, 64] {
            let options = MeterOptions { hold_from: after(&profile, readings), ..MeterOptions::of(&profile) };
            let (swept, _) = sweep(&profile, options);
            let Err(SweepError::MeterBlocked(guard)) = swept.outcome else {
                panic!("{name} from reading {readings}: {:?}", swept.outcome)
            };
            assert!(matches!(guard, Guard::Frozen | Guard::CheckOpen), "{guard}");
            assert!(hints(&swept).contains("HOLD"), "{}", hints(&swept));
            // What was read before is right, and what the display kept is taken back.
            assert_eq!(wrong(&swept, &profile), [], "{name} from reading {readings}");
            assert!(swept.values.contains(&PinValue::Unread(Unread::Voided)), "{:?}", swept.values);
        }
    }
}

/// Pins that got something else than what an ideal meter would show of them.
fn wrong(swept: &Swept, profile: &Profile) -> Vec<(usize, PinValue)> {
    let is_right = |value: PinValue, expected: PinValue| match (value.volts(), expected.volts()) {
        (Some(seen), Some(expected)) => (seen.get() - expected.get()).abs() < 0.002,
        _ => value == expected || matches!(value, PinValue::Unread(_)),
    };
    let pins = swept.values.iter().copied().zip(inputs()).enumerate();
    pins.filter(|(_, (value, input))| !is_right(*value, shown(*input, profile)))
        .map(|(pin, (value, _))| (pin, value))
        .collect()
}

/// Found on the practice bench: HOLD was pressed and, before the check channel's turn, pressed again, on a meter that does
/// not send its sign. Thirteen pins kept the digits of one.
#[test]
fn a_display_that_stood_still_for_a_while_is_found_out() {
    for name in ["es11", "tpi183", "d14", "hm8012", "text-lines", "bench-stream"] {
        let profile = profile(name);
        // Of an open pin, which takes longest, on a meter that is asked.
        let timing = Timing::of(&profile);
        let visit = u32::from(timing.spoilt) + u32::from(timing.agree_overload) + 2;
        for from in [26, 37, 48] {
            for pins in [8, 10, 13] {
                let until = from + (pins + 1) * visit;
                let (hold_from, hold_until) = (after(&profile, from), after(&profile, until));
                let options = MeterOptions { hold_from, hold_until, ..MeterOptions::of(&profile) };
                let (swept, _) = sweep(&profile, options);
                assert_eq!(wrong(&swept, &profile), [], "{name} from reading {from} for {pins} pins");
                match swept.outcome {
                    Ok(()) => {}
                    Err(SweepError::MeterBlocked(Guard::Frozen | Guard::CheckOpen)) => {
                        assert!(hints(&swept).contains("HOLD"), "{}", hints(&swept));
                    }
                    Err(error) => panic!("{name} from reading {from} for {pins} pins: {error}"),
                }
            }
        }
    }
}

#[test]
fn without_a_check_channel_a_still_display_is_at_least_mentioned() {
    let profile = profile("es11");
    let options = MeterOptions { hold_from: after(&profile, 30), ..MeterOptions::of(&profile) };
    let (swept, guards) = sweep_inputs(&profile, options, None, inputs());
    assert_eq!((swept.outcome, guards), (Ok(()), vec![Guard::Alike]));
}

#[test]
fn a_lead_that_is_not_plugged_in_is_named() {
    for name in ["fs9721", "scpi-bench", "bench-stream", "d14"] {
        let profile = profile(name);
        let mut inputs: Vec<Option<Volts>> = vec![None; PINS];
        inputs.push(None);
        let mut rig = Rig::new(&profile, MeterOptions::of(&profile), inputs, 5);
        let (swept, _) = tests::pairing_trial::sweep(&mut rig, score(&profile, PINS, Some(CHECK)));
        assert_eq!(swept.outcome, Err(SweepError::MeterBlocked(Guard::CheckOpen)), "{name}");
        assert!(hints(&swept).contains("plug both leads in"));
    }
}

#[test]
fn a_meter_that_falls_asleep_in_the_middle_is_named() {
    for name in ["fs9922", "d14", "scpi-bench"] {
        let profile = profile(name);
        let options = MeterOptions { silent_from: after(&profile, 40), ..MeterOptions::of(&profile) };
        let (swept, _) = sweep(&profile, options);
        assert!(
            matches!(swept.outcome, Err(SweepError::MeterStopped { was_announced: false, .. })),
            "{name}: {:?}",
            swept.outcome
        );
        assert!(hints(&swept).contains("press any key to wake it"));
        assert!(swept.values.iter().any(|value| value.volts().is_some()), "what was read before is kept");
    }
    let profile = profile("fs9922");
    let options =
        MeterOptions { silent_from: after(&profile, 40), auto_power_off: true, ..MeterOptions::of(&profile) };
    let (swept, guards) = sweep(&profile, options);
    assert!(matches!(swept.outcome, Err(SweepError::MeterStopped { was_announced: true, .. })));
    assert_eq!(guards, [Guard::AutoPowerOff]);
}

/// 50 and 60 Hz through windows that are no whole number of cycles.
#[test]
fn mains_hum_is_named() {
    for (name, hertz) in [("fs9721", 50.0), ("tpi183", 50.3), ("scpi-bench", 50.0), ("bench-stream", 60.0)] {
        let profile = profile(name);
        let hum = Hum { amplitude: Volts::of(0.5), hertz };
        // Half a volt through this window leaves this much.
        let left = (0..100).map(|n| hum.mean(Moment::from_micros(n * 3_000), profile.period()).get());
        let left = left.fold(0.0, |most: f64, mean| most.max(mean.abs()));
        let amplitude = Volts::of(0.5 * 0.010 / left.max(1e-6));
        let options = MeterOptions { hum: Some(Hum { amplitude, hertz }), ..MeterOptions::of(&profile) };
        let (_, guards) = sweep(&profile, options);
        assert!(guards.contains(&Guard::Scatter), "{name} with {amplitude} V: {guards:?}");
    }
    let said = Notice::Guard(Guard::Scatter).to_string();
    for word in ["hum", "mains", "shield", "ground"] {
        assert!(said.contains(word), "{said}");
    }
}

#[test]
fn steps_too_wide_are_named() {
    for name in ["fs9721", "text-lines", "bench-stream"] {
        let profile = profile(name);
        let options = MeterOptions { steps: Some(Volts::of(0.010)), ..MeterOptions::of(&profile) };
        let (swept, guards) = sweep(&profile, options);
        assert_eq!(swept.outcome, Ok(()), "{name}");
        let [guard @ Guard::Coarse(step)] = guards[..] else { panic!("{name}: {guards:?}") };
        assert!((step.to_f64() - 0.010).abs() < 1e-9, "{step:?}");
        assert!(Notice::Guard(guard).to_string().contains("press RANGE"));
    }
}

/// Pins 3 and 9 are ground, pin 7 has a capacitor with so many volts that charges by so many a second, or shows
/// another voltage; how does the sweep end?
fn ends(profile: &Profile, grounds: [f64; 2], ramp: Option<(f64, f64)>) -> Result<(), SweepError> {
    let mut inputs = inputs();
    inputs[2] = Some(Volts::of(grounds[0]));
    inputs[8] = Some(Volts::of(grounds[1]));
    inputs.push(Some(CHECK));
    let mut rig = Rig::new(profile, MeterOptions::of(profile), inputs, 5);
    rig.ramps.extend(ramp.map(|ramp| (6, ramp)));
    let mut score = score(profile, PINS, Some(CHECK));
    score.setting.grounds = vec![2, 8];
    score.setting.compliance = Some(Volts::of(3.0));
    sweep_rig(profile, rig, score).0.outcome
}

/// A source can put a ground pin below ground, a bad joint or a board that is seated wrong cannot.
#[test]
fn a_ground_pin_below_ground_stops_the_sweep() {
    for name in ["fs9922", "bench-stream"] {
        let profile = profile(name);
        for finding in [[0.0, 0.002], [0.0, 0.4], [0.12, 0.12], [0.62, 0.62], [-0.004, -0.004]] {
            assert_eq!(ends(&profile, finding, None), Ok(()), "{name}: {finding:?}");
        }
        let Err(SweepError::BoardAlive { pin, sign: AliveSign::GroundBelow(seen) }) =
            ends(&profile, [0.0, -0.030], None)
        else {
            panic!("{name}: a ground pin at -30 mV was taken for dead")
        };
        assert!(pin.as_str() == "9" && (seen.get() + 0.030).abs() < 0.0015, "{pin} {seen}");
    }
}

/// A capacitor that the meter charges is a finding; one that goes the other way is not empty, or is driven.
#[test]
fn a_ramp_against_the_meter_stops_the_sweep() {
    for name in ["fs9922", "bench-stream"] {
        let profile = profile(name);
        let at_pin_7 = |ramp| match ends(&profile, [0.0, 0.0], Some(ramp)) {
            Ok(()) => None,
            Err(error @ SweepError::BoardAlive { sign, .. }) => {
                assert!(error.to_string().starts_with("the board is alive at pin 7"), "{error}");
                assert!(error.hints()[0].contains("discharge its capacitors"), "{error}");
                Some(sign)
            }
            Err(error) => panic!("{name}: {error}"),
        };
        assert_eq!(at_pin_7((0.0, 0.02)), None, "{name}");
        // Charged, above 0 V to the end, and going down.
        let falling = at_pin_7((1.2, -0.08));
        assert!(
            matches!(falling, Some(AliveSign::Falling { to, .. }) if to > Volts::ZERO),
            "{name}: {falling:?}"
        );
        let below = at_pin_7((-0.1, -0.08));
        assert!(matches!(below, Some(AliveSign::Negative(_))), "{name}: {below:?}");
    }
}

/// A lithium cell's 3.7 V on a display that ends at 2 V: with red on ground they are -OL, which is no open joint.
#[test]
fn a_voltage_below_the_display_stops_the_sweep() {
    for name in ["fs9721", "es14", "fs9922", "scpi-bench", "bench-stream"] {
        let profile = profile(name);
        let mut inputs = inputs();
        inputs[6] = Some(Volts::of(-3.7 * profile.diode.overload_above.get().max(1.0)));
        inputs.push(Some(CHECK));
        let rig = Rig::new(&profile, MeterOptions::of(&profile), inputs, 5);
        let (swept, _) = sweep_rig(&profile, rig, score(&profile, PINS, Some(CHECK)));
        let Err(SweepError::BoardAlive { pin, sign: AliveSign::BelowRange }) = swept.outcome else {
            panic!("{name}: {:?} {:?}", swept.outcome, swept.values)
        };
        assert_eq!(pin.as_str(), "7", "{name}");
    }
}
