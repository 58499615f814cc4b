//! One of each event that a session log can hold, and each message of protocol 1 in it.
//!
//! These are the content of `fixtures/logs/v1/every-event.jsonl`: like that file, they are never edited.
//! A later version gets a list and a file of its own.

use pintally::{
    connector::{CheckChannel, Connector, Pin, PinName, Role, Wiring},
    fingerprint::Fingerprint,
    log::{Conditions, Confirmation, Ending, Header, Link, LogEvent, LogLine, ReferenceSource, Zero},
    meter::{NoValue, Number, Sign},
    moment::Moment,
    readings::{PinValue, Unread},
    sweep::PinResult,
    units::{Amperes, Kelvin, Ohms, Volts},
};
use protocol::{
    Answer, BoardKind, BoardMessage, Channel, Event, Fault, FrameTrouble, Greeting, Light, OpenReason, Pace,
    Parts, Request, RequestFrame, ResetCause, Sound, Status, Timing,
};
use serde_json::json;

/// A small connector with everything a pin can have.
pub(crate) fn connector() -> Connector {
    let signal = |name: &str, position, pair: &str| Pin {
        row: Some("A".to_owned()),
        position: Some(position),
        net: Some(format!("LANE0_{name}")),
        role: Some(Role::Signal),
        pair: Some(PinName::new(pair)),
        ..Pin::named(name)
    };
    let with_role = |name, role| Pin { role: Some(role), ..Pin::named(name) };
    let note = Some("under the \"shield\", 5 µm".to_owned());
    let pins = vec![
        signal("1", 1, "2"),
        signal("2", 2, "1"),
        with_role("3", Role::Ground),
        with_role("4", Role::Power),
        Pin { note, ..with_role("5", Role::Unconnected) },
    ];
    Connector::new("J7", pins).unwrap()
}

pub(crate) fn header() -> Header {
    let connector = connector();
    let check = CheckChannel { channel: Channel(9), resistor: Ohms::of(470.0) };
    let channels = [4, 3, 2, 1, 0].map(Channel).to_vec();
    let wiring = Wiring::new("jig 2", &connector, channels, Some(check)).unwrap();
    let text = "the reference, whole\n";
    Header {
        program: "0.1.0".to_owned(),
        session: "20260302T091500Z-4f1c".to_owned(),
        started: "2026-03-02T09:15:00Z".to_owned(),
        board: Some("T-0042".to_owned()),
        operator: Some("Ada".to_owned()),
        connector,
        wiring,
        profile: "name = \"practice streaming\"\n".to_owned(),
        reference: Some(ReferenceSource {
            fingerprint: Fingerprint::of(text.as_bytes()),
            path: Some("j7.reference".to_owned()),
            text: Some(text.to_owned()),
        }),
        zero: Some(zero()),
        settings: json!({"false_alarm_rate": 0.05, "assumed_spread_volts": 0.004}),
        practice: Some(json!({"seed": 7, "faults": ["open 4"]})),
    }
}

fn zero() -> Zero {
    Zero {
        measured: Some("2026-03-02T09:10:00Z".to_owned()),
        paths: vec![(Channel(0), Ohms::of(0.31)), (Channel(1), Ohms::of(0.1 + 0.2))],
    }
}

/// One of each event, as the lines of one log.
pub(crate) fn every_event() -> Vec<LogLine> {
    let text = str::to_owned;
    let mut events = vec![LogEvent::Header(Box::new(header()))];
    events.extend([
        LogEvent::Confirmed { what: Confirmation::BatteryOut, by: Some(text("Ada")) },
        LogEvent::Confirmed { what: Confirmation::PowerOff, by: None },
        LogEvent::Confirmed { what: Confirmation::Discharged, by: None },
        LogEvent::Confirmed { what: Confirmation::StaticProtected, by: None },
        LogEvent::Measured { what: text("common line"), volts: Volts::of(-0.0021), safe: true },
        LogEvent::Override { what: text("profile"), by: text("Ada"), why: text("borrowed meter") },
        LogEvent::Conditions(Conditions {
            temperature: Kelvin::from_celsius(23.5),
            meter_current: Some(Amperes::of(0.001)),
        }),
        LogEvent::Conditions(Conditions::default()),
        LogEvent::Zero(zero()),
        LogEvent::Note { text: text("pad 4 was rebuilt\twith 0.05 mm wire \u{1b}[31m \u{9b} \u{2028}") },
        LogEvent::Operator { action: text("start"), detail: None },
        LogEvent::Operator { action: text("skip"), detail: Some(text("4")) },
        LogEvent::SentToMeter { bytes: b"CONF:DIOD\n".to_vec(), asks_for_reading: false },
        LogEvent::SentToMeter { bytes: b"READ?\n".to_vec(), asks_for_reading: true },
        LogEvent::Told { text: text("the lid is open: close it to go on") },
        LogEvent::MeterBytes { bytes: b"+3.18000000E-01\r\n".to_vec() },
        LogEvent::MeterBytes { bytes: vec![] },
        LogEvent::MeterBytes { bytes: vec![0x00, 0x7F, 0x80, 0xFF] },
        LogEvent::JigNoise { what: text("expected a frame with a good checksum") },
    ]);
    events.extend(
        requests()
            .into_iter()
            .zip(1..)
            .map(|(request, seq)| LogEvent::SentToJig { frame: RequestFrame { seq, request } }),
    );
    events.extend(answers().into_iter().zip(1..).map(|(answer, seq)| {
        let at_us = 1_000_000 + u64::from(seq);
        LogEvent::JigMessage { message: BoardMessage::Answer { seq, at_us, answer } }
    }));
    events.extend(
        board_events()
            .into_iter()
            .map(|event| LogEvent::JigMessage { message: BoardMessage::Event { at_us: u64::MAX, event } }),
    );
    events.extend([
        LogEvent::LinkLost { link: Link::Meter, why: text("no reading for 3 s") },
        LogEvent::LinkRestored { link: Link::Meter },
        LogEvent::LinkLost { link: Link::Jig, why: text("port closed") },
        LogEvent::LinkRestored { link: Link::Jig },
    ]);
    let values = [
        PinValue::Volts(Volts::of(0.654)),
        PinValue::Overload,
        PinValue::Unread(Unread::NotListed),
        PinValue::Unread(Unread::Skipped),
        PinValue::Unread(Unread::NoReading),
        PinValue::Unread(Unread::NotSettled { slope: 0.02 }),
        PinValue::Unread(Unread::Voided),
    ];
    let used = [
        Ok(Number { count: 654, exponent: -3 }),
        Ok(Number { count: -4, exponent: 0 }),
        Err(NoValue::Overload(Sign::Plus)),
        Err(NoValue::Overload(Sign::Minus)),
        Err(NoValue::NotMeasured),
    ];
    events.extend(values.into_iter().enumerate().map(|(index, value)| {
        let pin = index % 5;
        let result = PinResult {
            pin,
            channel: Channel(4),
            value,
            settled: Moment::from_micros(1_000_000),
            decided: Moment::from_micros(1_400_000),
            spoilt: 1,
            used: used[..index.min(5)].to_vec(),
            retries: 0,
        };
        LogEvent::PinResult { name: PinName::new(&(pin + 1).to_string()), result }
    }));
    events.extend([
        LogEvent::Judgement { value: json!({"board": "T-0042", "flagged": ["4"], "placement": null}) },
        LogEvent::Redacted {
            was: text("note"),
            removed: text("2026-04-01T08:00:00Z"),
            by: Some(text("Ada")),
        },
        LogEvent::End { how: Ending::Stopped, detail: None },
        LogEvent::End { how: Ending::Failed, detail: Some(text("the meter is silent")) },
        LogEvent::End { how: Ending::Complete, detail: None },
    ]);
    let line = |(number, event)| LogLine { number, at: Moment::from_micros((number - 1) * 12_345), event };
    (1..).zip(events).map(line).collect()
}

fn requests() -> Vec<Request> {
    let channels = [0, 1, 254].map(Channel).into_iter().collect();
    let show = |light, sound| Request::Indicate { light, sound };
    vec![
        Request::Greet { min: 1, max: 1 },
        Request::Ping,
        Request::OpenAll,
        Request::Select { channel: Channel(3), settle_us: 20_000 },
        Request::LoadPlan { first: 0, channels },
        Request::Start { steps: 3, settle_us: 1_000, pace: Pace::Advance },
        Request::Start { steps: 3, settle_us: 1_000, pace: Pace::Dwell { dwell_us: 500_000 } },
        Request::Advance { step: 1 },
        show(Light::Off, Sound::Silent),
        show(Light::Ready, Sound::Ready),
        show(Light::Matches, Sound::Matches),
        show(Light::Differs, Sound::Differs),
        show(Light::Inconclusive, Sound::Inconclusive),
        show(Light::Trouble, Sound::Trouble),
        show(Light::Busy, Sound::Silent),
        Request::Sense,
        Request::Bleed { channel: Channel(3), hold_us: 100_000 },
        Request::Status,
    ]
}

fn answers() -> Vec<Answer> {
    let greeting = |kind, reset| {
        let parts = Parts { sense: true, bleed: true, button: false, lid: true, light: false, buzzer: true };
        Answer::Greeting(Greeting {
            version: 1,
            kind,
            boot_id: 0xDEAD_BEEF,
            reset,
            channels: 64,
            plan_steps: 160,
            firmware: (0, 1, 2),
            unique_id: [1, 2, 3, 4, 5, 6, 7, 255],
            parts,
            timing: Timing { break_us: 500, make_us: 1_500, silence_us: 2_000_000 },
        })
    };
    let status = Status {
        closed: Some(Channel(3)),
        step: None,
        lid_closed: Some(true),
        button_pressed: None,
        bad_frames: 2,
    };
    let mut answers = vec![
        greeting(BoardKind::Multiplexer, ResetCause::Power),
        greeting(BoardKind::ShiftRegister, ResetCause::Watchdog),
        greeting(BoardKind::Expander, ResetCause::Panic),
        greeting(BoardKind::Practice, ResetCause::Unknown),
        Answer::Pong,
        Answer::Opened,
        Answer::Settled { step: Some(2), channel: Channel(3) },
        Answer::Settled { step: None, channel: Channel(3) },
        Answer::PlanLoaded { steps: 3 },
        Answer::PlanEnded,
        Answer::Indicated,
        Answer::SenseVoltage { millivolts: -12 },
        Answer::Bled,
        Answer::Status(status),
    ];
    answers.extend(faults().into_iter().map(Answer::Refused));
    answers
}

fn faults() -> Vec<Fault> {
    let mut faults = vec![
        Fault::Version { min: 2, max: 3 },
        Fault::UnknownRequest,
        Fault::NotGreeted,
        Fault::ChannelOutOfRange { channel: Channel(64), channels: 64 },
        Fault::PlanTooLong { capacity: 160 },
        Fault::PlanGap { expected: 32 },
        Fault::PlanMismatch { loaded: 2 },
        Fault::NoPlan,
        Fault::WrongStep { expected: 2 },
        Fault::Superseded,
        Fault::LidOpen,
        Fault::SwitchFault,
        Fault::NotFitted,
    ];
    faults.extend(reasons().into_iter().map(Fault::Opened));
    faults
}

fn reasons() -> Vec<OpenReason> {
    vec![
        OpenReason::PlanEnded,
        OpenReason::HostSilent,
        OpenReason::LidOpen,
        OpenReason::SwitchFault,
        OpenReason::BadFrame,
        OpenReason::HostDeaf,
        OpenReason::OtherHost,
    ]
}

fn board_events() -> Vec<Event> {
    vec![
        Event::Settled { step: 2, channel: Channel(3) },
        Event::Opened { reason: OpenReason::HostSilent },
        Event::Button { pressed: true },
        Event::Lid { closed: false },
        Event::BadFrame { trouble: FrameTrouble::Damaged },
        Event::BadFrame { trouble: FrameTrouble::TooLong },
        Event::BadFrame { trouble: FrameTrouble::Unknown },
        Event::Lost { messages: 3 },
    ]
}

/// Lines as the bytes of a log.
pub(crate) fn bytes(lines: &[LogLine]) -> Vec<u8> {
    lines.iter().map(|line| pintally::log::encode(line).unwrap()).collect::<String>().into_bytes()
}
