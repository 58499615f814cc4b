//! What a switching board is made of: one constant an image, checked while the image is compiled.

use protocol::BoardKind;

use super::Waits;

/// How a board switches, how many channels it has, and how long its contacts take.
///
/// Made by a `const` item of an image, so that a board which cannot be does not compile:
///
/// ```
/// use firmware::{Contact, Description, Waits};
///
/// const BOARD: Description =
///     Description::shift_registers(8, Contact::Relay, Waits { break_us: 2_000, make_us: 3_000 });
/// assert_eq!(BOARD.channels(), 64);
/// ```
///
/// Relays with the waits of a multiplexer do not:
///
/// ```compile_fail,E0080
/// use firmware::{Contact, Description, Waits};
///
/// const BOARD: Description =
///     Description::shift_registers(8, Contact::Relay, Waits { break_us: 50, make_us: 50 });
/// assert_eq!(BOARD.channels(), 64);
/// ```
///
/// The numbers of parts are meant as the lengths of the arrays that a driver takes
/// (`ShiftRegisters<_, _, { BOARD.parts() }>`): an image with more or fewer lines than it describes does
/// not compile either.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Description {
    kind: BoardKind,
    contact: Contact,
    address_lines: usize,
    parts: usize,
    channels: u8,
    waits: Waits,
}

/// What makes the contact between the common line and a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Contact {
    /// An analog multiplexer on a supply that spans the compliance of the meter on both sides of ground.
    Multiplexer,
    /// A PhotoMOS: a light-emitting diode that lights a pair of transistors.
    PhotoMos,
    /// A reed relay or a small armature relay.
    Relay,
}

/// Longer waits than these are a slip of the pen: every relay is done long before.
const LONGEST_WAIT_US: u32 = 100_000;

impl Contact {
    /// The shortest waits that a part of this kind may be given.
    ///
    /// Multiplexers switch within 0.2 µs. A PhotoMOS takes 0.03 to 0.5 ms each way, here twice that. A reed
    /// relay releases within 0.5 ms and is given 2 ms; it rings for almost 2 ms after closing and is given
    /// 3 ms (docs/facts.md, 2.3 and 4, with the data sheets named there).
    #[must_use]
    pub const fn shortest_waits(self) -> Waits {
        match self {
            Self::Multiplexer => Waits { break_us: 1, make_us: 1 },
            Self::PhotoMos => Waits { break_us: 1_000, make_us: 1_000 },
            Self::Relay => Waits { break_us: 2_000, make_us: 3_000 },
        }
    }
}

#[expect(clippy::arithmetic_side_effects, reason = "evaluated at compile time, where overflow is an error")]
impl Description {
    /// Banks of analog multiplexers that share `address_lines` lines.
    ///
    /// # Panics
    ///
    /// Like every function here that makes a description: if there are no channels or more than 255, or the
    /// waits are too short for the contact. In a constant that is an error of the compiler.
    #[must_use]
    pub const fn multiplexers(address_lines: usize, banks: usize, waits: Waits) -> Self {
        assert!(address_lines < 8, "a bank has at most 128 channels");
        Self::new(
            BoardKind::Multiplexer,
            Contact::Multiplexer,
            address_lines,
            banks,
            banks << address_lines,
            waits,
        )
    }

    /// A chain of shift registers with eight outputs each.
    #[must_use]
    pub const fn shift_registers(registers: usize, contact: Contact, waits: Waits) -> Self {
        Self::new(BoardKind::ShiftRegister, contact, 0, registers, registers * 8, waits)
    }

    /// I²C expanders with sixteen outputs each, at the addresses from 0x20 on.
    #[must_use]
    pub const fn expanders(chips: usize, contact: Contact, waits: Waits) -> Self {
        assert!(chips <= 8, "an expander has three address lines");
        Self::new(BoardKind::Expander, contact, 0, chips, chips * 16, waits)
    }

    /// How it switches.
    #[must_use]
    pub const fn kind(&self) -> BoardKind {
        self.kind
    }

    /// What makes the contact.
    #[must_use]
    pub const fn contact(&self) -> Contact {
        self.contact
    }

    /// Address lines of the multiplexers; 0 for other boards.
    #[must_use]
    pub const fn address_lines(&self) -> usize {
        self.address_lines
    }

    /// Banks, registers or expanders.
    #[must_use]
    pub const fn parts(&self) -> usize {
        self.parts
    }

    /// Channels that exist, counted from 0.
    #[must_use]
    pub const fn channels(&self) -> u8 {
        self.channels
    }

    /// How long its contacts take.
    #[must_use]
    pub const fn waits(&self) -> Waits {
        self.waits
    }

    const fn new(
        kind: BoardKind,
        contact: Contact,
        address_lines: usize,
        parts: usize,
        channels: usize,
        waits: Waits,
    ) -> Self {
        let shortest = contact.shortest_waits();
        assert!(channels > 0 && channels <= u8::MAX as usize, "channels are counted in a byte");
        assert!(waits.break_us >= shortest.break_us, "the break is too short for this kind of contact");
        assert!(waits.make_us >= shortest.make_us, "the make time is too short for this kind of contact");
        assert!(waits.break_us <= LONGEST_WAIT_US && waits.make_us <= LONGEST_WAIT_US, "waits are in µs");
        Self { kind, contact, address_lines, parts, channels: channels as u8, waits }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn channels_are_counted_through_the_parts() {
        let waits = Contact::Relay.shortest_waits();
        for (board, kind, parts, channels) in [
            (Description::multiplexers(4, 4, waits), BoardKind::Multiplexer, 4, 64),
            (Description::multiplexers(3, 2, waits), BoardKind::Multiplexer, 2, 16),
            (Description::shift_registers(16, Contact::PhotoMos, waits), BoardKind::ShiftRegister, 16, 128),
            (Description::expanders(2, Contact::Relay, waits), BoardKind::Expander, 2, 32),
        ] {
            assert_eq!((board.kind(), board.parts(), board.channels()), (kind, parts, channels));
            assert_eq!(board.waits(), waits);
        }
    }
}
