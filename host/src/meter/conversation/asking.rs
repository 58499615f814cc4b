//! A meter that sends its newest conversion when asked.

use std::{collections::VecDeque, time::Duration};

use super::{Answer, ConversationError, Event};
use crate::{meter::Decoder, moment::Moment};

/// Asks and waits. An answer that comes too late could be taken for the answer to the next question; so after a
/// silence of one timeout another one must pass without a byte before the next question goes out.
#[derive(Debug)]
pub(super) struct Asking {
    decoder: Decoder,
    poll: Vec<u8>,
    timeout: Duration,
    state: State,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Idle,
    Asked(Moment),
    /// Waits for what is late.
    Quiet {
        since: Moment,
    },
}

impl Asking {
    pub(super) const fn new(decoder: Decoder, poll: Vec<u8>, timeout: Duration) -> Self {
        Self { decoder, poll, timeout, state: State::Idle }
    }

    pub(super) fn may_ask(&self) -> bool {
        self.state == State::Idle
    }

    pub(super) fn ask(&mut self, now: Moment, outbox: &mut VecDeque<Vec<u8>>) -> bool {
        let idle = self.may_ask();
        if idle {
            outbox.push_back(self.poll.clone());
            self.state = State::Asked(now);
        }
        idle
    }

    pub(super) fn receive(
        &mut self,
        bytes: &[u8],
        at: Moment,
        events: &mut VecDeque<Result<Event, ConversationError>>,
    ) {
        if let State::Quiet { .. } = self.state {
            self.state = State::Quiet { since: at };
        }
        let held_back = self.decoder.held_back();
        self.decoder.push(bytes, at);
        while let Some(pulled) = self.decoder.pull() {
            match (pulled, self.state) {
                (Ok(reading), State::Asked(asked)) => {
                    self.state = State::Idle;
                    events.push_back(Ok(Event::Answer(Answer { asked: Some(asked), reading })));
                }
                // Nobody asked for it, or no longer.
                (Ok(_), _) => {}
                (Err(error), _) => events.push_back(Err(error.into())),
            }
        }
        // An answer in a mode of its own was an answer; the next one tells whether the mode is true.
        if self.decoder.held_back() > held_back && matches!(self.state, State::Asked(_)) {
            self.state = State::Idle;
        }
    }

    pub(super) fn deadline(&self) -> Option<Moment> {
        match self.state {
            State::Idle => None,
            State::Asked(since) | State::Quiet { since } => Some(since.after(self.timeout)),
        }
    }

    pub(super) fn expire(&mut self, now: Moment, events: &mut VecDeque<Result<Event, ConversationError>>) {
        if self.deadline().is_none_or(|deadline| now < deadline) {
            return;
        }
        if let State::Asked(_) = self.state {
            events.push_back(Err(ConversationError::Silent {
                sent: self.poll.escape_ascii().to_string(),
                expected: "a reading",
                waited: self.timeout,
            }));
            self.state = State::Quiet { since: now };
        } else {
            self.state = State::Idle;
        }
    }
}
