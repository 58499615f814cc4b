//! DC volts at the power pins before diode test, with a meter that can be told to measure them.
//!
//! The order is that of docs/facts.md 2.5: measure, stop above 50 mV, bleed, measure again, and only then diode test. A
//! meter in DC volts has some MΩ and drives nothing, so it hurts no board. What is measured goes into the session log as
//! one event a pin; the bytes of this conversation do not, since a replay pairs nothing with them.

use std::{io, time::Duration};

use protocol::{Accumulator, Answer, BoardMessage, Channel, Greeting, Request, frame, version};

use super::{Device, Devices, Heard, SweepError};
use crate::{
    connector::PinName,
    jig::{
        Client, Heard as Said, PING_EVERY, TRIES,
        bleeding::{Bleeding, HOLD_US, Outlook},
    },
    meter::{Conversation, ConversationError, Event, NoValue, Profile, Talk},
    moment::Moment,
    units::Volts,
};

/// What to measure, and with what.
#[derive(Debug, Clone)]
pub struct Stops<'a> {
    /// The meter.
    pub profile: &'a Profile,
    /// The pins, each with its channel.
    pub pins: Vec<(PinName, Channel)>,
    /// Name of the switching board's port, then of the meter's, for messages.
    pub ports: [String; 2],
}

/// A pin, what was measured there, and whether diode test may follow.
pub type Measured<'a> = (&'a PinName, Volts, bool);

/// Questions to the meter for one reading: who it is, an old error, whether it has taken the command, the reading.
const QUESTIONS: u32 = 4;

/// From closing to measuring: contacts ring for 3 ms at most (docs/facts.md 2.3).
const SETTLE_US: u32 = 5_000;

/// Measures DC volts at each of these pins, and bleeds what is charged. Nothing is done with a meter that cannot be told
/// to. Every channel is open afterwards.
///
/// # Errors
/// [`SweepError::BoardCharged`] for the first pin that keeps a voltage, [`SweepError::BeyondVolts`] for one that the meter has
/// no number for, and whatever goes wrong with the devices.
pub fn measure_volts(
    stops: &Stops<'_>,
    devices: &mut dyn Devices,
    seen: &mut dyn FnMut(Measured<'_>),
) -> Result<(), SweepError> {
    let Talk::Triggered { timeout, .. } = stops.profile.talk else { return Ok(()) };
    let Some(talk) = Conversation::of_volts(stops.profile) else { return Ok(()) };
    let mut bench = Bench {
        devices,
        stops,
        client: Client::default(),
        frames: Accumulator::new(),
        greeted: false,
        talk,
        reading: None,
        is_ready: false,
        problem: None,
        timeout,
    };
    let greeting = bench.greet()?;
    let measured = stops.pins.iter().try_for_each(|(pin, channel)| bench.pin(pin, *channel, &greeting, seen));
    // Also after trouble; what went wrong first is told.
    let opened = bench.ask(&Request::OpenAll);
    bench.talk.finish();
    let freed = bench.tell_meter();
    let opened = opened.and_then(|answer| freed.map(|()| answer));
    measured.and(opened.map(|_| ()))
}

/// What the meter shows in DC volts.
#[derive(Debug, Clone, Copy)]
enum Shown {
    Volts(Volts),
    /// More than it has a range for, of either sign.
    Overload,
}

struct Bench<'a> {
    devices: &'a mut dyn Devices,
    stops: &'a Stops<'a>,
    client: Client,
    frames: Accumulator<BoardMessage>,
    greeted: bool,
    talk: Conversation,
    /// The meter's answer to the question that is open.
    reading: Option<Shown>,
    /// The meter has said who it is and has taken the command.
    is_ready: bool,
    /// Why the meter cannot be told to.
    problem: Option<String>,
    timeout: Duration,
}

impl Bench<'_> {
    fn greet(&mut self) -> Result<Greeting, SweepError> {
        let (host_min, host_max) = (version::MIN, version::CURRENT);
        match self.ask(&Request::Greet { min: host_min, max: host_max })? {
            Answer::Greeting(greeting) => {
                self.greeted = true;
                Ok(greeting)
            }
            Answer::Refused(protocol::Fault::Version { min, max }) => {
                let port = self.stops.ports[0].clone();
                Err(SweepError::JigVersion { port, host_min, host_max, min, max })
            }
            answer => Err(refused("the greeting", &answer)),
        }
    }

    /// Measures one pin, and bleeds it while that helps.
    fn pin(
        &mut self,
        pin: &PinName,
        channel: Channel,
        greeting: &Greeting,
        seen: &mut dyn FnMut(Measured<'_>),
    ) -> Result<(), SweepError> {
        if channel.0 >= greeting.channels {
            return Err(SweepError::NoSuchChannel { channel, channels: greeting.channels });
        }
        let mut bleeding = Bleeding::default();
        loop {
            match self.ask(&Request::Select { channel, settle_us: SETTLE_US })? {
                Answer::Settled { .. } => {}
                answer => return Err(refused("to close a channel", &answer)),
            }
            // Red lies on ground and black on the pin.
            let volts = match self.volts()? {
                Shown::Volts(volts) => Volts::of(-volts.get()),
                Shown::Overload => return Err(SweepError::BeyondVolts { pin: pin.clone() }),
            };
            match bleeding.measured(volts, greeting.parts.bleed) {
                Outlook::Bleed => {}
                Outlook::Safe => {
                    seen((pin, volts, true));
                    return Ok(());
                }
                Outlook::TooMuch | Outlook::Fed | Outlook::Charged => {
                    seen((pin, volts, false));
                    let bleeds = bleeding.bleeds();
                    return Err(SweepError::BoardCharged { pin: pin.clone(), volts, bleeds });
                }
            }
            // Well within the time that an answer may take.
            let answer = self.ask(&Request::Bleed { channel, hold_us: HOLD_US })?;
            if matches!(answer, Answer::Refused(_)) {
                return Err(refused("to discharge a channel", &answer));
            }
        }
    }

    /// Asks the switching board, and waits for the answer.
    fn ask(&mut self, request: &Request) -> Result<Answer, SweepError> {
        let mut silent = String::new();
        for _ in 0..TRIES {
            let now = self.devices.now();
            let frame = self.client.send(request.clone(), now);
            let sent = self.devices.to_jig(&frame::encode(&frame));
            sent.map_err(|error| self.lost(Device::Jig, &error))?;
            let until = self.client.deadline().unwrap_or(now);
            while self.devices.now() < until {
                if let Some(answer) = self.hear(until)? {
                    return Ok(answer);
                }
            }
            match self.client.check(until) {
                Err(error) => silent = error.to_string(),
                Ok(()) => silent = "it has started again".to_owned(),
            }
        }
        Err(SweepError::JigSilent { port: self.stops.ports[0].clone(), what: silent })
    }

    /// Has the meter say who it is and take the command, then asks it for a reading: an answer to an earlier question
    /// that comes late, or twice, is no identity, and none of them passes for a reading of this pin.
    fn volts(&mut self) -> Result<Shown, SweepError> {
        let began = self.devices.now();
        // Each of the questions may take its time once.
        let until = began.after(self.timeout * QUESTIONS);
        (self.reading, self.is_ready) = (None, false);
        self.talk.start(began);
        self.tell_meter()?;
        let mut said = began;
        loop {
            if let Some(shown) = self.reading.take() {
                return Ok(shown);
            }
            let now = self.devices.now();
            self.talk.expire(now);
            self.listen_to_meter(now)?;
            if now >= until {
                let port = self.stops.ports[1].clone();
                return Err(match self.problem.take() {
                    Some(problem) => SweepError::MeterUnreadable { port, problem },
                    None => SweepError::MeterSilent { port, waited: now.since(began) },
                });
            }
            if now >= said.after(PING_EVERY) {
                said = now;
                let ping = self.client.send(Request::Ping, now);
                let sent = self.devices.to_jig(&frame::encode(&ping));
                sent.map_err(|error| self.lost(Device::Jig, &error))?;
            }
            let next = until.min(said.after(PING_EVERY));
            self.hear(self.talk.deadline().map_or(next, |deadline| deadline.min(next)))?;
        }
    }

    fn hear(&mut self, until: Moment) -> Result<Option<Answer>, SweepError> {
        match self.devices.wait(until) {
            Heard::Meter(at, bytes) => {
                self.talk.receive(&bytes, at);
                self.listen_to_meter(at)?;
            }
            Heard::Jig(at, bytes) => {
                let mut answered = None;
                for message in self.frames.items(&bytes).flatten() {
                    match self.client.receive(&message, at) {
                        Said::Answer { answer, .. } => answered = Some(answer),
                        // At the greeting these may be words of an earlier life, and it is asked again.
                        Said::Restarted if self.greeted => {
                            let (port, what) =
                                (self.stops.ports[0].clone(), "it has started again".to_owned());
                            return Err(SweepError::JigSilent { port, what });
                        }
                        Said::Restarted | Said::Event(_) | Said::Stale { .. } => {}
                    }
                }
                return Ok(answered);
            }
            Heard::Stop => {
                return Err(SweepError::Stopped { done: 0, total: self.stops.pins.len() });
            }
            Heard::Lost(device, error) => return Err(self.lost(device, &error)),
            Heard::Nothing | Heard::Back(_) => {}
        }
        Ok(None)
    }

    /// Takes what the conversation with the meter has come to, and sends what it wants to say.
    fn listen_to_meter(&mut self, now: Moment) -> Result<(), SweepError> {
        while let Some(event) = self.talk.pull() {
            match event {
                Ok(Event::Ready(_)) => self.is_ready = true,
                Ok(Event::Answer(answer)) => {
                    self.reading = match answer.reading.item.value {
                        Ok(number) => Volts::new(number.to_f64()).map(Shown::Volts),
                        Err(NoValue::Overload(_)) => Some(Shown::Overload),
                        Err(_) => None,
                    };
                    self.problem = None;
                }
                Ok(Event::OldError { .. }) | Err(ConversationError::Silent { .. }) => {}
                Err(
                    error @ (ConversationError::Refused { .. } | ConversationError::EndlessErrors { .. }),
                ) => {
                    let port = self.stops.ports[1].clone();
                    return Err(SweepError::MeterUnreadable { port, problem: error.to_string() });
                }
                // The conversation asks on; the first trouble names the cause.
                Err(error) => drop(self.problem.get_or_insert_with(|| error.to_string())),
            }
        }
        if self.is_ready && self.reading.is_none() && self.talk.may_ask() {
            self.talk.ask(now);
        }
        self.tell_meter()
    }

    fn tell_meter(&mut self) -> Result<(), SweepError> {
        while let Some(bytes) = self.talk.next_bytes() {
            self.devices.to_meter(&bytes).map_err(|error| self.lost(Device::Meter, &error))?;
        }
        Ok(())
    }

    fn lost(&self, device: Device, error: &io::Error) -> SweepError {
        let port = match device {
            Device::Jig => self.stops.ports[0].clone(),
            Device::Meter => self.stops.ports[1].clone(),
        };
        SweepError::Lost { device, port, reason: error.to_string() }
    }
}

fn refused(what: &str, answer: &Answer) -> SweepError {
    let fault = match answer {
        Answer::Refused(fault) => *fault,
        _ => protocol::Fault::UnknownRequest,
    };
    SweepError::JigRefused { what: what.to_owned(), fault }
}
