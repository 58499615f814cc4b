//! A switching board that starts again, opens by itself or takes its time: the sweep goes on, and ends.

use std::time::Duration;

use pintally::{
    meter::{self, Profile},
    moment::Moment,
    practice::meter::MeterOptions,
    readings::PinValue,
    sweep::{Record, Recorder, Score, Swept, run},
    units::Volts,
};
use protocol::Request;
use tests::{pairing_trial::score, rig::Rig};

const PINS: usize = 8;

/// Longer than any of these sweeps takes.
const PATIENCE: Duration = Duration::from_secs(300);

/// Fails where the sweep would go on for ever.
struct Patient;

impl Recorder for Patient {
    fn record(&mut self, at: Moment, _: Record<'_>) {
        assert!(at < Moment::START.after(PATIENCE), "nothing ends this sweep");
    }
}

fn profile() -> Profile {
    meter::shipped("bench-stream").unwrap()
}

fn rig() -> Rig {
    let profile = profile();
    Rig::new(&profile, MeterOptions::of(&profile), inputs().map(Some).collect(), 5)
}

fn inputs() -> impl Iterator<Item = Volts> {
    (0..PINS).map(|pin| Volts::of(0.3 + 0.05 * pin as f64))
}

/// Sweeps, and holds every pin against its input.
fn check(mut rig: Rig, change: impl FnOnce(&mut Score)) -> (Swept, Vec<String>) {
    let mut score = score(&profile(), PINS, None);
    change(&mut score);
    let mut told = Vec::new();
    let swept = run(&mut rig, score, &mut Patient, &mut |notice| told.push(notice.to_string()));
    assert_eq!(swept.outcome, Ok(()));
    for (value, input) in swept.values.iter().zip(inputs()) {
        let PinValue::Volts(seen) = value else { panic!("{value:?}") };
        assert!((seen.get() - input.get()).abs() < 0.002, "{seen} V for {input} V");
    }
    (swept, told)
}

/// The first of each kind of request meets a switching board that has just started again.
#[test]
fn a_restart_at_any_request_does_not_end_the_sweep_nor_hang_it() {
    type Kind = fn(&Request) -> bool;
    let kinds: [(&str, Kind); 5] = [
        ("LoadPlan", |request| matches!(request, Request::LoadPlan { .. })),
        ("Start", |request| matches!(request, Request::Start { .. })),
        ("Advance", |request| matches!(request, Request::Advance { .. })),
        ("Indicate", |request| matches!(request, Request::Indicate { .. })),
        // The last request of the sweep.
        ("OpenAll", |request| matches!(request, Request::OpenAll)),
    ];
    for (kind, is_it) in kinds {
        println!("{kind}");
        let mut rig = rig();
        rig.trouble.restarts_before = Some(is_it);
        check(rig, |_| ());
    }
}

/// The lid is shut while the switching board starts again: no event tells of it.
#[test]
fn a_lid_that_was_shut_unseen_does_not_hang_the_sweep() {
    let mut rig = rig();
    let at = |ms| Moment::START.after(Duration::from_millis(ms));
    rig.lid_opens(at(2000), at(4000));
    let (_, told) = check(rig, |_| ());
    assert!(told.iter().any(|text| text.contains("lid")), "{told:?}");
}

/// The lid is opened while a pin is read, and the host hears of it late: the open leads that the meter shows until then
/// are no open joint.
#[test]
fn channels_that_open_before_the_host_hears_of_it_make_no_open_joint() {
    let (mut swept_whole, mut taken_back) = (0, 0);
    for ms in (700..4500).step_by(40) {
        let at = |ms| Moment::START.after(Duration::from_millis(ms));
        let mut rig = rig();
        rig.trouble.late = Some(Duration::from_millis(900));
        rig.lid_opens(at(ms), at(ms + 2500));
        let swept = run(&mut rig, score(&profile(), PINS, None), &mut Patient, &mut |_| ());
        for (pin, (value, input)) in swept.values.iter().zip(inputs()).enumerate() {
            let is_right = match value {
                PinValue::Volts(seen) => (seen.get() - input.get()).abs() < 0.002,
                PinValue::Unread(_) => true,
                PinValue::Overload => false,
            };
            assert!(is_right, "lid opened after {ms} ms, pin {pin}: {value:?}, {:?}", swept.outcome);
        }
        swept_whole += u32::from(swept.outcome.is_ok());
        taken_back += swept.results.iter().flatten().map(|result| u32::from(result.retries > 0)).sum::<u32>();
    }
    assert!(swept_whole > 20 && taken_back > 0, "{swept_whole} {taken_back}");
}

/// Each opening is told twice, in the answer to the request that was under way and as an event. Five are borne.
#[test]
fn an_opening_is_counted_once() {
    let mut rig = rig();
    rig.trouble.opens = 5;
    let (_, told) = check(rig, |_| ());
    assert_eq!(told.iter().filter(|text| text.contains("every channel opened")).count(), 5, "{told:?}");
}

/// Every step of the plan takes the settle time that was given at its start, not only the first.
#[test]
fn a_long_settle_time_is_waited_for_and_no_more_than_the_floor_is_claimed() {
    for settle_ms in [400, 600, 1500] {
        let (swept, _) = check(rig(), |score| score.settle = Duration::from_millis(settle_ms));
        assert!(swept.floor.total() <= swept.took, "{settle_ms}: {:?} {:?}", swept.floor.total(), swept.took);
        assert!(swept.took > Duration::from_millis(settle_ms) * (PINS as u32 - 1));
    }
}
