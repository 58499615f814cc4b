//! From a request to its channel being settled, less the waits that were configured: what firmware and bus add.
//!
//! In emulated time, so that the machine of the test does not matter. The Pico's emulator takes one clock for
//! most instructions and two for loads, stores and jumps, as the processor does; it does not charge for reading
//! flash. QEMU is told to take 64 ns an instruction, about one clock of the micro:bit's 16 MHz: the
//! processor itself takes up to twice as long.

use std::thread;
use std::time::{Duration, Instant};

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

/// The machine is halted, with its time, when all of a request but its last byte has come, and goes on when that has come
/// too: so the time of the last byte is known, and QEMU may hand it over when it likes.
///
/// It may be halted while it still looks at the bytes before: then the time is longer, and never shorter. The shortest of
/// some tries is what the firmware adds.
#[test]
fn the_microbit_adds_less_than_a_fifth_of_a_millisecond() {
    const MOST_US: u32 = 200;
    let Some(board) = Microbit::start_counted() else { return };
    let mut bench = microbit::Bench::new(board);
    let mut once_us = |channel| {
        let seq = bench.send_but_last_byte(select(channel, 0));
        thread::sleep(Duration::from_millis(5));
        let halted = bench.board.halt();
        bench.send_bytes(&[0]);
        let start = Instant::now();
        while !bench.board.has_byte() {
            assert!(start.elapsed() < microbit::LIMIT, "the last byte does not come");
        }
        let received_us = bench.board.time_us();
        halted.go_on();
        (bench.answered_at_us(seq) as u32).wrapping_sub(received_us)
    };
    let added_us = (0..32).map(&mut once_us).min().unwrap() - BREAK_AND_MAKE_US;
    eprintln!(
        "micro:bit: settled {added_us} µs after the last byte of the request and the waits, at one clock an \
         instruction"
    );
    assert!(added_us <= MOST_US, "{added_us} µs");
}

/// Break and make of the image (`firmware/src/bin/microbit.rs`).
const BREAK_AND_MAKE_US: u32 = 100;
