//! A meter that sends its newest conversion when asked.

use std::{collections::VecDeque, time::Duration};

use super::{Answer, ConversationError, Event};
use crate::{
    meter::{Decoder, Profile},
    moment::Moment,
};

/// Asks and waits. An answer that comes too late could be taken for the answer to the next question; so after a
/// silence of one timeout another one must pass without a byte before the next question goes out. An answer that came
/// but cannot be read is waited out until the line is quiet, which takes no longer than an answer does.
#[derive(Debug)]
pub(super) struct Asking {
    decoder: Decoder,
    poll: Vec<u8>,
    timeout: Duration,
    /// Quiet for so long, the line has nothing left of an answer.
    pause: Duration,
    state: State,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Idle,
    Asked(Moment),
    /// Waits for what is late, or for the rest of what could not be read.
    Quiet {
        since: Moment,
        pause: Duration,
    },
}

impl Asking {
    /// The longest answer of a polled meter, in bytes: 14 of `d14`, and a line of up to 32.
    const LONGEST: u32 = 32;

    pub(super) fn new(decoder: Decoder, profile: &Profile, poll: Vec<u8>, timeout: Duration) -> Self {
        // Twice what the adapter holds back: once for the last bytes, once for a second copy of them.
        let pause = profile.port.byte_time() * Self::LONGEST + profile.timing.adapter_delay * 2;
        Self { decoder, poll, timeout, pause: pause.min(timeout), state: State::Idle }
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
        if let State::Quiet { pause, .. } = self.state {
            self.state = State::Quiet { since: at, pause };
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
                (Err(error), state) => {
                    events.push_back(Err(error.into()));
                    if let State::Asked(_) = state {
                        self.state = State::Quiet { since: at, pause: self.pause };
                    }
                }
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
            State::Asked(since) => Some(since.after(self.timeout)),
            State::Quiet { since, pause } => Some(since.after(pause)),
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
            self.state = State::Quiet { since: now, pause: self.timeout };
        } else {
            self.state = State::Idle;
        }
    }
}
