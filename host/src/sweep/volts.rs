//! DC volts at the power pins before diode test, with a meter that can be told to measure them.
//!
//! The order is that of docs/facts.md 2.5: measure, stop above 50 mV, bleed, measure again, and only then diode test. A
//! meter in DC volts has some MΩ and drives nothing, so it hurts no board. What is measured goes into the session log as
//! one event a pin; the bytes of this conversation do not, since a replay pairs nothing with them.

use std::time::Duration;

use protocol::{Answer, Channel, Greeting, Request, version};

use super::{Device, Devices, SweepError, Talk, Unanswered, Unrecorded};
use crate::{
    connector::PinName,
    jig::bleeding::{Bleeding, HOLD_US, Outlook},
    meter::{self, Conversation, ConversationError, Event, NoValue, Profile},
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
    let meter::Talk::Triggered { timeout, .. } = stops.profile.talk else { return Ok(()) };
    let Some(conversation) = Conversation::of_volts(stops.profile) else { return Ok(()) };
    let talk = Talk::new(devices);
    let meter = Meter { conversation, reading: None, is_ready: false, problem: None, refused: None, timeout };
    let mut bench = Bench { devices, stops, talk, meter };
    let greeting = bench.greet()?;
    let measured = stops.pins.iter().try_for_each(|(pin, channel)| bench.pin(pin, *channel, &greeting, seen));
    // Also after trouble; what went wrong first is told.
    let opened = bench.ask(&Request::OpenAll);
    bench.meter.conversation.finish();
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
    talk: Talk,
    meter: Meter,
}

/// The meter, told to measure DC volts.
struct Meter {
    conversation: Conversation,
    /// The answer to the question that is open.
    reading: Option<Shown>,
    /// It has said who it is and has taken the command.
    is_ready: bool,
    /// Why it cannot be told to, as far as is known.
    problem: Option<String>,
    /// Why it never will be.
    refused: Option<String>,
    timeout: Duration,
}

impl Bench<'_> {
    fn greet(&mut self) -> Result<Greeting, SweepError> {
        let answer = self.talk.greet(self.devices, &mut Unrecorded);
        match answer.map_err(|unanswered| self.unanswered(unanswered))? {
            Answer::Greeting(greeting) => Ok(greeting),
            Answer::Refused(protocol::Fault::Version { min, max }) => {
                let port = self.stops.ports[0].clone();
                let (host_min, host_max) = (version::MIN, version::CURRENT);
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
        let meter = &mut self.meter;
        let mut at_meter = |bytes: &[u8], at: Moment| meter.heard(bytes, at);
        let answer = self.talk.ask(request.clone(), self.devices, &mut Unrecorded, &mut at_meter);
        answer.map_err(|unanswered| self.unanswered(unanswered))
    }

    /// Has the meter say who it is and take the command, then asks it for a reading: an answer to an earlier question
    /// that comes late, or twice, is no identity, and none of them passes for a reading of this pin.
    fn volts(&mut self) -> Result<Shown, SweepError> {
        let began = self.devices.now();
        // Each of the questions may take its time once.
        let until = began.after(self.meter.timeout * QUESTIONS);
        self.meter.start(began);
        self.tell_meter()?;
        loop {
            if let Some(shown) = self.meter.reading.take() {
                return Ok(shown);
            }
            let now = self.devices.now();
            self.meter.conversation.expire(now);
            self.meter.listen(now);
            self.tell_meter()?;
            let port = || self.stops.ports[1].clone();
            if let Some(problem) = self.meter.refused.take() {
                return Err(SweepError::MeterUnreadable { port: port(), problem });
            }
            if now >= until {
                return Err(match self.meter.problem.take() {
                    Some(problem) => SweepError::MeterUnreadable { port: port(), problem },
                    None => SweepError::MeterSilent { port: port(), waited: now.since(began) },
                });
            }
            let next = self.meter.conversation.deadline().map_or(until, |deadline| deadline.min(until));
            let meter = &mut self.meter;
            let mut at_meter = |bytes: &[u8], at: Moment| meter.heard(bytes, at);
            let came = self.talk.listen(next, self.devices, &mut Unrecorded, &mut at_meter);
            came.map_err(|unanswered| self.unanswered(unanswered))?;
        }
    }

    fn tell_meter(&mut self) -> Result<(), SweepError> {
        while let Some(bytes) = self.meter.conversation.next_bytes() {
            let told = self.devices.to_meter(&bytes);
            told.map_err(|error| self.unanswered(Unanswered::Lost(Device::Meter, error)))?;
        }
        Ok(())
    }

    fn unanswered(&self, unanswered: Unanswered) -> SweepError {
        let [jig, meter] = self.stops.ports.clone();
        match unanswered {
            Unanswered::Silent(error) => SweepError::JigSilent { port: jig, what: error.to_string() },
            Unanswered::Restarted => {
                SweepError::JigSilent { port: jig, what: "it has started again".to_owned() }
            }
            Unanswered::Stopped => SweepError::Stopped { done: 0, total: self.stops.pins.len() },
            Unanswered::Lost(device, error) => {
                let port = if device == Device::Jig { jig } else { meter };
                SweepError::Lost { device, port, reason: error.to_string() }
            }
        }
    }
}

impl Meter {
    fn start(&mut self, now: Moment) {
        (self.reading, self.is_ready) = (None, false);
        self.conversation.start(now);
    }

    /// Takes bytes; what to send it.
    fn heard(&mut self, bytes: &[u8], at: Moment) -> Vec<u8> {
        if bytes.is_empty() {
            return Vec::new();
        }
        self.conversation.receive(bytes, at);
        self.listen(at);
        std::iter::from_fn(|| self.conversation.next_bytes()).flatten().collect()
    }

    /// Takes what the conversation has come to.
    fn listen(&mut self, now: Moment) {
        while let Some(event) = self.conversation.pull() {
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
                ) => self.refused = Some(error.to_string()),
                // The conversation asks on; the first trouble names the cause.
                Err(error) => drop(self.problem.get_or_insert_with(|| error.to_string())),
            }
        }
        if self.is_ready && self.reading.is_none() && self.conversation.may_ask() {
            self.conversation.ask(now);
        }
    }
}

fn refused(what: &str, answer: &Answer) -> SweepError {
    let fault = match answer {
        Answer::Refused(fault) => *fault,
        _ => protocol::Fault::UnknownRequest,
    };
    SweepError::JigRefused { what: what.to_owned(), fault }
}
