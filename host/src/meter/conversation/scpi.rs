//! The SCPI side of a conversation: one question at a time, each answer before the next question.
//!
//! Commands from makers' manuals: `CONF:DIOD` and `READ?` (Keysight Truevolt quick reference, Keithley 2110
//! p. 5-13), `SYST:ERR?` (Agilent E1411B), one query at a time (34401A p. 151). From memory: `*IDN?`
//! (IEEE 488.2, 10.14), `SYST:REM` and `SYST:LOC` (34401A, chapter 4).

use std::{collections::VecDeque, time::Duration};

use super::{Answer, ConversationError, Event, Identity};
use crate::{
    meter::{
        Function, MeterError, Profile, Reading, Stamped,
        format::{Content, Cut, Lines, Scpi, Wire, error_entry},
        inbox::Inbox,
    },
    moment::Moment,
};

/// Entries that an error queue holds at most; makers name 20 to 30 (E1411B, E1468A, VSP12010, 81160A).
const MOST_ERRORS: usize = 32;
/// SCPI-99: undefined header. Meters that need no `SYST:REM` may not know it.
const UNDEFINED_HEADER: i32 = -113;

const IDENTIFY: &str = "*IDN?";
const REMOTE: &str = "SYST:REM";
const LOCAL: &str = "SYST:LOC";
const NEXT_ERROR: &str = "SYST:ERR?";
const DIODE_TEST: &str = "CONF:DIOD";
const DC_VOLTS: &str = "CONF:VOLT:DC";
const READ: &str = "READ?";

type Events = VecDeque<Result<Event, ConversationError>>;
type Outbox = VecDeque<Vec<u8>>;

#[derive(Debug)]
pub(super) struct ScpiTalk {
    inbox: Inbox,
    lines: Lines,
    numbers: Scpi,
    remote: bool,
    /// The meter has been told to lock its keys, and not to free them again.
    holds_keys: bool,
    /// What it is told to measure, and which function that is.
    command: &'static str,
    function: Function,
    timeout: Duration,
    state: State,
    /// When the question went out.
    asked: Moment,
    /// Who answered.
    identity: Option<Identity>,
}

/// What is waited for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// The start.
    New,
    /// The identity, on the way in or after a late or odd answer; nothing but an identity ends this.
    Identity,
    /// An entry of the error queue as it was before, after so many others.
    OldErrors(usize),
    /// The entry that the command may have made.
    Configured,
    /// The next question of ours.
    Ready,
    /// A reading.
    Reading,
    /// Nothing any more.
    Over,
}

impl ScpiTalk {
    pub(super) fn new(profile: &Profile, remote: bool, timeout: Duration) -> Self {
        Self {
            inbox: Inbox::new(profile.port.byte_time()),
            lines: Lines::whole(),
            numbers: Scpi::new(Lines::whole(), profile.overload_from),
            remote,
            holds_keys: false,
            command: DIODE_TEST,
            function: Function::Diode,
            timeout,
            state: State::New,
            asked: Moment::START,
            identity: None,
        }
    }

    /// DC volts instead of diode test.
    pub(super) fn of_volts(self) -> Self {
        Self { command: DC_VOLTS, function: Function::DcVoltage, ..self }
    }

    /// Begins, or begins again: nothing that is still on its way answers a question that is asked from here on.
    pub(super) fn start(&mut self, now: Moment, outbox: &mut Outbox) {
        self.identify(now, outbox);
    }

    pub(super) fn may_ask(&self) -> bool {
        self.state == State::Ready
    }

    pub(super) fn ask(&mut self, now: Moment, outbox: &mut Outbox) -> bool {
        let ready = self.may_ask();
        if ready {
            self.send(READ, State::Reading, now, outbox);
        }
        ready
    }

    pub(super) fn finish(&mut self, outbox: &mut Outbox) {
        if std::mem::take(&mut self.holds_keys) {
            outbox.push_back(line(LOCAL));
        }
        self.state = State::Over;
    }

    pub(super) fn deadline(&self) -> Option<Moment> {
        match self.state {
            State::New | State::Ready | State::Over => None,
            State::Identity | State::OldErrors(_) | State::Configured | State::Reading => {
                Some(self.asked.after(self.timeout))
            }
        }
    }

    pub(super) fn expire(&mut self, now: Moment, outbox: &mut Outbox, events: &mut Events) {
        if self.deadline().is_none_or(|deadline| now < deadline) {
            return;
        }
        let (sent, expected) = self.question();
        events.push_back(Err(ConversationError::Silent {
            sent: sent.to_owned(),
            expected,
            waited: self.timeout,
        }));
        self.identify(now, outbox);
    }

    pub(super) fn receive(&mut self, bytes: &[u8], at: Moment, outbox: &mut Outbox, events: &mut Events) {
        self.inbox.push(bytes, at);
        loop {
            match self.lines.cut(self.inbox.waiting()) {
                Cut::More => return,
                Cut::Skip(count) => self.inbox.take(count),
                Cut::Broken { drop, problem } => {
                    let at = self.inbox.stamp(0);
                    events.push_back(Err(MeterError { at, format: "scpi", problem }.into()));
                    self.inbox.take(drop);
                }
                Cut::Frame { skip, length } => {
                    self.inbox.take(skip);
                    let line = Stamped {
                        first_byte: self.inbox.stamp(0),
                        last_byte: self.inbox.stamp(length - 1),
                        item: self.inbox.waiting()[..length].trim_ascii().to_vec(),
                    };
                    self.inbox.take(length);
                    self.answer(&line, at, outbox, events);
                }
            }
        }
    }

    fn answer(&mut self, line: &Stamped<Vec<u8>>, now: Moment, outbox: &mut Outbox, events: &mut Events) {
        if self.is_second_copy(&line.item) {
            return;
        }
        match self.state {
            State::New | State::Over => {}
            // A line that nobody asked for: the tail of a broken answer, or an answer that came twice. The next
            // one must not be taken for a reading.
            State::Ready => self.identify(now, outbox),
            State::Identity => {
                // Late answers to earlier questions are no identity and fall through.
                if let Some(identity) = std::str::from_utf8(&line.item).ok().and_then(Identity::parse)
                    && error_entry(&line.item).is_none()
                {
                    self.identified(identity, now, outbox);
                }
            }
            State::OldErrors(count) => match error_entry(&line.item) {
                Some((0, _)) => {
                    outbox.push_back(self::line(self.command));
                    self.send(NEXT_ERROR, State::Configured, now, outbox);
                }
                Some((code, text)) => {
                    if code != UNDEFINED_HEADER {
                        events.push_back(Ok(Event::OldError { code, text }));
                    }
                    if count + 1 >= MOST_ERRORS {
                        events.push_back(Err(ConversationError::EndlessErrors { asked: count + 1 }));
                        self.state = State::Over;
                    } else {
                        self.send(NEXT_ERROR, State::OldErrors(count + 1), now, outbox);
                    }
                }
                None => self.odd(line, now, outbox, events),
            },
            State::Configured => match error_entry(&line.item) {
                Some((0, _)) => {
                    self.state = State::Ready;
                    events.push_back(Ok(Event::Ready(self.identity.clone())));
                }
                // A damaged digit: code and words contradict each other, and nothing was refused for certain.
                Some((_, text)) if text.eq_ignore_ascii_case("no error") => {
                    self.odd(line, now, outbox, events);
                }
                Some((code, text)) => {
                    events.push_back(Err(ConversationError::Refused { command: self.command, code, text }));
                    self.state = State::Over;
                }
                None => self.odd(line, now, outbox, events),
            },
            State::Reading => {
                let mut item = Reading::BLANK;
                if self.numbers.read(&line.item, &mut item) != Ok(Content::Reading) {
                    self.odd(line, now, outbox, events);
                    return;
                }
                self.state = State::Ready;
                // The number does not tell its function, but the meter took the command.
                item.function = Some(self.function);
                let Stamped { first_byte, last_byte, .. } = *line;
                let reading = Stamped { first_byte, last_byte, item };
                events.push_back(Ok(Event::Answer(Answer { asked: Some(self.asked), reading })));
            }
        }
    }

    /// Whether this is a preparing answer that came twice: it can answer nothing that is asked now, and asking for the
    /// identity on its account would bring the next two.
    fn is_second_copy(&self, line: &[u8]) -> bool {
        let is_identity = || {
            let identity = std::str::from_utf8(line).ok().and_then(Identity::parse);
            identity.is_some() && identity == self.identity && error_entry(line).is_none()
        };
        match self.state {
            State::OldErrors(_) | State::Configured => is_identity(),
            State::Ready | State::Reading => is_identity() || matches!(error_entry(line), Some((0, _))),
            State::New | State::Identity | State::Over => false,
        }
    }

    fn identified(&mut self, identity: Identity, now: Moment, outbox: &mut Outbox) {
        // After a power cut in the middle the meter is no longer in diode test, so the whole way is gone again.
        self.identity = Some(identity);
        if self.remote {
            self.holds_keys = true;
            outbox.push_back(line(REMOTE));
        }
        self.send(NEXT_ERROR, State::OldErrors(0), now, outbox);
    }

    fn odd(&mut self, line: &Stamped<Vec<u8>>, now: Moment, outbox: &mut Outbox, events: &mut Events) {
        let (sent, expected) = self.question();
        events.push_back(Err(ConversationError::Unexpected {
            sent: sent.to_owned(),
            expected,
            found: line.item.escape_ascii().to_string(),
        }));
        self.identify(now, outbox);
    }

    /// Asks what no late answer can be mistaken for.
    fn identify(&mut self, now: Moment, outbox: &mut Outbox) {
        self.send(IDENTIFY, State::Identity, now, outbox);
    }

    fn send(&mut self, command: &str, state: State, now: Moment, outbox: &mut Outbox) {
        outbox.push_back(line(command));
        self.state = state;
        self.asked = now;
    }

    /// What was sent last, and what answers it.
    const fn question(&self) -> (&'static str, &'static str) {
        match self.state {
            State::New | State::Ready | State::Over | State::Identity => {
                (IDENTIFY, "maker, model, serial number and firmware")
            }
            State::OldErrors(_) | State::Configured => (NEXT_ERROR, "an entry of the error queue"),
            State::Reading => (READ, "a number"),
        }
    }
}

fn line(command: &str) -> Vec<u8> {
    let mut line = command.as_bytes().to_vec();
    line.push(b'\n');
    line
}
