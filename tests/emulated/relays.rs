//! Relays behind a bus, in emulated time: the real image drives the SPI or the I²C of the emulated chip, and
//! simulated shift registers or expanders hang on it. What is looked at are their outputs.

use protocol::*;
use tests::emulated::{Pico, PicoBoard};

use crate::pico::{Bench, GREET, select};

const BOTH: [(PicoBoard, BoardKind); 2] =
    [(Pico::RELAYS, BoardKind::ShiftRegister), (Pico::EXPANDERS, BoardKind::Expander)];

fn settled(channel: u8) -> Answer {
    Answer::Settled { step: None, channel: Channel(channel) }
}

#[test]
fn every_channel_is_the_one_asked_for() {
    for (board, kind) in BOTH {
        let Some(mut bench) = Bench::start(board) else { return };
        let Answer::Greeting(greeting) = bench.ask(GREET) else { panic!("no greeting: {board:?}") };
        assert_eq!((greeting.kind, greeting.channels, greeting.reset), (kind, 64, ResetCause::Power));
        assert_eq!((greeting.timing.break_us, greeting.timing.make_us), (2_000, 3_000));
        for channel in 0..64 {
            assert_eq!(bench.ask(select(channel, 100)), settled(channel));
            assert_eq!(bench.pico.closed(), [channel]);
        }
        let fault = Fault::ChannelOutOfRange { channel: Channel(64), channels: 64 };
        assert_eq!(bench.ask(select(64, 0)), Answer::Refused(fault));
        assert_eq!(bench.pico.closed(), [63]);
        assert_eq!(bench.ask(Request::OpenAll), Answer::Opened);
        assert!(bench.pico.closed().is_empty());
        let closings: Vec<_> = bench.wiretap.closings.iter().map(|(channel, _)| *channel).collect();
        assert_eq!(closings, (0..64).collect::<Vec<_>>());
        let break_ns = bench.wiretap.shortest_break_ns.unwrap();
        eprintln!("{kind:?}: shortest break {break_ns} ns of at least {} ns", board.break_us * 1_000);
    }
}

#[test]
fn parts_that_fall_silent_are_a_fault_and_everything_is_open() {
    for (board, kind) in BOTH {
        let Some(mut bench) = Bench::greeted(board) else { return };
        assert_eq!(bench.ask(select(9, 0)), settled(9));
        bench.pico.break_bus(true);
        assert_eq!(bench.ask(select(10, 0)), Answer::Refused(Fault::SwitchFault), "{kind:?}");
        assert!(bench.pico.closed().is_empty(), "{kind:?}");
        assert_eq!(bench.ask(select(10, 0)), Answer::Refused(Fault::SwitchFault), "{kind:?}");
        bench.pico.break_bus(false);
        assert_eq!(bench.ask(select(10, 0)), settled(10), "{kind:?}");
    }
}

#[test]
fn lid_and_silence_open_within_their_times() {
    for (board, kind) in BOTH {
        let Some(mut bench) = Bench::greeted(board) else { return };
        bench.ask(select(9, 0));
        bench.run(7_777);
        let lifted_ns = bench.now_ns;
        bench.pico.input(Pico::LID, true);
        let seen = bench.run(20_000);
        let opened_us = |seen: &[tests::emulated::Edge], channel: u8| {
            let edge = seen.iter().find(|edge| edge.pin == 32 + channel && !edge.high);
            edge.and_then(|edge| edge.at_ns).map(|at_ns| at_ns / 1_000)
        };
        let after_us = opened_us(&seen.edges, 9).unwrap() - lifted_ns / 1_000;
        assert!(after_us <= 10_000, "{kind:?}: open {after_us} us after the lid");
        bench.pico.input(Pico::LID, false);
        bench.run(300_000);

        let before_ns = bench.now_ns;
        assert_eq!(bench.ask(select(12, 0)), settled(12));
        let seen = bench.run(2_200_000);
        let after_us = opened_us(&seen.edges, 12).unwrap() - before_ns / 1_000;
        assert!((2_000_000..=2_100_000).contains(&after_us), "{kind:?}: open after {after_us} us of silence");
    }
}

#[test]
fn giving_up_and_hanging_open_everything() {
    for (board, kind) in BOTH {
        let Some(mut bench) = Bench::greeted(board) else { return };
        bench.ask(select(20, 0));
        let gave_up_ns = bench.now_ns;
        bench.pico.call("give_up");
        let seen = bench.run(100_000);
        let opened = seen.edges.iter().find(|edge| edge.pin == 32 + 20).unwrap();
        assert!(!opened.high && opened.at_ns.unwrap() - gave_up_ns < 10_000, "{kind:?}: within 10 us");
        let Answer::Greeting(after) = bench.ask(GREET) else { panic!() };
        assert_eq!(after.reset, ResetCause::Panic);

        bench.ask(select(20, 0));
        bench.pico.hang();
        bench.run(700_000);
        assert!(bench.pico.closed().is_empty(), "{kind:?}");
        let Answer::Greeting(after) = bench.ask(GREET) else { panic!() };
        assert_eq!(after.reset, ResetCause::Watchdog);
        assert_eq!(bench.ask(select(21, 0)), settled(21), "and it works again");
    }
}
