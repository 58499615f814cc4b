//! The one way to move the switch: open everything, wait, close one channel.
//!
//! The rules that protect the board under test stand here and hold for every driver and whatever the
//! sequencer above asks for: at most one channel, and break before make.

use protocol::Channel;

use crate::time::Due;
use crate::{Switch, SwitchFault};

/// A switch together with what is known of its contacts.
#[derive(Debug)]
pub struct Contacts<S> {
    switch: S,
    contact: Contact,
    /// When the contacts moved; `None` until the clock is read for the first time after that. Counted from
    /// there, a wait may be longer than stated and is never shorter.
    moved_us: Option<u64>,
}

/// Why a channel was not closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotClosed {
    /// A channel is closed, or the break is not over. Nothing was moved.
    NotRested,
    /// The switch failed; everything was opened as far as is known.
    Fault,
}

/// What is known of the contacts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Contact {
    /// Opening failed: any channel may be closed.
    Unknown,
    /// Every channel is open.
    Open,
    /// One channel is closed.
    Closed(Channel),
}

impl<S: Switch> Contacts<S> {
    /// Takes a switch over and opens every channel.
    pub fn new(switch: S) -> Self {
        let mut contacts = Self { switch, contact: Contact::Unknown, moved_us: None };
        // A failure is kept in the state: nothing will be closed until opening succeeds.
        let _ = contacts.open();
        contacts
    }

    /// Takes a reading of the clock, made after the last call that moved pins.
    pub fn observe(&mut self, now_us: u64) {
        self.moved_us.get_or_insert(now_us);
    }

    /// Opens every channel. The pins are driven even if they should be open already.
    ///
    /// # Errors
    ///
    /// [`SwitchFault`] if the switch failed; nothing can be closed until this succeeds.
    pub fn open(&mut self) -> Result<(), SwitchFault> {
        let outcome = self.switch.open_all();
        let contact = if outcome.is_ok() { Contact::Open } else { Contact::Unknown };
        // A failed try is followed by a wait, too.
        if contact != self.contact || outcome.is_err() {
            (self.contact, self.moved_us) = (contact, None);
        }
        outcome
    }

    /// Closes one channel, if everything has been open for the break at `now_us`.
    ///
    /// # Errors
    ///
    /// [`NotClosed::NotRested`] before that, [`NotClosed::Fault`] if the switch failed.
    pub fn close(&mut self, channel: Channel, now_us: u64) -> Result<(), NotClosed> {
        if self.is_unknown() || !self.rested().is_over(now_us) {
            return Err(NotClosed::NotRested);
        }
        let outcome = self.switch.close(channel);
        if outcome.is_ok() {
            (self.contact, self.moved_us) = (Contact::Closed(channel), None);
            Ok(())
        } else {
            // It may be half closed: forget that it was open before opening it again.
            self.contact = Contact::Unknown;
            let _ = self.open();
            Err(NotClosed::Fault)
        }
    }

    /// When the break is over and a channel may be closed, or opening may be tried again if it failed; never if not
    /// known yet, or if a channel is closed.
    pub(crate) fn rested(&self) -> Due {
        let opened_us = self.moved_us.filter(|_| self.closed().is_none());
        Due::after(opened_us, self.switch.waits().break_us.into())
    }

    /// When the closed contact is made, done bouncing, and has had so long to settle; never if not known yet, or
    /// nothing is closed.
    pub(crate) fn settled(&self, settle_us: u32) -> Due {
        let closed_us = self.moved_us.filter(|_| self.closed().is_some());
        Due::after(closed_us, u64::from(self.switch.waits().make_us).saturating_add(settle_us.into()))
    }

    /// The closed channel.
    pub fn closed(&self) -> Option<Channel> {
        match self.contact {
            Contact::Closed(channel) => Some(channel),
            Contact::Open | Contact::Unknown => None,
        }
    }

    /// Whether opening failed, so that nothing is known of the contacts.
    pub fn is_unknown(&self) -> bool {
        self.contact == Contact::Unknown
    }

    /// Whether the clock must be read before any wait can begin.
    pub fn wants_the_time(&self) -> bool {
        self.moved_us.is_none()
    }

    /// The switch.
    pub fn switch(&self) -> &S {
        &self.switch
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::vec::Vec;

    use protocol::BoardKind;

    use super::*;
    use crate::Waits;

    #[derive(Default)]
    struct Recorded {
        moves: Vec<Option<u8>>,
        fail_close: bool,
        fail_open: bool,
    }

    impl Switch for Recorded {
        fn kind(&self) -> BoardKind {
            BoardKind::Practice
        }
        fn channels(&self) -> u8 {
            16
        }
        fn waits(&self) -> Waits {
            Waits { break_us: 100, make_us: 300 }
        }
        fn open_all(&mut self) -> Result<(), SwitchFault> {
            self.moves.push(None);
            if self.fail_open { Err(SwitchFault) } else { Ok(()) }
        }
        fn close(&mut self, channel: Channel) -> Result<(), SwitchFault> {
            self.moves.push(Some(channel.0));
            if self.fail_close { Err(SwitchFault) } else { Ok(()) }
        }
    }

    #[test]
    fn opens_before_anything_else() {
        assert_eq!(Contacts::new(Recorded::default()).switch.moves, [None]);
    }

    #[test]
    fn break_counts_from_the_clock_after_the_pins_moved() {
        let mut contacts = Contacts::new(Recorded::default());
        assert_eq!(contacts.close(Channel(1), 1_000), Err(NotClosed::NotRested), "no clock read yet");
        contacts.observe(1_000);
        assert_eq!(contacts.close(Channel(1), 1_099), Err(NotClosed::NotRested));
        assert_eq!(contacts.close(Channel(1), 1_100), Ok(()));
        assert_eq!(contacts.switch.moves, [None, Some(1)]);
    }

    #[test]
    fn never_two_channels() {
        let mut contacts = Contacts::new(Recorded::default());
        contacts.observe(0);
        assert_eq!(contacts.close(Channel(1), 100), Ok(()));
        contacts.observe(101);
        assert_eq!(contacts.close(Channel(2), 1_000_000), Err(NotClosed::NotRested));
        assert_eq!(contacts.switch.moves, [None, Some(1)]);
    }

    #[test]
    fn opening_again_does_not_prolong_the_break() {
        let mut contacts = Contacts::new(Recorded::default());
        contacts.observe(0);
        assert_eq!(contacts.open(), Ok(()));
        contacts.observe(90);
        assert_eq!(contacts.rested(), Due::at(100));
    }

    #[test]
    fn made_counts_from_the_clock_after_the_pins_moved() {
        let mut contacts = Contacts::new(Recorded::default());
        contacts.observe(0);
        assert_eq!(contacts.close(Channel(1), 500), Ok(()));
        assert_eq!(contacts.settled(0), Due::NEVER);
        contacts.observe(510);
        assert_eq!(contacts.settled(0), Due::at(810));
        assert_eq!(contacts.settled(7), Due::at(817));
    }

    #[test]
    fn a_failed_close_opens_everything() {
        let mut contacts = Contacts::new(Recorded { fail_close: true, ..Recorded::default() });
        contacts.observe(0);
        assert_eq!(contacts.close(Channel(3), 100), Err(NotClosed::Fault));
        assert_eq!(contacts.switch.moves, [None, Some(3), None]);
        assert_eq!(contacts.closed(), None);
    }

    #[test]
    fn nothing_is_closed_while_opening_fails() {
        let mut contacts = Contacts::new(Recorded { fail_open: true, ..Recorded::default() });
        contacts.observe(0);
        assert!(contacts.is_unknown());
        assert_eq!(contacts.close(Channel(3), 1_000), Err(NotClosed::NotRested));
        contacts.switch.fail_open = false;
        assert_eq!(contacts.open(), Ok(()));
        contacts.observe(2_000);
        assert_eq!(contacts.close(Channel(3), 2_100), Ok(()));
    }
}
