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
const PING_EVERY: Duration = Duration::from_millis(500);

/// A request that takes longer by itself is accompanied by pings. A settle time never is as long, so a sweep has one
/// request on its way at a time.
const LONGEST_ALONE: Duration = Duration::from_millis(1500);

/// So often in a row a request may stay unanswered before the switching board is called silent.
const TRIES: u16 = 4;

/// How long a switching board is asked for something that takes no time of its own before it is called silent.
pub const PATIENCE: Duration = ANSWER_WAIT.saturating_mul(TRIES as u32);

/// The host's end of the conversation: one request at a time, asked again when its answer is overdue, and a word now
/// and then so that the switching board keeps its channel closed. Time is an argument; frames are made and read by the
/// caller.
///
/// The caller [`send`](Self::send)s a request, hands on what it hears to [`receive`](Self::receive), and asks at
/// [`wake`](Self::wake) what is [`due`](Self::due).
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
    /// It takes so long that pings must go out beside it.
    is_long: bool,
}

impl Outstanding {
    /// Whether that number is an older one. A newer one is a ping beside this request, and tells of no slow link.
    const fn is_after(&self, seq: u16) -> bool {
        self.seq.wrapping_sub(seq) <= u16::MAX / 2
    }
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

/// What the conversation needs now.
#[derive(Debug, Clone, PartialEq, Eq)]
#[must_use = "what is due is told once"]
pub enum Due {
    /// Nothing.
    Nothing,
    /// Put this on the wire: it keeps the switching board awake. What is waited for stays waited for.
    Ping(RequestFrame),
    /// The answer is overdue. Send this again, or whatever serves better now.
    Again(Request),
    /// It was asked again in vain.
    Silent(ClientError),
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
    /// Begins a conversation at this number, which nobody should have used on this link for a while: an answer to an
    /// earlier conversation that comes late is then taken for none of this one (PROTOCOL.md, "Start").
    #[must_use]
    pub fn new(first: u16) -> Self {
        Self { next_seq: first, ..Self::default() }
    }

    /// Numbers a request and begins to wait for its answer. A request that was still outstanding is given up:
    /// its answer will be stale.
    pub fn send(&mut self, request: Request, now: Moment) -> RequestFrame {
        let takes_us = match request {
            Request::Select { settle_us, .. } => settle_us,
            Request::Start { settle_us, .. } => {
                self.step_settle_us = settle_us;
                settle_us
            }
            Request::Advance { .. } => self.step_settle_us,
            Request::Bleed { hold_us, .. } => hold_us,
            _ => 0,
        };
        let takes = Duration::from_micros(u64::from(takes_us));
        let frame = self.number(request, now);
        self.outstanding = Some(Outstanding {
            seq: frame.seq,
            request: frame.request.clone(),
            sent: now,
            deadline: now.after(ANSWER_WAIT + takes),
            is_long: takes > LONGEST_ALONE,
        });
        frame
    }

    /// The link was cut: nothing is waited for, and the clock of what comes back is not known. Numbers go on, so that
    /// a late answer is never taken for another.
    pub fn forget(&mut self) {
        *self = Self::new(self.next_seq);
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
                    if let Some(waiting) = &mut other
                        && waiting.is_after(*seq)
                    {
                        waiting.deadline = waiting.deadline.max(now.after(LATE_WAIT));
                    }
                    self.outstanding = other;
                    Heard::Stale { seq: *seq }
                }
            },
        }
    }

    /// What has to be said now. A request whose answer is overdue is given up.
    pub fn due(&mut self, now: Moment) -> Due {
        if let Some(late) = self.outstanding.take_if(|waiting| now >= waiting.deadline) {
            self.unanswered = self.unanswered.saturating_add(1);
            if self.unanswered < TRIES {
                return Due::Again(late.request);
            }
            return Due::Silent(ClientError::Silent { waited: now.since(late.sent), request: late.request });
        }
        if now < self.next_ping(now) {
            return Due::Nothing;
        }
        match &self.outstanding {
            // It would give the request up.
            Some(waiting) if !waiting.is_long => Due::Nothing,
            Some(_) => Due::Ping(self.number(Request::Ping, now)),
            None => Due::Ping(self.send(Request::Ping, now)),
        }
    }

    /// When [`due`](Self::due) should be asked next.
    #[must_use]
    pub fn wake(&self, now: Moment) -> Moment {
        match &self.outstanding {
            Some(waiting) if waiting.is_long => waiting.deadline.min(self.next_ping(now)),
            Some(waiting) => waiting.deadline,
            None => self.next_ping(now),
        }
    }

    /// Whether an answer is waited for.
    #[must_use]
    pub const fn is_waiting(&self) -> bool {
        self.outstanding.is_some()
    }

    /// The switching board's clock on the host's time scale.
    #[must_use]
    pub const fn clock(&self) -> &Clock {
        &self.clock
    }

    fn number(&mut self, request: Request, now: Moment) -> RequestFrame {
        let seq = self.next_seq;
        self.next_seq = seq.wrapping_add(1);
        self.last_sent = Some(now);
        RequestFrame { seq, request }
    }

    fn next_ping(&self, now: Moment) -> Moment {
        self.last_sent.map_or(now, |sent| sent.after(PING_EVERY))
    }
}

#[cfg(test)]
mod tests;
