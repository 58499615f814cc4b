//! From a request to its channel being settled, less the waits that were configured: what firmware and bus add.
//!
//! In emulated time, so that the machine of the test does not matter. The Pico's emulator takes one clock for
//! most instructions and two for loads, stores and jumps, as the processor does; it does not charge for reading
//! flash. QEMU is told to take 64 ns an instruction, about one clock of the micro:bit's 16 MHz: the
//! processor itself takes up to twice as long.

use protocol::*;
use tests::emulated::{Microbit, Pico, PicoBoard};

use crate::microbit;
use crate::pico::{Bench, select};

/// Ten bits of 115200 baud, in ns.
const BYTE_NS: u64 = 10_000_000_000 / 115_200;

/// The worst of many channels, in µs, from the end of the last byte of a request, less break and make.
struct Latency {
    /// To the time that is stamped on the answer.
    settled_us: u64,
    /// To the first byte of the answer.
    told_us: u64,
}

fn of_the_pico(board: PicoBoard) -> Option<Latency> {
    let mut bench = Bench::greeted(board)?;
    bench.ask(select(1, 0));
    let mut latency = Latency { settled_us: 0, told_us: 0 };
    for channel in (2..64).step_by(3) {
        // At another place in the firmware's own rhythm each time.
        bench.run(3_000 + 137 * u64::from(channel));
        let frame = encode(&RequestFrame { seq: 900 + u16::from(channel), request: select(channel, 0) });
        // The first byte is taken at once, each later one when its bits are through.
        let received_ns = bench.now_ns + (frame.len() as u64 - 1) * BYTE_NS;
        let due_us = received_ns / 1_000 + board.break_us + board.make_us;
        bench.send_bytes(&frame);
        let answers = loop {
            // The emulator hands out the bytes of an answer as soon as they are written.
            let seen = bench.run(5);
            if !seen.answers.is_empty() {
                break seen.answers;
            }
            assert!(bench.now_ns / 1_000 < due_us + 50_000, "no answer");
        };
        let [(_, at_us, answer)] = &answers[..] else { panic!("{answers:?}") };
        assert_eq!(answer, &Answer::Settled { step: None, channel: Channel(channel) });
        latency.settled_us = latency.settled_us.max(at_us.saturating_sub(due_us));
        latency.told_us = latency.told_us.max((bench.now_ns / 1_000).saturating_sub(due_us));
    }
    Some(latency)
}

#[test]
fn the_pico_adds_less_than_a_millisecond() {
    const MOST_US: u64 = 1_000;
    for board in [Pico::MULTIPLEXERS, Pico::RELAYS, Pico::EXPANDERS] {
        let Some(Latency { settled_us, told_us }) = of_the_pico(board) else { return };
        eprintln!(
            "{:?}: settled {settled_us} µs, answered {told_us} µs after the last byte of the request and the waits",
            board.lines
        );
        assert!(settled_us <= MOST_US && told_us <= MOST_US, "{board:?}: {settled_us} µs, {told_us} µs");
    }
}

/// A ping and a request in one go: both answers carry times. With a channel that does not exist the second time is
/// that of the last byte of the request, with one that does that of being settled.
///
/// QEMU hands bytes over when it likes, and the firmware sends the first answer meanwhile: either makes the time
/// longer and never shorter. The shortest of many tries is nearest to what the firmware adds, and above it.
#[test]
fn the_microbit_adds_less_than_a_fifth_of_a_millisecond() {
    const MOST_US: u64 = 200;
    let Some(board) = Microbit::start_counted() else { return };
    let mut bench = microbit::Bench::new(board);
    let mut once_us = |channel| {
        let (ping, choice) = bench.send_two(Request::Ping, select(channel, 0));
        let begun_us = bench.answered_at_us(ping);
        bench.answered_at_us(choice) - begun_us
    };
    let received_us = (0..32).map(|_| once_us(99)).min().unwrap();
    let mut added_us = u64::MAX;
    let mut tries = 0_u32;
    while added_us > MOST_US && tries < 2_000 {
        added_us = added_us.min(once_us((tries % 32) as u8).saturating_sub(received_us + BREAK_AND_MAKE_US));
        tries += 1;
    }
    eprintln!(
        "micro:bit: settled {added_us} µs after the last byte of the request and the waits, at one clock an \
         instruction (the shortest of {tries} tries)"
    );
    assert!(added_us <= MOST_US, "{added_us} µs");
}

/// Break and make of the image (`firmware/src/bin/microbit.rs`).
const BREAK_AND_MAKE_US: u64 = 100;
