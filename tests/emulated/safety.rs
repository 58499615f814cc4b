//! Whatever goes wrong opens everything: each cause on each board, and the time from the cause to the last edge
//! that opens, measured at the pins or at the outputs of the parts that hang on them.

use protocol::*;
use tests::emulated::{Pico, PicoBoard};

use crate::pico::{Bench, GREET, select};

const BOARDS: [(&str, PicoBoard); 3] =
    [("multiplexers", Pico::MULTIPLEXERS), ("shift registers", Pico::RELAYS), ("expanders", Pico::EXPANDERS)];

/// Something that goes wrong while a channel is closed.
struct Cause {
    name: &'static str,
    /// Longest time to the edge that opens, in µs.
    most_us: u64,
    /// Makes it go wrong.
    happen: fn(&mut Bench),
    /// Whether the board starts anew, and what it says of it then.
    reset: Option<ResetCause>,
}

/// One frame is through the serial line within 6 ms; noise that does not end one takes no part in it.
const CAUSES: &[Cause] = &[
    Cause {
        name: "lid opened",
        most_us: 10_000,
        happen: |bench| bench.pico.input(Pico::LID, true),
        reset: None,
    },
    Cause { name: "host silent", most_us: 2_100_000, happen: |_| (), reset: None },
    Cause {
        name: "frame damaged",
        most_us: 6_000,
        happen: |bench| {
            let mut frame = encode(&RequestFrame { seq: 9, request: Request::Ping }).to_vec();
            frame[2] ^= 0x10;
            bench.send_bytes(&frame);
        },
        reset: None,
    },
    Cause {
        name: "frame too long",
        most_us: 10_000,
        happen: |bench| bench.send_bytes(&[[0x55; 80].as_slice(), &[0]].concat()),
        reset: None,
    },
    Cause {
        name: "host on the other link",
        most_us: 6_000,
        happen: |bench| {
            let frame = encode(&RequestFrame { seq: 9, request: GREET });
            bench.pico.send_usb(&frame);
        },
        reset: None,
    },
    Cause {
        name: "program gives up (panic, hard fault)",
        most_us: 10,
        happen: |bench| bench.pico.call("give_up"),
        reset: Some(ResetCause::Panic),
    },
    Cause {
        name: "program hangs (watchdog)",
        most_us: 510_000,
        happen: |bench| bench.pico.hang(),
        reset: Some(ResetCause::Watchdog),
    },
];

#[test]
fn every_cause_opens_everything_in_time() {
    let mut rows = String::new();
    for cause in CAUSES {
        rows += &format!("| {} |", cause.name);
        for (name, board) in BOARDS {
            let Some(mut bench) = Bench::greeted(board) else { return };
            // What follows begins with the last request.
            let asked_ns = bench.now_ns;
            assert_eq!(bench.ask(select(41, 0)), Answer::Settled { step: None, channel: Channel(41) });
            bench.run(1_234);
            let since_ns = if cause.most_us > 2_000_000 { asked_ns } else { bench.now_ns };
            (cause.happen)(&mut bench);
            bench.run(cause.most_us + 50_000);
            let open = bench.wiretap.closed().is_none() && bench.pico.closed().is_empty();
            assert!(open, "{name}: {} does not open", cause.name);
            let after_us = (bench.wiretap.opened_ns.unwrap() - since_ns) / 1_000;
            assert!(after_us <= cause.most_us, "{name}: {} opens after {after_us} µs", cause.name);
            rows += &format!(" {after_us} |");
            // And it stays so, until someone asks for a channel again.
            bench.wiretap.closings.clear();
            bench.run(300_000);
            assert_eq!(bench.wiretap.closings, [], "{name}: {} lets a channel close", cause.name);
            if let Some(reset) = cause.reset {
                let Answer::Greeting(greeting) = bench.ask(GREET) else { panic!("no greeting") };
                assert_eq!(greeting.reset, reset);
            }
        }
        rows += &format!(" {} |\n", cause.most_us);
    }
    eprintln!("| cause | multiplexers, µs | shift registers, µs | expanders, µs | at most |");
    eprintln!("| --- | --- | --- | --- | --- |\n{rows}");
}

/// The registers of a chain hold anything after power-up, and the pins of the chip are inputs.
#[test]
fn nothing_is_closed_from_power_up_to_the_first_request() {
    for (name, board) in BOARDS {
        let Some(mut bench) = Bench::start(board) else { return };
        bench.run(3_000_000);
        assert_eq!(bench.wiretap.closings, [], "{name}");
        assert!(bench.pico.closed().is_empty(), "{name}");
    }
}
