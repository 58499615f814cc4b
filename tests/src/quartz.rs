//! A switching board whose clock runs fast, and how far the host's idea of its time is from the truth.

use std::{collections::BTreeSet, io, time::Duration};

use pintally::{
    jig::Clock,
    moment::Moment,
    practice::{BenchDevices, CLOCK_AHEAD_US},
    sweep::{Devices, Heard},
};
use protocol::{Accumulator, Answer, BoardMessage, Event, RequestFrame, frame};

/// By so many parts in a million the switching board's clock runs fast: near the 100 that an uncompensated crystal may be
/// off (common practice).
const FAST_PPM: u64 = 80;

/// The devices of a practice bench, the switching board with a clock that runs fast.
#[derive(Debug)]
pub struct Quartz {
    /// The bench, its clocks exact.
    pub devices: BenchDevices,
    incoming: Accumulator<BoardMessage>,
    outgoing: Accumulator<RequestFrame>,
    /// The host's idea of the clock, learned over all sweeps of the bench.
    clock: Clock,
    sent: Option<(u16, Moment)>,
    /// When channels had settled, in truth.
    settled: BTreeSet<Moment>,
    worst: Duration,
}

impl Quartz {
    /// Puts such a clock on the switching board.
    #[must_use]
    pub fn new(devices: BenchDevices) -> Self {
        Self {
            devices,
            incoming: Accumulator::new(),
            outgoing: Accumulator::new(),
            clock: Clock::default(),
            sent: None,
            settled: BTreeSet::new(),
            worst: Duration::ZERO,
        }
    }

    /// The widest that the interval was in which a message's time must lie, since this was last asked.
    pub fn take_widest(&mut self) -> Duration {
        std::mem::take(&mut self.worst)
    }

    /// How much later than in truth a channel is said to have settled; `None` if none had by then.
    #[must_use]
    pub fn late(&self, said: Moment) -> Option<Duration> {
        self.settled.range(..=said).next_back().map(|truth| said.since(*truth))
    }

    /// Forgets the channels of earlier sweeps.
    pub fn forget(&mut self) {
        self.settled.clear();
    }

    /// Takes a message with the true time at which it was written, and gives it the time of the fast clock.
    fn mistime(&mut self, mut message: BoardMessage, arrival: Moment) -> Vec<u8> {
        let (BoardMessage::Answer { at_us, .. } | BoardMessage::Event { at_us, .. }) = &mut message;
        let truth = Moment::from_micros(at_us.saturating_sub(CLOCK_AHEAD_US));
        *at_us += *at_us / 1_000_000 * FAST_PPM + *at_us % 1_000_000 * FAST_PPM / 1_000_000;
        let shown = *at_us;
        match &message {
            BoardMessage::Answer { seq, answer, .. } => {
                if let Some((_, sent)) = self.sent.filter(|(sent, _)| sent == seq) {
                    self.clock.answer(sent, shown, arrival);
                }
                if matches!(answer, Answer::Settled { .. }) {
                    self.settled.insert(truth);
                }
            }
            BoardMessage::Event { event, .. } => {
                self.clock.event(shown, arrival);
                if matches!(event, Event::Settled { .. }) {
                    self.settled.insert(truth);
                }
            }
        }
        if let (Some(earliest), Some(latest)) = (self.clock.earliest(shown), self.clock.latest(shown)) {
            // A microsecond is lost to rounding on either side.
            assert!(earliest <= truth.after(ROUNDING), "{truth} is before {earliest}");
            assert!(truth <= latest.after(ROUNDING), "{truth} is after {latest}");
            self.worst = self.worst.max(latest.since(earliest));
        }
        frame::encode(&message).to_vec()
    }
}

/// Whole microseconds.
const ROUNDING: Duration = Duration::from_micros(2);

impl Devices for Quartz {
    fn now(&self) -> Moment {
        self.devices.now()
    }

    fn wait(&mut self, until: Moment) -> Heard {
        match self.devices.wait(until) {
            Heard::Jig(at, bytes) => {
                let messages: Vec<BoardMessage> =
                    self.incoming.items(&bytes).map(|item| item.expect("a sound link")).collect();
                let bytes = messages.into_iter().flat_map(|message| self.mistime(message, at)).collect();
                Heard::Jig(at, bytes)
            }
            other => other,
        }
    }

    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
        let now = self.now();
        for item in self.outgoing.items(bytes) {
            self.sent = Some((item.expect("the host writes sound frames").seq, now));
        }
        self.devices.to_jig(bytes)
    }

    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.devices.to_meter(bytes)
    }
}
