//! The BBC micro:bit, in real time: QEMU tells the order of edges, not their times.

use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use protocol::*;
use tests::emulated::Microbit;

use crate::pico::{GREET, select};
use crate::wiretap::Wiretap;

/// A micro:bit, its serial line, and a watch on its lines.
pub(crate) struct Bench {
    pub(crate) board: Microbit,
    pub(crate) wiretap: Wiretap,
    line: TcpStream,
    incoming: Accumulator<BoardMessage>,
    seq: u16,
    /// Answers that nobody has waited for yet: number and time.
    heard: Vec<(u16, u64)>,
}

impl Bench {
    pub(crate) fn greeted() -> Option<Self> {
        Microbit::start().map(Self::new)
    }

    /// Greets a board that runs.
    pub(crate) fn new(board: Microbit) -> Self {
        let line = TcpStream::connect(board.uart()).unwrap();
        line.set_nodelay(true).unwrap();
        line.set_read_timeout(Some(Duration::from_millis(20))).unwrap();
        let wiretap = Wiretap::new(Microbit::LINES, 0);
        let mut bench =
            Self { board, wiretap, line, incoming: Accumulator::new(), seq: 0, heard: Vec::new() };
        bench.greet();
        bench
    }

    /// Greets until it is answered: the chip may still be starting, and what came before it listens is lost.
    pub(crate) fn greet(&mut self) -> Greeting {
        for _ in 0..50 {
            let seq = self.send(GREET);
            if let Some(Answer::Greeting(greeting)) = self.answer(seq, Duration::from_millis(200)) {
                return greeting;
            }
        }
        panic!("the micro:bit does not greet");
    }

    pub(crate) fn send_bytes(&mut self, bytes: &[u8]) {
        self.line.write_all(bytes).unwrap();
    }

    pub(crate) fn send(&mut self, request: Request) -> u16 {
        self.seq = self.seq.wrapping_add(1);
        let frame = encode(&RequestFrame { seq: self.seq, request });
        self.send_bytes(&frame);
        self.seq
    }

    /// Sends two requests in one go and returns their numbers.
    pub(crate) fn send_two(&mut self, first: Request, second: Request) -> (u16, u16) {
        let numbers = (self.seq.wrapping_add(1), self.seq.wrapping_add(2));
        self.seq = numbers.1;
        let frames = [(numbers.0, first), (numbers.1, second)]
            .map(|(seq, request)| encode(&RequestFrame { seq, request }).to_vec());
        self.send_bytes(&frames.concat());
        numbers
    }

    /// Waits for an answer and tells the time that is stamped on it; other messages are dropped.
    pub(crate) fn answered_at_us(&mut self, seq: u16) -> u64 {
        let start = Instant::now();
        while start.elapsed() < Duration::from_secs(10) {
            if let Some(place) = self.heard.iter().position(|(number, _)| *number == seq) {
                return self.heard.remove(place).1;
            }
            for message in self.listen() {
                if let BoardMessage::Answer { seq, at_us, .. } = message {
                    self.heard.push((seq, at_us));
                }
            }
        }
        panic!("no answer to request {seq}");
    }

    /// Messages that come until none does for 20 ms.
    pub(crate) fn listen(&mut self) -> Vec<BoardMessage> {
        let mut bytes = [0; 256];
        match self.line.read(&mut bytes) {
            Ok(length) => self.incoming.items(&bytes[..length]).map(Result::unwrap).collect(),
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => Vec::new(),
            Err(error) => panic!("{error}"),
        }
    }

    fn answer(&mut self, seq: u16, within: Duration) -> Option<Answer> {
        let start = Instant::now();
        while start.elapsed() < within {
            for message in self.listen() {
                match message {
                    BoardMessage::Answer { seq: echoed, answer, .. } if echoed == seq => return Some(answer),
                    _ => {}
                }
            }
        }
        None
    }

    pub(crate) fn ask(&mut self, request: Request) -> Answer {
        let seq = self.send(request.clone());
        let answer = self.answer(seq, Duration::from_secs(10));
        self.follow();
        answer.unwrap_or_else(|| panic!("no answer to {request:?}"))
    }

    /// Brings the watch on the lines up to now.
    pub(crate) fn follow(&mut self) {
        let edges = self.board.edges();
        self.wiretap.follow(&edges);
    }
}

#[test]
fn every_channel_is_the_one_asked_for() {
    let Some(mut bench) = Bench::greeted() else { return };
    let Answer::Greeting(greeting) = bench.ask(GREET) else { panic!() };
    assert_eq!((greeting.channels, greeting.kind), (32, BoardKind::Multiplexer));
    for channel in 0..32 {
        let settled = Answer::Settled { step: None, channel: Channel(channel) };
        assert_eq!(bench.ask(select(channel, 100)), settled);
        assert_eq!(bench.board.closed(), [channel]);
    }
    let closings: Vec<_> = bench.wiretap.closings.iter().map(|(channel, _)| *channel).collect();
    assert_eq!(closings, (0..32).collect::<Vec<_>>());
    assert_eq!(
        bench.ask(select(32, 0)),
        Answer::Refused(Fault::ChannelOutOfRange { channel: Channel(32), channels: 32 })
    );
    assert_eq!(bench.board.closed(), [31]);
    let log = bench.board.log();
    assert!(log[0].starts_with("info pintally switching board (micro:bit) is up"), "{log:?}");
}

/// QEMU stands still while the edges that it tells are not taken from it; some 280 fill its socket.
#[test]
fn edges_that_nobody_asks_for_stop_nothing_and_are_kept() {
    const ROUNDS: u8 = 200;
    let Some(mut bench) = Bench::greeted() else { return };
    for round in 0..ROUNDS {
        let seq = bench.send(select(round % 32, 0));
        bench.answered_at_us(seq);
    }
    bench.follow();
    assert_eq!(bench.wiretap.closings.len(), usize::from(ROUNDS));
}

/// On the wall clock of a machine that may be busy: the firmware's own clock tells how long it took.
#[test]
fn silence_opens_everything_and_garbage_does_not_feed_it() {
    let Some(mut bench) = Bench::greeted() else { return };
    let seq = bench.send(select(7, 0));
    let mut settled_us = None;
    let mut opened_us = None;
    let start = Instant::now();
    while opened_us.is_none() {
        assert!(start.elapsed() < Duration::from_secs(30), "still closed");
        for message in bench.listen() {
            match message {
                BoardMessage::Answer { seq: echoed, at_us, .. } if echoed == seq => settled_us = Some(at_us),
                BoardMessage::Event { at_us, event: Event::Opened { reason: OpenReason::HostSilent } } => {
                    opened_us = Some(at_us);
                }
                other => panic!("{other:?}"),
            }
        }
        // Bytes that never end a frame; less than the longest frame in all.
        if start.elapsed().as_millis() % 400 < 25 {
            bench.send_bytes(&[0x41]);
        }
    }
    let after_us = opened_us.unwrap() - settled_us.unwrap();
    assert!((1_990_000..2_100_000).contains(&after_us), "open after {after_us} us");
    bench.follow();
    assert!(bench.board.closed().is_empty());
}

#[test]
fn a_fault_opens_everything_and_starts_anew() {
    let Some(mut bench) = Bench::greeted() else { return };
    let Answer::Greeting(before) = bench.ask(GREET) else { panic!() };
    bench.ask(select(20, 0));
    assert_eq!(bench.board.closed(), [20]);
    bench.board.fault();
    let start = Instant::now();
    while !bench.board.closed().is_empty() {
        assert!(start.elapsed() < Duration::from_secs(10), "still closed");
    }
    // What came while it was starting is lost.
    let after = bench.greet();
    assert_eq!(after.reset, ResetCause::Panic);
    assert_ne!(after.boot_id, before.boot_id);
}
