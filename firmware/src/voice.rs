//! How the rest of the board speaks to a host: with the time it is, on one link.

use protocol::{Answer, BoardMessage, Event, Fault};

use crate::link::Link;

/// A link to speak on, and the time.
pub(crate) struct Voice<'a> {
    link: Option<&'a mut Link>,
    pub(crate) now_us: u64,
}

impl<'a> Voice<'a> {
    /// Speaks on the link with this index; into nowhere if there is none.
    pub(crate) fn new(links: &'a mut [Link], index: Option<usize>, now_us: u64) -> Self {
        Self { link: index.and_then(|index| links.get_mut(index)), now_us }
    }

    /// Answers a request.
    pub(crate) fn answer(&mut self, seq: u16, answer: Answer) {
        self.answer_at(self.now_us, seq, answer);
    }

    /// Answers a request with another time than now.
    pub(crate) fn answer_at(&mut self, at_us: u64, seq: u16, answer: Answer) {
        self.say(&BoardMessage::Answer { seq, at_us, answer });
    }

    /// Tells why a request is not carried out.
    pub(crate) fn refuse(&mut self, seq: u16, fault: Fault) {
        self.answer(seq, Answer::Refused(fault));
    }

    /// Tells what happened.
    pub(crate) fn event(&mut self, event: Event) {
        self.event_at(self.now_us, event);
    }

    /// Tells what happened at another time than now.
    pub(crate) fn event_at(&mut self, at_us: u64, event: Event) {
        self.say(&BoardMessage::Event { at_us, event });
    }

    fn say(&mut self, message: &BoardMessage) {
        if let Some(link) = &mut self.link {
            link.say(message);
        }
    }
}
