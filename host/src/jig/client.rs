//! Requests to the switching board, one at a time, and what it answers.

use std::time::Duration;

use protocol::{Answer, BoardMessage, Event, Request, RequestFrame};

use super::Clock;
use crate::moment::Moment;

/// How long an answer may take beyond the settle or hold time that the request itself asks for. A USB round trip
/// takes a few milliseconds; half a second is out of the question for a board that is alive.
const ANSWER_WAIT: Duration = Duration::from_millis(500);

/// The host says something at least this often, so that the switching board, which waits for 2 s, never takes it for
/// lost.
pub const PING_EVERY: Duration = Duration::from_millis(500);

/// So often in a row a request may stay unanswered before the switching board is called silent.
pub const TRIES: u16 = 4;

/// The host's end of the conversation. Time is an argument; frames are made and read by the caller.
#[derive(Debug, Default)]
pub struct Client {
    next_seq: u16,
    outstanding: Option<Outstanding>,
    clock: Clock,
    board_time: u64,
    last_sent: Option<Moment>,
    unanswered: u16,
}

#[derive(Debug)]
struct Outstanding {
    seq: u16,
    request: Request,
    sent: Moment,
    deadline: Moment,
}

/// What a message of the switching board means.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Heard {
    /// The answer to the request that was outstanding.
    Answer {
        /// What was asked.
        request: Request,
        /// What came of it.
        answer: Answer,
    },
    /// Something that no request asked for.
    Event(Event),
    /// An answer to a request that is no longer waited for.
    Stale {
        /// Its number.
        seq: u16,
    },
    /// The board's clock went backwards: it has started again, and everything that it knew is gone.
    Restarted,
}

/// The switching board did not answer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ClientError {
    /// No answer in time.
    #[error("expected an answer to {request:?} within {} ms, found silence", waited.as_millis())]
    Silent {
        /// What was asked.
        request: Request,
        /// How long the host waited.
        waited: Duration,
    },
}

impl Client {
    /// Numbers a request and begins to wait for its answer. A request that was still outstanding is given up:
    /// its answer will be stale.
    pub fn send(&mut self, request: Request, now: Moment) -> RequestFrame {
        let seq = self.next_seq;
        self.next_seq = seq.wrapping_add(1);
        let settle = match request {
            Request::Select { settle_us, .. } | Request::Start { settle_us, .. } => settle_us,
            Request::Bleed { hold_us, .. } => hold_us,
            _ => 0,
        };
        let deadline = now.after(ANSWER_WAIT + Duration::from_micros(u64::from(settle)));
        self.outstanding = Some(Outstanding { seq, request: request.clone(), sent: now, deadline });
        self.last_sent = Some(now);
        RequestFrame { seq, request }
    }

    /// The link was cut: nothing is waited for, and the clock of what comes back is not known. Numbers go on, so that
    /// a late answer is never taken for another.
    pub fn forget(&mut self) {
        *self = Self { next_seq: self.next_seq, ..Self::default() };
    }

    /// Takes a message that arrived at `now`.
    pub fn receive(&mut self, message: &BoardMessage, now: Moment) -> Heard {
        let (BoardMessage::Answer { at_us, .. } | BoardMessage::Event { at_us, .. }) = *message;
        // Messages come in the order in which they were written, so the clock can only go back by a restart.
        if at_us < self.board_time {
            self.board_time = at_us;
            self.clock = Clock::default();
            self.outstanding = None;
            return Heard::Restarted;
        }
        self.board_time = at_us;
        match message {
            BoardMessage::Event { event, .. } => {
                self.clock.event(at_us, now);
                Heard::Event(event.clone())
            }
            BoardMessage::Answer { seq, answer, .. } => match self.outstanding.take() {
                Some(waiting) if waiting.seq == *seq => {
                    self.clock.answer(waiting.sent, at_us, now);
                    self.unanswered = 0;
                    Heard::Answer { request: waiting.request, answer: answer.clone() }
                }
                other => {
                    self.outstanding = other;
                    Heard::Stale { seq: *seq }
                }
            },
        }
    }

    /// Gives up the outstanding request if its answer is overdue.
    ///
    /// # Errors
    /// [`ClientError::Silent`] once, when the deadline has passed.
    pub fn check(&mut self, now: Moment) -> Result<(), ClientError> {
        match self.outstanding.take_if(|waiting| now >= waiting.deadline) {
            Some(late) => {
                self.unanswered = self.unanswered.saturating_add(1);
                Err(ClientError::Silent { waited: now.since(late.sent), request: late.request })
            }
            None => Ok(()),
        }
    }

    /// Whether so many requests in a row were not answered that asking again is in vain.
    #[must_use]
    pub const fn is_given_up(&self) -> bool {
        self.unanswered >= TRIES
    }

    /// Whether it is time to say something for its own sake. While an answer is waited for it never is: a ping would
    /// give the request up.
    #[must_use]
    pub fn wants_ping(&self, now: Moment) -> bool {
        !self.is_waiting() && self.last_sent.is_none_or(|sent| now >= sent.after(PING_EVERY))
    }

    /// When the outstanding answer is overdue.
    #[must_use]
    pub fn deadline(&self) -> Option<Moment> {
        self.outstanding.as_ref().map(|waiting| waiting.deadline)
    }

    /// When [`check`](Self::check) and [`wants_ping`](Self::wants_ping) should be asked next.
    #[must_use]
    pub fn due(&self, now: Moment) -> Moment {
        self.deadline().unwrap_or_else(|| self.last_sent.unwrap_or(now).after(PING_EVERY))
    }

    /// Whether an answer is waited for.
    #[must_use]
    pub const fn is_waiting(&self) -> bool {
        self.outstanding.is_some()
    }

    /// When the last request went out.
    #[must_use]
    pub const fn last_sent(&self) -> Option<Moment> {
        self.last_sent
    }

    /// The switching board's clock on the host's time scale.
    #[must_use]
    pub const fn clock(&self) -> &Clock {
        &self.clock
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(value: u64) -> Moment {
        Moment::from_micros(value * 1000)
    }

    fn answer(seq: u16, at_us: u64, answer: Answer) -> BoardMessage {
        BoardMessage::Answer { seq, at_us, answer }
    }

    #[test]
    fn a_late_answer_is_not_taken_for_another() {
        let mut client = Client::default();
        let first = client.send(Request::Ping, ms(0));
        assert!(client.check(ms(499)).is_ok());
        assert!(client.check(ms(500)).is_err());
        let second = client.send(Request::OpenAll, ms(501));
        assert_eq!(
            client.receive(&answer(first.seq, 10, Answer::Pong), ms(502)),
            Heard::Stale { seq: first.seq }
        );
        assert_eq!(
            client.receive(&answer(second.seq, 20, Answer::Opened), ms(503)),
            Heard::Answer { request: Request::OpenAll, answer: Answer::Opened }
        );
        assert!(!client.is_waiting());
    }

    #[test]
    fn a_restart_is_noticed_from_the_clock() {
        let mut client = Client::default();
        let ping = client.send(Request::Ping, ms(0));
        client.receive(&answer(ping.seq, 5_000_000, Answer::Pong), ms(1));
        let ping = client.send(Request::Ping, ms(100));
        assert_eq!(client.receive(&answer(ping.seq, 300, Answer::Pong), ms(101)), Heard::Restarted);
    }

    #[test]
    fn a_long_settle_time_is_waited_for() {
        let mut client = Client::default();
        client.send(Request::Select { channel: protocol::Channel(1), settle_us: 2_000_000 }, ms(0));
        assert_eq!(client.deadline(), Some(ms(2500)));
    }
}
