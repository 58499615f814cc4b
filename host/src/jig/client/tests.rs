//! One conversation, with answers that are lost, late, refused, or of another life.

use protocol::{Channel, Fault, Pace};

use super::*;
use crate::jig::fixture::answer;

fn ms(value: u64) -> Moment {
    Moment::from_micros(value * 1000)
}

/// A conversation of one request: what is heard when, and what the host has said and taken by 3.5 s.
fn check(first: u16, request: Request, heard: &[(u64, BoardMessage)], expected: &[&str]) {
    let mut client = Client::new(first);
    let mut told = Vec::new();
    let mut say = |at: u64, frame: &RequestFrame| {
        let name = format!("{:?}", frame.request);
        let name = name.split([' ', '{']).next().unwrap_or_default();
        told.push(format!("{at}: {name} {}", frame.seq));
    };
    say(0, &client.send(request, ms(0)));
    let mut heard = heard.iter().peekable();
    let mut results = Vec::new();
    for at in 0..=3500 {
        while let Some((_, message)) = heard.next_if(|(when, _)| *when == at) {
            results.push(match client.receive(message, ms(at)) {
                Heard::Answer { answer, .. } => format!("{at}: {answer:?}"),
                Heard::Stale { seq } => format!("{at}: late {seq}"),
                other => format!("{at}: {other:?}"),
            });
        }
        if !results.is_empty() && !client.is_waiting() {
            break;
        }
        let wake = client.wake(ms(at));
        match client.due(ms(at)) {
            Due::Nothing => assert!(wake > ms(at), "woken for nothing at {at} ms"),
            Due::Ping(frame) => say(at, &frame),
            Due::Again(request) => say(at, &client.send(request, ms(at))),
            Due::Silent(error) => {
                results.push(format!("{at}: {error}"));
                break;
            }
        }
    }
    told.extend(results);
    assert_eq!(told, expected);
}

fn settled(channel: u8) -> Answer {
    Answer::Settled { step: None, channel: Channel(channel) }
}

const SELECT: Request = Request::Select { channel: Channel(4), settle_us: 20_000 };

#[test]
fn a_request_whose_answer_is_lost_is_asked_again_under_a_new_number() {
    let heard = [(530, answer(8, 900, settled(4)))];
    let told = ["0: Select 7", "520: Select 8", "530: Settled { step: None, channel: Channel(4) }"];
    check(7, SELECT, &heard, &told);
    // Numbers begin anew after the last one.
    let heard = [(530, answer(0, 900, Answer::Refused(Fault::LidOpen)))];
    check(65535, SELECT, &heard, &["0: Select 65535", "520: Select 0", "530: Refused(LidOpen)"]);
}

#[test]
fn an_answer_to_an_earlier_number_is_not_taken_and_makes_it_wait_longer() {
    // The first comes from another conversation, which has closed channel 9.
    let heard = [
        (10, answer(3, 100, settled(9))),
        (1100, answer(7, 200, settled(4))),
        (1900, answer(8, 300, settled(4))),
    ];
    let told = [
        "0: Select 7",
        "1010: Select 8",
        "10: late 3",
        "1100: late 7",
        "1900: Settled { step: None, channel: Channel(4) }",
    ];
    check(7, SELECT, &heard, &told);
}

#[test]
fn a_restart_in_the_middle_ends_the_request() {
    let pressed = BoardMessage::Event { at_us: 9_000_000, event: Event::Button { pressed: true } };
    let heard = [(10, pressed), (20, answer(7, 300, Answer::Refused(Fault::NotGreeted)))];
    check(7, SELECT, &heard, &["0: Select 7", "10: Event(Button { pressed: true })", "20: Restarted"]);
}

#[test]
fn silence_is_told_after_four_times() {
    let told = [
        "0: Status 7",
        "500: Status 8",
        "1000: Status 9",
        "1500: Status 10",
        "2000: expected an answer to Status within 500 ms, found silence",
    ];
    check(7, Request::Status, &[], &told);
}

/// Answers to the pings beside a bleed of 2 s were taken for a slow link: where its own answer was lost, it was
/// waited for as long as the board answered pings.
#[test]
fn pings_go_out_beside_a_long_request_and_do_not_prolong_it() {
    let pong = |at: u64, seq: u16| (at, answer(seq, at * 1000, Answer::Pong));
    let bleed = Request::Bleed { channel: Channel(4), hold_us: 2_000_000 };
    let heard = [
        pong(501, 8),
        pong(1001, 9),
        pong(1501, 10),
        pong(2001, 11),
        (3000, answer(12, 3_000_000, Answer::Bled)),
    ];
    let told = [
        "0: Bleed 7",
        "500: Ping 8",
        "1000: Ping 9",
        "1500: Ping 10",
        "2000: Ping 11",
        "2500: Bleed 12",
        "501: late 8",
        "1001: late 9",
        "1501: late 10",
        "2001: late 11",
        "3000: Bled",
    ];
    check(7, bleed, &heard, &told);
}

#[test]
fn a_board_that_waits_for_a_request_is_pinged() {
    let mut client = Client::new(7);
    let frame = client.send(Request::OpenAll, ms(0));
    client.receive(&answer(frame.seq, 10, Answer::Opened), ms(1));
    assert_eq!(client.wake(ms(1)), ms(500));
    assert_eq!(client.due(ms(499)), Due::Nothing);
    assert_eq!(client.due(ms(500)), Due::Ping(RequestFrame { seq: 8, request: Request::Ping }));
    assert_eq!(client.due(ms(1000)), Due::Again(Request::Ping), "a ping that is not answered tells");
}

#[test]
fn a_cut_link_forgets_all_but_the_number() {
    let mut client = Client::new(7);
    client.send(Request::OpenAll, ms(0));
    client.forget();
    assert!(!client.is_waiting());
    assert_eq!(client.send(Request::OpenAll, ms(9)).seq, 8);
}

#[test]
fn a_long_settle_time_is_waited_for() {
    let mut client = Client::new(0);
    client.send(Request::Select { channel: Channel(1), settle_us: 1_500_000 }, ms(0));
    assert_eq!(client.wake(ms(0)), ms(2000));
    // A step has that of the start, and a request has none.
    client.send(Request::Start { steps: 2, settle_us: 600_000, pace: Pace::Advance }, ms(0));
    client.send(Request::Advance { step: 1 }, ms(0));
    assert_eq!(client.wake(ms(0)), ms(1100));
    client.send(Request::Ping, ms(0));
    assert_eq!(client.wake(ms(0)), ms(500));
}

/// PROTOCOL.md, `Settled`: its time is when the settle time was over, and a step that is asked for again is answered
/// with the time of the first answer.
#[test]
fn a_settle_time_that_was_over_before_is_no_restart() {
    let settled = || Answer::Settled { step: Some(1), channel: Channel(4) };
    let mut client = Client::new(0);
    // Board time 0 is host time 1000 ms; the answer to the step is lost, the ping's is not.
    let ping = client.send(Request::Ping, ms(1100));
    client.receive(&answer(ping.seq, 100_500, Answer::Pong), ms(1101));
    let again = client.send(Request::Advance { step: 1 }, ms(1200));
    let heard = client.receive(&answer(again.seq, 90_000, settled()), ms(1201));
    assert_eq!(heard, Heard::Answer { request: Request::Advance { step: 1 }, answer: settled() });
    // What is known of the clock stays known, at both ends.
    let (early, late) = (client.clock().earliest(100_500).unwrap(), client.clock().latest(100_500).unwrap());
    assert!(ms(1099) <= early && late <= ms(1102), "{early} {late}");
    // And a later message is held against the latest time.
    let ping = client.send(Request::Ping, ms(1300));
    assert_eq!(client.receive(&answer(ping.seq, 95_000, Answer::Pong), ms(1301)), Heard::Restarted);
}
