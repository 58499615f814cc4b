//! A meter with lag walks over channels; each reading must go to its pin.

use super::*;
use crate::{
    meter::{Flags, NoValue, Number, Sign},
    readings::Unread,
    sweep::Visit,
};

const PERIOD_MS: u64 = 100;

fn setting(targets: &[Target], spoilt: u8) -> Setting {
    let visits = targets
        .iter()
        .enumerate()
        .map(|(channel, &target)| Visit { channel: Channel(channel as u8), target })
        .collect();
    let timing = Timing { spoilt, delivery: Duration::from_millis(5), ..Timing::TEN_A_SECOND };
    Setting {
        plan: Plan { visits },
        pins: targets.iter().filter(|target| matches!(target, Target::Pin(_))).count(),
        grounds: Vec::new(),
        timing,
        compliance: Some(Volts::of(3.0)),
        check_expected: None,
    }
}

fn observer(setting: Setting) -> Observer {
    let profile = crate::meter::shipped("bench-stream").expect("shipped with the program");
    Observer::new(setting, &profile)
}

/// A meter with lag: each frame shows the input `lag` conversions ago. Walks the channels once, moving on
/// when a pin is decided, and tells what was observed.
fn walk(observer: &mut Observer, inputs: &[i64], lag: usize) -> Vec<Observation> {
    let mut seen = Vec::new();
    let mut shown = vec![-1; 64];
    let mut now = Moment::START;
    for (channel, &input) in inputs.iter().enumerate() {
        let seq = channel as u16;
        let request = Request::Select { channel: Channel(channel as u8), settle_us: 3000 };
        observer.sent_to_jig(&RequestFrame { seq, request }, now);
        now = now.after(Duration::from_millis(3));
        let answer = Answer::Settled { step: None, channel: Channel(channel as u8) };
        seen.extend(observer.jig_message(&BoardMessage::Answer { seq, at_us: now.as_micros(), answer }, now));
        for n in 0..30 {
            now = now.after(Duration::from_millis(if n == 0 { PERIOD_MS - 3 } else { PERIOD_MS }));
            // The first frame after the step is half old, half new.
            shown.push(if n == 0 { (input + shown.last().unwrap_or(&0)) / 2 } else { input });
            let count = shown[shown.len() - 1 - lag];
            let item = Reading {
                value: Ok(Number { count, exponent: -3 }),
                function: Some(crate::meter::Function::Diode),
                flags: Flags::default(),
            };
            let observed = observer.reading(&Stamped { first_byte: now, last_byte: now, item });
            let is_over = observed.iter().any(|o| {
                matches!(o, Observation::Decided(_) | Observation::Checked | Observation::CheckFailed { .. })
            });
            seen.extend(observed);
            if is_over {
                break;
            }
        }
    }
    seen
}

fn millivolts(observer: &Observer) -> Vec<Option<i64>> {
    let round = |volts: Volts| (volts.get() * 1000.0).round() as i64;
    observer.values().into_iter().map(|value| value.volts().map(round)).collect()
}

#[test]
fn each_reading_goes_to_its_pin() {
    let mut observer = observer(setting(&[Target::Pin(0), Target::Pin(1), Target::Pin(2)], 1));
    walk(&mut observer, &[500, 600, 0], 0);
    assert_eq!(millivolts(&observer), [Some(500), Some(600), Some(0)]);
}

#[test]
fn a_lag_within_the_profile_pairs_rightly() {
    let mut observer = observer(setting(&[Target::Pin(0), Target::Pin(1), Target::Pin(2)], 4));
    walk(&mut observer, &[500, 600, 0], 3);
    assert_eq!(millivolts(&observer), [Some(500), Some(600), Some(0)]);
}

#[test]
fn a_longer_lag_is_caught_by_the_check_channel() {
    let targets = [Target::Check, Target::Pin(0), Target::Pin(1), Target::Check];
    let mut set = setting(&targets, 1);
    set.check_expected = Some(Volts::of(0.470));
    let mut observer = observer(set);
    let seen = walk(&mut observer, &[470, 500, 600, 470], 4);
    let failures: Vec<_> = seen.iter().filter(|o| matches!(o, Observation::CheckFailed { .. })).collect();
    assert!(!failures.is_empty(), "{seen:?}");
    // What is kept is right: the first failure made the observer drop more.
    for (value, input) in millivolts(&observer).into_iter().zip([500, 600]) {
        assert!(value.is_none_or(|value| value == input), "{seen:?}");
    }
    assert!(observer.timing().spoilt > 1, "the observer did not learn to drop more");
}

#[test]
fn a_live_board_is_seen() {
    let mut observer = observer(setting(&[Target::Pin(0)], 1));
    let seen = walk(&mut observer, &[-300], 0);
    assert!(seen.iter().any(|o| matches!(o, Observation::Alive { pin: 0, .. })), "{seen:?}");
}

#[test]
fn a_pin_that_is_left_early_has_no_reading() {
    let mut observer = observer(setting(&[Target::Pin(0)], 1));
    observer.jig_message(
        &BoardMessage::Event { at_us: 5, event: Event::Settled { step: 0, channel: Channel(0) } },
        Moment::START,
    );
    observer.sent_to_jig(&RequestFrame { seq: 1, request: Request::OpenAll }, Moment::from_micros(9));
    assert_eq!(observer.values(), [PinValue::Unread(Unread::NoReading)]);
}

fn settled(seq: u16, at_us: u64, channel: u8) -> BoardMessage {
    let answer = Answer::Settled { step: None, channel: Channel(channel) };
    BoardMessage::Answer { seq, at_us, answer }
}

/// Found by a simulated link that is late now and then: the answer to a request that had been made again came when
/// the next channel had been asked for, and what the old one showed went to the next pin.
#[test]
fn a_late_answer_opens_no_visit() {
    let mut observer = observer(setting(&[Target::Pin(0), Target::Pin(1)], 1));
    let ask = |observer: &mut Observer, seq, channel| {
        let request = Request::Select { channel: Channel(channel), settle_us: 3000 };
        observer.sent_to_jig(&RequestFrame { seq, request }, Moment::from_micros(u64::from(seq) * 500_000));
    };
    ask(&mut observer, 0, 0);
    // Not answered in time.
    ask(&mut observer, 1, 0);
    let late = observer.jig_message(&settled(0, 510_000, 0), Moment::from_micros(600_000));
    assert_eq!(late, [], "the channel opens once more when the second request arrives");
    let began = observer.jig_message(&settled(1, 610_000, 0), Moment::from_micros(700_000));
    assert_eq!(began, [Observation::Began(Target::Pin(0), Channel(0))]);
    ask(&mut observer, 2, 1);
    assert_eq!(observer.jig_message(&settled(1, 1_000_500, 0), Moment::from_micros(1_001_000)), []);
    // Nor does what the board said of a plan before it heard the request.
    let event = Event::Settled { step: 0, channel: Channel(0) };
    let event = BoardMessage::Event { at_us: 1_000_600, event };
    assert_eq!(observer.jig_message(&event, Moment::from_micros(1_002_000)), []);
}

/// The TPI 196 tells of its keys once, when they are pressed, and not with each reading.
#[test]
fn a_display_that_is_held_stays_so_when_a_cable_goes() {
    let profile = crate::meter::shipped("tpi196").expect("shipped with the program");
    for device in [Device::Jig, Device::Meter] {
        let mut observer = Observer::new(setting(&[Target::Pin(0)], 1), &profile);
        let at = |ms: u64| Moment::from_micros(ms * 1000);
        let holds = |seen: &[Observation]| seen.contains(&Observation::Guard(Guard::Hold));
        // A change of mode is believed when two readings in a row say it; the first line may be the tail of another.
        let read = |observer: &mut Observer, ms: u64| -> Vec<Observation> {
            let reading = b"2 DIO  0.543 V \r\n";
            (0..3).flat_map(|n| observer.meter_bytes(reading, at(ms + 400 * n))).collect()
        };
        assert!(!holds(&read(&mut observer, 100)));
        observer.meter_bytes(b"3 HOLD ON \r\n", at(2000));
        assert!(holds(&read(&mut observer, 2100)), "{device}");
        observer.lost(device);
        assert!(holds(&read(&mut observer, 5000)), "{device}");
    }
}

/// How the host learns that every channel has opened.
enum Told {
    /// The switching board said so, and when by its own clock.
    Event(u64),
    /// Its cable was pulled.
    Unplugged,
    /// It had started again.
    Restarted,
}

/// Channels may open while a visit lasts, and the host hears of it after the open leads have been read: that is no open
/// joint.
#[test]
fn what_open_leads_have_decided_is_taken_back() {
    let at = |ms: u64| Moment::from_micros(ms * 1000);
    for (told, pinged, is_taken) in [
        // Settled at 3 ms, decided at 600 ms.
        (Told::Event(200_000), false, true),
        (Told::Event(650_000), false, false),
        (Told::Unplugged, false, true),
        // What answers after that was there before.
        (Told::Unplugged, true, false),
        (Told::Restarted, false, true),
        (Told::Restarted, true, false),
    ] {
        let mut observer = observer(setting(&[Target::Pin(0), Target::Pin(1)], 1));
        let ask = |observer: &mut Observer, seq, request, ms| {
            observer.sent_to_jig(&RequestFrame { seq, request }, at(ms));
        };
        ask(&mut observer, 0, Request::Select { channel: Channel(0), settle_us: 3000 }, 0);
        observer.jig_message(&settled(0, 3000, 0), at(4));
        let open = |ms: u64| {
            let item = Reading {
                value: Err(NoValue::Overload(Sign::Plus)),
                function: None,
                flags: Flags::default(),
            };
            Stamped { first_byte: at(ms), last_byte: at(ms), item }
        };
        let seen: Vec<_> = (1..=6).flat_map(|n| observer.reading(&open(100 * n))).collect();
        assert!(
            matches!(&seen[..], [Observation::Decided(result)] if result.value == PinValue::Overload),
            "{seen:?}"
        );
        if pinged {
            ask(&mut observer, 1, Request::Ping, 700);
            observer
                .jig_message(&BoardMessage::Answer { seq: 1, at_us: 700_500, answer: Answer::Pong }, at(701));
        }
        let seen = match told {
            Told::Event(at_us) => {
                let event = Event::Opened { reason: protocol::OpenReason::LidOpen };
                observer.jig_message(&BoardMessage::Event { at_us, event }, at(900))
            }
            Told::Unplugged => observer.lost(Device::Jig),
            Told::Restarted => {
                ask(&mut observer, 2, Request::Select { channel: Channel(1), settle_us: 3000 }, 800);
                let answer = Answer::Refused(Fault::NotGreeted);
                observer.jig_message(&BoardMessage::Answer { seq: 2, at_us: 500, answer }, at(801))
            }
        };
        let (expected, value) = match is_taken {
            true => (vec![Observation::TakenBack { pin: 0 }], PinValue::Unread(Unread::Voided)),
            false => (Vec::new(), PinValue::Overload),
        };
        assert_eq!((seen, observer.values()[0]), (expected, value));
    }
}
