//! The conductor's side of the meter: when to ask it, and whether it makes sense.
//!
//! Readings themselves go to the observer, straight from the bytes.

use std::collections::VecDeque;

use crate::{
    meter::{Conversation, ConversationError, Event, Profile},
    moment::Moment,
};

/// Leads the conversation with the meter.
#[derive(Debug)]
pub(super) struct Ear {
    conversation: Conversation,
    is_wanted: bool,
    is_ready: bool,
    identity: Option<String>,
    problem: Option<String>,
    out: VecDeque<Message>,
}

/// Bytes for the meter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Message {
    pub(super) bytes: Vec<u8>,
    /// Whether the meter begins a conversion, or sends its latest, because of them.
    pub(super) asks_for_reading: bool,
}

/// What is odd about the meter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Oddity {
    /// Something was skipped; the next reading may be good.
    Noise(String),
    /// It does not do what a sweep needs.
    Trouble(String),
}

impl Ear {
    pub(super) fn new(profile: &Profile, now: Moment) -> Self {
        let mut conversation = Conversation::new(profile);
        conversation.start(now);
        let mut ear = Self {
            conversation,
            is_wanted: false,
            is_ready: false,
            identity: None,
            problem: None,
            out: VecDeque::new(),
        };
        ear.collect();
        ear
    }

    /// Readings are wanted from now on, or no longer.
    pub(super) fn want(&mut self, is_wanted: bool, now: Moment) {
        self.is_wanted = is_wanted;
        self.ask(now);
    }

    /// Bytes arrived.
    pub(super) fn bytes(&mut self, bytes: &[u8], now: Moment) -> Vec<Oddity> {
        self.conversation.receive(bytes, now);
        let odd = self.collect();
        self.ask(now);
        odd
    }

    /// Time has passed.
    pub(super) fn expire(&mut self, now: Moment) -> Vec<Oddity> {
        self.conversation.expire(now);
        let odd = self.collect();
        self.ask(now);
        odd
    }

    pub(super) fn deadline(&self) -> Option<Moment> {
        self.conversation.deadline()
    }

    /// The next bytes to send.
    pub(super) fn next_output(&mut self) -> Option<Message> {
        self.out.pop_front()
    }

    /// Bytes that give the meter's keys back to the operator.
    pub(super) fn leave(&mut self) -> Vec<Message> {
        self.conversation.finish();
        self.drain(false);
        self.out.drain(..).collect()
    }

    pub(super) const fn is_ready(&self) -> bool {
        self.is_ready
    }

    pub(super) fn identity(&self) -> Option<String> {
        self.identity.clone()
    }

    /// What was last wrong with what the meter sent; `None` after a reading.
    pub(super) fn problem(&self) -> Option<String> {
        self.problem.clone()
    }

    fn ask(&mut self, now: Moment) {
        self.drain(false);
        if self.is_wanted && self.conversation.may_ask() {
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
                Ok(Event::Answer(_)) => self.problem = None,
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
                    self.problem = Some(error.to_string());
                    odd.push(Oddity::Noise(error.to_string()));
                }
            }
        }
        self.drain(false);
        odd
    }
}
