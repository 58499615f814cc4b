//! What a switch must be able to do, and the drivers for the parts that do it.
//!
//! A driver moves pins and nothing else: it keeps no time and no rule. The rules stand in
//! [`contacts`](crate::contacts), once for all drivers.

mod description;
mod expander;
mod multiplexer;
mod shift_register;

pub use description::{Contact, Description};
pub use expander::Expanders;
pub use multiplexer::{ActiveLevel, MultiplexerBanks};
use protocol::{BoardKind, Channel};
pub use shift_register::{ReadBack, ShiftRegisters};

/// Connects the common line to at most one channel.
pub trait Switch {
    /// How it switches.
    fn kind(&self) -> BoardKind;

    /// Channels that exist, counted from 0.
    fn channels(&self) -> u8;

    /// How long its contacts take.
    fn waits(&self) -> Waits;

    /// Opens every channel. Called at start, when nothing is known of the pins, too.
    ///
    /// # Errors
    ///
    /// [`SwitchFault`] if a pin or bus could not be driven, or the read-back differs. As many channels as
    /// possible are opened even then.
    fn open_all(&mut self) -> Result<(), SwitchFault>;

    /// Closes one channel. Every channel is open when this is called, and the break is over.
    ///
    /// # Errors
    ///
    /// [`SwitchFault`] if there is no such channel, a pin or bus could not be driven, or the read-back
    /// differs. The caller opens everything then.
    fn close(&mut self, channel: Channel) -> Result<(), SwitchFault>;
}

/// The switch could not be driven or read back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SwitchFault;

/// How long the contacts of a switch take, in µs. From the data sheet of the part, with a margin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Waits {
    /// From opening one channel to closing the next, at least: the longest release time.
    pub break_us: u32,
    /// From driving a channel to its contact being made and done bouncing.
    pub make_us: u32,
}
