//! The BBC micro:bit, in real time: QEMU tells the order of edges, not their times.

use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use protocol::*;
use tests::emulated::Microbit;

use crate::pico::{GREET, select};
use crate::wiretap::Wiretap;

/// How long an answer is waited for: far longer than any takes on a machine that is busy, but not for ever.
pub(crate) const LIMIT: Duration = Duration::from_secs(60);

/// Less than what the board takes for silence, 2 s (`PROTOCOL.md`).
const SILENCE: Duration = Duration::from_millis(1_500);

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
        let mut wait = Duration::from_millis(200);
        while wait < LIMIT {
            let seq = self.send(GREET);
            if let Some(Answer::Greeting(greeting)) = self.answer(seq, wait) {
                return greeting;
            }
            wait *= 2;
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

    /// Sends a request but for the 0x00 at its end, and returns its number.
    pub(crate) fn send_but_last_byte(&mut self, request: Request) -> u16 {
        self.seq = self.seq.wrapping_add(1);
        let frame = encode(&RequestFrame { seq: self.seq, request });
        self.send_bytes(&frame[..frame.len() - 1]);
        self.seq
    }

    /// Waits for an answer and tells the time that is stamped on it; other messages are dropped.
    pub(crate) fn answered_at_us(&mut self, seq: u16) -> u64 {
        let start = Instant::now();
        while start.elapsed() < LIMIT {
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
        let answer = self.answer(seq, LIMIT);
        self.follow();
        answer.unwrap_or_else(|| panic!("no answer to {request:?}"))
    }

    /// Brings the watch on the lines up to now, and gives the channels that are closed at the pins just then.
    pub(crate) fn follow(&mut self) -> Vec<u8> {
        let (edges, closed) = self.board.edges_and_closed();
        self.wiretap.follow(&edges);
        closed
    }

    /// Asks for a channel, and gives those that are closed then. Asks again where the machine stood still for so long
    /// that the board may have taken it for silence.
    fn closed_by(&mut self, request: Request) -> Vec<u8> {
        let Request::Select { channel, .. } = request else { panic!("{request:?} asks for no channel") };
        for _ in 0..20 {
            let start = Instant::now();
            assert_eq!(self.ask(request.clone()), Answer::Settled { step: None, channel });
            let closed = self.board.closed();
            if start.elapsed() < SILENCE {
                return closed;
            }
        }
        panic!("the machine stands still again and again");
    }
}

#[test]
fn every_channel_is_the_one_asked_for() {
    let Some(mut bench) = Bench::greeted() else { return };
    let Answer::Greeting(greeting) = bench.ask(GREET) else { panic!() };
    assert_eq!((greeting.channels, greeting.kind), (32, BoardKind::Multiplexer));
    for channel in 0..32 {
        assert_eq!(bench.closed_by(select(channel, 100)), [channel]);
    }
    bench.wiretap.closings.dedup();
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

/// How long after a request a channel was opened by silence, by the firmware's own clock.
struct Opened {
    /// From the answer to a ping, which came before the request.
    since_ping_us: u64,
    /// From the channel being settled, 0.1 ms after the request.
    since_settled_us: u64,
}

/// Leaves a board alone with a closed channel, but for bytes that never end a frame.
fn opens_by_silence(bench: &mut Bench) -> Opened {
    /// Less than the longest frame in all.
    const MOST_BYTES: u32 = 20;
    let ping = bench.send(Request::Ping);
    let pinged_us = bench.answered_at_us(ping);
    let seq = bench.send(select(7, 0));
    let mut settled_us = None;
    let mut opened_us = None;
    let start = Instant::now();
    let mut bytes = 0;
    while opened_us.is_none() {
        assert!(start.elapsed() < LIMIT, "still closed");
        for message in bench.listen() {
            match message {
                BoardMessage::Answer { seq: echoed, at_us, .. } if echoed == seq => settled_us = Some(at_us),
                BoardMessage::Event { at_us, event: Event::Opened { reason: OpenReason::HostSilent } } => {
                    opened_us = Some(at_us);
                }
                other => panic!("{other:?}"),
            }
        }
        if bytes < MOST_BYTES && start.elapsed() > Duration::from_millis(150) * (bytes + 1) {
            bench.send_bytes(&[0x41]);
            bytes += 1;
        }
    }
    assert!(bytes > 0, "no garbage was sent");
    assert!(bench.follow().is_empty());
    let (settled_us, opened_us) = (settled_us.unwrap(), opened_us.unwrap());
    Opened { since_ping_us: opened_us - pinged_us, since_settled_us: opened_us - settled_us }
}

/// On the wall clock of a machine that may be busy: the firmware's own clock tells how long it took. That clock goes on
/// while the machine does something else, before the channel is settled or before it is opened: then the time is too
/// short or too long, and a board that had the machine to itself tells.
#[test]
fn silence_opens_everything_and_garbage_does_not_feed_it() {
    const TRIES: usize = 15;
    let mut found = Vec::new();
    while found.len() < TRIES {
        let Some(mut bench) = Bench::greeted() else { return };
        let Opened { since_ping_us, since_settled_us } = opens_by_silence(&mut bench);
        assert!(since_ping_us >= 2_000_000, "open {since_ping_us} µs after what came before the request");
        if (1_990_000..2_100_000).contains(&since_settled_us) {
            return;
        }
        found.push(since_settled_us);
    }
    panic!("open after {found:?} µs");
}

#[test]
fn a_fault_opens_everything_and_starts_anew() {
    let Some(mut bench) = Bench::greeted() else { return };
    let Answer::Greeting(before) = bench.ask(GREET) else { panic!() };
    assert_eq!(bench.closed_by(select(20, 0)), [20]);
    bench.board.fault();
    let start = Instant::now();
    while !bench.board.closed().is_empty() {
        assert!(start.elapsed() < LIMIT, "still closed");
    }
    // What came while it was starting is lost.
    let after = bench.greet();
    assert_eq!(after.reset, ResetCause::Panic);
    assert_ne!(after.boot_id, before.boot_id);
}
