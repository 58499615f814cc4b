//! What is written is read, whatever it is.

use pintally::{
    connector::{Connector, Pin, PinName, Role, Wiring},
    log::{Conditions, Header, LogEvent, LogLine, LogReader, Zero, decode, encode},
    meter::{NoValue, Number, Sign},
    moment::Moment,
    readings::{PinValue, Unread},
    sweep::PinResult,
    units::{Amperes, Kelvin, Ohms, Volts},
};
use proptest::{collection::vec, option, prelude::*, sample::select};
use protocol::{Answer, BoardMessage, Channel, Event, Request, RequestFrame};
use serde_json::Value;

use crate::samples::{bytes, every_event, header};

fn finite() -> impl Strategy<Value = f64> {
    any::<f64>().prop_filter("finite", |value| value.is_finite())
}

fn text() -> impl Strategy<Value = String> {
    any::<String>()
}

fn json() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<u64>().prop_map(Value::from),
        any::<i64>().prop_map(Value::from),
        finite().prop_map(Value::from),
        text().prop_map(Value::from),
    ];
    leaf.prop_recursive(4, 32, 4, |inner| {
        prop_oneof![
            vec(inner.clone(), 0..4).prop_map(Value::from),
            vec((text(), inner), 0..4).prop_map(|members| Value::Object(members.into_iter().collect())),
        ]
    })
}

fn pin_value() -> impl Strategy<Value = PinValue> {
    prop_oneof![
        finite().prop_map(|volts| PinValue::Volts(Volts::of(volts))),
        Just(PinValue::Overload),
        finite().prop_map(|slope| PinValue::Unread(Unread::NotSettled { slope })),
        Just(PinValue::Unread(Unread::Voided)),
    ]
}

fn reading() -> impl Strategy<Value = Result<Number, NoValue>> {
    prop_oneof![
        any::<(i64, i8)>().prop_map(|(count, exponent)| Ok(Number { count, exponent })),
        select(vec![NoValue::Overload(Sign::Plus), NoValue::Overload(Sign::Minus), NoValue::NotMeasured])
            .prop_map(Err),
    ]
}

fn pin_result() -> impl Strategy<Value = PinResult> {
    (any::<(usize, u8, u64, u64, u16, u16)>(), pin_value(), vec(reading(), 0..8)).prop_map(
        |((pin, channel, settled, decided, spoilt, retries), value, used)| PinResult {
            pin,
            channel: Channel(channel),
            value,
            settled: Moment::from_micros(settled),
            decided: Moment::from_micros(decided),
            spoilt,
            used,
            retries,
        },
    )
}

/// A header of a random connector, with random texts.
fn any_header() -> impl Strategy<Value = Header> {
    let role = option::of(select(vec![Role::Ground, Role::Power, Role::Signal, Role::Unconnected]));
    let pin = (role, option::of(1..1024_u16), option::of("[ -~]{0,20}[!-~]"), option::of("[!-~ä-ž]{1,64}"));
    (vec(pin, 1..40), vec(text(), 5), json(), json(), option::of(text())).prop_map(
        |(pins, texts, settings, practice, board)| {
            let pins: Vec<_> = pins
                .into_iter()
                .enumerate()
                .map(|(i, (role, position, net, note))| Pin {
                    role,
                    position,
                    row: Some(i.to_string()),
                    net: net.map(|net| net.trim().to_owned()),
                    note,
                    ..Pin::named(&format!("P{i}"))
                })
                .collect();
            let connector = Connector::new("J1", pins).unwrap();
            let wiring = Wiring::straight(&connector).unwrap();
            let [program, session, started, operator, profile] = texts.try_into().unwrap();
            Header {
                program,
                session,
                started,
                board,
                operator: Some(operator),
                connector,
                wiring,
                profile,
                settings,
                practice: Some(practice).filter(|practice| !practice.is_null()),
                ..header()
            }
        },
    )
}

fn any_event() -> impl Strategy<Value = LogEvent> {
    let samples: Vec<_> = every_event().into_iter().map(|line| line.event).collect();
    let bytes = || vec(any::<u8>(), 0..300);
    prop_oneof![
        8 => select(samples),
        1 => any_header().prop_map(|header| LogEvent::Header(Box::new(header))),
        1 => bytes().prop_map(|bytes| LogEvent::MeterBytes { bytes }),
        1 => (bytes(), any::<bool>())
            .prop_map(|(bytes, asks_for_reading)| LogEvent::SentToMeter { bytes, asks_for_reading }),
        1 => text().prop_map(|text| LogEvent::Note { text }),
        1 => (text(), text(), text()).prop_map(|(what, by, why)| LogEvent::Override { what, by, why }),
        1 => (text(), option::of(text())).prop_map(|(action, detail)| LogEvent::Operator { action, detail }),
        1 => (text(), finite(), any::<bool>())
            .prop_map(|(what, volts, safe)| LogEvent::Measured { what, volts: Volts::of(volts), safe }),
        1 => (text(), text(), option::of(text()))
            .prop_map(|(was, removed, by)| LogEvent::Redacted { was, removed, by }),
        1 => json().prop_map(|value| LogEvent::Judgement { value }),
        1 => (option::of(finite()), option::of(finite())).prop_map(|(kelvin, amperes)| {
            LogEvent::Conditions(Conditions {
                temperature: kelvin.map(Kelvin::of),
                meter_current: amperes.map(Amperes::of),
            })
        }),
        1 => (option::of(text()), vec((any::<u8>(), finite()), 0..20)).prop_map(|(measured, paths)| {
            let paths = paths.into_iter().map(|(channel, ohms)| (Channel(channel), Ohms::of(ohms))).collect();
            LogEvent::Zero(Zero { measured, paths })
        }),
        1 => ("[!-~]{1,64}", pin_result())
            .prop_map(|(name, result)| LogEvent::PinResult { name: PinName::new(&name), result }),
        1 => any::<(u16, u64, Option<u16>, u8)>().prop_map(|(seq, at_us, step, channel)| LogEvent::JigMessage {
            message: BoardMessage::Answer { seq, at_us, answer: Answer::Settled { step, channel: Channel(channel) } },
        }),
        1 => any::<(u64, u16)>().prop_map(|(at_us, messages)| LogEvent::JigMessage {
            message: BoardMessage::Event { at_us, event: Event::Lost { messages } },
        }),
        1 => (any::<u16>(), any::<u16>(), vec(any::<u8>(), 0..=protocol::PLAN_CHUNK)).prop_map(
            |(seq, first, channels)| LogEvent::SentToJig {
                frame: RequestFrame {
                    seq,
                    request: Request::LoadPlan { first, channels: channels.into_iter().map(Channel).collect() },
                },
            }
        ),
    ]
}

proptest! {
    #[test]
    fn every_event_survives(number: u64, at: u64, event in any_event()) {
        let line = LogLine { number, at: Moment::from_micros(at), event };
        let text = encode(&line).unwrap();
        prop_assert_eq!(text.find('\n'), Some(text.len() - 1), "one line");
        prop_assert!(!text.trim_end().chars().any(pintally::label::is_unprintable), "printable");
        prop_assert_eq!(decode(text.trim_end().as_bytes()).unwrap(), line);
    }

    #[test]
    fn a_log_survives(header in any_header(), events in vec(any_event(), 0..20)) {
        let mut lines = vec![LogLine { number: 1, at: Moment::START, event: LogEvent::Header(Box::new(header)) }];
        for event in events.into_iter().filter(|event| !matches!(event, LogEvent::Header(_))) {
            lines.push(LogLine { number: lines.len() as u64 + 1, at: Moment::START, event });
        }
        let log = bytes(&lines);
        let reader = LogReader::new(log.as_slice()).unwrap();
        prop_assert_eq!(LogEvent::Header(Box::new(reader.header().clone())), lines[0].event.clone());
        prop_assert_eq!(reader.map(Result::unwrap).collect::<Vec<_>>(), &lines[1..]);
    }
}
