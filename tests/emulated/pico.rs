//! The Raspberry Pi Pico, in emulated time: what a test takes does not change what it sees.

use protocol::*;
use tests::emulated::{Edge, Pico, PicoBoard, Step};

use crate::wiretap::Wiretap;

/// Break and make times of the multiplexers.
const BREAK_US: u64 = Pico::MULTIPLEXERS.break_us;
const MAKE_US: u64 = Pico::MULTIPLEXERS.make_us;

/// A Pico whose time stands still between requests, and a watch on its lines.
pub(crate) struct Bench {
    pub(crate) pico: Pico,
    pub(crate) wiretap: Wiretap,
    pub(crate) now_ns: u64,
    pub(crate) link: Link,
    incoming: [Accumulator<BoardMessage>; 2],
    seq: u16,
}

/// A link of the Pico.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Link {
    Uart,
    Usb,
}

/// What a board did and said in some time.
#[derive(Debug, Default)]
pub(crate) struct Seen {
    pub(crate) answers: Vec<(u16, u64, Answer)>,
    pub(crate) events: Vec<(u64, Event)>,
    pub(crate) edges: Vec<Edge>,
}

impl Bench {
    /// Starts and waits until the firmware is up and USB is set up; `None` if there is no emulator.
    pub(crate) fn start(board: PicoBoard) -> Option<Self> {
        let mut pico = Pico::start(board)?;
        pico.stop();
        let mut bench = Self {
            pico,
            wiretap: Wiretap::new(board.lines, board.break_us),
            now_ns: 0,
            link: Link::Uart,
            incoming: [Accumulator::new(), Accumulator::new()],
            seq: 0,
        };
        bench.run(100_000);
        Some(bench)
    }

    /// Starts and greets.
    pub(crate) fn greeted(board: PicoBoard) -> Option<Self> {
        let mut bench = Self::start(board)?;
        assert!(matches!(bench.ask(GREET), Answer::Greeting(_)));
        Some(bench)
    }

    /// Moves time on and watches.
    pub(crate) fn run(&mut self, for_us: u64) -> Seen {
        let Step { at_ns, uart, usb, edges } = self.pico.run(for_us);
        self.now_ns = at_ns;
        self.wiretap.follow(&edges);
        let mut seen = Seen { edges, ..Seen::default() };
        for (incoming, bytes) in self.incoming.iter_mut().zip([uart, usb]) {
            for message in incoming.items(&bytes) {
                match message.unwrap() {
                    BoardMessage::Answer { seq, at_us, answer } => seen.answers.push((seq, at_us, answer)),
                    BoardMessage::Event { at_us, event } => seen.events.push((at_us, event)),
                }
            }
        }
        seen
    }

    /// Hands bytes to the present link.
    pub(crate) fn send_bytes(&mut self, bytes: &[u8]) {
        match self.link {
            Link::Uart => self.pico.send_uart(bytes),
            Link::Usb => self.pico.send_usb(bytes),
        }
    }

    /// Hands a request to the present link and returns its number.
    pub(crate) fn send(&mut self, request: Request) -> u16 {
        self.seq = self.seq.wrapping_add(1);
        self.send_bytes(&encode(&RequestFrame { seq: self.seq, request }));
        self.seq
    }

    /// Lets time pass, then sends a request and waits for its answer; all events on the way are handed over.
    pub(crate) fn ask_and_watch(
        &mut self,
        request: Request,
        mut watch: impl FnMut(&[(u64, Event)]),
        after_us: u64,
    ) -> Answer {
        watch(&self.run(after_us).events);
        let seq = self.send(request);
        for _ in 0..500 {
            let seen = self.run(2_000);
            watch(&seen.events);
            if let Some((_, _, answer)) = seen.answers.into_iter().find(|(number, ..)| *number == seq) {
                return answer;
            }
        }
        panic!("no answer");
    }

    /// Sends a request and waits for its answer, at most a second.
    pub(crate) fn ask(&mut self, request: Request) -> Answer {
        let seq = self.send(request.clone());
        for _ in 0..500 {
            let seen = self.run(2_000);
            if let Some((_, _, answer)) = seen.answers.into_iter().find(|(number, ..)| *number == seq) {
                return answer;
            }
        }
        panic!("no answer to {request:?}");
    }
}

pub(crate) const GREET: Request = Request::Greet { min: 1, max: 1 };

pub(crate) fn select(channel: u8, settle_us: u32) -> Request {
    Request::Select { channel: Channel(channel), settle_us }
}

fn settled(channel: u8) -> Answer {
    Answer::Settled { step: None, channel: Channel(channel) }
}

#[test]
fn every_channel_is_the_one_asked_for_on_both_links() {
    let Some(mut bench) = Bench::start(Pico::MULTIPLEXERS) else { return };
    for link in [Link::Uart, Link::Usb] {
        bench.link = link;
        let Answer::Greeting(greeting) = bench.ask(GREET) else { panic!("no greeting on {link:?}") };
        assert_eq!((greeting.kind, greeting.channels), (BoardKind::Multiplexer, 64));
        assert_eq!(greeting.reset, ResetCause::Power);
        for channel in 0..64 {
            assert_eq!(bench.ask(select(channel, 100)), settled(channel), "{link:?}");
            assert_eq!(bench.pico.closed(), [channel], "{link:?}");
        }
    }
    let closings: Vec<_> = bench.wiretap.closings.iter().map(|(channel, _)| *channel).collect();
    assert_eq!(closings, (0..64).chain(0..64).collect::<Vec<_>>());
    let break_ns = bench.wiretap.shortest_break_ns.unwrap();
    eprintln!("pico: shortest break {break_ns} ns of at least {} ns", BREAK_US * 1_000);
}

#[test]
fn settle_and_break_are_waited_for() {
    let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
    bench.ask(select(1, 0));
    let seq = bench.send(select(40, 5_000));
    let seen = bench.run(20_000);
    let [(number, at_us, answer)] = &seen.answers[..] else { panic!("{seen:?}") };
    assert_eq!((*number, answer), (seq, &settled(40)));
    let rose = |pin| seen.edges.iter().find(|edge| edge.pin == pin && edge.high).and_then(|edge| edge.at_ns);
    // Bank 2 of the fourth group of 16: its enable line. The firmware's clock begins with the chip.
    let closed_us = rose(8).unwrap() / 1_000;
    let settled_us = at_us - closed_us;
    assert!(settled_us >= MAKE_US + 5_000, "settled {settled_us} us after closing");
    // Late by what the loop takes, never by another tick of it.
    assert!(settled_us < MAKE_US + 5_000 + 500, "settled {settled_us} us after closing");
}

#[test]
fn out_of_range_is_refused_and_moves_nothing() {
    let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
    bench.ask(select(3, 0));
    for channel in [64, 65, 127, 255].map(Channel) {
        let seq = bench.send(Request::Select { channel, settle_us: 0 });
        let seen = bench.run(20_000);
        assert_eq!(seen.edges, []);
        let fault = Fault::ChannelOutOfRange { channel, channels: 64 };
        assert!(
            matches!(&seen.answers[..], [(number, _, Answer::Refused(found))] if (*number, *found) == (seq, fault))
        );
    }
    assert_eq!(bench.pico.closed(), [3]);
}

/// From the last byte of the last good frame to the edge that opens.
fn opens_after_us(bench: &mut Bench, from_ns: u64, mut meanwhile: impl FnMut(&mut Bench)) -> u64 {
    for _ in 0..150 {
        meanwhile(bench);
        let seen = bench.run(20_000);
        if bench.wiretap.closed().is_none() {
            return (seen.edges[0].at_ns.unwrap() - from_ns) / 1_000;
        }
    }
    panic!("still closed after 3 s");
}

#[test]
fn silence_opens_everything_within_2_1_s_on_both_links() {
    let Some(mut bench) = Bench::start(Pico::MULTIPLEXERS) else { return };
    for link in [Link::Uart, Link::Usb] {
        bench.link = link;
        bench.ask(GREET);
        let before_ns = bench.now_ns;
        bench.ask(select(9, 0));
        let after_us = opens_after_us(&mut bench, before_ns, |_| ());
        assert!((2_000_000..=2_100_000).contains(&after_us), "{link:?}: open after {after_us} us");
    }
}

#[test]
fn garbage_does_not_feed_the_silence_timer() {
    let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
    let before_ns = bench.now_ns;
    bench.ask(select(9, 0));
    // Bytes without an end on the ruling link, whole frames of noise on the other.
    let after_us = opens_after_us(&mut bench, before_ns, |bench| {
        bench.pico.send_uart(&[0x41]);
        bench.pico.send_usb(&[0x02, 0x55, 0x00, 0x01, 0x00]);
    });
    assert!((2_000_000..=2_100_000).contains(&after_us), "open after {after_us} us");
}

#[test]
fn a_ping_each_second_keeps_the_channel_closed() {
    let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
    bench.ask(select(9, 0));
    for _ in 0..4 {
        bench.run(1_000_000);
        assert_eq!(bench.ask(Request::Ping), Answer::Pong);
    }
    assert_eq!(bench.pico.closed(), [9]);
}

#[test]
fn an_opening_lid_opens_everything_within_10_ms() {
    let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
    bench.ask(select(9, 0));
    bench.run(7_777);
    let opened_ns = bench.now_ns;
    bench.pico.input(Pico::LID, true);
    let seen = bench.run(20_000);
    assert_eq!(bench.wiretap.closed(), None);
    let after_us = (seen.edges[0].at_ns.unwrap() - opened_ns) / 1_000;
    assert!(after_us <= 10_000, "open after {after_us} us");
    assert_eq!(bench.ask(select(9, 0)), Answer::Refused(Fault::LidOpen));
    bench.pico.input(Pico::LID, false);
    bench.run(300_000);
    assert_eq!(bench.ask(select(9, 0)), settled(9));
}

#[test]
fn button_sense_and_bleed_work() {
    let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
    bench.pico.input(Pico::BUTTON, false);
    let seen = bench.run(100_000);
    assert!(matches!(seen.events[..], [(_, Event::Button { pressed: true })]), "{seen:?}");

    let seq = bench.send(Request::Bleed { channel: Channel(5), hold_us: 30_000 });
    let seen = bench.run(60_000);
    assert!(matches!(seen.answers[..], [(number, _, Answer::Bled)] if number == seq), "{seen:?}");
    let bleed: Vec<_> = seen.edges.iter().filter(|edge| edge.pin == Pico::BLEED).collect();
    let [on, off] = bleed[..] else { panic!("{bleed:?}") };
    assert!(on.high && !off.high);
    let held_us = (off.at_ns.unwrap() - on.at_ns.unwrap()) / 1_000;
    assert!((30_000..31_000).contains(&held_us), "held {held_us} us");
}

/// Both signs, and an open line: with red on ground a meter that was left plugged in drives the line negative.
#[test]
fn the_common_line_is_sensed_with_its_sign() {
    for board in [Pico::MULTIPLEXERS, Pico::RELAYS, Pico::EXPANDERS] {
        let Some(mut bench) = Bench::greeted(board) else { return };
        // What is seen may be off by two counts of 2.6 mV.
        for (volts, expected) in [
            (None, 0),
            (Some(0.0), 0),
            (Some(0.258), 258),
            (Some(5.0), 5_000),
            (Some(10.0), 10_000),
            (Some(-0.06), -60),
            (Some(-2.8), -2_800),
            (Some(-5.0), -5_000),
            // Beyond what the input reaches: refused, whatever it is.
            (Some(-9.0), -7_260),
            (Some(20.0), 10_560),
        ] {
            bench.pico.common_line(volts);
            let Answer::SenseVoltage { millivolts } = bench.ask(Request::Sense) else { panic!("{volts:?}") };
            assert!((millivolts - expected).abs() <= 6, "{volts:?}: {millivolts} mV");
            assert_eq!(bench.pico.pins() >> Pico::SENSE_LEG & 1, 0, "the leg is low again");
        }
    }
}

/// The end of every path that should not be: everything open at once, then a new start that says so.
#[test]
fn a_program_that_gives_up_opens_everything_and_starts_anew() {
    let Some(mut bench) = Bench::start(Pico::MULTIPLEXERS) else { return };
    let Answer::Greeting(before) = bench.ask(GREET) else { panic!() };
    bench.ask(select(20, 0));
    let gave_up_ns = bench.now_ns;
    bench.pico.call("give_up");
    let seen = bench.run(100_000);
    let first = &seen.edges[0];
    assert_eq!((first.pin, first.high), (7, false), "bank 1 is disabled first");
    assert!(first.at_ns.unwrap() - gave_up_ns < 10_000, "within 10 us");
    assert_eq!(bench.ask(Request::Ping), Answer::Refused(Fault::NotGreeted));
    let Answer::Greeting(after) = bench.ask(GREET) else { panic!() };
    assert_eq!(after.reset, ResetCause::Panic);
    assert_ne!(after.boot_id, before.boot_id);
}

#[test]
fn a_program_that_hangs_is_started_anew_by_the_watchdog() {
    let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
    bench.ask(select(20, 0));
    let hung_ns = bench.now_ns;
    bench.pico.hang();
    let seen = bench.run(700_000);
    let after_us = (seen.edges[0].at_ns.unwrap() - hung_ns) / 1_000;
    assert!(after_us <= 510_000, "open after {after_us} us");
    assert!(bench.pico.closed().is_empty());
    let Answer::Greeting(after) = bench.ask(GREET) else { panic!() };
    assert_eq!(after.reset, ResetCause::Watchdog);
}

#[test]
fn the_log_can_be_read() {
    let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
    bench.run(1_000);
    let log = bench.pico.log();
    let up = "info pintally switching board (pico) is up, boot ";
    assert!(log[0].starts_with(up), "{log:?}");
    assert_eq!(log[1..], ["info link 0 rules, protocol 1"]);
}
