//! Where bytes come from and go to: a serial port, or `tcp:HOST:PORT`.
//!
//! This is an edge. It opens ports and moves bytes; it knows neither formats nor messages.
#![allow(clippy::disallowed_methods, reason = "ports are an edge: reader threads stamp bytes as they arrive")]

mod address;
mod devices;
mod list;
mod listener;

use std::io::{Read, Write};

use crate::meter::{DataBits, Parity, PortSettings, StopBits};

pub use address::{Address, AddressError, PortError, open};
pub use devices::PortDevices;
pub use list::{ListedPort, UsbDevice, list};
pub use listener::{ARRIVALS, Arrival, Listener};

/// A number for the first request of a conversation with a switching board, by the wall clock: programs that ran before
/// this one on the same port have used others of late.
#[must_use]
pub fn fresh_number() -> u16 {
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    now.map_or(0, |since| since.as_millis() as u16)
}

/// Both directions of an open port.
pub struct Port {
    /// Reads block for [`READ_WAIT`] at most, then fail with `TimedOut`.
    pub reader: Box<dyn Read + Send>,
    /// Writes block until the system has taken the bytes, at most [`WRITE_WAIT`].
    pub writer: Box<dyn Write + Send>,
    /// Where it is, to open it again when it went away.
    pub address: Address,
    /// How it was set.
    pub settings: PortSettings,
}

/// How long a read waits, so that a reader thread sees soon that it should end.
pub const READ_WAIT: std::time::Duration = std::time::Duration::from_millis(50);

/// How long a write waits for a device that takes nothing.
pub const WRITE_WAIT: std::time::Duration = std::time::Duration::from_secs(2);

/// What the switching board speaks on its UART: 115200 8N1. USB serial firmware often stays silent until DTR is
/// raised.
pub const SWITCHING_BOARD: PortSettings = PortSettings {
    baud: 115_200,
    data_bits: DataBits::Eight,
    parity: Parity::None,
    stop_bits: StopBits::One,
    dtr: true,
    rts: true,
};
