//! Leads a sweep: asks the switching board and the meter, and moves on when a pin is decided.
//!
//! Sans-IO: inputs and `now` go in, outputs and a deadline come out. All pairing is the observer's; the
//! conductor only decides what to ask next, so that a replay needs nothing of it.

mod answers;
mod asking;
mod dwell;
mod hearing;
mod links;
mod visits;

use std::{collections::VecDeque, time::Duration};

use protocol::{BoardMessage, Event, OpenReason, Request, RequestFrame, version};

use super::{
    Floor, Guard, Notice, Observer, Overhead, Pacing, PinResult, Setting, SweepError, Visit, Visits, ear::Ear,
};
use crate::{
    connector::PinName,
    jig::{Client, Due, Heard},
    moment::Moment,
    readings::{PinValue, Unread},
};

/// What a sweep needs to know.
#[derive(Debug, Clone)]
pub struct Score {
    /// Pins, plan, and the meter's time.
    pub setting: Setting,
    /// The meter.
    pub profile: crate::meter::Profile,
    /// Names of the pins, by index, for messages.
    pub names: Vec<PinName>,
    /// Name of the switching board's port, for messages.
    pub jig_port: String,
    /// Name of the meter's port, for messages.
    pub meter_port: String,
    /// Time from closing a channel to `Settled`, beyond the make time of the switch itself.
    pub settle: Duration,
    /// The switching board walks alone and stays so long at each channel. Only for a meter that streams.
    pub dwell: Option<Duration>,
    /// The operator goes on although the board shows signs of life.
    pub override_alive: bool,
}

/// Something that the conductor wants done or known.
#[derive(Debug, Clone, PartialEq)]
pub enum Output {
    /// Send this to the switching board.
    ToJig(RequestFrame),
    /// Send this to the meter.
    ToMeter {
        /// The bytes.
        bytes: Vec<u8>,
        /// Whether the meter begins a conversion, or sends its latest, because of them.
        asks_for_reading: bool,
    },
    /// Tell this to the operator.
    Tell(Notice),
    /// A pin was read: write it down.
    Pin(PinResult),
    /// The sweep is over; every channel is open, or nothing answers any more.
    Ended(Result<(), SweepError>),
}

/// Leads one sweep.
#[derive(Debug)]
pub struct Conductor {
    score: Score,
    client: Client,
    observer: Observer,
    ear: Ear,
    phase: Phase,
    /// Visits still to come, the present one not among them.
    todo: VecDeque<Visit>,
    stepping: Stepping,
    done: usize,
    repeated: Vec<usize>,
    check_failures: u16,
    proofs: u16,
    /// From the first closed channel to the end of the latest visit.
    span: Option<(Moment, Moment)>,
    openings: u16,
    /// The latest message refused a request because every channel opened, for this reason.
    opening_told: Option<OpenReason>,
    damaged: u16,
    jig_speaks: bool,
    /// The first bytes of the jig's port, as long as no message was among them.
    jig_babble: Vec<u8>,
    guard: Option<(Guard, Moment)>,
    /// What the operator was warned of.
    warned: Vec<Guard>,
    started: Moment,
    /// When the latest step of a walk at a fixed dwell was told.
    stepped: Moment,
    /// Break and make time of the switching board, from its greeting.
    switch: Duration,
    /// Bytes of the latest question to the meter.
    question: u32,
    out: VecDeque<Output>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    /// The switching board has been greeted and the meter is being listened to.
    Preparing { greeted: bool, meter_ready: bool },
    /// The plan is being handed over; the next part begins at this step.
    Loading { first: usize },
    /// A channel is being closed.
    Moving { visit: Visit },
    /// A channel is closed; readings are awaited since the given time.
    Reading { visit: Visit, since: Moment },
    /// The lid is open.
    LidOpen { visit: Visit },
    /// A device is away.
    Away(links::Away),
    /// Every channel is being opened for the end.
    Closing,
    /// Over.
    Ended,
}

/// How the next channel is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stepping {
    /// By the plan that the switching board keeps; the present step.
    Plan { step: u16 },
    /// One by one: after pins had to be repeated, or the plan was lost.
    Direct,
    /// By the switching board itself, at a fixed dwell.
    Dwell,
}

/// How often channels may open by themselves before the sweep gives up.
const MOST_OPENINGS: u16 = 5;

/// How often the check channel may fail before the pins are left void.
const MOST_CHECK_FAILURES: u16 = 6;

/// How long a frozen or wrongly set meter is waited for.
pub(super) const GUARD_WAIT: Duration = Duration::from_secs(60);

/// Profile and meter may differ in rate by so much before it is said.
const RATE_TOLERANCE: f64 = 0.25;

/// Damaged frames from the jig's port before it is called something else.
const MOST_DAMAGED: u16 = 3;

impl Conductor {
    /// Begins a sweep; the first request has this number ([`Client::new`]).
    #[must_use]
    pub fn new(score: Score, first: u16, now: Moment) -> Self {
        let mut conductor = Self {
            client: Client::new(first),
            observer: Observer::new(score.setting.clone(), &score.profile),
            ear: Ear::new(&score.profile, now),
            phase: Phase::Preparing { greeted: false, meter_ready: false },
            todo: score.setting.plan.visits.iter().copied().collect(),
            stepping: score.dwell.map_or(Stepping::Plan { step: 0 }, |_| Stepping::Dwell),
            done: 0,
            repeated: Vec::new(),
            check_failures: 0,
            proofs: 0,
            span: None,
            openings: 0,
            opening_told: None,
            damaged: 0,
            jig_speaks: false,
            jig_babble: Vec::new(),
            guard: None,
            warned: Vec::new(),
            started: now,
            stepped: now,
            switch: Duration::ZERO,
            question: 0,
            out: VecDeque::new(),
            score,
        };
        let format = conductor.score.profile.format;
        if format.tells_overload() {
            conductor.ask(Request::Greet { min: version::MIN, max: version::CURRENT }, now);
            conductor.flush_ear(now);
        } else {
            // Before anything is closed.
            let profile = conductor.score.profile.name.clone();
            conductor.end(Err(SweepError::OverloadUnknown { profile, format: format.name() }));
        }
        conductor
    }

    /// The next thing to do; ask until there is none after every input.
    #[must_use = "an output is handed out once"]
    pub fn next_output(&mut self) -> Option<Output> {
        self.out.pop_front()
    }

    /// When [`tick`](Self::tick) must be called at the latest.
    #[must_use]
    pub fn deadline(&self, now: Moment) -> Moment {
        if let Phase::Away(away) = self.phase {
            return self.deadline_away(away, now);
        }
        let jig = self.client.wake(now);
        self.ear.deadline().map_or(jig, |ear| ear.min(jig))
    }

    /// Whether the sweep is over.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.phase == Phase::Ended
    }

    /// What was read.
    #[must_use]
    pub const fn observer(&self) -> &Observer {
        &self.observer
    }

    /// How long it has taken, from the first closed channel to the end of the last visit, the closing check included.
    #[must_use]
    pub fn took(&self) -> Duration {
        self.span.map_or(Duration::ZERO, |(first, last)| last.since(first))
    }

    /// The least time that this sweep could have taken, from what switching board and meter have shown. Visits beyond
    /// the plan, for pins that had to be repeated or the check channel's proof, are none of it.
    #[must_use]
    pub fn floor(&self) -> Floor {
        let stream = self.observer.stream();
        let overhead = Overhead {
            switch: self.switch + self.score.settle,
            frame: stream.on_air(),
            command: self.score.profile.port.byte_time().saturating_mul(self.question),
        };
        // By the profile's spoilt readings, not by what the check channel has taught.
        let Setting { timing, plan, .. } = &self.score.setting;
        let pins = plan.pins();
        let checks = plan.visits.len() - pins;
        let period = stream.period();
        // As `took` is counted.
        Floor::of(timing, period, overhead, Visits { pins, checks }, self.observer.results())
            .from_first_settled(timing, period, overhead)
    }

    /// The operator wants to stop.
    pub fn stop(&mut self, now: Moment) {
        let (done, total) = (self.decided(), self.score.setting.plan.pins());
        self.fail(SweepError::Stopped { done, total }, now);
    }

    /// Bytes of the meter arrived.
    pub fn meter_bytes(&mut self, bytes: &[u8], now: Moment) {
        let observations = self.observer.meter_bytes(bytes, now);
        // First of all: a pin that is decided now needs no further question, and the meter would be busy with it.
        self.observe(observations, now);
        if self.score.setting.timing.pacing == Pacing::Triggered {
            match self.observer.stream().busy_until() {
                Some(until) => self.ear.rest_until(until),
                None => self.ear.rest_no_longer(),
            }
        }
        let odd = self.ear.bytes(bytes, now);
        self.odd(odd, now);
        self.meter_prepared(now);
        self.flush_ear(now);
    }

    /// A frame came from the jig's port that could not be read.
    pub fn jig_damaged(&mut self, problem: &str, now: Moment) {
        self.damaged = self.damaged.saturating_add(1);
        if !self.jig_speaks && self.damaged >= MOST_DAMAGED {
            let (port, found) = (self.score.jig_port.clone(), format!("{} ({problem})", self.babble()));
            self.fail(SweepError::NotAJig { port, found }, now);
        }
    }

    /// A message of the switching board arrived.
    pub fn jig_message(&mut self, message: &BoardMessage, now: Moment) {
        self.jig_speaks = true;
        self.jig_babble = Vec::new();
        let observations = self.observer.jig_message(message, now);
        let told = self.opening_told.take();
        match self.client.receive(message, now) {
            Heard::Answer { request, answer } => {
                self.answer(&request, answer, now);
            }
            // The request that was under way has just been refused for it: one opening.
            Heard::Event(Event::Opened { reason }) if told == Some(reason) => {}
            Heard::Event(event) => self.event(&event, now),
            Heard::Restarted => self.restarted(now),
            Heard::Stale { .. } => {}
        }
        self.observe(observations, now);
        self.flush_ear(now);
    }

    /// Time has passed.
    pub fn tick(&mut self, now: Moment) {
        if self.is_over() {
            return;
        }
        if let Phase::Away(away) = self.phase {
            self.tick_away(away, now);
            return;
        }
        self.keep_jig_awake(now);
        let odd = self.ear.expire(now);
        self.odd(odd, now);
        self.meter_prepared(now);
        self.listen(now);
        self.watch_walk(now);
        self.flush_ear(now);
    }

    /// Asks again what was not answered, and says something now and then.
    fn keep_jig_awake(&mut self, now: Moment) {
        match self.client.due(now) {
            Due::Nothing => {}
            Due::Ping(ping) => self.say(ping, now),
            // Every request that the conductor makes may be repeated; a part of the plan is loaded afresh.
            Due::Again(Request::LoadPlan { .. }) => self.load(0, now),
            Due::Again(request) => self.ask(request, now),
            Due::Silent(silent) => {
                let (port, what) = (self.score.jig_port.clone(), silent.to_string());
                self.end(Err(match self.jig_speaks || self.jig_babble.is_empty() {
                    true => SweepError::JigSilent { port, what },
                    false => SweepError::NotAJig { port, found: self.babble() },
                }));
            }
        }
    }

    fn decided(&self) -> usize {
        let is_decided = |result: &&Option<PinResult>| {
            result.as_ref().is_some_and(|result| !matches!(result.value, PinValue::Unread(Unread::Voided)))
        };
        self.observer.results().iter().filter(is_decided).count()
    }
}
