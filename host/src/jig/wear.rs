//! How often each channel was closed and each connector mated, from session logs; and what is worn by that. Pure.

use std::collections::BTreeMap;

use protocol::{Answer, BoardMessage, Event, Fault, Request, RequestFrame};

use super::BoardName;

/// What the operator does in a log when a switching board is called by a name.
pub const NAMED: &str = "name the jig";

/// Closings of one channel after which it is called worn: reed contacts at low load last 1e8 and more (docs/facts.md 2.3,
/// from memory of data sheets); a tenth of that leaves time to order relays. Multiplexers and PhotoMOS do not wear.
pub const CHANNEL_LIMIT: u64 = 10_000_000;

/// Matings of the carrier's spring probes after which they are called worn: 10,000 cycles in general (docs/facts.md 2.3).
pub const CARRIER_LIMIT: u64 = 10_000;

/// Matings of a connector under test after which it is called worn. Board-to-board connectors of 0.4 mm and less are
/// specified for some 10 to 30 matings, larger ones for 50 (from memory of makers' data sheets): look it up for yours.
pub const CONNECTOR_LIMIT: u64 = 10;

/// Part of a limit from which it is warned of.
const NEAR: f64 = 0.8;

/// What wears.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Closings of one channel.
    pub channel: u64,
    /// Matings of a carrier.
    pub carrier: u64,
    /// Matings of a connector of a board.
    pub connector: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Self { channel: CHANNEL_LIMIT, carrier: CARRIER_LIMIT, connector: CONNECTOR_LIMIT }
    }
}

/// Which mating half: the carrier of a wiring, or the connector of one board.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mate {
    /// The mating half of the jig, by the name of its wiring.
    Carrier {
        /// Name of the wiring.
        wiring: String,
    },
    /// The connector of a board.
    Connector {
        /// Ticket number or other name of the board.
        board: String,
        /// Name of the connector.
        connector: String,
    },
}

/// Counts over many sessions.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Wear {
    /// Closings by switching board and channel.
    pub closings: BTreeMap<BoardName, BTreeMap<u8, u64>>,
    /// Matings.
    pub matings: BTreeMap<Mate, u64>,
    /// Sessions that were counted.
    pub sessions: u64,
}

/// Counts one session, event by event.
#[derive(Debug, Clone, Default)]
pub struct Session {
    unique_id: Option<[u8; 8]>,
    called: Option<String>,
    closings: BTreeMap<u8, u64>,
    closed: Option<u8>,
    /// The latest bleed that was asked for: number of the request, and channel.
    bled: Option<(u16, u8)>,
}

/// Something that is worn, or will be soon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Warning {
    /// A channel.
    Channel {
        /// Its switching board.
        board: BoardName,
        /// The channel.
        channel: u8,
        /// How often it was closed.
        closings: u64,
        /// Its limit.
        limit: u64,
    },
    /// A mating half.
    Mate {
        /// Which.
        mate: Mate,
        /// How often it was mated.
        matings: u64,
        /// Its limit.
        limit: u64,
    },
}

impl Session {
    /// A request went to the switching board: bleeding closes a channel without an answer that names it.
    pub fn sent(&mut self, frame: &RequestFrame) {
        match frame.request {
            Request::Bleed { channel, .. } => {
                *self.closings.entry(channel.0).or_default() += 1;
                self.bled = Some((frame.seq, channel.0));
                self.closed = None;
            }
            // These open what is closed first, be it the channel that is asked for.
            Request::Greet { .. }
            | Request::OpenAll
            | Request::LoadPlan { .. }
            | Request::Select { .. }
            | Request::Start { .. } => self.closed = None,
            _ => {}
        }
    }

    /// The switching board sent a message.
    pub fn heard(&mut self, message: &BoardMessage) {
        match message {
            BoardMessage::Answer { answer: Answer::Greeting(greeting), .. } => {
                self.unique_id = Some(greeting.unique_id);
                self.closed = None;
            }
            // Refused before anything moved.
            BoardMessage::Answer {
                seq,
                answer:
                    Answer::Refused(
                        Fault::NotFitted
                        | Fault::LidOpen
                        | Fault::NotGreeted
                        | Fault::ChannelOutOfRange { .. }
                        | Fault::UnknownRequest,
                    ),
                ..
            } => {
                if let Some((_, channel)) = self.bled.take_if(|(bled, _)| bled == seq)
                    && let Some(count) = self.closings.get_mut(&channel)
                {
                    *count = count.saturating_sub(1);
                }
            }
            BoardMessage::Answer { answer: Answer::Settled { channel, .. }, .. }
            | BoardMessage::Event { event: Event::Settled { channel, .. }, .. }
                // A step whose answer was lost is asked for again, and its channel stays closed.
                if self.closed != Some(channel.0) =>
            {
                *self.closings.entry(channel.0).or_default() += 1;
                self.closed = Some(channel.0);
            }
            BoardMessage::Answer { answer: Answer::Opened | Answer::PlanEnded, .. }
            | BoardMessage::Event { event: Event::Opened { .. }, .. } => self.closed = None,
            _ => {}
        }
    }

    /// The operator called the switching board by a name.
    pub fn named(&mut self, name: &str) {
        self.called = Some(name.to_owned());
    }
}

impl Wear {
    /// Adds a session. `wiring` names the carrier, `board` the board that was put on it with its connector; a session
    /// without a board mated nothing that is known.
    pub fn add(&mut self, session: Session, wiring: &str, board: Option<(&str, &str)>) {
        self.sessions += 1;
        let Session { unique_id, called, closings, .. } = session;
        if let Some(id) = unique_id {
            let channels = self.closings.entry(BoardName::new(id, called.as_deref())).or_default();
            for (channel, count) in closings {
                *channels.entry(channel).or_default() += count;
            }
        }
        *self.matings.entry(Mate::Carrier { wiring: wiring.to_owned() }).or_default() += 1;
        if let Some((board, connector)) = board {
            let mate = Mate::Connector { board: board.to_owned(), connector: connector.to_owned() };
            *self.matings.entry(mate).or_default() += 1;
        }
    }

    /// What is worn, and what is nearly.
    #[must_use]
    pub fn warnings(&self, limits: Limits) -> Vec<Warning> {
        let is_near = |count: u64, limit: u64| count as f64 >= NEAR * limit as f64;
        let channels = self.closings.iter().flat_map(|(board, channels)| {
            channels.iter().filter(|(_, closings)| is_near(**closings, limits.channel)).map(
                |(channel, closings)| Warning::Channel {
                    board: board.clone(),
                    channel: *channel,
                    closings: *closings,
                    limit: limits.channel,
                },
            )
        });
        let mates = self.matings.iter().filter_map(|(mate, &matings)| {
            let limit = match mate {
                Mate::Carrier { .. } => limits.carrier,
                Mate::Connector { .. } => limits.connector,
            };
            is_near(matings, limit).then(|| Warning::Mate { mate: mate.clone(), matings, limit })
        });
        channels.chain(mates).collect()
    }
}

impl std::fmt::Display for Mate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Carrier { wiring } => write!(f, "carrier of wiring {wiring}"),
            Self::Connector { board, connector } => write!(f, "connector {connector} of board {board}"),
        }
    }
}

impl std::fmt::Display for Warning {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let state = |count: u64, limit: u64| if count >= limit { "is worn" } else { "will be worn soon" };
        match self {
            Self::Channel { board, channel, closings, limit } => write!(
                f,
                "channel {channel} of {board} {}: closed {closings} times, limit {limit}; measure its path with `pintally jig zero`, replace its relay",
                state(*closings, *limit)
            ),
            Self::Mate { mate: mate @ Mate::Carrier { .. }, matings, limit } => write!(
                f,
                "the {mate} {}: mated {matings} times, limit {limit}; replace its mating half or its spring probes",
                state(*matings, *limit)
            ),
            Self::Mate { mate, matings, limit } => write!(
                f,
                "the {mate} {}: mated {matings} times, limit {limit}; seat it again only when nothing else is left to check",
                state(*matings, *limit)
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use protocol::{Channel, OpenReason};

    use super::*;
    use crate::jig::fixture;

    fn settled(channel: u8) -> BoardMessage {
        let answer = Answer::Settled { step: None, channel: Channel(channel) };
        BoardMessage::Answer { seq: 1, at_us: 1, answer }
    }

    fn greeting(unique_id: [u8; 8]) -> BoardMessage {
        fixture::answer(1, 1, fixture::greeting(unique_id))
    }

    #[test]
    fn a_channel_that_stays_closed_counts_once() {
        let mut session = Session::default();
        session.heard(&greeting([1; 8]));
        for message in [settled(3), settled(3), settled(4), settled(3)] {
            session.heard(&message);
        }
        session.heard(&BoardMessage::Event {
            at_us: 2,
            event: Event::Opened { reason: OpenReason::HostSilent },
        });
        session.heard(&settled(3));
        let bleed = Request::Bleed { channel: Channel(9), hold_us: 1 };
        session.sent(&RequestFrame { seq: 1, request: bleed.clone() });
        session.heard(&BoardMessage::Answer { seq: 1, at_us: 3, answer: Answer::Bled });
        // A refused one moves nothing, and the same channel again opens it first.
        session.sent(&RequestFrame { seq: 2, request: bleed });
        session.heard(&BoardMessage::Answer { seq: 2, at_us: 4, answer: Answer::Refused(Fault::LidOpen) });
        let select = Request::Select { channel: Channel(4), settle_us: 1 };
        for seq in 3..5 {
            session.sent(&RequestFrame { seq, request: select.clone() });
            session.heard(&settled(4));
        }
        let mut wear = Wear::default();
        wear.add(session, "jig 2", Some(("T1", "J5")));
        let channels = &wear.closings[&BoardName::Id([1; 8])];
        assert_eq!(channels.iter().map(|(c, n)| (*c, *n)).collect::<Vec<_>>(), [(3, 3), (4, 3), (9, 1)]);
        assert_eq!(wear.matings.len(), 2);
    }

    #[test]
    fn boards_without_a_number_are_told_by_their_names() {
        let mut wear = Wear::default();
        for name in [Some("left"), Some("right"), None, Some("left")] {
            let mut session = Session::default();
            if let Some(name) = name {
                session.named(name);
            }
            session.heard(&greeting([0; 8]));
            session.heard(&settled(0));
            wear.add(session, "jig", None);
        }
        let count = |board: BoardName| wear.closings[&board][&0];
        assert_eq!(count(BoardName::Named("left".into())), 2);
        assert_eq!(count(BoardName::Named("right".into())), 1);
        assert_eq!(count(BoardName::Unnamed), 1);
    }

    #[test]
    fn what_is_nearly_worn_is_warned_of() {
        let mut wear = Wear::default();
        for _ in 0..8 {
            wear.add(Session::default(), "jig", Some(("T1", "J5")));
        }
        let limits = Limits { connector: 10, ..Limits::default() };
        let texts: Vec<String> = wear.warnings(limits).iter().map(ToString::to_string).collect();
        assert_eq!(
            texts,
            [
                "the connector J5 of board T1 will be worn soon: mated 8 times, limit 10; seat it again only when nothing else is left to check"
            ]
        );
        assert_eq!(wear.warnings(Limits { connector: 11, ..limits }), []);
        assert!(wear.warnings(Limits { connector: 8, ..limits })[0].to_string().contains("is worn"));
    }
}
