//! Conversations with a simulated SCPI meter and with scripted answers.

use std::time::Duration;

use pintally::{
    meter::{self, Answer, Conversation, ConversationError, Event, Function, NoValue, Profile, Sign},
    moment::Moment,
    practice::meter::{MeterOptions, SimulatedMeter},
    units::Volts,
};

fn ms(value: u64) -> Moment {
    Moment::from_micros(value * 1000)
}

fn profile() -> Profile {
    meter::shipped("scpi-bench").unwrap()
}

/// What the conversation wants to send, as text.
fn sent(conversation: &mut Conversation) -> Vec<String> {
    std::iter::from_fn(|| conversation.next_bytes())
        .map(|bytes| String::from_utf8(bytes).unwrap().trim_end().to_owned())
        .collect()
}

fn events(conversation: &mut Conversation) -> Vec<Result<Event, ConversationError>> {
    std::iter::from_fn(|| conversation.pull()).collect()
}

/// A conversation that has come to the point of its first question.
fn ready() -> Conversation {
    let mut conversation = Conversation::new(&profile());
    conversation.start(ms(0));
    assert_eq!(sent(&mut conversation), ["*IDN?"]);
    conversation.receive(b"HEWLETT-PACKARD,34401A,0,10-5-2\r\n", ms(10));
    assert_eq!(sent(&mut conversation), ["SYST:REM", "SYST:ERR?"]);
    conversation.receive(b"-113,\"Undefined header\"\r\n", ms(20));
    assert_eq!(sent(&mut conversation), ["SYST:ERR?"]);
    conversation.receive(b"+0,\"No error\"\r\n", ms(30));
    assert_eq!(sent(&mut conversation), ["CONF:DIOD", "SYST:ERR?"]);
    conversation.receive(b"+0,\"No error\"\r\n", ms(40));
    let told = events(&mut conversation);
    let [Ok(Event::Ready(Some(identity)))] = &told[..] else { panic!("{told:?}") };
    assert_eq!((identity.maker.as_str(), identity.model.as_str()), ("HEWLETT-PACKARD", "34401A"));
    assert_eq!(conversation.deadline(), None);
    conversation
}

#[test]
fn asks_and_reads() {
    let mut conversation = ready();
    assert!(conversation.ask(ms(100)));
    assert!(!conversation.ask(ms(101)), "one question at a time");
    assert_eq!(sent(&mut conversation), ["READ?"]);
    assert_eq!(conversation.deadline(), Some(ms(3100)));
    conversation.receive(b"+5.4321", ms(140));
    conversation.receive(b"0000E-01\r\n", ms(150));
    let told = events(&mut conversation);
    let [Ok(Event::Answer(Answer { asked, reading }))] = &told[..] else { panic!("{told:?}") };
    assert_eq!(*asked, Some(ms(100)));
    assert_eq!(reading.item.value.unwrap().to_f64(), 0.54321);
    assert_eq!(reading.item.function, Some(Function::Diode));
    conversation.finish();
    assert_eq!(sent(&mut conversation), ["SYST:LOC"]);
}

#[test]
fn a_late_answer_is_never_taken_for_the_next() {
    let mut conversation = ready();
    conversation.ask(ms(100));
    let _ = sent(&mut conversation);
    conversation.expire(ms(3099));
    assert_eq!(events(&mut conversation), []);
    conversation.expire(ms(3100));
    let told = events(&mut conversation);
    assert_eq!(
        told[0].as_ref().unwrap_err().to_string(),
        "expected a number from the meter within 3s of sending READ?, found nothing"
    );
    assert_eq!(sent(&mut conversation), ["*IDN?"]);
    assert!(!conversation.ask(ms(3101)));
    // The late reading comes before the identity, and is dropped.
    conversation.receive(b"+1.00000000E-01\r\nMAKER,MODEL,0,1\r\n", ms(3200));
    assert_eq!(events(&mut conversation), []);
    assert_eq!(sent(&mut conversation), ["SYST:REM", "SYST:ERR?"]);
    conversation.receive(b"0,\"No error\"\r\n", ms(3210));
    let _ = sent(&mut conversation);
    conversation.receive(b"0,\"No error\"\r\n", ms(3220));
    assert!(matches!(events(&mut conversation)[..], [Ok(Event::Ready(_))]));
}

#[test]
fn an_odd_answer_is_refused_and_recovered_from() {
    let mut conversation = ready();
    conversation.ask(ms(100));
    let _ = sent(&mut conversation);
    conversation.receive(b"+5.4\x003E-01\r\n", ms(150));
    let told = events(&mut conversation);
    assert_eq!(
        told[0].as_ref().unwrap_err().to_string(),
        "expected a number in answer to READ?, found \"+5.4\\x003E-01\""
    );
    assert_eq!(sent(&mut conversation), ["*IDN?"]);
}

/// Every answer comes twice, as through an adapter that repeats: the second `*IDN?` answer used to start the
/// conversation over, for ever.
#[test]
fn answers_that_come_twice_are_read_once() {
    let options = MeterOptions { doubled: 1.0, ..MeterOptions::of(&profile()) };
    let mut meter = SimulatedMeter::new(profile(), options, 1, ms(0));
    let told = converse(&mut meter, ms(5_000), &mut |_| Volts::of(0.5));
    let readings = told.iter().filter(|told| matches!(told, Ok(Event::Answer(_)))).count();
    assert!(readings > 10, "{told:?}");
    assert!(told.iter().any(|told| matches!(told, Ok(Event::Ready(Some(_))))));

    let mut conversation = Conversation::new(&profile());
    conversation.start(ms(0));
    assert_eq!(sent(&mut conversation), ["*IDN?"]);
    conversation.receive(b"MAKER,MODEL,0,1\r\nMAKER,MODEL,0,1\r\n", ms(10));
    assert_eq!(sent(&mut conversation), ["SYST:REM", "SYST:ERR?"]);
    assert_eq!(events(&mut conversation), []);
}

/// An answer that cannot be read used to cost two timeouts, four seconds here.
#[test]
fn a_polled_meter_is_asked_again_soon_after_an_answer_that_cannot_be_read() {
    let d14 = meter::shipped("d14").unwrap();
    let mut conversation = Conversation::new(&d14);
    conversation.start(ms(0));
    assert!(conversation.ask(ms(0)));
    conversation.receive(b"DC  0.5&3  V  \r", ms(150));
    let told = events(&mut conversation);
    assert!(told.iter().any(Result::is_err), "{told:?}");
    assert!(!conversation.ask(ms(151)), "the rest of it may still come");
    let quiet = conversation.deadline().unwrap();
    assert!(quiet > ms(150 + 117) && quiet < ms(150 + 500), "{quiet:?}");
    // A second copy is waited out.
    conversation.receive(b"DI  0.543  V  \r", ms(280));
    let later = conversation.deadline().unwrap();
    assert!(later > quiet);
    assert!(!events(&mut conversation).iter().any(|told| matches!(told, Ok(Event::Answer(_)))));
    conversation.expire(later);
    assert!(conversation.ask(later));
}

#[test]
fn a_line_that_nobody_asked_for_is_no_reading() {
    let mut conversation = ready();
    conversation.receive(b"+5.00000000E-01\r\n", ms(90));
    assert_eq!(events(&mut conversation), []);
    assert_eq!(sent(&mut conversation), ["*IDN?"]);
}

#[test]
fn a_meter_without_diode_test_is_told_apart() {
    let mut conversation = Conversation::new(&profile());
    conversation.start(ms(0));
    conversation.receive(b"MAKER,MODEL,0,1\n", ms(10));
    conversation.receive(b"0,\"No error\"\n", ms(20));
    conversation.receive(b"-113,\"Undefined header\"\n", ms(30));
    let told = events(&mut conversation);
    assert_eq!(
        told[0].as_ref().unwrap_err().to_string(),
        "expected the meter to take CONF:DIOD, found its error -113 (Undefined header)"
    );
}

/// Found by the pairing simulation: a flipped bit in `+0` ended the sweep.
#[test]
fn an_error_that_says_no_error_is_asked_for_again() {
    let mut conversation = Conversation::new(&profile());
    conversation.start(ms(0));
    for (at, line) in [(10, "MAKER,MODEL,0,1\n"), (20, "0,\"No error\"\n"), (30, "+8,\"No error\"\n")] {
        let _ = sent(&mut conversation);
        conversation.receive(line.as_bytes(), ms(at));
    }
    let told = events(&mut conversation);
    assert!(matches!(told[..], [Err(ConversationError::Unexpected { .. })]), "{told:?}");
    assert_eq!(sent(&mut conversation), ["*IDN?"]);
}

#[test]
fn an_error_queue_without_end_is_given_up() {
    let mut conversation = Conversation::new(&profile());
    conversation.start(ms(0));
    conversation.receive(b"MAKER,MODEL,0,1\n", ms(10));
    for n in 0..100 {
        conversation.receive(b"-350,\"Queue overflow\"\n", ms(20 + n));
    }
    let told = events(&mut conversation);
    assert!(matches!(told.last(), Some(Err(ConversationError::EndlessErrors { asked: 32 }))), "{told:?}");
}

/// Runs a conversation against a simulated meter until `until`; asks whenever it may.
fn converse(
    meter: &mut SimulatedMeter,
    until: Moment,
    input: &mut dyn FnMut(Moment) -> Volts,
) -> Vec<Result<Event, ConversationError>> {
    let profile = profile();
    let mut conversation = Conversation::new(&profile);
    conversation.start(ms(0));
    let mut told = Vec::new();
    let mut now = ms(0);
    let mut on_the_way: Vec<(Moment, Vec<u8>)> = Vec::new();
    while now < until {
        conversation.ask(now);
        while let Some(bytes) = conversation.next_bytes() {
            on_the_way.extend(meter.advance(now, input));
            meter.receive(&bytes, now);
        }
        on_the_way.extend(meter.advance(now, input));
        for (leaves, bytes) in std::mem::take(&mut on_the_way) {
            let arrives = leaves.after(profile.port.byte_time() * bytes.len() as u32);
            if arrives <= now {
                conversation.receive(&bytes, now);
            } else {
                on_the_way.push((leaves, bytes));
            }
        }
        conversation.expire(now);
        told.extend(std::iter::from_fn(|| conversation.pull()));
        now = now.after(Duration::from_millis(1));
    }
    told
}

#[test]
fn the_simulated_bench_meter_is_read() {
    let profile = profile();
    let mut meter = SimulatedMeter::new(profile.clone(), MeterOptions::of(&profile), 1, ms(0));
    let told = converse(&mut meter, ms(5000), &mut |at| Volts::of(if at < ms(2500) { 0.543 } else { 5.0 }));
    assert!(told.iter().all(Result::is_ok), "{told:?}");
    let values: Vec<_> = told
        .iter()
        .filter_map(|told| match told {
            Ok(Event::Answer(answer)) => Some((answer.asked.unwrap(), answer.reading.item.value)),
            _ => None,
        })
        .collect();
    // 50 ms a conversion and about 25 ms on the wire.
    assert!((50..75).contains(&values.len()), "{}", values.len());
    for (asked, value) in values {
        match value {
            Ok(number) => assert!(asked < ms(2500) && number.to_f64() == 0.543, "{asked} {number}"),
            Err(reason) => {
                assert!(asked > ms(2400), "{asked}");
                assert_eq!(reason, NoValue::Overload(Sign::Plus));
            }
        }
    }
}

#[test]
fn a_meter_that_falls_silent_is_named_silent() {
    let profile = profile();
    let options = MeterOptions { silent_from: Some(ms(1000)), ..MeterOptions::of(&profile) };
    let mut meter = SimulatedMeter::new(profile, options, 1, ms(0));
    let told = converse(&mut meter, ms(10_000), &mut |_| Volts::of(0.5));
    let silences = told.iter().filter(|told| matches!(told, Err(ConversationError::Silent { .. }))).count();
    assert_eq!(silences, 3, "one a timeout: {told:?}");
}

/// The meter's keys were left locked where it did not take the command.
#[test]
fn a_meter_that_refuses_gets_its_keys_back() {
    let mut conversation = Conversation::new(&profile());
    conversation.start(ms(0));
    conversation.receive(b"HEWLETT-PACKARD,34401A,0,10-5-2\r\n", ms(10));
    conversation.receive(b"+0,\"No error\"\r\n", ms(30));
    let _ = sent(&mut conversation);
    conversation.receive(b"-113,\"Undefined header\"\r\n", ms(40));
    assert!(matches!(&events(&mut conversation)[..], [Err(ConversationError::Refused { .. })]));
    conversation.finish();
    assert_eq!(sent(&mut conversation), ["SYST:LOC"]);
    conversation.finish();
    assert_eq!(sent(&mut conversation), [""; 0], "once is enough");

    let mut greeted = Conversation::new(&profile());
    greeted.start(ms(0));
    greeted.finish();
    assert_eq!(sent(&mut greeted), ["*IDN?"], "it has taken no keys yet");
}
