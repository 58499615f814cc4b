//! Leads the measurement: learns what both channels show, then changes from one to the other again and again.
//!
//! Sans-IO, like the conductor of a sweep.

use std::{collections::VecDeque, time::Duration};

use protocol::{Answer, BoardMessage, Channel, Event, Request, version};

use super::{Lag, LagError, LagSetup, Way, tally::Level, tally::Tally};
use crate::{
    jig::{Client, Due, Heard},
    meter::{Decoder, DiodeSource, NoValue, Number, Reading, Stamped},
    moment::Moment,
    readings::PinValue,
    sweep::{
        AliveSign, Device, Guard, Notice, Output, Pacing, SweepError, Timing,
        conductor::GUARD_WAIT,
        ear::{Ear, Message, Oddity},
    },
    units::Volts,
};

/// Leads one measurement.
#[derive(Debug)]
pub(super) struct Toggling {
    setup: LagSetup,
    timing: Timing,
    client: Client,
    ear: Ear,
    decoder: Decoder,
    tally: Tally,
    phase: Phase,
    /// Which of the two channels is closed or being closed.
    at: usize,
    levels: [Option<Level>; 2],
    /// The latest new readings of the present channel.
    recent: VecDeque<Result<Number, NoValue>>,
    ways: [Way; 2],
    done: u16,
    heard: Option<Moment>,
    guard: Option<(Guard, Moment)>,
    out: VecDeque<Output>,
    outcome: Option<Result<Lag, LagError>>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    /// The switching board has been greeted and the meter is being listened to since the given moment.
    Preparing { since: Moment, is_greeted: bool },
    /// A channel is being closed.
    Moving,
    /// A channel is closed since the given moment.
    Reading { since: Moment },
    /// The change has been measured; the next one comes at another phase of the meter.
    Resting { until: Moment },
    /// Over.
    Ended,
}

/// A level is learned from so many periods: more than the longest lag that is known (docs/facts.md 3.1), and four
/// readings more that agree.
const LEARNING: u32 = 12;

/// Readings in a row that make a level.
const LEVEL: usize = 4;

/// After so many periods without steady readings the channel is called restless.
const PATIENCE: u32 = 40;

/// Part of a period by which each change comes later in the meter's rhythm than the one before: the golden section
/// spreads any number of them evenly (Weyl 1916).
const GOLDEN: f64 = 0.618_033_988_749_894_9;

impl Toggling {
    pub(super) fn new(setup: LagSetup, timing: Timing, first: u16, now: Moment) -> Self {
        let way = |to: Channel| Way {
            to,
            level: PinValue::Overload,
            spoilt: std::collections::BTreeMap::new(),
            delays: Vec::new(),
        };
        let mut toggling = Self {
            client: Client::new(first),
            ear: Ear::new(&setup.profile, now),
            decoder: Decoder::new(&setup.profile),
            tally: Tally::new(timing),
            phase: Phase::Preparing { since: now, is_greeted: false },
            at: 0,
            levels: [None; 2],
            recent: VecDeque::with_capacity(LEVEL),
            ways: setup.channels.map(way),
            done: 0,
            heard: None,
            guard: None,
            out: VecDeque::new(),
            outcome: None,
            timing,
            setup,
        };
        toggling.ask(Request::Greet { min: version::MIN, max: version::CURRENT }, now);
        toggling.flush_ear(now);
        toggling
    }

    pub(super) fn next_output(&mut self) -> Option<Output> {
        self.out.pop_front()
    }

    /// What came of it; once.
    pub(super) fn take_outcome(&mut self) -> Option<Result<Lag, LagError>> {
        self.outcome.take()
    }

    /// Changes that have been measured.
    pub(super) const fn done(&self) -> u16 {
        self.done
    }

    pub(super) fn deadline(&self, now: Moment) -> Moment {
        let jig = self.client.wake(now);
        let rest = match self.phase {
            Phase::Resting { until } => Some(until),
            _ => None,
        };
        [self.ear.deadline(), rest].into_iter().flatten().fold(jig, Moment::min)
    }

    pub(super) fn stop(&mut self, now: Moment) {
        let (done, total) = (self.done, self.setup.toggles);
        self.fail(LagError::Stopped { done, total }, now);
    }

    pub(super) fn lost(&mut self, device: Device, reason: String, now: Moment) {
        let port = match device {
            Device::Jig => self.setup.jig_port.clone(),
            Device::Meter => self.setup.meter_port.clone(),
        };
        self.fail(SweepError::Lost { device, port, reason }.into(), now);
    }

    pub(super) fn meter_bytes(&mut self, bytes: &[u8], now: Moment) {
        self.decoder.push(bytes, now);
        while let Some(frame) = self.decoder.pull() {
            // What cannot be read is told by the ear.
            if let Ok(frame) = frame {
                self.frame(&frame, now);
            }
        }
        if self.timing.pacing == Pacing::Triggered {
            match self.tally.stream().busy_until() {
                Some(until) => self.ear.rest_until(until),
                None => self.ear.rest_no_longer(),
            }
        }
        let odd = self.ear.bytes(bytes, now);
        self.odd(odd, now);
        self.begin_if_prepared(now);
        self.flush_ear(now);
    }

    pub(super) fn jig_message(&mut self, message: &BoardMessage, now: Moment) {
        let (BoardMessage::Answer { at_us, .. } | BoardMessage::Event { at_us, .. }) = *message;
        match self.client.receive(message, now) {
            Heard::Answer { request, answer } => {
                self.answer(&request, answer, at_us, now);
            }
            Heard::Event(Event::Opened { reason }) if self.phase != Phase::Ended => {
                self.fail(SweepError::JigOpened { times: 1, reason }.into(), now);
            }
            Heard::Restarted => {
                let (port, what) = (self.setup.jig_port.clone(), "it has started again".to_owned());
                self.fail(SweepError::JigSilent { port, what }.into(), now);
            }
            Heard::Event(_) | Heard::Stale { .. } => {}
        }
        self.flush_ear(now);
    }

    pub(super) fn tick(&mut self, now: Moment) {
        if self.phase == Phase::Ended {
            return;
        }
        match self.client.due(now) {
            Due::Nothing => {}
            Due::Ping(ping) => self.out.push_back(Output::ToJig(ping)),
            Due::Again(request) => self.ask(request, now),
            Due::Silent(silent) => {
                let (port, what) = (self.setup.jig_port.clone(), silent.to_string());
                self.fail(SweepError::JigSilent { port, what }.into(), now);
                return;
            }
        }
        let odd = self.ear.expire(now);
        self.odd(odd, now);
        self.begin_if_prepared(now);
        self.listen(now);
        if let Phase::Resting { until } = self.phase
            && now >= until
        {
            self.go_to(1 - self.at, now);
        }
        self.flush_ear(now);
    }

    fn answer(&mut self, request: &Request, answer: Answer, at_us: u64, now: Moment) {
        match answer {
            Answer::Greeting(greeting) => {
                let missing = self.setup.channels.into_iter().find(|channel| channel.0 >= greeting.channels);
                if let Some(channel) = missing {
                    let channels = greeting.channels;
                    self.fail(LagError::NoSuchChannel { channel, channels }, now);
                } else if let Phase::Preparing { since, .. } = self.phase {
                    self.phase = Phase::Preparing { since, is_greeted: true };
                    self.begin_if_prepared(now);
                }
            }
            Answer::Settled { channel, .. } if channel == self.setup.channels[self.at] => {
                // As in a sweep: never later than the message that tells of it.
                let settled = self.client.clock().latest(at_us).map_or(now, |latest| latest.min(now));
                self.phase = Phase::Reading { since: now };
                self.recent.clear();
                self.tally.step(settled);
                self.ear.want(true, now);
            }
            Answer::Refused(fault) => {
                let what = match request {
                    Request::Greet { .. } => "the greeting".to_owned(),
                    Request::Select { channel, .. } => format!("to close channel {channel}"),
                    _ => "a request".to_owned(),
                };
                self.fail(SweepError::JigRefused { what, fault }.into(), now);
            }
            _ => {}
        }
    }

    fn frame(&mut self, frame: &Stamped<Reading>, now: Moment) {
        self.heard = Some(now);
        if let Some(guard) = Guard::of(&frame.item).filter(|guard| guard.blocks()) {
            self.guarded(guard, now);
            return;
        }
        if self.guard.take().is_some() && matches!(self.phase, Phase::Reading { .. }) {
            // What the meter showed of this change is not known: the next one is measured in its place.
            self.go_to(if self.levels[self.at].is_some() { 1 - self.at } else { self.at }, now);
            return;
        }
        let is_new = self.tally.frame(frame, self.levels[self.at].as_ref());
        let Phase::Reading { .. } = self.phase else { return };
        if let Some(sign) = self.alive(frame.item.value) {
            self.fail(LagError::Alive { channel: self.setup.channels[self.at], sign }, now);
        } else if self.levels[self.at].is_some() {
            self.measure(now);
        } else if is_new {
            self.learn(frame.item.value, now);
        }
        // A meter whose answer got lost is asked again only after its timeout.
        let patience = self.timing.period * PATIENCE + self.timing.silence;
        if self.tally.waited(now) > patience && matches!(self.phase, Phase::Reading { .. }) {
            let (channel, waited) = (self.setup.channels[self.at], self.tally.waited(now));
            self.fail(LagError::Restless { channel, waited }, now);
        }
    }

    /// A key of the meter is in the way.
    fn guarded(&mut self, guard: Guard, now: Moment) {
        match self.guard {
            Some((known, since)) if known == guard => {
                if now.since(since) >= GUARD_WAIT {
                    self.fail(SweepError::MeterBlocked(guard).into(), now);
                }
            }
            _ => {
                self.guard = Some((guard, now));
                self.out.push_back(Output::Tell(Notice::Guard(guard)));
            }
        }
    }

    fn alive(&self, reading: Result<Number, NoValue>) -> Option<AliveSign> {
        let compliance: Volts = match self.setup.profile.diode.source {
            DiodeSource::ConstantCurrent { compliance, .. } => compliance,
            DiodeSource::BehindResistance { open_circuit, .. } => open_circuit,
        };
        AliveSign::of_reading(reading, Some(compliance))
    }

    fn learn(&mut self, value: Result<Number, NoValue>, now: Moment) {
        if self.recent.len() == LEVEL {
            self.recent.pop_front();
        }
        self.recent.push_back(value);
        if self.recent.len() < LEVEL || self.tally.waited(now) < self.timing.period * LEARNING {
            return;
        }
        let Some(level) = Level::of(&self.recent, &self.timing) else { return };
        self.levels[self.at] = Some(level);
        self.ways[self.at].level = level.value();
        if let [Some(first), Some(second)] = self.levels
            && !first.is_told_from(second)
        {
            let seen = [first.value(), second.value()];
            self.fail(LagError::Alike { channels: self.setup.channels, seen }, now);
            return;
        }
        self.go_to(1 - self.at, now);
    }

    fn measure(&mut self, now: Moment) {
        let Some((spoilt, delay)) = self.tally.outcome(now) else { return };
        let way = &mut self.ways[self.at];
        *way.spoilt.entry(spoilt).or_default() += 1;
        way.delays.push(delay);
        self.done += 1;
        if self.done < self.setup.toggles {
            let part = (f64::from(self.done) * GOLDEN).fract();
            self.phase = Phase::Resting { until: now.after(self.timing.period.mul_f64(part)) };
            self.ear.want(false, now);
        } else {
            self.finish(now);
        }
    }

    fn finish(&mut self, now: Moment) {
        let mut ways = self.ways.clone();
        for way in &mut ways {
            way.delays.sort_unstable();
        }
        let spoilt = ways.iter().filter_map(|way| way.spoilt.keys().next_back().copied()).max().unwrap_or(0);
        let is_streaming = self.timing.pacing == Pacing::Streaming;
        let lag = Lag {
            spoilt,
            ways,
            period: is_streaming.then(|| self.tally.stream().period()),
            unevenness: if is_streaming { self.tally.unevenness() } else { Duration::ZERO },
        };
        self.end(Ok(lag), now);
    }

    fn fail(&mut self, error: LagError, now: Moment) {
        self.end(Err(error), now);
    }

    /// Opens every channel and gives the meter's keys back.
    fn end(&mut self, outcome: Result<Lag, LagError>, now: Moment) {
        if self.phase == Phase::Ended {
            return;
        }
        self.phase = Phase::Ended;
        self.ask(Request::OpenAll, now);
        for Message { bytes, .. } in self.ear.leave() {
            self.out.push_back(Output::ToMeter { bytes, asks_for_reading: false });
        }
        self.outcome = Some(outcome);
    }

    fn begin_if_prepared(&mut self, now: Moment) {
        let is_ready = match self.timing.pacing {
            Pacing::Streaming => self.tally.stream().is_measured(),
            Pacing::Polled | Pacing::Triggered => self.ear.is_ready(),
        };
        if is_ready && matches!(self.phase, Phase::Preparing { is_greeted: true, .. }) {
            self.go_to(0, now);
        }
    }

    fn go_to(&mut self, at: usize, now: Moment) {
        self.at = at;
        self.phase = Phase::Moving;
        self.ear.want(false, now);
        let settle_us = u32::try_from(self.setup.settle.as_micros()).unwrap_or(u32::MAX);
        self.ask(Request::Select { channel: self.setup.channels[at], settle_us }, now);
    }

    fn odd(&mut self, oddities: Vec<Oddity>, now: Moment) {
        for oddity in oddities {
            if let Oddity::Trouble(problem) = oddity {
                let port = self.setup.meter_port.clone();
                self.fail(SweepError::MeterUnreadable { port, problem }.into(), now);
            }
        }
    }

    /// Whether the meter has been silent for too long.
    fn listen(&mut self, now: Moment) {
        let (Phase::Preparing { since, .. } | Phase::Reading { since }) = self.phase else { return };
        let waited = now.since(self.heard.unwrap_or(since).max(since));
        if waited < self.timing.silence {
            return;
        }
        let port = self.setup.meter_port.clone();
        let error = match (self.ear.problem(), self.heard) {
            (Some(problem), _) => SweepError::MeterUnreadable { port, problem },
            (None, Some(_)) => SweepError::MeterStopped { port, waited, was_announced: false },
            (None, None) => SweepError::MeterSilent { port, waited },
        };
        self.fail(error.into(), now);
    }

    fn flush_ear(&mut self, now: Moment) {
        while let Some(Message { bytes, asks_for_reading }) = self.ear.next_output() {
            if asks_for_reading {
                self.tally.asked(now);
            }
            self.out.push_back(Output::ToMeter { bytes, asks_for_reading });
        }
    }

    fn ask(&mut self, request: Request, now: Moment) {
        let frame = self.client.send(request, now);
        self.out.push_back(Output::ToJig(frame));
    }
}
