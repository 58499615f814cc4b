//! Relays behind a bus, in emulated time: the real image drives the SPI or the I²C of the emulated chip, and
//! simulated shift registers or expanders hang on it. What is looked at are their outputs.

use protocol::*;
use tests::emulated::{Bus, Pico, PicoBoard};

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
        bench.pico.bus(Bus::Silent);
        assert_eq!(bench.ask(select(10, 0)), Answer::Refused(Fault::SwitchFault), "{kind:?}");
        assert!(bench.pico.closed().is_empty(), "{kind:?}");
        assert_eq!(bench.ask(select(10, 0)), Answer::Refused(Fault::SwitchFault), "{kind:?}");
        bench.pico.bus(Bus::Good);
        assert_eq!(bench.ask(select(10, 0)), settled(10), "{kind:?}");
    }
}

/// The driver of the chip waits for the bus without end: the watchdog ends it, again and again, with the expanders
/// held in reset.
#[test]
fn a_bus_that_is_held_for_ever_keeps_everything_open() {
    let Some(mut bench) = Bench::greeted(Pico::EXPANDERS) else { return };
    assert_eq!(bench.ask(select(9, 0)), settled(9));
    bench.pico.bus(Bus::Stuck);
    let seq = bench.send(select(10, 0));
    bench.wiretap.closings.clear();
    let seen = bench.run(2_000_000);
    assert!(seen.answers.iter().all(|(number, ..)| *number != seq), "{seen:?}");
    assert_eq!(bench.wiretap.closings, []);
    assert!(bench.pico.closed().is_empty());
    bench.pico.bus(Bus::Good);
    bench.run(700_000);
    let Answer::Greeting(after) = bench.ask(GREET) else { panic!("no greeting") };
    assert_eq!(after.reset, ResetCause::Watchdog);
    assert_eq!(bench.ask(select(10, 0)), settled(10));
}
