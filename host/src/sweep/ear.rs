//! The conductor's side of the meter: when to ask it, and whether it makes sense.
//!
//! Readings themselves go to the observer, straight from the bytes.

use std::{collections::VecDeque, time::Duration};

use crate::{
    meter::{Conversation, ConversationError, Event, Profile, Stamped, Talk},
    moment::Moment,
};

/// Leads the conversation with the meter.
#[derive(Debug)]
pub(crate) struct Ear {
    conversation: Conversation,
    is_wanted: bool,
    is_ready: bool,
    identity: Option<String>,
    problem: Option<String>,
    /// How late the adapter may hand over a second copy of an answer; `None` for a meter that needs no rest.
    rest: Option<Duration>,
    /// No question before this moment.
    rests_until: Option<Moment>,
    out: VecDeque<Message>,
}

/// Bytes for the meter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Message {
    pub(crate) bytes: Vec<u8>,
    /// Whether the meter begins a conversion, or sends its latest, because of them.
    pub(crate) asks_for_reading: bool,
}

/// What is odd about the meter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Oddity {
    /// Something was skipped; the next reading may be good.
    Noise(String),
    /// It does not do what a sweep needs.
    Trouble(String),
}

impl Ear {
    pub(crate) fn new(profile: &Profile, now: Moment) -> Self {
        let mut conversation = Conversation::new(profile);
        conversation.start(now);
        let mut ear = Self {
            conversation,
            is_wanted: false,
            is_ready: false,
            identity: None,
            problem: None,
            rest: matches!(profile.talk, Talk::Polled { .. }).then_some(profile.timing.adapter_delay),
            rests_until: None,
            out: VecDeque::new(),
        };
        ear.collect();
        ear
    }

    /// Readings are wanted from now on, or no longer.
    pub(crate) fn want(&mut self, is_wanted: bool, now: Moment) {
        self.is_wanted = is_wanted;
        self.ask(now);
    }

    /// Bytes arrived.
    pub(crate) fn bytes(&mut self, bytes: &[u8], now: Moment) -> Vec<Oddity> {
        self.conversation.receive(bytes, now);
        let odd = self.collect();
        self.ask(now);
        odd
    }

    /// Time has passed.
    pub(crate) fn expire(&mut self, now: Moment) -> Vec<Oddity> {
        self.conversation.expire(now);
        let odd = self.collect();
        self.ask(now);
        odd
    }

    /// The meter still has a question to answer, at most until then: an answer that came twice can make the
    /// conversation believe that it has been answered.
    pub(crate) fn rest_until(&mut self, until: Moment) {
        self.rests_until = Some(self.rests_until.map_or(until, |known| known.max(until)));
    }

    /// The question has been answered.
    pub(crate) const fn rest_no_longer(&mut self) {
        self.rests_until = None;
    }

    pub(crate) fn deadline(&self) -> Option<Moment> {
        let rest = self.rests_until.filter(|_| self.is_wanted);
        [self.conversation.deadline(), rest].into_iter().flatten().min()
    }

    /// The next bytes to send.
    pub(crate) fn next_output(&mut self) -> Option<Message> {
        self.out.pop_front()
    }

    /// Bytes that give the meter's keys back to the operator.
    pub(crate) fn leave(&mut self) -> Vec<Message> {
        self.conversation.finish();
        self.drain(false);
        self.out.drain(..).collect()
    }

    pub(crate) const fn is_ready(&self) -> bool {
        self.is_ready
    }

    pub(crate) fn identity(&self) -> Option<String> {
        self.identity.clone()
    }

    /// What went wrong first with what the meter sent since its last reading.
    pub(crate) fn problem(&self) -> Option<String> {
        self.problem.clone()
    }

    fn ask(&mut self, now: Moment) {
        self.drain(false);
        if self.rests_until.is_some_and(|until| now >= until) {
            self.rests_until = None;
        }
        if self.is_wanted && self.rests_until.is_none() && self.conversation.may_ask() {
            let is_asked = self.conversation.ask(now);
            self.drain(is_asked);
        }
    }

    fn drain(&mut self, asks_for_reading: bool) {
        while let Some(bytes) = self.conversation.next_bytes() {
            self.out.push_back(Message { bytes, asks_for_reading });
        }
    }

    fn collect(&mut self) -> Vec<Oddity> {
        let mut odd = Vec::new();
        while let Some(event) = self.conversation.pull() {
            match event {
                Ok(Event::Ready(identity)) => {
                    self.is_ready = true;
                    self.identity = identity
                        .map(|identity| format!("{} {}", identity.maker, identity.model))
                        .or_else(|| self.identity.take());
                }
                Ok(Event::Answer(answer)) => {
                    self.problem = None;
                    // An answer that is sent twice must not pass for the answer to the next question: each double
                    // would put the meter one answer further behind. So the next one waits until it has come.
                    if let Some(delivery) = self.rest {
                        let Stamped { first_byte, last_byte, .. } = answer.reading;
                        let on_air = last_byte.since(first_byte);
                        self.rests_until = Some(last_byte.after(on_air + on_air / 4 + delivery));
                    }
                }
                Ok(Event::OldError { code, text }) => {
                    odd.push(Oddity::Noise(format!("an old error stood in its queue: {code} ({text})")));
                }
                Err(
                    error @ (ConversationError::Refused { .. } | ConversationError::EndlessErrors { .. }),
                ) => {
                    odd.push(Oddity::Trouble(error.to_string()));
                }
                // Silence is the conductor's to judge, by the time since the last reading.
                Err(ConversationError::Silent { .. }) => {}
                Err(error) => {
                    // The first one names the cause; what follows is often its echo.
                    self.problem.get_or_insert_with(|| error.to_string());
                    odd.push(Oddity::Noise(error.to_string()));
                }
            }
        }
        self.drain(false);
        odd
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_problem_since_the_last_reading_is_told() {
        let profile = crate::meter::shipped("text-lines").expect("shipped with the program");
        let mut ear = Ear::new(&profile, Moment::START);
        for (ms, line) in [(100, "0.500 V\r\n"), (200, "what?\r\n"), (300, "and this?\r\n")] {
            let _ = ear.bytes(line.as_bytes(), Moment::from_micros(ms * 1000));
        }
        let problem = ear.problem().unwrap_or_default();
        assert!(problem.contains("what?") && !problem.contains("and this?"), "{problem}");
    }
}
