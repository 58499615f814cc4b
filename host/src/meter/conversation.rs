//! Talking with a meter: what to send, what its answers mean, how long to wait. Sans-IO.
//!
//! ```text
//! triggered: *IDN? ─► SYST:REM ─► SYST:ERR? until empty ─► CONF:DIOD ─► SYST:ERR? ─► ready
//!            ready ─► READ? ─► reading ─► ready                     late or odd answer ─► *IDN? ─► ready
//! polled:    ready ─► D ─► reading ─► ready                  late or odd answer ─► silence ─► ready
//! streaming: ready; readings come by themselves
//! ```

mod asking;
mod scpi;

use std::{collections::VecDeque, time::Duration};

use super::{Decoder, MeterError, Profile, Reading, Stamped, Talk};
use crate::moment::Moment;

use {asking::Asking, scpi::ScpiTalk};

/// One conversation with one meter.
///
/// Call [`start`](Self::start) once. Hand over what the port received, send what
/// [`next_bytes`](Self::next_bytes) gives, call [`expire`](Self::expire) when the
/// [`deadline`](Self::deadline) has come, and pull events until there are none after each of these.
#[derive(Debug)]
pub struct Conversation {
    kind: Kind,
    outbox: VecDeque<Vec<u8>>,
    events: VecDeque<Result<Event, ConversationError>>,
}

#[derive(Debug)]
enum Kind {
    Streaming(Decoder),
    Polled(Asking),
    Triggered(Box<ScpiTalk>),
}

/// What a conversation tells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// The meter is ready to be read. A meter that can tell who it is has done so. Told again whenever the
    /// conversation has recovered from a late or odd answer: the question before it gets no answer any more.
    Ready(Option<Identity>),
    /// A reading.
    Answer(Answer),
    /// An entry that stood in the meter's error queue before this conversation; it changes nothing.
    OldError {
        /// Number of the error.
        code: i32,
        /// The meter's words.
        text: String,
    },
}

/// A reading and when it was asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// When the question was handed out to be sent; `None` for a meter that streams. A triggered meter began its
    /// conversion after this moment. A polled meter did not: it sends its newest conversion.
    pub asked: Option<Moment>,
    /// What it answered.
    pub reading: Stamped<Reading>,
}

/// Who a SCPI instrument says it is (IEEE 488.2, 10.14).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// Maker.
    pub maker: String,
    /// Model.
    pub model: String,
    /// Serial number; `0` where the meter does not know it.
    pub serial: String,
    /// Firmware version.
    pub firmware: String,
}

/// Why a meter did not answer as it should.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ConversationError {
    /// Nothing came in time.
    #[error("expected {expected} from the meter within {waited:?} of sending {sent}, found nothing")]
    Silent {
        /// What was asked.
        sent: String,
        /// What should have come.
        expected: &'static str,
        /// How long was waited.
        waited: Duration,
    },
    /// Something else came.
    #[error("expected {expected} in answer to {sent}, found \"{found}\"")]
    Unexpected {
        /// What was asked.
        sent: String,
        /// What should have come.
        expected: &'static str,
        /// What came.
        found: String,
    },
    /// The meter does not take a command.
    #[error("expected the meter to take {command}, found its error {code} ({text})")]
    Refused {
        /// The command.
        command: &'static str,
        /// Number of the error.
        code: i32,
        /// The meter's words.
        text: String,
    },
    /// The error queue does not run empty.
    #[error("expected the meter's error queue to be empty after {asked} entries, found another one")]
    EndlessErrors {
        /// Entries that were read.
        asked: usize,
    },
    /// Bytes that are no reading.
    #[error(transparent)]
    Bytes(#[from] MeterError),
}

impl Identity {
    /// Reads the four fields of an answer to `*IDN?`.
    #[must_use]
    pub fn parse(line: &str) -> Option<Self> {
        // The last field may hold commas of its own on some instruments; the first three may not.
        let mut fields = line.splitn(4, ',').map(|field| field.trim().to_owned());
        let identity = Self {
            maker: fields.next()?,
            model: fields.next()?,
            serial: fields.next()?,
            firmware: fields.next()?,
        };
        (!identity.maker.is_empty() && !identity.model.is_empty()).then_some(identity)
    }
}

impl Conversation {
    /// Prepares to talk with the meter that a profile describes.
    #[must_use]
    pub fn new(profile: &Profile) -> Self {
        let kind = match &profile.talk {
            Talk::Streaming => Kind::Streaming(Decoder::new(profile)),
            Talk::Polled { poll, timeout } => {
                Kind::Polled(Asking::new(Decoder::new(profile), profile, poll.clone(), *timeout))
            }
            Talk::Triggered { remote, timeout } => {
                Kind::Triggered(Box::new(ScpiTalk::new(profile, *remote, *timeout)))
            }
        };
        Self { kind, outbox: VecDeque::new(), events: VecDeque::new() }
    }

    /// Prepares to measure DC volts instead, with a meter that can be told to; `None` for all others.
    #[must_use]
    pub fn of_volts(profile: &Profile) -> Option<Self> {
        match Self::new(profile).kind {
            Kind::Triggered(talk) => {
                let kind = Kind::Triggered(Box::new(talk.of_volts()));
                Some(Self { kind, outbox: VecDeque::new(), events: VecDeque::new() })
            }
            Kind::Streaming(_) | Kind::Polled(_) => None,
        }
    }

    /// Begins, or begins again after which no answer that is still on its way is taken for a new one.
    /// [`Event::Ready`] follows when the meter can be read.
    pub fn start(&mut self, now: Moment) {
        match &mut self.kind {
            Kind::Streaming(_) | Kind::Polled(_) => self.events.push_back(Ok(Event::Ready(None))),
            Kind::Triggered(talk) => talk.start(now, &mut self.outbox),
        }
    }

    /// Asks for one reading. A meter that streams is not asked. A question before [`Event::Ready`], or before the
    /// last one is answered, is not sent.
    ///
    /// Returns whether the question goes out. There may be no event for it: an answer whose mode differs from the
    /// one before is held back, and the conversation [may ask](Self::may_ask) again.
    pub fn ask(&mut self, now: Moment) -> bool {
        match &mut self.kind {
            Kind::Streaming(_) => false,
            Kind::Polled(asking) => asking.ask(now, &mut self.outbox),
            Kind::Triggered(talk) => talk.ask(now, &mut self.outbox),
        }
    }

    /// Whether [`ask`](Self::ask) would send a question now.
    #[must_use]
    pub fn may_ask(&self) -> bool {
        match &self.kind {
            Kind::Streaming(_) => false,
            Kind::Polled(asking) => asking.may_ask(),
            Kind::Triggered(talk) => talk.may_ask(),
        }
    }

    /// Takes bytes that the port handed over at `at`.
    pub fn receive(&mut self, bytes: &[u8], at: Moment) {
        match &mut self.kind {
            Kind::Streaming(decoder) => {
                decoder.push(bytes, at);
                while let Some(pulled) = decoder.pull() {
                    self.events.push_back(match pulled {
                        Ok(reading) => Ok(Event::Answer(Answer { asked: None, reading })),
                        Err(error) => Err(error.into()),
                    });
                }
            }
            Kind::Polled(asking) => asking.receive(bytes, at, &mut self.events),
            Kind::Triggered(talk) => talk.receive(bytes, at, &mut self.outbox, &mut self.events),
        }
    }

    /// When [`expire`](Self::expire) must be called at the latest.
    #[must_use]
    pub fn deadline(&self) -> Option<Moment> {
        match &self.kind {
            Kind::Streaming(_) => None,
            Kind::Polled(asking) => asking.deadline(),
            Kind::Triggered(talk) => talk.deadline(),
        }
    }

    /// Acts on a deadline that has come; does nothing before.
    pub fn expire(&mut self, now: Moment) {
        match &mut self.kind {
            Kind::Streaming(_) => {}
            Kind::Polled(asking) => asking.expire(now, &mut self.events),
            Kind::Triggered(talk) => talk.expire(now, &mut self.outbox, &mut self.events),
        }
    }

    /// Gives the keys of the meter back to the operator, where it took them.
    pub fn finish(&mut self) {
        if let Kind::Triggered(talk) = &mut self.kind {
            talk.finish(&mut self.outbox);
        }
    }

    /// Bytes to send next.
    #[must_use = "the bytes are handed out once"]
    pub fn next_bytes(&mut self) -> Option<Vec<u8>> {
        self.outbox.pop_front()
    }

    /// What has happened next.
    #[must_use = "an event is handed out once"]
    pub fn pull(&mut self) -> Option<Result<Event, ConversationError>> {
        self.events.pop_front()
    }
}
