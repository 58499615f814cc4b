//! What a switching board tells of itself.

use serde::{Deserialize, Serialize};

/// What a switching board tells of itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Greeting {
    /// Version of the protocol that both sides will use. Always the first byte of a greeting.
    pub version: u8,
    /// How it switches.
    pub kind: BoardKind,
    /// Another value after each reset, so that an answer from before is never taken for one from after.
    pub boot_id: u32,
    /// What started it.
    pub reset: ResetCause,
    /// Channels that exist, counted from 0.
    pub channels: u8,
    /// Steps that a plan may have.
    pub plan_steps: u16,
    /// Major, minor and patch number of the firmware.
    pub firmware: (u8, u8, u8),
    /// Names this one unit; all zeros if it has no number of its own.
    pub unique_id: [u8; 8],
    /// Which optional parts are there.
    pub parts: Parts,
    /// The times that are built in.
    pub timing: Timing,
}

/// How a switching board switches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum BoardKind {
    /// Analog multiplexers on address lines.
    Multiplexer,
    /// Relays or PhotoMOS on shift registers.
    ShiftRegister,
    /// Relays or PhotoMOS on I²C expanders.
    Expander,
    /// No hardware: the practice bench.
    Practice,
}

/// What started the switching board.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ResetCause {
    /// Power came, or the reset line was pulled.
    Power,
    /// The hardware watchdog: the program hung.
    Watchdog,
    /// The program found itself in a state that must not be, opened every channel and started again.
    Panic,
    /// The microcontroller does not tell.
    Unknown,
}

/// Which optional parts a switching board has.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Parts {
    /// Measures the voltage of the common line.
    pub sense: bool,
    /// Bleed resistor on the common line.
    pub bleed: bool,
    /// Start button.
    pub button: bool,
    /// Lid contact. Without one, the lid counts as closed.
    pub lid: bool,
    /// Two-colour light.
    pub light: bool,
    /// Buzzer.
    pub buzzer: bool,
}

/// The times that are built into a switching board, in µs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Timing {
    /// From opening one channel to closing the next, at least.
    pub break_us: u32,
    /// From driving a channel to its contact being made and done bouncing. The settle time of a request
    /// comes on top.
    pub make_us: u32,
    /// Silence of the host after which every channel is opened.
    pub silence_us: u32,
}
