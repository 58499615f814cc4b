//! Requests to the switching board, one at a time, and what it answers.

use std::time::Duration;

use protocol::{Answer, BoardMessage, Event, Request, RequestFrame};

use super::Clock;
use crate::moment::Moment;

/// How long an answer may take beyond the settle or hold time that the request itself asks for. A USB round trip
/// takes a few milliseconds; half a second is out of the question for a board that is alive.
const ANSWER_WAIT: Duration = Duration::from_millis(500);

/// How much longer an answer is waited for once a late one has come: the link is slow, and asking again in the same
/// rhythm would make every answer a late one. Less than the switching board's 2 s of silence, with what has gone by.
const LATE_WAIT: Duration = Duration::from_secs(1);

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
    /// Settle time of the steps of the plan, from the latest `Start`.
    step_settle_us: u32,
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
            Request::Select { settle_us, .. } => settle_us,
            Request::Start { settle_us, .. } => {
                self.step_settle_us = settle_us;
                settle_us
            }
            Request::Advance { .. } => self.step_settle_us,
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
        let is_settled = matches!(
            message,
            BoardMessage::Answer { answer: Answer::Settled { .. }, .. }
                | BoardMessage::Event { event: Event::Settled { .. }, .. }
        );
        // Messages come in the order in which they were written, so the clock can only go back by a restart. But
        // `Settled` tells when the settle time was over, and something else may have been told since.
        if at_us < self.board_time && !is_settled {
            self.board_time = at_us;
            self.clock = Clock::default();
            self.outstanding = None;
            return Heard::Restarted;
        }
        self.board_time = self.board_time.max(at_us);
        match message {
            BoardMessage::Event { event, .. } => {
                self.clock.event(at_us, now);
                Heard::Event(event.clone())
            }
            BoardMessage::Answer { seq, answer, .. } => match self.outstanding.take() {
                Some(waiting) if waiting.seq == *seq => {
                    self.unanswered = 0;
                    match waiting.request {
                        // Asked again, it is answered with the time of the first answer.
                        Request::Advance { .. } => self.clock.event(at_us, now),
                        _ => self.clock.answer(waiting.sent, at_us, now),
                    }
                    Heard::Answer { request: waiting.request, answer: answer.clone() }
                }
                mut other => {
                    if let Some(waiting) = &mut other {
                        waiting.deadline = waiting.deadline.max(now.after(LATE_WAIT));
                    }
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

    /// At a round trip of 600 ms every answer would come after its request had been made again.
    #[test]
    fn a_slow_link_is_waited_for() {
        let mut client = Client::default();
        let first = client.send(Request::Ping, ms(0));
        assert!(client.check(ms(500)).is_err());
        let second = client.send(Request::Ping, ms(500));
        client.receive(&answer(first.seq, 10, Answer::Pong), ms(600));
        assert!(client.check(ms(1100)).is_ok());
        let heard = client.receive(&answer(second.seq, 20, Answer::Pong), ms(1100));
        assert_eq!(heard, Heard::Answer { request: Request::Ping, answer: Answer::Pong });
        assert!(!client.is_given_up());
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
        // A step has that of the start, and a request has none.
        client.send(Request::Start { steps: 2, settle_us: 600_000, pace: protocol::Pace::Advance }, ms(0));
        client.send(Request::Advance { step: 1 }, ms(0));
        assert_eq!(client.deadline(), Some(ms(1100)));
        client.send(Request::Ping, ms(0));
        assert_eq!(client.deadline(), Some(ms(500)));
    }

    /// PROTOCOL.md, `Settled`: its time is when the settle time was over, and a step that is asked for again is answered
    /// with the time of the first answer.
    #[test]
    fn a_settle_time_that_was_over_before_is_no_restart() {
        let settled = || Answer::Settled { step: Some(1), channel: protocol::Channel(4) };
        let mut client = Client::default();
        // Board time 0 is host time 1000 ms; the answer to the step is lost, the ping's is not.
        let ping = client.send(Request::Ping, ms(1100));
        client.receive(&answer(ping.seq, 100_500, Answer::Pong), ms(1101));
        let again = client.send(Request::Advance { step: 1 }, ms(1200));
        let heard = client.receive(&answer(again.seq, 90_000, settled()), ms(1201));
        assert_eq!(heard, Heard::Answer { request: Request::Advance { step: 1 }, answer: settled() });
        // What is known of the clock stays known, at both ends.
        let (early, late) =
            (client.clock().earliest(100_500).unwrap(), client.clock().latest(100_500).unwrap());
        assert!(ms(1099) <= early && late <= ms(1102), "{early} {late}");
        // And a later message is held against the latest time.
        let ping = client.send(Request::Ping, ms(1300));
        assert_eq!(client.receive(&answer(ping.seq, 95_000, Answer::Pong), ms(1301)), Heard::Restarted);
    }
}
