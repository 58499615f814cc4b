//! From a meter's bytes to readings: push bytes, pull [`Stamped`] readings.
//!
//! ```text
//! bytes ─► inbox ─► frame (length, marks, checksum) ─► content (nom rules) ─► reading
//!                      └── on failure one byte or one line is dropped, and the decoder goes on
//! ```
//!
//! [`Decoder`] only listens. [`Conversation`] also asks, for meters that measure when told to. Both take time as
//! an argument and touch no port. What differs from meter to meter stands in a [`Profile`].
//!
//! This room knows formats and what a meter can show. It does not know pins, boards or ports.

mod conversation;
mod decoder;
mod format;
mod inbox;
mod mode;
mod port_settings;
mod problem;
mod profile;
mod reading;
mod recognise;

pub use conversation::{Answer, Conversation, ConversationError, Event, Identity};
pub use decoder::Decoder;
pub use format::{Format, LineFormat};
pub use port_settings::{DataBits, Parity, PortSettings, StopBits};
pub use problem::{MeterError, Problem};
pub use profile::{
    DiodeSource, DiodeTest, Measured, Origin, Profile, ProfileError, Talk, Timing, shipped, shipped_text,
};
pub use reading::{Flags, Function, NoValue, Number, Reading, Sign, Stamped};
pub use recognise::{Candidate, Recogniser};
