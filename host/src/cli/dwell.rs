//! A sweep at a fixed dwell: the switching board walks alone, everything is written down, and nothing is decided on the way.
//!
//! What was heard is paired by the observer, as a replay of the log does it: with the same inputs in the same order.

use std::time::Duration;

use protocol::{
    Accumulator, Answer, BoardMessage, Channel, Event, Greeting, OpenReason, Pace, Request, Timing, frame,
    version,
};

use super::{
    jig::{PATIENCE, Unanswered, greeted, odd, went_away},
    logbook::Logbook,
};
use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    jig::{Client, Heard, PING_EVERY},
    meter::Talk as MeterTalk,
    moment::Moment,
    session::Session,
    sweep::{Devices, Floor, Heard as Bytes, Observer, Record, Recorder, Swept},
};

/// Readings that are listened to before the walk, so that the meter's rhythm is known.
const LISTEN: u32 = 12;

/// Walks through the plan.
///
/// # Errors
/// If the meter does not stream, a device does not answer, or the walk does not reach its end.
pub(super) fn run(
    session: &Session,
    dwell: Duration,
    devices: &mut dyn Devices,
    logbook: &mut Logbook,
) -> Result<Swept, Failure> {
    if session.profile.talk != MeterTalk::Streaming {
        return Err(Failure::new(
            ExitStatus::Configuration,
            format!(
                "a fixed dwell wants a meter that sends by itself, found profile {}",
                session.profile.name
            ),
        )
        .hint("leave --dwell-ms out: this meter is asked pin by pin"));
    }
    let setting = session.setting();
    let channels: Vec<_> = setting.plan.visits.iter().map(|visit| visit.channel).collect();
    let observer = Observer::new(setting, &session.profile);
    let mut walk = Walk {
        client: Client::default(),
        frames: Accumulator::new(),
        observer,
        devices,
        logbook,
        ended: None,
    };
    let greeting = walk.greet_for(channels.len())?;
    walk.listen(session.profile.period() * LISTEN)?;
    walk.load(&channels)?;
    let began = walk.devices.now();
    walk.over(&channels, session.settings.settle_us, dwell, &greeting)?;
    let took = walk.devices.now().since(began);
    Ok(Swept {
        values: walk.observer.values(),
        results: walk.observer.results().to_vec(),
        took,
        floor: Floor::default(),
        outcome: Ok(()),
    })
}

struct Walk<'a> {
    client: Client,
    frames: Accumulator<BoardMessage>,
    observer: Observer,
    devices: &'a mut dyn Devices,
    logbook: &'a mut Logbook,
    /// Why every channel opened.
    ended: Option<OpenReason>,
}

impl Walk<'_> {
    /// Greets a switching board that can hold a plan of so many steps.
    fn greet_for(&mut self, steps: usize) -> Result<Greeting, Failure> {
        let greeting = self.greet()?;
        if steps > usize::from(greeting.plan_steps) {
            let found = format!(
                "expected a plan of at most {} steps for this switching board, found {steps}",
                greeting.plan_steps
            );
            return Err(Failure::new(ExitStatus::Configuration, found).hint("leave --dwell-ms out"));
        }
        Ok(greeting)
    }

    /// Hands over the plan.
    fn load(&mut self, channels: &[Channel]) -> Result<(), Failure> {
        for (part, chunk) in channels.chunks(protocol::PLAN_CHUNK).enumerate() {
            let first = u16::try_from(part * protocol::PLAN_CHUNK).unwrap_or(u16::MAX);
            let channels = chunk.iter().copied().collect();
            let request = Request::LoadPlan { first, channels };
            match self.ask(request.clone())? {
                Answer::PlanLoaded { .. } => {}
                other => return Err(odd(&request, &other)),
            }
        }
        Ok(())
    }

    /// Has the switching board walk over the plan that it holds, and writes down what is heard until it has.
    fn over(
        &mut self,
        channels: &[Channel],
        settle_us: u32,
        dwell: Duration,
        greeting: &Greeting,
    ) -> Result<(), Failure> {
        let start = Request::Start {
            steps: u16::try_from(channels.len()).unwrap_or(u16::MAX),
            settle_us,
            pace: Pace::Dwell { dwell_us: u32::try_from(dwell.as_micros()).unwrap_or(u32::MAX) },
        };
        match self.ask(start.clone())? {
            Answer::Settled { .. } => {}
            other => return Err(odd(&start, &other)),
        }
        let Timing { break_us, make_us, .. } = greeting.timing;
        let moving_us = u64::from(settle_us) + u64::from(break_us) + u64::from(make_us);
        let step = dwell + Duration::from_micros(moving_us);
        // Twice as long as it must take: a switching board that walks more slowly than that has lost its way.
        let steps = u32::try_from(channels.len()).unwrap_or(u32::MAX);
        self.listen(step.saturating_mul(steps).saturating_mul(2) + Duration::from_secs(1))?;
        match self.ended {
            Some(OpenReason::PlanEnded) => Ok(()),
            Some(reason) => {
                let found = format!("the switching board ended the walk early: {reason:?}");
                Err(Failure::new(ExitStatus::Unavailable, found).hint("see to it, then sweep again"))
            }
            None => {
                let found =
                    "expected the switching board to walk to the end of its plan, found it still on the way";
                Err(Failure::new(ExitStatus::Unavailable, found)
                    .hint("take the board off, and run `pintally jig self-test`"))
            }
        }
    }

    fn send(&mut self, request: Request) -> Result<(), Failure> {
        let now = self.devices.now();
        let sent = self.client.send(request, now);
        self.observer.sent_to_jig(&sent, now);
        self.logbook.record(now, Record::SentToJig(&sent));
        self.devices.to_jig(&frame::encode(&sent)).map_err(|error| {
            Failure::new(
                ExitStatus::Unavailable,
                format!("the port of the switching board went away: {error}"),
            )
        })
    }

    /// Greets as every conversation does: the first bytes after a port was opened may be lost.
    fn greet(&mut self) -> Result<Greeting, Failure> {
        let until = self.devices.now().after(PATIENCE);
        let request = Request::Greet { min: version::MIN, max: version::CURRENT };
        loop {
            match self.ask(request.clone()) {
                Ok(answer) => return greeted(&request, answer),
                Err(Unanswered::Silent(_) | Unanswered::Restarted) if self.devices.now() < until => {}
                Err(unanswered) => return Err(unanswered.into()),
            }
        }
    }

    fn ask(&mut self, request: Request) -> Result<Answer, Unanswered> {
        self.send(request)?;
        loop {
            let until = self.client.deadline().unwrap_or_else(|| self.devices.now());
            if let Some(answer) = self.hear(until)? {
                return Ok(answer);
            }
            self.client.check(self.devices.now()).map_err(Unanswered::Silent)?;
            if !self.client.is_waiting() {
                // Whatever took the request away, nothing will answer it.
                return Err(Unanswered::Restarted);
            }
        }
    }

    /// Writes down what comes for so long, or until every channel has opened.
    fn listen(&mut self, patience: Duration) -> Result<(), Failure> {
        let until = self.devices.now().after(patience);
        while self.devices.now() < until && self.ended.is_none() {
            let now = self.devices.now();
            let ping = self.client.last_sent().unwrap_or(now).after(PING_EVERY);
            if now >= ping {
                self.send(Request::Ping)?;
            }
            self.hear(until.min(ping.max(now.after(Duration::from_millis(1)))))?;
        }
        Ok(())
    }

    fn hear(&mut self, until: Moment) -> Result<Option<Answer>, Unanswered> {
        match self.devices.wait(until) {
            Bytes::Meter(at, bytes) => {
                self.logbook.record(at, Record::MeterBytes(&bytes));
                let _ = self.observer.meter_bytes(&bytes, at);
            }
            Bytes::Jig(at, bytes) => {
                let mut answered = None;
                for item in self.frames.items(&bytes) {
                    let message = match item {
                        Ok(message) => message,
                        Err(error) => {
                            self.logbook.record(at, Record::JigDamaged(&error.to_string()));
                            continue;
                        }
                    };
                    self.logbook.record(at, Record::Jig(&message));
                    let _ = self.observer.jig_message(&message, at);
                    match self.client.receive(&message, at) {
                        Heard::Answer { answer, .. } => answered = Some(answer),
                        Heard::Event(Event::Opened { reason }) => self.ended = Some(reason),
                        Heard::Restarted => return Err(Unanswered::Restarted),
                        Heard::Event(_) | Heard::Stale { .. } => {}
                    }
                }
                return Ok(answered);
            }
            Bytes::Nothing | Bytes::Back(_) => {}
            Bytes::Stop => {
                return Err(
                    Failure::new(ExitStatus::Inconclusive, "the walk was stopped by the operator").into()
                );
            }
            Bytes::Lost(_, error) => return Err(went_away(&error).into()),
        }
        Ok(None)
    }
}
